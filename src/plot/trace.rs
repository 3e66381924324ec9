//! One trace: level against distance, with everything that was found.

use super::axes::{self, Frame, LARGE};
use super::fitted::{self, Fitted};
use super::labels::{Label, Lanes};
use super::marks::{Entry, Legend, Mark, Sign, verdict_stroke};
use super::palette::Palette;
use super::sheet::{Sheet, Stroke, wrapped};
use super::slopes::{self, Ground, Slope};
use super::{Format, PlotError, Style, render};
use crate::event::{Analysis, Event, Peak, Role};
use crate::grade::Verdict;
use crate::judge::Judged;
use crate::signal::thin;
use crate::trace::Trace;

/// A picture of one trace.
///
/// `judged`: its verdicts, each to stand as a word by its event or section, with a frame where it is
/// not a pass. `title` (a line of its own for each line of it) and `caution` are shown as they are: the
/// caller has made text from files harmless. Levels are in dB over the trace's brightest sample.
///
/// # Errors
/// Where the size is nothing to draw on.
pub fn draw(
    trace: &Trace,
    analysis: &Analysis,
    judged: Option<&Judged>,
    title: &str,
    caution: &str,
    style: &Style,
    format: Format,
) -> Result<Vec<u8>, PlotError> {
    let seen = Seen { judged, ..Seen::of(trace, analysis, style) };
    render::file(&sheet(&seen, title, caution, style), style.scale, format)
}

/// What is drawn of a trace, lengths in the unit shown and levels over the brightest sample.
struct Seen<'a> {
    analysis: &'a Analysis,
    judged: Option<&'a Judged>,
    points: Vec<(f64, f64)>,
    lines: Vec<Fitted>,
    floor_db: Option<f64>,
    /// Where the picture ends, and where the recording does.
    shown_to: f64,
    recorded_to: f64,
    unit_m: f64,
}

impl Seen<'_> {
    fn of<'a>(trace: &Trace, analysis: &'a Analysis, style: &Style) -> Seen<'a> {
        let levels = trace.levels_db();
        let values = levels.as_slice().unwrap_or_default();
        let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let unit_m = style.unit.metres();
        let recorded_m = trace.position_m(values.len().saturating_sub(1)).0;
        let shown_m = shown_to_m(trace, analysis);
        let shown = &values[..fitted::sample_at(trace, shown_m).clamp(1, values.len())];
        let columns = (style.width * style.scale.clamp(1, 4)) as usize;
        let points = thin::extremes(shown, columns)
            .into_iter()
            .map(|(i, level)| (trace.position_m(i).0 / unit_m, level - top))
            .collect();
        let mut lines = fitted::sections(trace, values, analysis);
        for line in &mut lines {
            line.level_db -= top;
        }
        Seen {
            analysis,
            judged: None,
            points,
            lines,
            floor_db: analysis.noise.floor_db.map(|floor| floor - top),
            shown_to: shown_m / unit_m,
            recorded_to: recorded_m / unit_m,
            unit_m,
        }
    }

    /// The lowest level shown: a little under the noise, or under the lowest sample.
    fn depth(&self) -> f64 {
        let lowest = self.points.iter().map(|p| p.1).fold(0.0, f64::min);
        self.floor_db.map_or(lowest - 2.0, |floor| (floor - 4.0).max(lowest - 2.0)).min(-5.0)
    }

    fn verdict(&self, event: &Event) -> Option<Verdict> {
        self.judged.and_then(|judged| judged.of_event(event.number))
    }

    fn slopes(&self) -> Vec<Slope<'_>> {
        let verdict =
            |line: &Fitted| self.judged.and_then(|judged| judged.of_section(line.section));
        self.lines.iter().map(|line| Slope { line, verdict: verdict(line) }).collect()
    }

    fn ground<'a>(&'a self, frame: &'a Frame) -> Ground<'a> {
        Ground { frame, points: &self.points, unit_m: self.unit_m }
    }

    /// How many attenuations have no room in a frame.
    fn unwritten(&self, frame: &Frame) -> usize {
        let ground = self.ground(frame);
        self.slopes().iter().filter(|slope| slopes::placed(slope, &ground).is_none()).count()
    }

    /// The level that an event's mark stands on: the fibre before it, else the brightest nearby.
    fn level_of(&self, event: &Event) -> f64 {
        let at_m = event.position_m.0;
        if let Some(line) = self.lines.iter().find(|l| l.to_m == at_m) {
            return line.level_at(at_m);
        }
        let x = at_m / self.unit_m;
        let near = self.shown_to / 300.0;
        let from = self.points.partition_point(|p| p.0 < x - near);
        let to = self.points.partition_point(|p| p.0 <= x + near);
        self.points[from..to].iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max)
    }
}

