//! Several traces in one picture: two wavelengths, both ends of a fibre, old against new.

use super::axes::{self, Frame, LARGE, SMALL};
use super::fitted::{self, Fitted};
use super::labels::{Label, Lanes};
use super::marks::{BEADS, Bead, Entry, Legend, Mark, Sign};
use super::palette::{Color, Palette};
use super::sheet::{Sheet, Stroke, cut, wrapped};
use super::{Format, PlotError, Style, joined, render};
use crate::event::Analysis;
use crate::signal::{order, thin};
use crate::trace::Trace;

/// One of several traces.
#[derive(Clone, Copy, Debug)]
pub struct Curve<'a> {
    /// Its samples.
    pub trace: &'a Trace,
    /// What was found in them.
    pub analysis: &'a Analysis,
    /// What the legend calls it; shown as it is.
    pub name: &'a str,
}

/// How traces stand together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Together {
    /// Two to four over each other, all 0 dB where the link begins.
    Over,
    /// One fibre from end a, then from end b, the second turned round; below, what the fibre loses by
    /// the mean of both, free of what unequal fibres fake.
    BothEnds,
    /// An old one, then a new one; below, what the link loses more.
    Change,
}

/// A picture of several traces.
///
/// Distances are those of the first; the others are moved so that the links begin at one place.
/// `title` and `caution` are shown as they are.
///
/// # Errors
/// Where there are too few or too many traces for `how`, or a link was not found whose ends are
/// needed.
pub fn together(
    curves: &[Curve<'_>],
    how: Together,
    title: &str,
    caution: &str,
    style: &Style,
    format: Format,
) -> Result<Vec<u8>, PlotError> {
    let most = if how == Together::Over { BEADS.len() } else { 2 };
    if curves.len() < 2 || curves.len() > most {
        let wanted = if most == 2 { "2".to_owned() } else { format!("2 to {most}") };
        let found = curves.len();
        return Err(PlotError(format!("{found} traces, where such a picture takes {wanted}")));
    }
    let shown = Shown::of(curves, how, style)?;
    render::file(&sheet(&shown, title, caution, style), style.scale, format)
}

/// One trace as it is drawn, in the frame of the first: metres from its panel, dB over the level where
/// its link begins.
pub(super) struct Drawn<'a> {
    pub name: &'a str,
    pub analysis: &'a Analysis,
    points: Vec<(f64, f64)>, // in order of place
    lines: Vec<Fitted>,
    /// Place on the picture of a place in metres from its own panel: `offset + sign·place`.
    offset_m: f64,
    sign: f64,
    pub pulse_m: f64,
    pub wavelength_nm: Option<f64>,
    level_0_db: f64,
}

impl Drawn<'_> {
    pub(super) fn place(&self, own_m: f64) -> f64 {
        self.offset_m + self.sign * own_m
    }

    fn own_m(&self, place_m: f64) -> f64 {
        (place_m - self.offset_m) * self.sign
    }

    /// The level that an event's mark stands on.
    fn level_of(&self, own_m: f64) -> f64 {
        let line = self.lines.iter().find(|l| l.to_m == own_m).map(|l| l.level_at(own_m));
        let here = self.place(own_m);
        let nearest = || {
            let i = self.points.partition_point(|p| p.0 < here).min(self.points.len().max(1) - 1);
            self.points.get(i).map_or(0.0, |p| p.1)
        };
        line.map_or_else(nearest, |level| level - self.level_0_db)
    }
}

struct Shown<'a> {
    how: Together,
    curves: Vec<Drawn<'a>>,
    /// Pieces of the curve below, places in metres. Empty: none.
    below: Vec<Vec<(f64, f64)>>,
    joints: Vec<joined::Joined>,
    /// By how much two lengths of one link differ.
    odd_m: Option<f64>,
}

