//! One event from near by: the lines before and behind it, and its loss between them, to scale.

use super::axes::{self, Frame, LARGE, SMALL};
use super::fitted::{self, Fitted};
use super::marks::{Entry, Legend, Mark, Sign};
use super::palette::Palette;
use super::sheet::{At, Sheet, Side, Stroke, cut, width, wrapped};
use super::trace::{curve_stroke, fit_stroke, words};
use super::{Format, PlotError, Style, render};
use crate::event::{Analysis, Event};
use crate::signal::{order, thin};
use crate::trace::Trace;
use crate::units::Measured;

/// A picture of one event of a trace, `number` as in [`Event::number`].
///
/// Both fitted lines are drawn on to the event, with its loss between them at the scale of the levels.
/// Slopes and loss are those of the analysis; only their common height is taken from the samples, so
/// that a line that does not fit is seen. `title` and `caution` are shown as they are.
///
/// # Errors
/// Where there is no such event.
pub fn around(
    trace: &Trace,
    analysis: &Analysis,
    number: usize,
    title: &str,
    caution: &str,
    style: &Style,
    format: Format,
) -> Result<Vec<u8>, PlotError> {
    let event = analysis.events.iter().find(|e| e.number == number);
    let event = event.ok_or_else(|| PlotError(format!("there is no event {number}")))?;
    let view = View::of(trace, analysis, event, style);
    render::file(&sheet(&view, title, caution, style), style.scale, format)
}

/// A straight line in dB over metres from the panel, and where clean fibre lies below it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Side1 {
    at_event_db: f64,
    db_per_km: Measured,
    from_m: f64,
    to_m: f64,
}

struct View<'a> {
    event: &'a Event,
    points: Vec<(f64, f64)>, // metres, dB over the trace's brightest sample
    window_m: (f64, f64),
    before: Option<Side1>,
    behind: Option<Side1>,
    /// Spread of single samples about the lines.
    spread_db: f64,
    highest_db: f64,
    /// The level of the noise.
    floor_db: Option<f64>,
}

impl Side1 {
    fn level_at(&self, event_m: f64, position_m: f64) -> f64 {
        self.at_event_db - self.db_per_km.value * (position_m - event_m) / 1000.0
    }
}

impl View<'_> {
    fn of<'a>(trace: &Trace, analysis: &'a Analysis, event: &'a Event, style: &Style) -> View<'a> {
        let levels = trace.levels_db();
        let top = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let values: Vec<f64> = levels.iter().map(|level| level - top).collect();
        let values = values.as_slice();
        let at_m = event.position_m.0;
        let half_m =
            (12.0 * trace.pulse_m()).max(3.0 * event.extent_m).max(40.0 * trace.spacing_m());
        let window_m = (at_m - half_m, at_m + event.extent_m + half_m);
        let from = fitted::sample_at(trace, window_m.0);
        let to = fitted::sample_at(trace, window_m.1).max(from);
        let columns = (style.width * style.scale.clamp(1, 4)) as usize;
        let place = |i: usize| trace.position_m(i).0;
        let points: Vec<(f64, f64)> = thin::extremes(&values[from..to], columns)
            .into_iter()
            .map(|(i, level)| (place(from + i), level))
            .collect();
        let lines = fitted::sections(trace, values, analysis);
        let before = lines.iter().find(|l| l.to_m == at_m);
        let behind = lines.iter().find(|l| l.from_m >= at_m && l.from_m <= at_m + event.extent_m);
        // How far samples lie above a line of the analysis's slope through 0 dB at the event.
        let above = |line: &Fitted, loss_db: f64| -> Vec<f64> {
            let (low, high) = (line.from_m.max(window_m.0), line.to_m.min(window_m.1));
            let slope = line.attenuation_db_per_km.value / 1000.0;
            (fitted::sample_at(trace, low)..fitted::sample_at(trace, high).min(values.len()))
                .map(|i| values[i] + slope * (place(i) - at_m) + loss_db)
                .collect()
        };
        let side = |line: &Fitted, at_event_db: f64| Side1 {
            at_event_db,
            db_per_km: line.attenuation_db_per_km,
            from_m: line.from_m,
            to_m: line.to_m,
        };
        let mut first: Vec<f64> = before.map_or(Vec::new(), |line| above(line, 0.0));
        let loss_db = event.loss_db.map_or(0.0, |l| l.value);
        let mut second: Vec<f64> = behind.map_or(Vec::new(), |line| above(line, loss_db));
        let together = if event.loss_db.is_some() {
            let mut both: Vec<f64> = first.iter().chain(&second).copied().collect();
            order::median(&mut both)
        } else {
            None // no loss ties the lines: each has its own height
        };
        let height_a = together.or_else(|| order::median(&mut first));
        let height_b = together.or_else(|| order::median(&mut second));
        let mut off: Vec<f64> = [(&first, height_a), (&second, height_b)]
            .into_iter()
            .flat_map(|(values, height)| {
                values.iter().map(move |v| (v - height.unwrap_or(0.0)).abs())
            })
            .collect();
        View {
            event,
            window_m,
            before: before.zip(height_a).map(|(line, height)| side(line, height)),
            behind: behind.zip(height_b).map(|(line, height)| side(line, height - loss_db)),
            // of a normal spread; JCGM-independent: median absolute deviation
            spread_db: order::MAD_TO_SIGMA * order::median(&mut off).unwrap_or(0.0),
            highest_db: points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max),
            floor_db: analysis.noise.floor_db.map(|floor| floor - top),
            points,
        }
    }

    /// Levels shown: both lines, with room for noise and loss; what rises higher is cut off.
    fn heights(&self) -> (f64, f64) {
        let at_m = self.event.position_m.0;
        let ends = [self.before, self.behind].into_iter().flatten().flat_map(|side| {
            [side.from_m.max(self.window_m.0), side.to_m.min(self.window_m.1), at_m]
                .map(|m| side.level_at(at_m, m))
        });
        let (low, high) =
            ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
        if low > high {
            let lowest = self.points.iter().map(|p| p.1).fold(self.highest_db, f64::min);
            // noise in dB falls to anything: only a little below its level is shown
            let floor = self.floor_db.map_or(f64::NEG_INFINITY, |floor| floor - NOISE_DB);
            let lowest = lowest.max(floor.min(self.highest_db - 5.0)).max(self.highest_db - 40.0);
            return if lowest < self.highest_db {
                (lowest, self.highest_db + 1.0)
            } else {
                (-1.0, 1.0)
            };
        }
        let room = (0.4 * (high - low)).max(6.0 * self.spread_db).max(0.03);
        // With no fibre behind it an event is a fall: of that some is shown.
        let fall = if self.behind.is_none() { room.max(FALL_DB) } else { room };
        (low - fall, high + room)
    }
}