/// How far a trace is shown, in metres: behind its end there is nothing but noise and echoes, and of a
/// long stretch of that only some is shown. Where no end was found all may be fibre.
pub(super) fn shown_to_m(trace: &Trace, analysis: &Analysis) -> f64 {
    let recorded_m = trace.position_m(trace.counts.len().saturating_sub(1)).0;
    if !analysis.events.iter().any(|event| event.role == Role::End) {
        return recorded_m;
    }
    let last_m = analysis.events.last().map_or(0.0, |e| e.position_m.0);
    let enough_m = last_m * 1.25 + 20.0 * trace.pulse_m();
    if enough_m * 1.4 < recorded_m { enough_m.max(recorded_m * 0.02) } else { recorded_m }
}

/// The whole picture as shapes.
fn sheet(seen: &Seen<'_>, title: &str, caution: &str, style: &Style) -> Sheet {
    let palette = style.theme.palette();
    let (wide, high) = (f64::from(style.width), f64::from(style.height));
    let mut sheet = Sheet::new(wide, high, palette.ground);
    let title: Vec<String> =
        title.lines().take(5).flat_map(|line| wrapped(line, LARGE, wide - 28.0, 2)).collect();
    let head = 12.0 + title.len() as f64 * 20.0;
    let mut frame = Frame {
        left: 66.0,
        right: wide - 20.0,
        top: head,
        bottom: high,
        x: (seen.points.first().map_or(0.0, |p| p.0).min(0.0), seen.shown_to.max(1e-9)),
        y: (seen.depth(), 2.0),
    };
    let marked: Vec<(&Event, Mark)> =
        seen.analysis.events.iter().filter_map(|e| Some((e, Mark::of(e)?))).collect();
    // Where words go hangs on their places across alone, which the frame's height does not change.
    let label = |(event, _): &(&Event, Mark), frame: &Frame| {
        let x = event.position_m.0 / seen.unit_m;
        let at = frame.at(x, seen.level_of(event).clamp(frame.y.0, frame.y.1));
        let own = |text: String| match seen.verdict(event) {
            Some(verdict) => format!("{text}, {}", verdict.word()),
            None => text,
        };
        Label { at, full: own(words(event)), short: own(event.number.to_string()) }
    };
    let labels: Vec<Label> = marked.iter().map(|m| label(m, &frame)).collect();
    let lanes = Lanes::place(&labels, 10.0, wide - 12.0);
    frame.top = head + lanes.height() + 8.0;
    let explained = |unwritten: usize| {
        let entries = entries(seen, &marked, (&lanes, unwritten), style, &palette);
        Legend::new(entries, wide - 40.0)
    };
    // What has no room is told in the legend, which takes some itself: so twice.
    let mut legend = explained(0);
    for _ in 0..2 {
        frame.bottom = (high - legend.height() - 66.0).max(frame.top + 20.0);
        legend = explained(seen.unwritten(&frame));
    }
    frame.bottom = (high - legend.height() - 66.0).max(frame.top + 20.0);
    let labels: Vec<Label> = marked.iter().map(|m| label(m, &frame)).collect();

    axes::title(&mut sheet, &title, &palette);
    if let Some(floor) = seen.floor_db.filter(|f| *f > frame.y.0) {
        let corner = (frame.right, frame.bottom);
        sheet.block((frame.left, frame.py(floor.min(frame.y.1))), corner, palette.shade);
    }
    let across = distance_words(seen, style);
    frame.draw(&mut sheet, &palette, &across, "level in dB, one way");
    sheet.line(frame.curve(&seen.points), curve_stroke(&palette));
    draw_sections(&mut sheet, &frame, seen, &palette);
    draw_link(&mut sheet, &frame, seen, &palette);
    lanes.draw(&mut sheet, &labels, head, &palette);
    for ((event, mark), label) in marked.iter().zip(&labels) {
        if let Some(stroke) = verdict_stroke(seen.verdict(event), &palette) {
            let (x, y) = label.at;
            let (a, b) = ((x - 9.0, y - 12.0), (x + 11.0, y + 12.0));
            sheet.line([a, (b.0, a.1), b, (a.0, b.1), a], stroke);
        }
        mark.draw(&mut sheet, label.at, palette.mark);
    }
    legend.draw(&mut sheet, 20.0, frame.bottom + 40.0, &palette);
    axes::caution(&mut sheet, caution, &palette);
    sheet
}

