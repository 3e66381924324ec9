//! A picture as a list of shapes, before anything draws it: places in points from the upper left
//! corner, so that a picture can be examined by a test as well as by eyes.

use super::face;
use super::palette::Color;

/// A place in points: to the right, and down.
pub(super) type At = (f64, f64);

/// Anything that can stand in a picture.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Shape {
    /// A line through points.
    Line(Vec<At>, Stroke),
    /// A filled rectangle between two corners.
    Block(At, At, Color),
    /// Words.
    Words(Words),
}

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stroke {
    pub color: Color,
    pub width: f64,
    /// Drawn and left out, in points. `None`: unbroken.
    pub dash: Option<(f64, f64)>,
}

/// Which point of its line of text `at` is: along, then always half way up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    Left,
    Middle,
    Right,
}

/// A line of text.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Words {
    pub text: String,
    pub at: At,
    /// Height of the letters' square in points.
    pub size: f64,
    pub color: Color,
    pub side: Side,
    /// Read from below upwards.
    pub upright: bool,
}

/// A picture's shapes, in the order of drawing.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Sheet {
    pub width: f64,
    pub height: f64,
    pub ground: Color,
    pub shapes: Vec<Shape>,
}

impl Stroke {
    pub(super) fn new(color: Color, width: f64) -> Stroke {
        Stroke { color, width, dash: None }
    }

    pub(super) fn dashed(color: Color, width: f64, dash: (f64, f64)) -> Stroke {
        Stroke { color, width, dash: Some(dash) }
    }
}

impl Sheet {
    pub(super) fn new(width: f64, height: f64, ground: Color) -> Sheet {
        Sheet { width, height, ground, shapes: Vec::new() }
    }

    pub(super) fn line(&mut self, points: impl Into<Vec<At>>, stroke: Stroke) {
        self.shapes.push(Shape::Line(points.into(), stroke));
    }

    /// A filled rectangle between two corners.
    pub(super) fn block(&mut self, a: At, b: At, color: Color) {
        self.shapes.push(Shape::Block(a, b, color));
    }

    pub(super) fn words(
        &mut self,
        text: impl Into<String>,
        at: At,
        size: f64,
        color: Color,
        side: Side,
    ) {
        let words = Words { text: text.into(), at, size, color, side, upright: false };
        self.shapes.push(Shape::Words(words));
    }

    /// Words that are read from below upwards, about their middle.
    pub(super) fn upright(&mut self, text: impl Into<String>, at: At, size: f64, color: Color) {
        let side = Side::Middle;
        let words = Words { text: text.into(), at, size, color, side, upright: true };
        self.shapes.push(Shape::Words(words));
    }
}

/// Width of a line of text in points, with room to spare: an SVG is shown in the plain font of the
/// reader, and the widest in wide use, DejaVu Sans, is 13 % wider than the one inside this program.
pub(super) fn width(text: &str, size: f64) -> f64 {
    face::width(text, size) * 1.14
}

/// `text` cut to a width, with an ellipsis where something is left out.
pub(super) fn cut(text: &str, size: f64, room: f64) -> String {
    if width(text, size) <= room {
        return text.to_owned();
    }
    let mut letters: Vec<char> = text.chars().collect();
    // A hostile label of a million letters is not measured a million times.
    letters.truncate((room / (size * 0.2)).max(0.0) as usize);
    while !letters.is_empty() {
        letters.pop();
        let shorter: String = letters.iter().chain(&['…']).collect();
        if width(&shorter, size) <= room {
            return shorter;
        }
    }
    String::new()
}

/// `text` on at most `lines` lines of a width, broken between words, the rest cut off.
pub(super) fn wrapped(text: &str, size: f64, room: f64, lines: usize) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut line = String::new();
    let mut words = text.split(' ').peekable();
    while let Some(word) = words.next() {
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if line.is_empty() || width(&longer, size) <= room {
            line = longer;
            continue;
        }
        if out.len() + 1 == lines {
            let rest = words.fold(format!("{line} {word}"), |all, next| all + " " + next);
            line = rest;
            break;
        }
        out.push(std::mem::replace(&mut line, word.to_owned()));
    }
    out.push(line);
    out.iter().map(|line| cut(line, size, room)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_titles_are_broken_between_words_and_cut_in_the_end() {
        let words = "from the lantern pier to the tide house by way of the kiln road ".repeat(9);
        let lines = wrapped(&words, 12.0, 300.0, 2);
        assert_eq!(lines.len(), 2);
        assert!(!lines[0].ends_with('…') && lines[1].ends_with('…'), "{lines:?}");
        assert!(lines.iter().all(|line| width(line, 12.0) <= 300.0));
        assert_eq!(wrapped("short", 12.0, 300.0, 2), ["short"]);
        let endless = "x".repeat(1_000_000);
        assert!(width(&cut(&endless, 12.0, 300.0), 12.0) <= 300.0);
    }
}