impl<'a> Shown<'a> {
    fn of(curves: &[Curve<'a>], how: Together, style: &Style) -> Result<Shown<'a>, PlotError> {
        let spans: Vec<Option<(f64, f64)>> =
            curves.iter().map(|c| c.analysis.span.map(|s| (s.start_m.0, s.end_m.0))).collect();
        let no_span = |name: &str| PlotError(format!("{name}: no end of the link was found"));
        let first = spans[0].unwrap_or((0.0, 0.0));
        let mut drawn = Vec::with_capacity(curves.len());
        for (n, (curve, span)) in curves.iter().zip(&spans).enumerate() {
            let (offset_m, sign) = match (how, n, span) {
                (Together::BothEnds, _, None) => return Err(no_span(curve.name)),
                (Together::BothEnds, 1, Some(own)) => (first.1 + own.0, -1.0),
                (_, _, Some(own)) => (first.0 - own.0, 1.0),
                (_, _, None) => (0.0, 1.0),
            };
            drawn.push(draw(curve, offset_m, sign, style));
        }
        let odd_m = match (how, &spans[..]) {
            (Together::BothEnds | Together::Change, [Some(a), Some(b)]) => {
                Some((b.1 - b.0) - (a.1 - a.0))
            }
            _ => None,
        };
        let joints = joined::joints(&drawn);
        let below = if how == Together::Over {
            Vec::new()
        } else {
            // A change is one only where both links have light.
            let ends = drawn.iter().zip(&spans);
            let reach = ends.filter_map(|(own, span)| Some(own.place((*span)?.1)));
            let shorter_m = reach.fold(first.1, f64::min);
            let to_m = if how == Together::Change { shorter_m } else { first.1 };
            below(curves, &drawn, how, (first.0, to_m))
        };
        Ok(Shown { how, curves: drawn, below, joints, odd_m })
    }
}

fn draw<'a>(curve: &Curve<'a>, offset_m: f64, sign: f64, style: &Style) -> Drawn<'a> {
    let (trace, analysis) = (curve.trace, curve.analysis);
    let levels = trace.levels_db();
    let values = levels.as_slice().unwrap_or_default();
    let lines = fitted::sections(trace, values, analysis);
    let start_m = analysis.span.map_or(0.0, |s| s.start_m.0);
    let level_0_db = lines.iter().find(|l| l.to_m > start_m).map_or_else(
        || values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        |l| l.level_at(start_m),
    );
    // Behind its last joint or end a trace has nothing to say about this fibre.
    let last_m = analysis
        .events
        .last()
        .map_or(f64::INFINITY, |e| e.position_m.0 * 1.03 + 3.0 * trace.pulse_m());
    let from = fitted::sample_at(trace, 0.0);
    let to = fitted::sample_at(trace, last_m).clamp(from, values.len());
    let columns = (style.width * style.scale.clamp(1, 4)) as usize;
    let mut points: Vec<(f64, f64)> = thin::extremes(&values[from..to], columns)
        .into_iter()
        .map(|(i, level)| (offset_m + sign * trace.position_m(from + i).0, level - level_0_db))
        .collect();
    if sign < 0.0 {
        points.reverse();
    }
    Drawn {
        name: curve.name,
        analysis,
        points,
        lines,
        offset_m,
        sign,
        pulse_m: trace.pulse_m(),
        wavelength_nm: trace.settings.wavelength_nm,
        level_0_db,
    }
}

/// Columns of the curve below: it shows what the fibre does, not its noise.
const COLUMNS: usize = 500;

