//! One trace: level against distance, with everything that was found.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::{FONT, Format, Palette, PlotError, Style};
use crate::event::{Analysis, Event, Likely, Peak, Role};
use crate::signal::thin;
use crate::trace::Trace;

/// What is drawn.
pub(crate) struct Picture<'a> {
    title: &'a str,
    caution: &'a str,
    analysis: &'a Analysis,
    style: &'a Style,
    points: Vec<(f64, f64)>, // place in the unit shown, level in dB
    floor_db: Option<f64>,
}

/// A picture of one trace.
///
/// `title` and `caution` are shown as they are: the caller has made text from files harmless. Levels
/// are in dB over the trace's brightest sample.
///
/// # Errors
/// Where the size is nothing to draw on.
pub fn draw(
    trace: &Trace,
    analysis: &Analysis,
    title: &str,
    caution: &str,
    style: &Style,
    format: Format,
) -> Result<Vec<u8>, PlotError> {
    let levels = trace.levels_db();
    let values = levels.as_slice().unwrap_or_default();
    let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let columns = (style.width * style.scale.clamp(1, 4)) as usize;
    let unit_m = style.unit.metres();
    let points = thin::extremes(values, columns)
        .into_iter()
        .map(|(i, level)| (trace.position_m(i).0 / unit_m, level - top))
        .collect();
    let floor_db = analysis.noise.floor_db.map(|floor| floor - top);
    let picture = Picture { title, caution, analysis, style, points, floor_db };
    super::rendered(style, format, &picture)
}

/// A kind of mark, with its word in the legend.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Mark {
    Joint,
    Reflection,
    Splitter,
    End,
    Echo,
}

impl Mark {
    fn of(event: &Event) -> Option<Mark> {
        match (event.role, event.likely) {
            (Role::Start, _) => None,
            (Role::Echo, _) => Some(Mark::Echo),
            (Role::End, _) => Some(Mark::End),
            (Role::Joint, Some(Likely::Splitter)) => Some(Mark::Splitter),
            (Role::Joint, _) if event.is_reflective() => Some(Mark::Reflection),
            (Role::Joint, _) => Some(Mark::Joint),
        }
    }

    fn word(self) -> &'static str {
        match self {
            Mark::Joint => "step without reflection",
            Mark::Reflection => "reflection, fibre goes on",
            Mark::Splitter => "likely a splitter",
            Mark::End => "end of what can be seen",
            Mark::Echo => "echo, not part of the link",
        }
    }
}

/// Draws the picture on any back end.
pub(crate) fn on<B: DrawingBackend>(
    root: &DrawingArea<B, Shift>,
    picture: &Picture<'_>,
) -> Result<(), DrawingAreaErrorKind<B::ErrorType>> {
    let palette = picture.style.theme.palette();
    let s = picture.style.scale.clamp(1, 4);
    root.fill(&palette.ground)?;
    let (width, height) = root.dim_in_pixel();
    let marks = kinds(picture.analysis);
    let below = 38 * s + 18 * s * legend_rows(&marks, width, s);
    let (head, rest) = root.split_vertically(92 * s);
    let (body, foot) = rest.split_vertically(height.saturating_sub(92 * s + below).max(10));
    let text = |size: u32| (FONT, f64::from(size * s)).into_font().color(&palette.ink);
    head.draw(&Text::new(picture.title.to_owned(), ((14 * s) as i32, (10 * s) as i32), text(16)))?;
    draw_body(&head, &body, picture, &palette, s)?;
    draw_legend(&foot, &marks, picture, &palette, s)
}