fn distance_words(seen: &Seen<'_>, style: &Style) -> String {
    let unit = style.unit;
    let mut words = format!("distance from the panel in {unit}");
    if seen.shown_to < seen.recorded_to * 0.999 {
        let to = axes::figure(seen.recorded_to, if unit.decimals() > 1 { 2 } else { 0 });
        let to = axes::grouped(&to);
        words.push_str(&format!(" (recorded to {to} {unit}; noise alone is left out)"));
    }
    words
}

/// Every section's line with its words; framed like an event where it is not a pass.
fn draw_sections(sheet: &mut Sheet, frame: &Frame, seen: &Seen<'_>, palette: &Palette) {
    let ground = seen.ground(frame);
    for slope in seen.slopes() {
        let strokes = (fit_stroke(palette), verdict_stroke(slope.verdict, palette));
        slopes::draw(sheet, &slope, &ground, strokes, palette);
    }
}

/// The link between its end connectors, as a bar on the axis.
fn draw_link(sheet: &mut Sheet, frame: &Frame, seen: &Seen<'_>, palette: &Palette) {
    let Some(span) = seen.analysis.span else { return };
    let place = |m: f64| frame.px((m / seen.unit_m).clamp(frame.x.0, frame.x.1));
    let y = frame.bottom - 3.0;
    let ends = [(place(span.start_m.0), y), (place(span.end_m.0), y)];
    sheet.line(ends, link_stroke(palette));
}

fn link_stroke(palette: &Palette) -> Stroke {
    Stroke::new(palette.mark, 4.0)
}

pub(super) fn curve_stroke(palette: &Palette) -> Stroke {
    Stroke::new(palette.line, 1.0)
}

pub(super) fn fit_stroke(palette: &Palette) -> Stroke {
    Stroke::dashed(palette.fit, 1.8, (7.0, 4.0))
}

fn entries(
    seen: &Seen<'_>,
    marked: &[(&Event, Mark)],
    (lanes, unwritten): (&Lanes, usize),
    style: &Style,
    palette: &Palette,
) -> Vec<Entry> {
    let mut kinds: Vec<Mark> = marked.iter().map(|m| m.1).collect();
    kinds.sort_unstable();
    kinds.dedup();
    let mut all: Vec<Entry> =
        kinds.into_iter().map(|mark| (Sign::Mark(mark), mark.word().to_owned())).collect();
    if !seen.lines.is_empty() {
        let count = seen.lines.len();
        let words = match unwritten {
            0 => "fitted line of a section, attenuation in dB/km".to_owned(),
            n if n == count => "fitted line of a section".to_owned(),
            n => format!(
                "fitted line of a section, attenuation in dB/km; no room for {n} of {count}"
            ),
        };
        all.push((Sign::Line(fit_stroke(palette)), words));
    }
    all.extend(link_entry(seen, style, palette));
    if seen.floor_db.is_some() {
        let words = "below: signal weaker than the noise's sigma".to_owned();
        all.push((Sign::Shade(palette.shade.over(palette.ground)), words));
    }
    let bound = lanes.placed.iter().any(|placed| placed.text.contains('≥'));
    let bound = if bound { "; ≥ at least" } else { "" };
    all.push((Sign::Nothing, format!("± one sigma; R reflectance in dB{bound}")));
    for (verdict, words) in
        [(Verdict::Fail, "fail"), (Verdict::Undecided, "undecided: the measurement cannot tell")]
    {
        let any = marked.iter().any(|(event, _)| seen.verdict(event) == Some(verdict))
            || seen.slopes().iter().any(|slope| slope.verdict == Some(verdict));
        if let Some(stroke) = verdict_stroke(Some(verdict), palette).filter(|_| any) {
            all.push((Sign::Frame(stroke), words.to_owned()));
        }
    }
    let out = lanes.left_out();
    if out > 0 {
        let words = format!("{out} of {} events stand too close for a number", marked.len());
        all.push((Sign::Nothing, words));
    }
    all
}

