//! Aligned text tables.

/// How a column stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Figures.
    Right,
}

/// A column's heading and how it stands.
pub type Column = (&'static str, Align);

/// Lines of a table, each without blanks at its end; columns with nothing in them are left out.
///
/// `rows`: one `String` per column. The last column takes what room is left of `width` characters
/// and is wrapped there; the others are as wide as their widest cell. Where that does not fit
/// `width`, each row becomes a few lines that name every figure.
pub fn lines(columns: &[Column], rows: &[Vec<String>], width: usize) -> Vec<String> {
    let used: Vec<usize> =
        (0..columns.len()).filter(|c| rows.iter().any(|row| !row[*c].is_empty())).collect();
    let Some(last) = used.last().copied() else { return Vec::new() };
    let length = |text: &str| text.chars().count();
    let widths: Vec<usize> = used
        .iter()
        .map(|c| {
            rows.iter().map(|row| length(&row[*c])).max().unwrap_or(0).max(length(columns[*c].0))
        })
        .collect();
    let before: usize = widths[..widths.len() - 1].iter().map(|w| w + 2).sum();
    let widest = if columns[last].1 == Align::Left {
        before + 18
    } else {
        before + 2 + widths[widths.len() - 1]
    };
    if width < LEAST_FOR_TABLES && widest > width {
        return rows.iter().flat_map(|row| named(columns, row, width)).collect();
    }
    let room = width.saturating_sub(before + 2).max(16);
    let mut out = Vec::new();
    let heading: Vec<String> = columns.iter().map(|c| c.0.to_owned()).collect();
    for row in std::iter::once(&heading).chain(rows) {
        let wrapped = if columns[last].1 == Align::Left {
            wrap(&row[last], room)
        } else {
            vec![row[last].clone()]
        };
        for (n, part) in wrapped.iter().enumerate() {
            let mut line = String::from("  ");
            for (c, cell_width) in used.iter().zip(&widths) {
                let text = match (*c == last, n) {
                    (true, _) => part.as_str(),
                    (false, 0) => row[*c].as_str(),
                    (false, _) => "",
                };
                let pad = if *c == last && columns[*c].1 == Align::Left {
                    0
                } else {
                    cell_width.saturating_sub(length(text))
                };
                let blanks = " ".repeat(pad);
                match columns[*c].1 {
                    Align::Left => line.extend([text, &blanks]),
                    Align::Right => line.extend([blanks.as_str(), text]),
                }
                line.push_str("  ");
            }
            out.push(line.trim_end().to_owned());
        }
    }
    out
}

/// Narrower than this, a table that does not fit is no table any more. Wider, a label or place of
/// unusual length may stand out: one long line is easier to read than a list.
const LEAST_FOR_TABLES: usize = 80;

/// A row as text, each cell behind its heading.
fn named(columns: &[Column], row: &[String], width: usize) -> Vec<String> {
    let cells: Vec<String> = columns
        .iter()
        .zip(row)
        .filter(|(_, cell)| !cell.is_empty())
        .map(|((heading, _), cell)| format!("{heading} {cell}").trim_start().to_owned())
        .collect();
    hung(&cells.join(", "), width)
}

/// A text as lines that stand two blanks in, all but the first four.
pub fn hung(text: &str, width: usize) -> Vec<String> {
    wrap(text, width.saturating_sub(4).max(20))
        .into_iter()
        .enumerate()
        .map(|(i, line)| if i == 0 { format!("  {line}") } else { format!("    {line}") })
        .collect()
}

/// Breaks a text at blanks into lines of at most `width` characters; a longer word stands alone.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let Some(line) = lines.last_mut() else { break };
        if line.is_empty() {
            line.push_str(word);
        } else if line.chars().count() + 1 + word.chars().count() <= width {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

/// A figure with a given number of decimals; nothing for `None`.
pub fn figure(value: Option<f64>, decimals: usize) -> String {
    value.map_or(String::new(), |value| {
        let text = format!("{value:.decimals$}");
        // no "-0.000"
        if text.trim_start_matches(['-', '0', '.']).is_empty() {
            text.trim_start_matches('-').to_owned()
        } else {
            text
        }
    })
}

/// A standard deviation with as many decimals as asked for, or the few more that it takes to show a
/// figure: an uncertainty of 0.0 would claim what nobody can measure.
pub fn sigma(value: f64, decimals: usize) -> String {
    let shown = |d: &usize| value.abs() >= 0.5 * 10.0_f64.powi(-(*d as i32));
    let enough = (decimals..=decimals + 4).find(shown);
    figure(Some(value), enough.unwrap_or(decimals))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_align_and_the_last_one_wraps() {
        let columns = [("no", Align::Right), ("none", Align::Left), ("what it is", Align::Left)];
        let rows = vec![
            vec!["1".into(), String::new(), "a short one".into()],
            vec!["12".into(), String::new(), "a longer one that has to wrap here".into()],
        ];
        assert_eq!(
            lines(&columns, &rows, 26),
            [
                "  no  what it is",
                "   1  a short one",
                "  12  a longer one that",
                "      has to wrap here"
            ]
        );
    }

    #[test]
    fn a_row_that_does_not_fit_becomes_lines_that_name_each_figure() {
        let columns = [("no", Align::Right), ("loss dB", Align::Right), ("what", Align::Left)];
        let rows = vec![vec!["12".into(), "0.123±0.001".into(), "splice".into()]];
        assert_eq!(
            lines(&columns, &rows, 32),
            ["  no 12, loss dB 0.123±0.001,", "    what splice"]
        );
        assert_eq!(lines(&columns, &rows, 80).len(), 2);
    }

    #[test]
    fn no_uncertainty_shows_as_nothing() {
        assert_eq!(sigma(0.0345, 1), "0.03");
        assert_eq!(sigma(0.45, 1), "0.5");
        assert_eq!(sigma(0.00004, 3), "0.00004");
        assert_eq!(sigma(0.0, 1), "0.0", "a sigma of exactly nothing is the front panel's own");
    }

    #[test]
    fn a_rounded_zero_has_no_sign() {
        assert_eq!(figure(Some(-0.0001), 2), "0.00");
        assert_eq!(figure(Some(-0.51), 1), "-0.5");
        assert_eq!(figure(None, 1), "");
    }
}