fn draw_body<B: DrawingBackend>(
    head: &DrawingArea<B, Shift>,
    body: &DrawingArea<B, Shift>,
    picture: &Picture<'_>,
    palette: &Palette,
    s: u32,
) -> Result<(), DrawingAreaErrorKind<B::ErrorType>> {
    let unit = picture.style.unit;
    let last = picture.points.last().map_or(1.0, |p| p.0).max(1e-9);
    let low = depth(picture);
    let label = (FONT, f64::from(12 * s)).into_font().color(&palette.ink);
    let mut chart = ChartBuilder::on(body)
        .margin_right(20 * s)
        .margin_left(14 * s)
        .x_label_area_size(34 * s)
        .y_label_area_size(58 * s)
        .build_cartesian_2d(0.0..last * 1.01, low..3.0)?;
    chart
        .configure_mesh()
        .axis_style(palette.ink)
        .bold_line_style(palette.faint)
        .light_line_style(palette.faint.mix(0.0))
        .label_style(label.clone())
        .x_desc(format!("distance from the panel in {unit}"))
        .y_desc("level in dB, one way")
        .draw()?;
    if let Some(floor) = picture.floor_db.filter(|f| *f > low) {
        chart.draw_series([Rectangle::new(
            [(0.0, low), (last * 1.01, floor)],
            palette.shade.filled(),
        )])?;
    }
    let bold = ShapeStyle::from(palette.line).stroke_width(s);
    let shown = picture.points.iter().map(|(x, y)| (*x, y.max(low)));
    chart.draw_series(LineSeries::new(shown, bold))?;
    let (_, body_top) = body.get_base_pixel();
    let mut lanes = Lanes::new(head.dim_in_pixel().0, s);
    for event in &picture.analysis.events {
        let Some(mark) = Mark::of(event) else { continue };
        let x = event.position_m.0 / unit.metres();
        let y = level_at(&picture.points, x).max(low);
        let (px, py) = chart.backend_coord(&(x, y));
        let (px, py) = (px - body.get_base_pixel().0, py - body_top);
        draw_mark(body, mark, (px, py), palette, s)?;
        draw_label(head, body, &lanes.place(event, px), (px, py), palette, s)?;
    }
    Ok(())
}

/// The lowest level shown: a little under the noise, or under the lowest sample.
fn depth(picture: &Picture<'_>) -> f64 {
    let lowest = picture.points.iter().map(|p| p.1).fold(0.0, f64::min);
    picture.floor_db.map_or(lowest - 2.0, |floor| (floor - 4.0).max(lowest - 2.0)).min(-5.0)
}

fn level_at(points: &[(f64, f64)], x: f64) -> f64 {
    let i = points.partition_point(|p| p.0 < x);
    points.get(i.saturating_sub(1)).map_or(0.0, |p| p.1)
}

/// Lanes of text over the picture, and to where each is taken.
struct Lanes {
    taken: [i32; 4],
    width: i32,
    scale: i32,
}

/// A label with its place.
struct Placed {
    text: String,
    x: i32,
    y: i32,
}

impl Lanes {
    fn new(width: u32, scale: u32) -> Lanes {
        Lanes { taken: [0; 4], width: width as i32, scale: scale as i32 }
    }

    /// Figures where a lane has room for them, else the number alone.
    fn place(&mut self, event: &Event, at: i32) -> Placed {
        let letter = 6 * self.scale; // a little over the mean width
        for text in [words(event), event.number.to_string()] {
            let room = text.chars().count() as i32 * letter + 8 * self.scale;
            let x = at.min(self.width - room).max(2);
            if let Some(lane) = (0..4).rev().find(|lane| self.taken[*lane] <= x) {
                self.taken[lane] = x + room;
                return Placed { text, x, y: (32 + 14 * lane as i32) * self.scale };
            }
        }
        let lane = (0..4).min_by_key(|lane| self.taken[*lane]).unwrap_or(0);
        Placed { text: event.number.to_string(), x: at, y: (32 + 14 * lane as i32) * self.scale }
    }
}

/// A label, and the pointer from it to its mark.
fn draw_label<B: DrawingBackend>(
    head: &DrawingArea<B, Shift>,
    body: &DrawingArea<B, Shift>,
    label: &Placed,
    at: (i32, i32),
    palette: &Palette,
    s: u32,
) -> Result<(), DrawingAreaErrorKind<B::ErrorType>> {
    let style = (FONT, f64::from(11 * s))
        .into_font()
        .color(&palette.ink)
        .pos(Pos::new(HPos::Left, VPos::Top));
    let (_, head_height) = head.dim_in_pixel();
    let foot = vec![(at.0, label.y + 13 * s as i32), (at.0, head_height as i32)];
    head.draw(&PathElement::new(foot, palette.faint))?;
    body.draw(&PathElement::new(
        vec![(at.0, 0), (at.0, (at.1 - 6 * s as i32).max(0))],
        palette.faint,
    ))?;
    head.draw(&Text::new(label.text.clone(), (label.x, label.y), style))
}

