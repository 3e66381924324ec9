//! A fibre's traces as a picture of lines, on the cable's own distances.

use super::face::Weight;
use super::paper::{Color, FAINT, INK, Item, Paper};
use crate::event::Role;
use crate::job::{Content, Direction};
use crate::plan::Plan;
use crate::signal::thin;
use crate::trace::Trace;

/// One trace, thinned to what a picture can show.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    fiber: u32,
    wavelength_nm: u16,
    direction: Direction,
    /// Fibre metres from end a's connector, and level in dB over the trace's brightest sample, in the
    /// order of the samples.
    points: Vec<(f64, f64)>,
    /// The levels between which nearly all of the fibre lies, peaks left out.
    lowest_db: f64,
    highest_db: f64,
}

/// Groups of samples a trace is thinned to: each gives its least and its largest, so that no spike
/// gets lost. About one for each line that a printer can put into the picture's width.
const GROUPS: usize = 480;

/// By how much a line of a picture may be off, in points: half a dot of a printer of 600 dots an inch.
const UNSEEN: f32 = 0.06;

/// Shares of what is drawn before the end that count as noise of far sections, and as peaks.
const NOISE: f64 = 0.02;
const PEAKS: f64 = 0.04;

impl Drawn {
    /// `None` where nobody can know which fibre, wavelength or direction a trace is of, or where in
    /// the cable it lies.
    pub fn of(trace: &Trace, content: &Content, plan: &Plan) -> Option<Drawn> {
        let near_m = content.near_m.or(plan.measure.launch_m).unwrap_or(0.0);
        let direction = content.direction?;
        let length_m = content.length_m.map(|l| l.value).or(plan.cable.length_m);
        let cable_m = |panel_m: f64| match direction {
            Direction::AToB => Some(panel_m - near_m),
            Direction::BToA => Some(length_m? - (panel_m - near_m)),
        };
        cable_m(0.0)?;
        let end = content.analysis.events.iter().find(|event| event.role == Role::End);
        let last_m = trace.position_m(trace.counts.len()).0;
        let end_m = end.map_or(last_m, |event| event.position_m.0);
        let levels = trace.levels_db();
        let top_db = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let levels = levels.map(|level| level - top_db);
        let levels = levels.as_slice().unwrap_or_default();
        let inside = |i: &usize| (0.0..1.04 * end_m).contains(&trace.position_m(*i).0);
        let first = (0..levels.len()).find(inside)?;
        let last = (first..levels.len()).rev().find(inside)?;
        let thin = thin::extremes(&levels[first..=last], GROUPS);
        let at = |i: usize| trace.position_m(first + i).0;
        let before_end = |(i, _): &&(usize, f64)| at(*i) < end_m - trace.pulse_m();
        let mut before: Vec<f64> = thin.iter().filter(before_end).map(|(_, db)| *db).collect();
        before.sort_by(f64::total_cmp);
        let at_share = |share: f64| before.get((share * before.len() as f64) as usize).copied();
        Some(Drawn {
            fiber: content.fiber?,
            wavelength_nm: content.wavelength_nm?,
            direction,
            points: thin.iter().filter_map(|(i, db)| Some((cable_m(at(*i))?, *db))).collect(),
            lowest_db: at_share(NOISE)?,
            highest_db: at_share(1.0 - PEAKS)?,
        })
    }

    pub(super) fn wavelength_nm(&self) -> u16 {
        self.wavelength_nm
    }

    /// Whether it is a trace of this fibre from this end.
    pub(super) fn is_of(&self, fiber: u32, direction: Direction) -> bool {
        self.fiber == fiber && self.direction == direction
    }
}

/// Lines of wavelengths in their order: apart in hue, in lightness, and by their dashes.
const LINES: [(Color, Option<f32>); 4] = [
    ([24, 60, 110], None),
    ([196, 92, 12], Some(3.0)),
    ([90, 20, 90], Some(1.2)),
    (INK, Some(6.0)),
];

/// A name at a place in the cable, and whether it failed.
pub(super) type Place = (String, f64, bool);

/// What all pictures of a fibre share: which part of the cable and which levels they show.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    from_m: f64,
    to_m: f64,
    low_db: f64,
    high_db: f64,
}

impl Window {
    /// `None` where there is nothing to show.
    pub(super) fn of(fiber: u32, drawn: &[Drawn]) -> Option<Window> {
        let own: Vec<&Drawn> = drawn.iter().filter(|d| d.fiber == fiber).collect();
        let all = || own.iter().flat_map(|d| &d.points);
        let (from_m, to_m) = span(all().map(|p| p.0))?;
        let (_, top_db) = span(all().map(|p| p.1))?;
        let (low_db, _) = span(own.iter().map(|d| d.lowest_db))?;
        let (_, fiber_db) = span(own.iter().map(|d| d.highest_db))?;
        // Peaks would press the fibre into a flat line: they get a third of the height.
        let high_db = top_db.min(fiber_db + (0.5 * (fiber_db - low_db)).max(1.0));
        let pad_db = 0.05 * (high_db - low_db).max(1.0);
        let window = Window { from_m, to_m, low_db: low_db - pad_db, high_db: high_db + pad_db };
        (to_m > from_m).then_some(window)
    }

