//! Text from files made harmless, one way out for each kind of output.

use crate::trace::Label;

/// Whether a character may act on a terminal or turn text round: controls, bidirectional overrides,
/// invisible marks.
fn acts(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{fffe}'..='\u{ffff}'
            | '\u{e0000}'..='\u{e007f}')
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

/// In characters: what anybody writes into a label is far shorter.
const LONGEST_LABEL: usize = 200;

/// A label for a terminal.
pub fn label(label: &Label) -> String {
    terminal(&cut(&label.text()))
}

/// The text of a label; of one that would fill the screen the beginning and how long it is.
pub fn cut(text: &str) -> String {
    match text.char_indices().nth(LONGEST_LABEL) {
        Some((end, _)) => format!("{}… ({} characters)", &text[..end], text.chars().count()),
        None => text.to_owned(),
    }
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
    // Blanks in front do not help: some spreadsheets drop them. The full-width forms count as well.
    match text.trim_start().chars().next() {
        Some('=' | '+' | '-' | '@' | '＝' | '＋' | '－' | '＠') => format!("'{text}"),
        _ => text,
    }
}

/// For a JSON document that may be shown on a terminal: what acts and stands outside ASCII becomes
/// JSON's own escape, so that the document says the same. `json`: valid JSON, in which everything
/// below a blank is escaped already. Source: RFC 8259, section 7.
pub fn json(json: String) -> String {
    let mut out = String::new();
    let (mut copied, mut at) = (0, 0);
    while let Some(c) = next_odd(&json, &mut at) {
        let start = at - c.len_utf8();
        if acts(c) {
            out.push_str(&json[copied..start]);
            for unit in c.encode_utf16(&mut [0; 2]) {
                out.push_str(&format!("\\u{unit:04x}"));
            }
            copied = at;
        }
    }
    // Documents are long, and in nearly all of them nothing acts: such a one is not copied.
    if copied == 0 { json } else { out + &json[copied..] }
}

/// The next character from byte `at` on that is neither plain nor a line's end; `at` is then behind it.
fn next_odd(json: &str, at: &mut usize) -> Option<char> {
    let is_plain = |b: &u8| matches!(b, b' '..=b'~' | b'\n');
    let rest = &json.as_bytes()[*at..];
    // Chunk by chunk, each without an early end: so the compiler tests many bytes at once.
    let all_plain = |chunk: &&[u8]| chunk.iter().fold(true, |all, b| all & is_plain(b));
    let plain: usize = rest.chunks(64).take_while(all_plain).map(<[u8]>::len).sum();
    *at += plain + rest[plain..].iter().position(|b| !is_plain(b))?;
    let odd = json[*at..].chars().next()?;
    *at += odd.len_utf8();
    Some(odd)
}

/// For a part of a path: letters, digits, dot, dash and underscore stay, anything else becomes an
/// underscore; never empty, never hidden, never a way up, never a device's name.
pub fn path(text: &str) -> String {
    let mut out: String = text
        .chars()
        .map(|c| if c.is_alphanumeric() || matches!(c, '.' | '-' | '_') { c } else { '_' })
        .take(80)
        .collect();
    while out.starts_with('.') {
        out.replace_range(..1, "_");
    }
    if out.is_empty() || is_device(&out) { format!("_{out}") } else { out }
}

/// Whether Windows takes a name for a device, whatever its ending.
/// Source: Microsoft, "Naming Files, Paths, and Namespaces".
fn is_device(name: &str) -> bool {
    let stem = name.split('.').next().unwrap_or_default().to_ascii_uppercase();
    match stem.as_str() {
        "CON" | "PRN" | "AUX" | "NUL" => true,
        _ => {
            matches!(stem.strip_prefix("COM").or_else(|| stem.strip_prefix("LPT")), Some(n) if n.len() == 1 && n.chars().all(|c| c.is_ascii_digit()))
        }
    }
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
            ("  =1", "  =1", "  =1", "'  =1", "___1"),
            ("＝1", "＝1", "＝1", "'＝1", "_1"),
            ("\t@x", "\\u{9}@x", "\\u{9}@x", "\\u{9}@x", "__x"),
            ("\u{9b}31m", "\\u{9b}31m", "\\u{9b}31m", "\\u{9b}31m", "_31m"),
            ("a\u{61c}b", "a\\u{61c}b", "a\\u{61c}b", "a\\u{61c}b", "a_b"),
            ("con.a", "con.a", "con.a", "con.a", "_con.a"),
            ("com7", "com7", "com7", "com7", "_com7"),
            ("comet", "comet", "comet", "comet", "comet"),
            ("Österö 7", "Österö 7", "Österö 7", "Österö 7", "Österö_7"),
        ];
        for (text, in_terminal, in_markup, in_cell, in_path) in cases {
            assert_eq!(terminal(text), in_terminal);
            assert_eq!(markup(text), in_markup);
            assert_eq!(cell(text), in_cell);
            assert_eq!(path(text), in_path, "{text}");
        }
    }

    #[test]
    fn a_label_that_would_fill_the_screen_is_cut_and_says_so() {
        let longest = "é".repeat(200);
        assert_eq!(cut(&longest), longest);
        assert_eq!(cut(&(longest.clone() + "é")), longest + "… (201 characters)");
    }

    #[test]
    fn a_json_document_says_the_same_and_holds_nothing_that_acts() {
        for text in ["\u{9b}31m", "a\u{202e}b\u{7f}", "tag \u{e0041}", "plain Ö\n\u{1b}"] {
            let document = serde_json::to_string(text).expect("text is JSON");
            let shown = json(document);
            assert!(!shown.chars().any(acts), "{shown:?}");
            assert_eq!(serde_json::from_str::<String>(&shown).expect("still JSON"), text);
        }
    }
}
