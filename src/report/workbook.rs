//! The tables of a review as one workbook (XLSX), a sheet each.

use std::borrow::Cow;

use rust_xlsxwriter::{
    Color, ConditionalFormatText, ConditionalFormatTextRule, DocProperties, ExcelDateTime, Format,
    FormatAlign, FormatBorder, Workbook, Worksheet, XlsxError,
};

use super::CAUTION;
use super::sheets::{Cell, Sheet};

/// A workbook's bytes.
///
/// `title`: of the document. `made_unix_s`: the date in it, in seconds since 1970; it comes from the
/// data, so that the same data give the same bytes.
///
/// # Errors
/// Where a table is larger than a sheet can be: 1,048,576 rows.
pub fn xlsx(sheets: &[Sheet], title: &str, made_unix_s: u32) -> Result<Vec<u8>, XlsxError> {
    let mut workbook = Workbook::new();
    let made = ExcelDateTime::from_timestamp(i64::from(made_unix_s))?;
    let properties = DocProperties::new().set_title(title).set_comment(CAUTION);
    workbook.set_properties(&properties.set_creation_datetime(&made));
    for sheet in sheets {
        fill(workbook.add_worksheet(), sheet)?;
    }
    workbook.save_to_buffer()
}

/// Rows and columns are counted by small numbers in this format.
fn column(index: usize) -> u16 {
    index as u16
}

/// Characters that a cell can hold. Source: ECMA-376 leaves it open, spreadsheets take 32,767 (common
/// practice, no source).
const LONGEST_TEXT: usize = 32_767;

/// A text that a cell can hold; an ellipsis says that there was more.
fn shortened(text: &str) -> Cow<'_, str> {
    // Counted as the programs do, in UTF-16 units.
    if text.encode_utf16().count() <= LONGEST_TEXT {
        return text.into();
    }
    let mut left = LONGEST_TEXT - 1;
    let fits = |c: &char| {
        let used = c.len_utf16() <= left;
        left = left.saturating_sub(c.len_utf16());
        used
    };
    text.chars().take_while(fits).chain(['…']).collect::<String>().into()
}

fn fill(page: &mut Worksheet, sheet: &Sheet) -> Result<(), XlsxError> {
    let heading = Format::new().set_bold().set_border_bottom(FormatBorder::Thin);
    // Figures stand to the right of their column: words of the next keep their distance.
    let words = Format::new().set_indent(1);
    page.set_name(sheet.name)?;
    page.set_freeze_panes(1, 0)?;
    page.set_footer(format!("&L{CAUTION}&R&A, &P of &N"));
    page.set_landscape().set_print_fit_to_pages(1, 0).set_repeat_rows(0, 0)?;
    for (c, name) in sheet.columns.iter().enumerate() {
        let figures = Format::new().set_num_format(number_format(name));
        page.set_column_width(column(c), width(sheet, c))?;
        let has_figures = sheet.rows.iter().any(|row| matches!(row[c], Cell::Number(_)));
        let heading = if has_figures {
            heading.clone().set_align(FormatAlign::Right)
        } else {
            heading.clone().set_indent(1)
        };
        page.write_string_with_format(0, column(c), name, &heading)?;
        for (r, row) in (1..).zip(&sheet.rows) {
            match &row[c] {
                Cell::Empty => {}
                Cell::Text(text) => {
                    page.write_string_with_format(r, column(c), shortened(text), &words)?;
                }
                Cell::Number(value) => {
                    page.write_number_with_format(r, column(c), *value, &figures)?;
                }
            }
        }
    }
    let last = sheet.rows.len() as u32;
    if last > 0 {
        page.autofilter(0, 0, last, column(sheet.columns.len().saturating_sub(1)))?;
    }
    for (c, _) in sheet.columns.iter().enumerate().filter(|(_, name)| is_marked(name)) {
        for (word, format) in marks() {
            let mark = ConditionalFormatText::new()
                .set_rule(ConditionalFormatTextRule::BeginsWith(word.to_owned()))
                .set_format(format);
            page.add_conditional_format(1, column(c), last.max(1), column(c), &mark)?;
        }
    }
    Ok(())
}

/// Columns whose words are marked.
fn is_marked(name: &str) -> bool {
    matches!(name, "verdict" | "fiber_verdict" | "severity")
}

/// What words look like. The word says it all: weight and shade differ too, for who sees no colours.
fn marks() -> Vec<(&'static str, Format)> {
    let shade = |rgb| Format::new().set_background_color(Color::RGB(rgb));
    vec![
        ("fail", shade(0x00F3_CDBB).set_bold()),
        ("fault", shade(0x00F3_CDBB).set_bold()),
        ("unreadable", shade(0x00F3_CDBB).set_bold()),
        ("undecided", shade(0x00F4_E9B8).set_italic()),
        ("missing", shade(0x00DA_DADA).set_italic()),
        ("incomplete", shade(0x00DA_DADA).set_italic()),
        ("pass", shade(0x00DD_E9F3)),
    ]
}

/// Decimals that are shown; the cell holds them all.
fn number_format(name: &str) -> &'static str {
    match name {
        _ if name.ends_with("reflectance_db") || name.ends_with("reflectance_sigma_db") => "0.00",
        // A sigma is often less than half a thousandth, and never 0.
        _ if name.ends_with("_sigma_db") || name.ends_with("_sigma_db_per_km") => "0.0000",
        _ if name.ends_with("_db") || name.ends_with("_db_per_km") => "0.000",
        _ if name.ends_with("_m") => "0.0",
        _ => "General",
    }
}

/// Characters a column shows without hiding its heading beside the filter's button, nor being wider
/// than a screen can bear.
fn width(sheet: &Sheet, c: usize) -> f64 {
    let widest = sheet.rows.iter().map(|row| match &row[c] {
        Cell::Text(text) => text.chars().count(),
        Cell::Number(_) | Cell::Empty => 8,
    });
    let heading = sheet.columns[c].chars().count() + 3;
    widest.max().unwrap_or(0).clamp(heading, heading.max(60)) as f64 + 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_longer_than_a_cell_is_cut_and_says_so() {
        let longest = "ö".repeat(LONGEST_TEXT);
        assert_eq!(shortened(&longest), longest);
        assert_eq!(shortened(&(longest.clone() + "x")).chars().count(), LONGEST_TEXT);
        assert!(shortened(&(longest + "x")).ends_with('…'));
        // Two units each: an odd number of units is left, and no character is halved.
        let wide = shortened(&"𝄞".repeat(LONGEST_TEXT)).encode_utf16().count();
        assert!(wide <= LONGEST_TEXT, "{wide}");
    }

    #[test]
    fn any_date_and_any_text_make_a_workbook() {
        let row = ["x".repeat(40_000), "\u{1}\u{1b}[2J".into(), "]]>&<\u{fffe}".into()];
        let sheet = Sheet {
            name: "tests",
            columns: ["reasons", "file", "verdict"].map(str::to_owned).to_vec(),
            rows: vec![row.map(|text| Cell::Text(super::super::escape::cell(&text))).to_vec()],
        };
        for made_unix_s in [0, 1_700_000_000, u32::MAX] {
            let made = xlsx(std::slice::from_ref(&sheet), "<&>", made_unix_s);
            assert!(made.is_ok_and(|bytes| bytes.starts_with(b"PK")), "{made_unix_s}");
        }
    }
}
