//! Marks of events, and the legend that explains every mark of a picture.

use super::axes::SMALL;
use super::palette::{Color, Palette};
use super::sheet::{At, Sheet, Side, Stroke, width};
use super::strip;
use crate::event::{Event, Likely, Role};
use crate::grade::Verdict;

/// A kind of event as a mark of its own form.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Mark {
    Joint,
    Reflection,
    Splitter,
    End,
    Echo,
}

impl Mark {
    /// `None` for the start, which is where the picture begins.
    pub(super) fn of(event: &Event) -> Option<Mark> {
        match (event.role, event.likely) {
            (Role::Start, _) => None,
            (Role::Echo, _) => Some(Mark::Echo),
            (Role::End, _) => Some(Mark::End),
            (Role::Joint, Some(Likely::Splitter)) => Some(Mark::Splitter),
            (Role::Joint, _) if event.is_reflective() => Some(Mark::Reflection),
            (Role::Joint, _) => Some(Mark::Joint),
        }
    }

    pub(super) fn word(self) -> &'static str {
        match self {
            Mark::Joint => "step without reflection",
            Mark::Reflection => "reflection, fibre goes on",
            Mark::Splitter => "likely a splitter",
            Mark::End => "end of what can be seen",
            Mark::Echo => "echo, not part of the link",
        }
    }

    pub(super) fn draw(self, sheet: &mut Sheet, (x, y): At, color: Color) {
        let r = 4.5;
        let line = Stroke::new(color, 1.8);
        match self {
            Mark::Joint => {
                sheet.line([(x - r, y - r), (x, y - r), (x, y + r), (x + r, y + r)], line);
            }
            Mark::Reflection => {
                sheet.line([(x - r, y + r), (x, y - 2.0 * r), (x + r, y + r)], line);
            }
            Mark::Splitter => {
                sheet.line([(x - r, y), (x, y), (x + r, y - r)], line);
                sheet.line([(x, y), (x + r, y + r)], line);
            }
            Mark::End => {
                sheet.line([(x, y - 2.0 * r), (x, y + 2.0 * r)], line);
                sheet.line([(x + r, y - 2.0 * r), (x + r, y + 2.0 * r)], line);
            }
            Mark::Echo => {
                sheet.line(circle((x, y), r), Stroke::new(color, 1.4));
            }
        }
    }
}

/// A bead on a curve: it tells curves apart without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Bead {
    Round,
    Square,
    Triangle,
    Cross,
}

/// Beads of the first, second, … curve of a picture.
pub(super) const BEADS: [Bead; 4] = [Bead::Round, Bead::Square, Bead::Triangle, Bead::Cross];

impl Bead {
    pub(super) fn draw(self, sheet: &mut Sheet, (x, y): At, color: Color) {
        let r = 4.5;
        let line = Stroke::new(color, 1.8);
        match self {
            Bead::Round => sheet.line(circle((x, y), r), line),
            Bead::Square => {
                let (a, b) = ((x - 4.0, y - 4.0), (x + 4.0, y + 4.0));
                sheet.line([a, (b.0, a.1), b, (a.0, b.1), a], line);
            }
            Bead::Triangle => {
                let (left, top, right) = ((x - r, y + r), (x, y - r), (x + r, y + r));
                sheet.line([left, top, right, left], line);
            }
            Bead::Cross => {
                sheet.line([(x - r, y - r), (x + r, y + r)], line);
                sheet.line([(x - r, y + r), (x + r, y - r)], line);
            }
        }
    }
}

fn circle((x, y): At, r: f64) -> Vec<At> {
    let turn = |n: i32| f64::from(n) * std::f64::consts::TAU / 16.0;
    (0..=16).map(|n| (x + r * turn(n).cos(), y + r * turn(n).sin())).collect()
}

/// The frame around what was judged. `None`: it needs none.
pub(super) fn verdict_stroke(verdict: Option<Verdict>, palette: &Palette) -> Option<Stroke> {
    match verdict {
        Some(Verdict::Fail) => Some(Stroke::new(palette.mark, 2.4)),
        Some(Verdict::Undecided) => Some(Stroke::dashed(palette.mark, 1.4, (3.0, 2.5))),
        Some(Verdict::Pass) | None => None,
    }
}

/// What a legend explains.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Sign {
    Mark(Mark),
    Line(Stroke),
    Shade(Color),
    /// One of several curves.
    Curve(Color, Bead),
    /// A cell's frame.
    Frame(Stroke),
    /// A bar of a strip, by verdict.
    Bar(usize),
    /// Words that need no sign beside them.
    Nothing,
}

/// One entry of a legend.
pub(super) type Entry = (Sign, String);

/// Room of a sign beside its words.
const SIGN: f64 = 24.0;
/// Height of a row of the legend.
const ROW: f64 = 17.0;

/// The legend, its entries flowing over as many rows as they need.
pub(super) struct Legend {
    entries: Vec<(Entry, At)>,
    rows: usize,
}

impl Legend {
    pub(super) fn new(entries: Vec<Entry>, room: f64) -> Legend {
        let (mut x, mut row) = (0.0, 0);
        let mut placed = Vec::with_capacity(entries.len());
        for entry in entries {
            let own =
                width(&entry.1, SMALL) + 22.0 + if entry.0 == Sign::Nothing { 0.0 } else { SIGN };
            if x > 0.0 && x + own > room {
                (x, row) = (0.0, row + 1);
            }
            placed.push((entry, (x, row as f64 * ROW)));
            x += own;
        }
        Legend { rows: if placed.is_empty() { 0 } else { row + 1 }, entries: placed }
    }

    pub(super) fn height(&self) -> f64 {
        self.rows as f64 * ROW
    }

    pub(super) fn draw(&self, sheet: &mut Sheet, left: f64, top: f64, palette: &Palette) {
        for ((sign, words), (x, y)) in &self.entries {
            let (x, y) = (left + x, top + y + ROW / 2.0);
            match sign {
                Sign::Mark(mark) => mark.draw(sheet, (x + 8.0, y), palette.mark),
                Sign::Line(stroke) => sheet.line([(x, y), (x + 18.0, y)], *stroke),
                Sign::Shade(color) => sheet.block((x, y - 5.5), (x + 18.0, y + 5.5), *color),
                Sign::Curve(color, bead) => {
                    sheet.line([(x, y), (x + 18.0, y)], Stroke::new(*color, 1.1));
                    bead.draw(sheet, (x + 9.0, y), *color);
                }
                Sign::Frame(stroke) => {
                    let (a, b) = ((x, y - 5.5), (x + 18.0, y + 5.5));
                    sheet.line([a, (b.0, a.1), b, (a.0, b.1), a], *stroke);
                }
                Sign::Bar(kind) => strip::sample(sheet, *kind, x, y, palette),
                Sign::Nothing => {}
            }
            let x = if *sign == Sign::Nothing { x } else { x + SIGN };
            sheet.words(words.clone(), (x, y), SMALL, palette.ink, Side::Left);
        }
    }
}