/// The difference of both traces along the link, left out where a reflection hides the fibre in one of
/// them or either is within 3 dB of its noise.
fn below(
    curves: &[Curve<'_>],
    drawn: &[Drawn<'_>],
    how: Together,
    (from_m, to_m): (f64, f64),
) -> Vec<Vec<(f64, f64)>> {
    let levels: Vec<_> = curves.iter().map(|c| c.trace.levels_db()).collect();
    let width_m = (to_m - from_m) / COLUMNS as f64;
    let seen = |n: usize, column: usize| -> Option<f64> {
        let (curve, own) = (&curves[n], &drawn[n]);
        let a = own.own_m(from_m + width_m * column as f64);
        let b = own.own_m(from_m + width_m * (column + 1) as f64);
        let (low, high) = (a.min(b), a.max(b));
        let hidden = curve
            .analysis
            .events
            .iter()
            .any(|e| e.position_m.0 - own.pulse_m < high && low < e.position_m.0 + e.extent_m);
        let i = fitted::sample_at(curve.trace, low);
        let j = fitted::sample_at(curve.trace, high).max(i + 1);
        let values = levels[n].as_slice()?;
        let mut values: Vec<f64> = values.get(i..j.min(values.len()))?.to_vec();
        let level = order::median(&mut values)?;
        let dark = curve.analysis.noise.floor_db.is_some_and(|floor| level < floor + 3.0);
        (!hidden && !dark).then_some(level - own.level_0_db)
    };
    let mut pieces = vec![Vec::new()];
    for column in 0..COLUMNS {
        match seen(0, column).zip(seen(1, column)) {
            Some((a, b)) => {
                let value = if how == Together::BothEnds { (b - a) / 2.0 } else { a - b };
                let place = from_m + width_m * (column as f64 + 0.5);
                if let Some(piece) = pieces.last_mut() {
                    piece.push((place, value));
                }
            }
            None if pieces.last().is_some_and(|piece| !piece.is_empty()) => pieces.push(Vec::new()),
            None => {}
        }
    }
    pieces.retain(|piece| !piece.is_empty());
    if how == Together::BothEnds {
        // each trace is 0 dB at its own end, so that the mean begins somewhere: let it begin at 0
        let start = pieces.first().map_or(0.0, |piece| piece[0].1);
        pieces.iter_mut().flatten().for_each(|point| point.1 -= start);
    }
    pieces
}

fn sheet(shown: &Shown<'_>, title: &str, caution: &str, style: &Style) -> Sheet {
    let palette = style.theme.palette();
    let unit_m = style.unit.metres();
    let (wide, high) = (f64::from(style.width), f64::from(style.height));
    let mut sheet = Sheet::new(wide, high, palette.ground);
    let title = wrapped(title, LARGE, wide - 28.0, 2);
    let head = 12.0 + title.len() as f64 * 20.0;
    let all = || shown.curves.iter().flat_map(|c| &c.points);
    let x = all().fold((0.0_f64, 1e-9_f64), |x, p| (x.0.min(p.0), x.1.max(p.0)));
    let mut frame = Frame {
        left: 66.0,
        right: wide - 20.0,
        top: head,
        bottom: high,
        x: (x.0 / unit_m, x.1 / unit_m),
        y: heights(shown),
    };
    let label = |joint: &joined::Joined, frame: &Frame| {
        let level = shown.curves.iter().zip(&joint.own).filter_map(|(curve, event)| {
            Some(curve.level_of(curve.analysis.events.get((*event)?)?.position_m.0))
        });
        let level = level.fold(f64::NEG_INFINITY, f64::max).clamp(frame.y.0, frame.y.1);
        let place = axes::figure(joint.place_m / unit_m, style.unit.decimals().min(2));
        Label {
            at: frame.at(joint.place_m / unit_m, level),
            full: format!(
                "{place} {}: {}",
                style.unit,
                joined::words(joint, &shown.curves, shown.how)
            ),
            short: place,
        }
    };
    let labels: Vec<Label> = shown.joints.iter().map(|j| label(j, &frame)).collect();
    let lanes = Lanes::place(&labels, 10.0, wide - 12.0);
    let legend = Legend::new(entries(shown, &lanes, style, &palette), wide - 40.0);
    let foot = high - legend.height() - 66.0;
    frame.top = head + lanes.height() + 8.0;
    let second = !shown.below.is_empty();
    frame.bottom = if second { frame.top + (foot - frame.top) * 0.6 } else { foot };
    frame.bottom = frame.bottom.max(frame.top + 20.0);
    let labels: Vec<Label> = shown.joints.iter().map(|j| label(j, &frame)).collect();

    axes::title(&mut sheet, &title, &palette);
    let across = format!("distance from the first panel in {}", style.unit);
    let upper = if second { "" } else { across.as_str() };
    frame.draw(&mut sheet, &palette, upper, "level in dB, one way");
    for (n, curve) in shown.curves.iter().enumerate() {
        draw_curve(&mut sheet, &frame, curve, unit_m, palette.curves[n]);
    }
    for (n, curve) in shown.curves.iter().enumerate() {
        draw_beads(&mut sheet, &frame, curve, unit_m, (palette.curves[n], BEADS[n], n));
    }
    lanes.draw(&mut sheet, &labels, head, &palette);
    for (n, curve) in shown.curves.iter().enumerate() {
        draw_events(&mut sheet, &frame, curve, unit_m, palette.curves[n]);
    }
    if second {
        let lower =
            Frame { top: frame.bottom + 32.0, bottom: foot.max(frame.bottom + 52.0), ..frame };
        draw_below(&mut sheet, shown, lower, &across, unit_m, &palette);
    }
    let below = foot.max(frame.bottom);
    legend.draw(&mut sheet, 20.0, below + 40.0, &palette);
    axes::caution(&mut sheet, caution, &palette);
    sheet
}

/// The levels shown: the fibre, and a little of what rises above it or falls below.
fn heights(shown: &Shown<'_>) -> (f64, f64) {
    let levels = |curve: &Drawn<'_>| -> Vec<f64> {
        let ends = curve.lines.iter().flat_map(|l| [l.level_db, l.level_at(l.to_m)]);
        ends.map(|level| level - curve.level_0_db).collect()
    };
    let all: Vec<f64> = shown.curves.iter().flat_map(levels).collect();
    let (low, high) = all.iter().fold((0.0_f64, 0.0_f64), |(a, b), v| (a.min(*v), b.max(*v)));
    let spare = (0.25 * (high - low)).max(0.5);
    (low - spare, high + spare)
}

fn draw_curve(sheet: &mut Sheet, frame: &Frame, curve: &Drawn<'_>, unit_m: f64, color: Color) {
    let points: Vec<(f64, f64)> = curve.points.iter().map(|p| (p.0 / unit_m, p.1)).collect();
    sheet.line(frame.curve(&points), Stroke::new(color, 1.1));
}

fn draw_events(sheet: &mut Sheet, frame: &Frame, curve: &Drawn<'_>, unit_m: f64, color: Color) {
    for event in &curve.analysis.events {
        let Some(mark) = Mark::of(event) else { continue };
        let place = curve.place(event.position_m.0) / unit_m;
        let level = curve.level_of(event.position_m.0).clamp(frame.y.0, frame.y.1);
        if (frame.x.0..=frame.x.1).contains(&place) {
            mark.draw(sheet, frame.at(place, level), color);
        }
    }
}

/// Beads on the fitted lines, so that curves are told apart without colour.
fn draw_beads(
    sheet: &mut Sheet,
    frame: &Frame,
    curve: &Drawn<'_>,
    unit_m: f64,
    (color, bead, n): (Color, Bead, usize),
) {
    const APART: f64 = 150.0;
    let mut px = frame.left + 40.0 + APART / BEADS.len() as f64 * n as f64;
    while px < frame.right {
        let place_m = frame.value(px) * unit_m;
        let own_m = curve.own_m(place_m);
        let line = curve.lines.iter().find(|l| (l.from_m..=l.to_m).contains(&own_m));
        if let Some(line) = line {
            let y = frame.py((line.level_at(own_m) - curve.level_0_db).clamp(frame.y.0, frame.y.1));
            bead.draw(sheet, (px, y), color);
        }
        px += APART;
    }
}

/// The curve below, its scale from where most of it lies.
fn draw_below(
    sheet: &mut Sheet,
    shown: &Shown<'_>,
    mut frame: Frame,
    across: &str,
    unit_m: f64,
    palette: &Palette,
) {
    let mut values: Vec<f64> = shown.below.iter().flatten().map(|p| p.1).collect();
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    let (low, high) = (at(0.005).min(0.0), at(0.995).max(0.0));
    let spare = ((high - low) * 0.15).max(0.05);
    frame.y = (low - spare, high + spare);
    let upwards = if shown.how == Together::BothEnds { "lost from a, dB" } else { "lost more, dB" };
    frame.draw(sheet, palette, across, upwards);
    let zero = frame.py(0.0);
    sheet.line([(frame.left, zero), (frame.right, zero)], Stroke::new(palette.ink, 0.8));
    for piece in &shown.below {
        let piece: Vec<(f64, f64)> = piece.iter().map(|p| (p.0 / unit_m, p.1)).collect();
        sheet.line(frame.curve(&piece), Stroke::new(palette.fit, 1.8));
    }
}

fn entries(shown: &Shown<'_>, lanes: &Lanes, style: &Style, palette: &Palette) -> Vec<Entry> {
    let mut all: Vec<Entry> = shown
        .curves
        .iter()
        .enumerate()
        .map(|(n, curve)| (Sign::Curve(palette.curves[n], BEADS[n]), cut(curve.name, SMALL, 440.0)))
        .collect();
    let mut kinds: Vec<Mark> =
        shown.curves.iter().flat_map(|c| c.analysis.events.iter().filter_map(Mark::of)).collect();
    kinds.sort_unstable();
    kinds.dedup();
    all.extend(kinds.into_iter().map(|mark| (Sign::Mark(mark), mark.word().to_owned())));
    all.push((Sign::Nothing, joined::legend(shown.how).to_owned()));
    if !shown.below.is_empty() {
        let words = match shown.how {
            Together::BothEnds => {
                "half the difference: what is lost from end a on, free of what unequal fibres fake; gaps where an event hides the fibre"
            }
            _ => {
                "the first less the second: what the link loses more; gaps where an event hides the fibre"
            }
        };
        all.push((Sign::Line(Stroke::new(palette.fit, 1.8)), words.to_owned()));
    }
    if let Some(odd_m) = shown.odd_m {
        let unit = style.unit;
        let odd = axes::figure(odd_m.abs() / unit.metres(), unit.decimals());
        let words = if odd.chars().all(|c| matches!(c, '0' | '.')) {
            "both measure the link equally long".to_owned()
        } else {
            let longer = if odd_m > 0.0 { "longer" } else { "shorter" };
            format!("the second measures the link {odd} {unit} {longer}")
        };
        all.push((Sign::Nothing, words));
    }
    let out = lanes.left_out();
    if out > 0 {
        all.push((Sign::Nothing, format!("{out} joints stand too close for words")));
    }
    all
}