/// What is shown below the noise's level, and of the fall of light where no line follows.
const NOISE_DB: f64 = 4.0;
const FALL_DB: f64 = 1.0;

fn sheet(view: &View<'_>, title: &str, caution: &str, style: &Style) -> Sheet {
    let palette = style.theme.palette();
    let (wide, high) = (f64::from(style.width), f64::from(style.height));
    let unit_m = style.unit.metres();
    let mut sheet = Sheet::new(wide, high, palette.ground);
    let mut title = wrapped(title, LARGE, wide - 28.0, 2);
    title.push(cut(&heading(view, style), LARGE, wide - 28.0));
    let legend = Legend::new(entries(view, style, &palette), wide - 40.0);
    let (low_db, high_db) = view.heights();
    let frame = Frame {
        left: 74.0, // levels near by have a decimal more
        right: wide - 20.0,
        top: 30.0 + title.len() as f64 * 20.0,
        bottom: (high - legend.height() - 66.0).max(60.0 + title.len() as f64 * 20.0),
        x: (view.window_m.0 / unit_m, view.window_m.1 / unit_m),
        y: (low_db, high_db),
    };
    axes::title(&mut sheet, &title, &palette);
    let at_m = view.event.position_m.0;
    if view.event.extent_m > 0.0 {
        let (a, b) = (frame.px(at_m / unit_m), frame.px((at_m + view.event.extent_m) / unit_m));
        sheet.block((a, frame.top), (b, frame.bottom), palette.shade);
    }
    let across = format!("distance from the panel in {}", style.unit);
    frame.draw(&mut sheet, &palette, &across, "level in dB, one way");
    let points: Vec<(f64, f64)> = view.points.iter().map(|p| (p.0 / unit_m, p.1)).collect();
    sheet.line(frame.curve(&points), curve_stroke(&palette));
    for side in [view.before, view.behind].into_iter().flatten() {
        draw_side(&mut sheet, &frame, view, &side, unit_m, &palette);
    }
    draw_loss(&mut sheet, &frame, view, unit_m, &palette);
    if view.highest_db > high_db {
        let by = axes::figure(view.highest_db - high_db, 1);
        let text = format!("the peak rises {by} dB higher");
        let x = frame.px(at_m / unit_m) + 8.0;
        sheet.words(text, (x, frame.top - 9.0), SMALL, palette.ink, Side::Left);
    }
    legend.draw(&mut sheet, 20.0, frame.bottom + 40.0, &palette);
    axes::caution(&mut sheet, caution, &palette);
    sheet
}

fn heading(view: &View<'_>, style: &Style) -> String {
    let unit = style.unit;
    let own = |m: f64| m / unit.metres();
    let at = axes::figure(own(view.event.position_m.0), unit.decimals());
    let sigma = axes::sigma(own(view.event.position_sigma_m), unit.decimals());
    let kind = Mark::of(view.event).map_or(String::new(), |mark| format!(", {}", mark.word()));
    format!("event {}{kind}, at {at} ± {sigma} {unit}", words(view.event))
}