fn words(event: &Event) -> String {
    let mut text = event.number.to_string();
    if let Some(loss) = event.loss_db {
        text.push_str(&format!("  {:.2} ± {:.2} dB", loss.value, loss.sigma));
    }
    match event.peak {
        Some(Peak::Whole { reflectance_db: Some(r) }) => {
            text.push_str(&format!("  R {:.0}", r.value));
        }
        Some(Peak::Saturated { at_least_db: Some(r) }) => text.push_str(&format!("  R ≥ {r:.0}")),
        _ => {}
    }
    text
}

/// A mark of its own form for each kind.
fn draw_mark<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    mark: Mark,
    (x, y): (i32, i32),
    palette: &Palette,
    s: u32,
) -> Result<(), DrawingAreaErrorKind<B::ErrorType>> {
    let r = 4 * s as i32;
    let line = ShapeStyle::from(palette.mark).stroke_width(s + 1);
    match mark {
        Mark::Joint => area.draw(&PathElement::new(
            vec![(x - r, y - r), (x, y - r), (x, y + r), (x + r, y + r)],
            line,
        )),
        Mark::Reflection => {
            area.draw(&PathElement::new(vec![(x - r, y + r), (x, y - 2 * r), (x + r, y + r)], line))
        }
        Mark::Splitter => {
            area.draw(&PathElement::new(vec![(x - r, y), (x, y), (x + r, y - r)], line))?;
            area.draw(&PathElement::new(vec![(x, y), (x + r, y + r)], line))
        }
        Mark::End => {
            area.draw(&PathElement::new(vec![(x, y - 2 * r), (x, y + 2 * r)], line))?;
            area.draw(&PathElement::new(vec![(x + r, y - 2 * r), (x + r, y + 2 * r)], line))
        }
        Mark::Echo => {
            area.draw(&Circle::new((x, y), r, ShapeStyle::from(palette.mark).stroke_width(s)))
        }
    }
}

fn kinds(analysis: &Analysis) -> Vec<Mark> {
    let mut kinds: Vec<Mark> = analysis.events.iter().filter_map(Mark::of).collect();
    kinds.sort_unstable();
    kinds.dedup();
    kinds
}

/// Width of one entry of the legend in points.
const ENTRY_POINTS: u32 = 200;

fn legend_rows(marks: &[Mark], width: u32, s: u32) -> u32 {
    let per_row = (width / (ENTRY_POINTS * s)).max(1);
    (marks.len() as u32 + 2).div_ceil(per_row)
}

fn draw_legend<B: DrawingBackend>(
    foot: &DrawingArea<B, Shift>,
    marks: &[Mark],
    picture: &Picture<'_>,
    palette: &Palette,
    s: u32,
) -> Result<(), DrawingAreaErrorKind<B::ErrorType>> {
    let (width, height) = foot.dim_in_pixel();
    let per_row = (width / (ENTRY_POINTS * s)).max(1) as usize;
    let style = (FONT, f64::from(11 * s))
        .into_font()
        .color(&palette.ink)
        .pos(Pos::new(HPos::Left, VPos::Center));
    let place = |n: usize| {
        let (column, row) = (n % per_row, n / per_row);
        (
            (24 * s as i32) + (column as i32) * (ENTRY_POINTS * s) as i32,
            (12 * s as i32) + row as i32 * 18 * s as i32,
        )
    };
    for (n, mark) in marks.iter().enumerate() {
        let (x, y) = place(n);
        draw_mark(foot, *mark, (x, y), palette, s)?;
        foot.draw(&Text::new(mark.word(), (x + 14 * s as i32, y), style.clone()))?;
    }
    let (x, y) = place(marks.len());
    let r = 5 * s as i32;
    foot.draw(&Rectangle::new([(x - r, y - r), (x + r, y + r)], palette.shade.filled()))?;
    foot.draw(&Text::new("under the noise's sigma", (x + 14 * s as i32, y), style.clone()))?;
    let (x, y) = place(marks.len() + 1);
    foot.draw(&Text::new("± one sigma; R reflectance", (x, y), style.clone()))?;
    foot.draw(&Text::new(
        picture.caution.to_owned(),
        (14 * s as i32, height as i32 - 12 * s as i32),
        style,
    ))
}