/// The link: how long it is, and what it loses. A judged picture has that loss in its title, with the
/// scale's share in its sigma.
fn link_entry(seen: &Seen<'_>, style: &Style, palette: &Palette) -> Option<Entry> {
    let span = seen.analysis.span?;
    let unit = style.unit;
    let of = |m: f64| m / unit.metres();
    let length = axes::grouped(&axes::figure(of(span.length_m.value), unit.decimals()));
    let sigma = axes::sigma(of(span.length_m.sigma), unit.decimals());
    let mut words = format!("the link, {length} ± {sigma} {unit}");
    if let Some(loss) = span.loss_db.filter(|_| seen.judged.is_none()) {
        words.push_str(&format!(", {} dB", axes::measured(loss, 3)));
    }
    Some((Sign::Line(link_stroke(palette)), words))
}

/// Number, loss and reflectance.
pub(super) fn words(event: &Event) -> String {
    let mut text = event.number.to_string();
    match (event.loss_db, event.loss_at_least_db) {
        (Some(loss), _) => text.push_str(&format!(": {} dB", axes::measured(loss, 3))),
        (None, Some(least)) => text.push_str(&format!(": ≥ {} dB", axes::figure(least, 1))),
        (None, None) => {}
    }
    let next = if text.contains(':') { ", R" } else { ": R" };
    match event.peak {
        Some(Peak::Whole { reflectance_db: Some(r) }) => {
            text.push_str(&format!("{next} {}", axes::figure(r.value, 1)));
        }
        Some(Peak::Saturated { at_least_db: Some(r) }) => {
            text.push_str(&format!("{next} ≥ {}", axes::figure(r, 1)));
        }
        _ => {}
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plot::sheet::Shape;
    use crate::plot::{Theme, made};
    use crate::units::{LengthUnit, Measured};

    fn style() -> Style {
        let unit = LengthUnit::M;
        Style { theme: Theme::Light, scale: 1, unit, width: 1000, height: 620 }
    }

    fn picture(levels: &[f64], analysis: &Analysis) -> Sheet {
        let seen = Seen::of(&made::trace(levels), analysis, &style());
        sheet(&seen, "title", "caution", &style())
    }

    fn all_words(sheet: &Sheet) -> Vec<String> {
        let words = |shape: &'_ Shape| match shape {
            Shape::Words(words) => Some(words.text.clone()),
            _ => None,
        };
        sheet.shapes.iter().filter_map(words).collect()
    }

    #[test]
    fn an_attenuation_is_written_where_its_section_has_room_and_explained_below() {
        let levels: Vec<f64> = (0..6000).map(|m| -10.0 - 0.0003 * f64::from(m)).collect();
        let loss = Some(Measured::new(0.05, 0.0004));
        let joints = vec![made::joint(2, 3000.0, loss), made::joint(3, 3100.0, None)];
        let sheet = picture(&levels, &made::analysis(joints, 5900.0, 0.3));
        let words = all_words(&sheet);
        // the section of 100 m is narrower than any words
        assert_eq!(words.iter().filter(|w| **w == "0.300 ± 0.002 dB/km").count(), 2, "{words:?}");
        let told = "fitted line of a section, attenuation in dB/km; no room for 1 of 3";
        assert!(words.contains(&told.to_owned()), "{words:?}");
        // a sigma never shows as 0, and what has no loss shows none
        assert!(
            words.contains(&"2: 0.050 ± 0.0004 dB".into()) && words.contains(&"3".into()),
            "{words:?}"
        );
        assert!(words.contains(&"caution".into()));
    }

    #[test]
    fn a_fibre_that_goes_on_beyond_its_trace_is_shown_to_the_last_sample() {
        let levels: Vec<f64> = (0..9000).map(|m| -10.0 - 0.0003 * f64::from(m)).collect();
        let trace = made::trace(&levels);
        let mut analysis = made::analysis(Vec::new(), 600.0, 0.3);
        assert!(shown_to_m(&trace, &analysis) < 4000.0, "behind an end there is noise");
        analysis.events.retain(|event| event.role == Role::Start);
        assert!(shown_to_m(&trace, &analysis) > 8990.0);
    }

    #[test]
    fn millions_of_samples_make_no_more_points_than_the_picture_has_columns() {
        let levels: Vec<f64> = (0..2_000_000).map(|m| -1.0 - f64::from(m % 977) * 0.01).collect();
        let sheet = picture(&levels, &made::analysis(Vec::new(), 1.9e6, 0.01));
        let most = sheet.shapes.iter().map(|shape| match shape {
            Shape::Line(points, _) => points.len(),
            _ => 0,
        });
        assert!(most.max().unwrap() <= 2000);
    }
}