/// A line where it was fitted, and broken on to the event and beyond what the event hides.
fn draw_side(
    sheet: &mut Sheet,
    frame: &Frame,
    view: &View<'_>,
    side: &Side1,
    unit_m: f64,
    palette: &Palette,
) {
    let at_m = view.event.position_m.0;
    let point = |m: f64| (m / unit_m, side.level_at(at_m, m));
    let fitted = (side.from_m.max(view.window_m.0), side.to_m.min(view.window_m.1));
    if let Some(line) = frame.clipped(point(fitted.0), point(fitted.1)) {
        sheet.line(line, Stroke { dash: None, ..fit_stroke(palette) });
    }
    // on to the far side of what is hidden
    let hidden = (at_m, at_m + view.event.extent_m);
    let on = if fitted.1 <= hidden.0 { (fitted.1, hidden.1) } else { (hidden.0, fitted.0) };
    if let Some(line) = frame.clipped(point(on.0), point(on.1)) {
        sheet.line(line, fit_stroke(palette));
    }
}

/// The step between both lines at the event.
fn draw_loss(sheet: &mut Sheet, frame: &Frame, view: &View<'_>, unit_m: f64, palette: &Palette) {
    let (Some(a), Some(b), Some(loss)) = (view.before, view.behind, view.event.loss_db) else {
        return;
    };
    let x = frame.px(view.event.position_m.0 / unit_m);
    let (top, bottom) = (frame.py(a.at_event_db), frame.py(b.at_event_db));
    let stroke = Stroke::new(palette.mark, 1.8);
    sheet.line([(x, top), (x, bottom)], stroke);
    for y in [top, bottom] {
        sheet.line([(x - 6.0, y), (x + 6.0, y)], stroke);
    }
    let text = format!("loss {} dB", axes::measured(loss, 3));
    let room = width(&text, SMALL) + 14.0;
    // Beside the step, on the side and at the height where the words cover least of the trace.
    let left = (x - 10.0 - room).max(frame.left + 4.0);
    let right = (frame.px((view.event.position_m.0 + view.event.extent_m) / unit_m) + 6.0)
        .min(frame.right - room);
    let places = [22.0, -22.0, 44.0, -44.0].map(|off| (top + bottom) / 2.0 + off);
    let all = [left, right].into_iter().flat_map(|x| places.map(|y| (x, y)));
    // The trace between its samples too: a steep fall has few.
    let curve = frame.curve(&view.points.iter().map(|p| (p.0 / unit_m, p.1)).collect::<Vec<_>>());
    let covered = |at: &(f64, f64)| {
        let inside = |(x, y): (f64, f64)| {
            (at.0..at.0 + room).contains(&x) && (at.1 - 9.0..at.1 + 9.0).contains(&y)
        };
        let along = |pair: &[At], k: i32| {
            let share = f64::from(k) / 40.0;
            (
                pair[0].0 + share * (pair[1].0 - pair[0].0),
                pair[0].1 + share * (pair[1].1 - pair[0].1),
            )
        };
        curve
            .windows(2)
            .flat_map(|pair| (0..40).map(move |k| along(pair, k)))
            .filter(|p| inside(*p))
            .count()
    };
    let Some((x, y)) = all.min_by_key(covered) else { return };
    sheet.block((x, y - 8.0), (x + room - 8.0, y + 8.0), palette.ground);
    sheet.words(text, (x + 4.0, y), SMALL, palette.mark, Side::Left);
}

fn entries(view: &View<'_>, style: &Style, palette: &Palette) -> Vec<Entry> {
    let mut all: Vec<Entry> = Vec::new();
    let fit = fit_stroke(palette);
    for (side, words) in [(view.before, "before"), (view.behind, "behind")] {
        if let Some(side) = side {
            let slope = axes::measured(side.db_per_km, 3);
            let words = format!("line {words}, {slope} dB/km");
            all.push((Sign::Line(Stroke { dash: None, ..fit }), words));
        }
    }
    if view.before.is_some() || view.behind.is_some() {
        all.push((Sign::Line(fit), "the same, drawn on".to_owned()));
    }
    if view.event.loss_db.is_some() && view.before.is_some() && view.behind.is_some() {
        let words = "loss between both lines, to scale".to_owned();
        all.push((Sign::Line(Stroke::new(palette.mark, 1.8)), words));
    } else {
        let why = if view.event.loss_db.is_some() {
            "no step is drawn: a line was not measured on both sides"
        } else {
            "its loss cannot be measured"
        };
        all.push((Sign::Nothing, why.to_owned()));
    }
    if view.event.extent_m > 0.0 {
        let extent = axes::figure(view.event.extent_m / style.unit.metres(), style.unit.decimals());
        let words = format!("hidden by the event: {extent} {}", style.unit);
        all.push((Sign::Shade(palette.shade.over(palette.ground)), words));
    }
    all.push((Sign::Nothing, "± one sigma".to_owned()));
    all
}
