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

/// Room below which words beside the figures would be a ladder of single words.
const LEAST_ROOM: usize = 16;

/// Lines of a table, each without blanks at its end; columns with nothing in them are left out.
///
/// `rows`: one `String` per column. Columns are as wide as their widest cell. Words in the last one
/// are wrapped to the room that is left of `width` characters, or stand below their row where that
/// is too little. Where not even the figures fit, each row becomes lines that name every figure.
pub fn lines(columns: &[Column], rows: &[Vec<String>], width: usize) -> Vec<String> {
    let used: Vec<usize> =
        (0..columns.len()).filter(|c| rows.iter().any(|row| !row[*c].is_empty())).collect();
    let Some((last, figures)) = used.split_last() else { return Vec::new() };
    let widest = |c: usize| {
        rows.iter().map(|row| length(&row[c])).max().unwrap_or(0).max(length(columns[c].0))
    };
    let own = widest(*last);
    let fixed = 2 + figures.iter().map(|c| widest(*c) + 2).sum::<usize>();
    let words = columns[*last].1 == Align::Left;
    let room = width.saturating_sub(fixed);
    let aligned = |used: &[usize]| Aligned {
        columns,
        cells: used.iter().map(|c| (*c, widest(*c))).collect(),
    };
    if own <= room || (words && room >= LEAST_ROOM) {
        aligned(&used).lines(rows, room)
    } else if words && !figures.is_empty() && fixed <= width + 2 {
        aligned(figures).with_words_below(rows, *last, width)
    } else {
        rows.iter().flat_map(|row| named(columns, row, width)).collect()
    }
}

fn length(text: &str) -> usize {
    text.chars().count()
}

/// A table whose columns are settled.
struct Aligned<'a> {
    columns: &'a [Column],
    /// Number and width of each column that is shown; at least one.
    cells: Vec<(usize, usize)>,
}

impl Aligned<'_> {
    /// Heading and rows; words in the last column are wrapped to `room`.
    fn lines(&self, rows: &[Vec<String>], room: usize) -> Vec<String> {
        std::iter::once(&self.heading()).chain(rows).flat_map(|row| self.row(row, room)).collect()
    }

    /// Heading and rows, a line each, and the text of the column `words` on lines below its row.
    fn with_words_below(&self, rows: &[Vec<String>], words: usize, width: usize) -> Vec<String> {
        let mut out = self.row(&self.heading(), usize::MAX);
        for row in rows {
            out.extend(self.row(row, usize::MAX));
            if !row[words].is_empty() {
                out.extend(indented(6, &row[words], width));
            }
        }
        out
    }

    fn heading(&self) -> Vec<String> {
        self.columns.iter().map(|c| c.0.to_owned()).collect()
    }

    fn row(&self, row: &[String], room: usize) -> Vec<String> {
        let Some((last, _)) = self.cells.last() else { return Vec::new() };
        let parts = match self.columns[*last].1 {
            Align::Left => wrap(&row[*last], room),
            Align::Right => vec![row[*last].clone()],
        };
        let line = |(n, part): (usize, &String)| {
            let mut line = String::new();
            for (c, width) in &self.cells {
                let text = match (c == last, n) {
                    (true, _) => part.as_str(),
                    (false, 0) => row[*c].as_str(),
                    (false, _) => "",
                };
                let blanks = " ".repeat(width.saturating_sub(length(text)));
                line.push_str("  ");
                match self.columns[*c].1 {
                    Align::Left => line.extend([text, &blanks]),
                    Align::Right => line.extend([blanks.as_str(), text]),
                }
            }
            line.trim_end().to_owned()
        };
        parts.iter().enumerate().map(line).collect()
    }
}

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

/// A text as lines that all stand `by` blanks in.
pub fn indented(by: usize, text: &str, width: usize) -> Vec<String> {
    wrap(text, width.saturating_sub(by)).iter().map(|line| format!("{:by$}{line}", "")).collect()
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
    for word in words(text) {
        let Some(line) = lines.last_mut() else { break };
        if line.is_empty() {
            line.push_str(&word);
        } else if line.chars().count() + 1 + word.chars().count() <= width {
            line.push(' ');
            line.push_str(&word);
        } else {
            lines.push(word);
        }
    }
    lines
}

/// The words of a text; a figure and what stands behind its ± are one.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut glue = false;
    for word in text.split(' ') {
        let before = words.last_mut().filter(|_| glue || word == "±");
        match before {
            Some(before) => before.extend([" ", word]),
            None => words.push(word.to_owned()),
        }
        glue = matches!(word, "±" | "≥");
    }
    words
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

/// A figure with its uncertainty, close together, so that a table of them fits 80 columns.
pub fn close(figure: &str) -> String {
    figure.replace(" ± ", "±")
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
        let columns = [("no", Align::Right), ("what", Align::Left), ("loss dB", Align::Right)];
        let rows = vec![vec!["12".into(), "splice".into(), "0.123±0.001".into()]];
        assert_eq!(
            lines(&columns, &rows, 24),
            ["  no 12, what splice,", "    loss dB 0.123±0.001"]
        );
        assert_eq!(lines(&columns, &rows, 25).len(), 2, "a heading and a row");
    }

    #[test]
    fn words_without_room_beside_the_figures_stand_below_them() {
        let columns = [("no", Align::Right), ("loss dB", Align::Right), ("remarks", Align::Left)];
        let rows = vec![
            vec!["1".into(), "0.123±0.001".into(), String::new()],
            vec!["2".into(), "-0.123±0.001".into(), "gain: read it from both ends".into()],
        ];
        assert_eq!(
            lines(&columns, &rows, 30),
            [
                "  no       loss dB",
                "   1   0.123±0.001",
                "   2  -0.123±0.001",
                "      gain: read it from both",
                "      ends"
            ]
        );
    }

    #[test]
    fn a_figure_and_its_uncertainty_stay_on_one_line() {
        assert_eq!(wrap("it loses 0.587 ± 0.002 dB", 16), ["it loses", "0.587 ± 0.002 dB"]);
        assert_eq!(wrap("at least ≥ 14.2 dB", 12), ["at least", "≥ 14.2 dB"]);
        assert_eq!(wrap("± x", 2), ["± x"]);
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

    proptest::proptest! {
        #[test]
        fn a_table_of_short_words_fits_any_width_and_loses_none(
            rows in proptest::collection::vec(
                proptest::collection::vec("([a-z]{1,8}( [a-z]{1,8}){0,5})?", 5), 1..6),
            width in 30_usize..140,
        ) {
            let columns = [
                ("no", Align::Right),
                ("what", Align::Left),
                ("loss dB", Align::Right),
                ("dB/km", Align::Right),
                ("remarks", Align::Left),
            ];
            let lines = lines(&columns, &rows, width);
            for line in &lines {
                proptest::prop_assert!(length(line) <= width, "{line:?} at {width}");
            }
            let shown = lines.join(" ");
            for word in rows.iter().flatten().flat_map(|cell| cell.split_whitespace()) {
                proptest::prop_assert!(shown.split_whitespace().any(|w| w.trim_end_matches(',') == word));
            }
        }
    }
}