    /// Whether some trace goes beyond the upper edge.
    pub(super) fn cuts(&self, traces: &[&Drawn]) -> bool {
        traces.iter().flat_map(|d| &d.points).any(|p| p.1 > self.high_db)
    }
}

fn span(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.filter(|v| v.is_finite()).fold(None, |so_far, v| {
        let (low, high) = so_far.unwrap_or((v, v));
        Some((low.min(v), high.max(v)))
    })
}

/// A rectangle on the page, in points.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    pub x: f32,
    pub y: f32,
    pub width: f32,
    pub height: f32,
}

/// A picture into a frame: all traces of a fibre from one end.
pub(super) fn put(
    paper: &mut Paper,
    frame: Frame,
    window: Window,
    traces: &[&Drawn],
    places: &[Place],
    nm: &[u16],
) {
    let Frame { x, y, width, height } = frame;
    // To a twentieth of a point: finer no printer can, and the file stays small.
    let round = |value: f64| ((value * 20.0).round() / 20.0) as f32;
    let across = |m: f64| {
        let share = (m - window.from_m) / (window.to_m - window.from_m);
        x + round(share.clamp(0.0, 1.0) * f64::from(width))
    };
    let down = |db: f64| {
        let share = (window.high_db - db) / (window.high_db - window.low_db);
        y + round(share.clamp(0.0, 1.0) * f64::from(height))
    };
    for db in ticks(window.low_db, window.high_db, 5) {
        let points = vec![(x, down(db)), (x + width, down(db))];
        paper.put(Item::Line { points, color: FAINT, thick: 0.3, dash: None });
        paper.text_before((x - 3.0, down(db) + 2.0), 1.0, 5.5, &format!("{db:.0}"));
    }
    for m in ticks(window.from_m, window.to_m, 6) {
        let points = vec![(across(m), y + height), (across(m), y + height + 2.5)];
        paper.put(Item::Line { points, color: INK, thick: 0.4, dash: None });
        paper.text_before((across(m), y + height + 8.0), 0.5, 5.5, &format!("{m:.0}"));
    }
    names(paper, frame, places, &across);
    for drawn in traces {
        let (color, dash) = style(drawn.wavelength_nm, nm);
        let points: Vec<(f32, f32)> =
            drawn.points.iter().map(|(m, db)| (across(*m), down(*db))).collect();
        let points = thin::simplified(&points, UNSEEN);
        paper.put(Item::Line { points, color, thick: 0.5, dash });
    }
    let corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)];
    paper.put(Item::Line { points: corners.to_vec(), color: INK, thick: 0.5, dash: None });
}

/// The line of a wavelength.
pub(super) fn style(wavelength_nm: u16, nm: &[u16]) -> (Color, Option<f32>) {
    let n = nm.iter().position(|w| *w == wavelength_nm).unwrap_or(0);
    LINES[n % LINES.len()]
}

/// Joints and end connectors: a line each, its name above where that has room beside the one before.
fn names(paper: &mut Paper, frame: Frame, places: &[Place], across: &impl Fn(f64) -> f32) {
    let mut free_from = f32::NEG_INFINITY;
    for (name, at_m, failed) in places {
        let x = across(*at_m);
        let points = vec![(x, frame.y), (x, frame.y + frame.height)];
        let (color, thick) = if *failed { (INK, 0.7) } else { (FAINT, 0.5) };
        paper.put(Item::Line { points, color, thick, dash: Some(1.5) });
        let weight = if *failed { Weight::Bold } else { Weight::Regular };
        let shown = paper.faces.shown(name);
        let shown = paper.faces.cut(&shown, 5.5, weight, 34.0);
        let width = paper.faces.width(&shown, 5.5, weight);
        let from = (x - 0.5 * width).clamp(frame.x, frame.x + frame.width - width);
        if from > free_from {
            paper.text((from, frame.y - 2.5), width + 0.5, 5.5, weight, &shown);
            free_from = from + width + 2.0;
        }
    }
}

/// Round figures between two others, about `wanted` of them.
fn ticks(from: f64, to: f64, wanted: u32) -> Vec<f64> {
    let rough = (to - from) / f64::from(wanted);
    if !(rough.is_finite() && rough > 0.0) {
        return Vec::new();
    }
    let power = 10.0_f64.powf(rough.log10().floor()).max(1.0);
    let step = [1.0, 2.0, 5.0, 10.0].map(|f| f * power).into_iter().find(|s| *s >= rough);
    let step = step.unwrap_or(10.0 * power);
    let first = (from / step).ceil() as i64;
    let last = (to / step).floor() as i64;
    (first..=last).map(|n| n as f64 * step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks(-300.0, 5900.0, 6), [0.0, 2000.0, 4000.0]);
        assert_eq!(ticks(-41.0, -9.0, 5), [-40.0, -30.0, -20.0, -10.0]);
        assert!(ticks(0.0, f64::INFINITY, 5).is_empty() && ticks(1.0, 1.0, 5).is_empty());
    }
}
