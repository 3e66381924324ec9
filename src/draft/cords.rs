//! Launch and tail cord, and with them each trace's place in the cable.

use super::{Guesses, Sheet, median, rounded};
use crate::event::{Event, Role};
use crate::job::Direction;

/// Cords that the traces have in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Found {
    pub(super) launch_m: Option<f64>,
    pub(super) tail_m: Option<f64>,
}

/// Where a trace's fibre begins and ends, in metres from the panel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    pub(super) near_m: f64,
    pub(super) near_sigma_m: f64,
    /// `None` where the far connector is not seen: broken, or too weak.
    pub(super) far_m: Option<f64>,
}

/// The longest cord that is taken for one, and the least. Common practice, no source.
const CORD_M: std::ops::Range<f64> = 10.0..2500.0;

/// Least share of the traces, of each direction, that must show a cord's connector.
const SHARE: f64 = 0.6;

fn mirrors(sheet: &Sheet) -> Vec<&Event> {
    let reflects = |e: &&Event| e.role == Role::Joint && e.is_reflective();
    sheet.analysis.events.iter().filter(reflects).collect()
}

fn end(sheet: &Sheet) -> Option<&Event> {
    sheet.analysis.events.iter().find(|e| e.role == Role::End)
}

fn reach_m(sheet: &Sheet, cord_m: f64) -> f64 {
    (2.0 * sheet.pulse_m).max(0.02 * cord_m).max(2.0)
}

/// A cord belongs to the instrument: it has one length in all traces, from both ends alike.
pub(super) fn find(sheets: &[Sheet], guesses: &mut Guesses) -> Found {
    let launch = |s: &Sheet| mirrors(s).first().map(|e| e.position_m.0);
    let tail = |s: &Sheet| {
        let last = mirrors(s).last().map(|e| e.position_m.0)?;
        Some(end(s)?.position_m.0 - last)
    };
    let launch_m = common(sheets, launch);
    // One mirror alone is the launch cord's, not the tail's.
    let tail_m = common(sheets, |s| tail(s).filter(|_| mirrors(s).len() > 1));
    let both = [Direction::AToB, Direction::BToA]
        .iter()
        .all(|d| sheets.iter().any(|s| s.direction == Some(*d)));
    for (word, behind, cord) in
        [("launch", "behind the panel", launch_m), ("tail", "before the fibre's end", tail_m)]
    {
        guesses.measure.push(match cord {
            None => format!("no {word} cord stands out; if there is one, give {word}_m"),
            Some(m) if both => {
                format!("{word}_m: a connector {m:.1} m {behind}, from both ends of the cable alike")
            }
            Some(m) => format!(
                "{word}_m: a connector {m:.1} m {behind}, seen from one end of the cable alone: take it out if it belongs to the cable"
            ),
        });
    }
    Found { launch_m, tail_m }
}

fn common(sheets: &[Sheet], place: impl Fn(&Sheet) -> Option<f64>) -> Option<f64> {
    let middle = median(sheets.iter().filter_map(&place).collect())?;
    if !CORD_M.contains(&middle) {
        return None;
    }
    let near = |s: &Sheet| place(s).is_some_and(|m| (m - middle).abs() < reach_m(s, middle));
    for direction in [Some(Direction::AToB), Some(Direction::BToA), None] {
        let own = || sheets.iter().filter(|s| s.direction == direction);
        if (own().filter(|s| near(s)).count() as f64) < SHARE * own().count() as f64 {
            return None;
        }
    }
    median(sheets.iter().filter(|s| near(s)).filter_map(&place).collect()).map(rounded)
}

/// Each sheet's frame. `None` where the launch cord's connector is not seen.
pub(super) fn frames(sheets: &[Sheet], found: &Found) -> Vec<Option<Frame>> {
    let frame = |sheet: &Sheet| {
        let within = |cord: f64, event: &&Event, place: f64| {
            (event.position_m.0 - place).abs() < reach_m(sheet, cord)
        };
        let (near_m, near_sigma_m) = match found.launch_m {
            None => (0.0, 0.0),
            Some(cord) => {
                let near = mirrors(sheet).into_iter().find(|e| within(cord, e, cord))?;
                (near.position_m.0, near.position_sigma_m)
            }
        };
        let end_m = end(sheet).map(|e| e.position_m.0);
        let far_m = match found.tail_m {
            None => end_m,
            Some(cord) => end_m.and_then(|end| {
                let far = mirrors(sheet).into_iter().rev().find(|e| within(cord, e, end - cord))?;
                Some(far.position_m.0)
            }),
        };
        Some(Frame { near_m, near_sigma_m, far_m: far_m.filter(|far| *far > near_m) })
    };
    sheets.iter().map(frame).collect()
}

/// Fibres of one cable differ in length by less than this. Common practice, no source.
const SPREAD: f64 = 0.02;

impl Frame {
    /// Length of the fibre, where both ends are seen and it is a whole one.
    pub(super) fn length_m(&self, whole_m: f64) -> Option<f64> {
        let length = self.far_m? - self.near_m;
        ((length - whole_m).abs() < SPREAD * whole_m).then_some(length)
    }
}

/// The cable's length: the middle one of all traces that are not much shorter than the longest.
pub(super) fn length_m(
    sheets: &[Sheet],
    frames: &[Option<Frame>],
    guesses: &mut Guesses,
) -> Option<f64> {
    let lengths: Vec<f64> =
        frames.iter().flatten().filter_map(|f| Some(f.far_m? - f.near_m)).collect();
    let middle = median(lengths.clone())?;
    let whole: Vec<f64> =
        lengths.into_iter().filter(|l| (l - middle).abs() < SPREAD * middle).collect();
    let (shortest, longest) =
        whole.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), l| (a.min(*l), b.max(*l)));
    let others = match sheets.len() - whole.len() {
        0 => String::new(),
        n => format!("; {n} others end elsewhere, or do not show both ends"),
    };
    guesses.cable.push(format!(
        "length_m: the middle one of {} traces ({shortest:.1} to {longest:.1} m){others}",
        whole.len()
    ));
    median(whole).map(rounded)
}
