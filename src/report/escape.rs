//! Text from files made harmless, one way out for each kind of output.

use crate::trace::Label;

/// Whether a character may act on a terminal or turn text round: controls, bidirectional overrides,
/// invisible marks.
fn acts(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}')
}

/// For a terminal or plain text: what acts becomes a visible escape.
pub fn terminal(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if acts(c) {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
    }
    out
}

/// A label for a terminal.
pub fn label(label: &Label) -> String {
    terminal(&label.text())
}

/// For HTML and SVG text and attribute values: markup characters become entities, and what acts a
/// visible escape.
pub fn markup(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in terminal(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// For a cell of CSV or a spreadsheet: what a spreadsheet would take for a formula gets an
/// apostrophe in front. Source: OWASP, "CSV Injection".
pub fn cell(text: &str) -> String {
    let text = terminal(text);
    match text.chars().next() {
        Some('=' | '+' | '-' | '@') => format!("'{text}"),
        _ => text,
    }
}

/// For a part of a path: letters, digits, dot, dash and underscore stay, anything else becomes an
/// underscore; never empty, never hidden, never a way up.
pub fn path(text: &str) -> String {
    let mut out: String = text
        .chars()
        .map(|c| if c.is_alphanumeric() || matches!(c, '.' | '-' | '_') { c } else { '_' })
        .take(80)
        .collect();
    while out.starts_with('.') {
        out.replace_range(..1, "_");
    }
    if out.is_empty() { "_".to_owned() } else { out }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hostile_labels_come_out_harmless_everywhere() {
        // text, terminal, markup, cell, path
        let cases = [
            ("\u{1b}[2Jx", "\\u{1b}[2Jx", "\\u{1b}[2Jx", "\\u{1b}[2Jx", "__2Jx"),
            ("<script>", "<script>", "&lt;script&gt;", "<script>", "_script_"),
            ("=1+1", "=1+1", "=1+1", "'=1+1", "_1_1"),
            ("../../etc", "../../etc", "../../etc", "../../etc", "_._.._etc"),
            ("a\u{202e}b", "a\\u{202e}b", "a\\u{202e}b", "a\\u{202e}b", "a_b"),
            ("", "", "", "", "_"),
            ("Österö 7", "Österö 7", "Österö 7", "Österö 7", "Österö_7"),
        ];
        for (text, in_terminal, in_markup, in_cell, in_path) in cases {
            assert_eq!(terminal(text), in_terminal);
            assert_eq!(markup(text), in_markup);
            assert_eq!(cell(text), in_cell);
            assert_eq!(path(text), in_path, "{text}");
        }
    }
}
