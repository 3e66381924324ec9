//! Text that knows its width: cut, wrapped, never wider than its room.

use skrifa::instance::{LocationRef, Size};
use skrifa::metrics::GlyphMetrics;
use skrifa::{FontRef, MetadataProvider, charmap::Charmap};

use crate::report::escape;

/// How heavy letters are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// What stands for the part of a text that has no room.
const ELLIPSIS: char = '…';

/// The fonts of a document: the bytes that are embedded, and their widths.
pub(super) struct Faces {
    regular: Face,
    bold: Face,
}

struct Face {
    letters: Charmap<'static>,
    widths: GlyphMetrics<'static>,
    per_em: f32,
}

impl Face {
    fn of(bytes: &'static [u8]) -> Option<Face> {
        let font = FontRef::new(bytes).ok()?;
        let (size, place) = (Size::unscaled(), LocationRef::default());
        Some(Face {
            letters: font.charmap(),
            widths: font.glyph_metrics(size, place),
            per_em: f32::from(font.metrics(size, place).units_per_em),
        })
    }

    /// Number of a letter's glyph, and its width in em. `None`: the font has no such letter.
    fn glyph(&self, letter: char) -> Option<(u32, f32)> {
        let id = self.letters.map(letter).filter(|id| id.to_u32() != 0)?;
        Some((id.to_u32(), self.widths.advance_width(id)? / self.per_em))
    }
}

/// The embedded bytes of a weight.
pub(super) fn bytes(weight: Weight) -> &'static [u8] {
    match weight {
        Weight::Regular => ttf_noto_sans::REGULAR,
        Weight::Bold => ttf_noto_sans::BOLD,
    }
}

impl Faces {
    /// `None` where the fonts inside the program are damaged, which no input brings about.
    pub(super) fn new() -> Option<Faces> {
        let face = |weight| Face::of(bytes(weight));
        Some(Faces { regular: face(Weight::Regular)?, bold: face(Weight::Bold)? })
    }

    fn face(&self, weight: Weight) -> &Face {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// Text made harmless: what acts becomes a visible escape, and so does what the fonts cannot show.
    pub(super) fn shown(&self, text: &str) -> String {
        let mut out = String::with_capacity(text.len());
        for letter in escape::terminal(text).chars() {
            if self.regular.glyph(letter).is_some() && self.bold.glyph(letter).is_some() {
                out.push(letter);
            } else {
                out.extend(letter.escape_unicode());
            }
        }
        out
    }

    /// Glyph and width in em of each letter of a text that was [`Self::shown`].
    pub(super) fn glyphs(&self, text: &str, weight: Weight) -> Vec<(usize, u32, f32)> {
        let face = self.face(weight);
        let glyph = |(at, letter)| {
            let (id, width) = face.glyph(letter).unwrap_or((0, 0.6));
            (at, id, width)
        };
        text.char_indices().map(glyph).collect()
    }

    /// Width in points.
    pub(super) fn width(&self, text: &str, size: f32, weight: Weight) -> f32 {
        size * self.glyphs(text, weight).iter().map(|(_, _, width)| width).sum::<f32>()
    }

    /// The text, or as much of its beginning as has room, with an ellipsis.
    pub(super) fn cut(&self, text: &str, size: f32, weight: Weight, room: f32) -> String {
        if self.width(text, size, weight) <= room {
            return text.to_owned();
        }
        let mut left = room - self.width(&ELLIPSIS.to_string(), size, weight);
        let mut out = String::new();
        for (letter, (_, _, width)) in text.chars().zip(self.glyphs(text, weight)) {
            left -= width * size;
            if left < 0.0 {
                break;
            }
            out.push(letter);
        }
        out.truncate(out.trim_end().len());
        out.push(ELLIPSIS);
        out
    }

    /// As [`Self::cut`], but the end of the text stays: of a path it says more.
    pub(super) fn cut_front(&self, text: &str, size: f32, weight: Weight, room: f32) -> String {
        let turned = |text: &str| text.chars().rev().collect::<String>();
        turned(&self.cut(&turned(text), size, weight, room))
    }

    /// Lines of at most `room` points, broken at blanks; a word without room is cut.
    pub(super) fn wrap(&self, text: &str, size: f32, weight: Weight, room: f32) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            let joined = match lines.last() {
                Some(line) => format!("{line} {word}"),
                None => word.to_owned(),
            };
            match lines.last_mut() {
                Some(line) if self.width(&joined, size, weight) <= room => *line = joined,
                _ => lines.push(self.cut(word, size, weight, room)),
            }
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_is_wider_than_its_room_however_it_is_made_to_fit() {
        let faces = Faces::new().expect("fonts");
        let long = "W".repeat(300);
        let hostile =
            [long.as_str(), "\u{1b}[2J\u{202e}evil", "纤维 七", "a b c d e f g", "", "é\u{301}"];
        for text in hostile {
            let text = faces.shown(text);
            for room in [12.0, 40.0, 200.0] {
                for weight in [Weight::Regular, Weight::Bold] {
                    let fits = |part: &str| faces.width(part, 7.0, weight) <= room + 1e-3;
                    assert!(fits(&faces.cut(&text, 7.0, weight, room)), "{text} in {room}");
                    assert!(fits(&faces.cut_front(&text, 7.0, weight, room)), "{text} in {room}");
                    assert!(faces.wrap(&text, 7.0, weight, room).iter().all(|line| fits(line)));
                }
            }
        }
    }

    #[test]
    fn what_the_fonts_cannot_show_is_an_escape_and_every_letter_has_a_glyph() {
        let faces = Faces::new().expect("fonts");
        assert_eq!(faces.shown("纤 Ö\u{7}"), "\\u{7ea4} Ö\\u{7}");
        assert!(faces.glyphs(&faces.shown("纤 ±–…≤≥²Ö"), Weight::Bold).iter().all(|g| g.1 != 0));
    }

    #[test]
    fn widths_are_those_of_the_font() {
        // NotoSans-Regular.ttf, table hmtx: "A" 639, "i" 258, of 1000 units (read with fontTools)
        let faces = Faces::new().expect("fonts");
        assert!((faces.width("A", 1000.0, Weight::Regular) - 639.0).abs() < 0.5);
        assert!((faces.width("i", 1000.0, Weight::Regular) - 258.0).abs() < 0.5);
    }
}
