//! How the losses of a cable's joints spread, against their limit.

use super::axes::{self, Frame, LARGE, SMALL};
use super::cable::{CableLosses, JointLoss};
use super::marks::{Entry, Legend, Sign};
use super::palette::Palette;
use super::sheet::{Sheet, Side, Stroke, wrapped};
use super::{Format, PlotError, Style, render};
use crate::grade::Verdict;

/// Height of one strip with its figures and its axis.
const STRIP: f64 = 124.0;

/// A strip for each kind of joint and wavelength: how many joints lose how much, what became of them,
/// and where the limit is.
///
/// As high as its strips need: `style.height` does not count.
///
/// # Errors
/// Where the size is nothing to draw on.
pub fn strip(cable: &CableLosses, style: &Style, format: Format) -> Result<Vec<u8>, PlotError> {
    render::file(&sheet(cable, style), style.scale, format)
}

/// All losses of one kind at one wavelength.
struct Group<'a> {
    kind: &'a str,
    wavelength_nm: u16,
    limit_db: Option<f64>,
    losses: Vec<JointLoss>,
    /// Joints of this kind, measured or not.
    planned: usize,
}

fn groups(cable: &CableLosses) -> Vec<Group<'_>> {
    let mut groups: Vec<Group<'_>> = Vec::new();
    for (i, column) in cable.columns.iter().enumerate() {
        let own = |g: &Group<'_>| {
            g.kind == column.kind
                && g.wavelength_nm == column.wavelength_nm
                && g.limit_db == column.limit_db
        };
        let at = groups.iter().position(own).unwrap_or_else(|| {
            groups.push(Group {
                kind: &column.kind,
                wavelength_nm: column.wavelength_nm,
                limit_db: column.limit_db,
                losses: Vec::new(),
                planned: 0,
            });
            groups.len() - 1
        });
        groups[at].planned += cable.fibers.len();
        let measured = cable.fibers.iter().filter_map(|f| f.losses.get(i).copied().flatten());
        groups[at].losses.extend(measured);
    }
    groups.sort_by(|a, b| (a.kind, a.wavelength_nm).cmp(&(b.kind, b.wavelength_nm)));
    groups
}

fn sheet(cable: &CableLosses, style: &Style) -> Sheet {
    let palette = style.theme.palette();
    let wide = f64::from(style.width);
    let groups = groups(cable);
    let title = wrapped(&cable.title, LARGE, wide - 28.0, 2);
    let head = 14.0 + 20.0 * title.len() as f64;
    let legend = Legend::new(entries(cable, &palette), wide - 40.0);
    let height = head + STRIP * groups.len() as f64 + legend.height() + 36.0;
    let mut sheet = Sheet::new(wide, height.ceil(), palette.ground);
    axes::title(&mut sheet, &title, &palette);
    for (n, group) in groups.iter().enumerate() {
        let range = range(groups.iter().filter(|g| g.kind == group.kind));
        draw_strip(&mut sheet, group, range, head + STRIP * n as f64, &palette);
    }
    legend.draw(&mut sheet, 20.0, head + STRIP * groups.len() as f64 + 4.0, &palette);
    axes::caution(&mut sheet, &cable.caution, &palette);
    sheet
}

/// The losses shown of one kind: all of them, unless a few lie far beyond the limit.
fn range<'a>(groups: impl Iterator<Item = &'a Group<'a>>) -> (f64, f64) {
    let (mut low, mut high, mut limit) = (0.0_f64, 0.05_f64, None);
    for group in groups {
        limit = limit.or(group.limit_db);
        for loss in &group.losses {
            low = low.min(loss.loss_db.value);
            high = high.max(loss.loss_db.value);
        }
    }
    let most = limit.map_or(high, |limit| high.clamp(1.25 * limit, 3.0 * limit));
    (low.max(-most), most)
}

/// Bars across one strip.
const BINS: usize = 60;

/// How many losses lie in each bin, by verdict: without one, pass, undecided, fail.
fn counted(losses: &[JointLoss], (low, high): (f64, f64)) -> [[usize; 4]; BINS] {
    let mut bins = [[0; 4]; BINS];
    for loss in losses {
        let share = (loss.loss_db.value - low) / (high - low);
        let bin = ((share * BINS as f64).floor().max(0.0) as usize).min(BINS - 1);
        bins[bin][kind_of(loss.verdict)] += 1;
    }
    bins
}

fn kind_of(verdict: Option<Verdict>) -> usize {
    match verdict {
        None => 0,
        Some(Verdict::Pass) => 1,
        Some(Verdict::Undecided) => 2,
        Some(Verdict::Fail) => 3,
    }
}

fn draw_strip(
    sheet: &mut Sheet,
    group: &Group<'_>,
    range: (f64, f64),
    top: f64,
    palette: &Palette,
) {
    let bins = counted(&group.losses, range);
    let most = bins.iter().map(|b| b.iter().sum::<usize>()).max().unwrap_or(0).max(4);
    let frame = Frame {
        left: 66.0,
        right: sheet.width - 24.0,
        top: top + 30.0,
        bottom: top + STRIP - 36.0,
        x: range,
        y: (0.0, most as f64),
    };
    sheet.words(words(group, range), (20.0, top + 10.0), SMALL, palette.ink, Side::Left);
    frame.draw(sheet, palette, "", "joints");
    sheet.words("loss in dB", (frame.right, frame.bottom + 26.0), SMALL, palette.ink, Side::Right);
    let wide = (frame.right - frame.left) / BINS as f64;
    for (n, bin) in bins.iter().enumerate() {
        let x = frame.left + wide * n as f64;
        let mut below = 0;
        for (kind, count) in bin.iter().enumerate().filter(|(_, count)| **count > 0) {
            let (from, to) = (frame.py(below as f64), frame.py((below + count) as f64));
            draw_bar(sheet, kind, (x + 1.0, to), (x + wide - 1.0, from), palette);
            below += count;
        }
    }
    if let Some(limit) = group.limit_db {
        let x = frame.px(limit);
        sheet.line([(x, frame.top - 12.0), (x, frame.bottom)], limit_stroke(palette));
        let text = format!("limit {} dB", axes::figure(limit, 2));
        let (side, x) =
            if x > frame.right - 90.0 { (Side::Right, x - 5.0) } else { (Side::Left, x + 5.0) };
        sheet.words(text, (x, frame.top - 7.0), SMALL, palette.fit, side);
    }
}

fn limit_stroke(palette: &Palette) -> Stroke {
    Stroke::dashed(palette.fit, 1.8, (7.0, 4.0))
}

/// Full, hatched, pale or framed: each verdict has a form as well as a colour.
fn draw_bar(
    sheet: &mut Sheet,
    kind: usize,
    (left, top): (f64, f64),
    (right, bottom): (f64, f64),
    palette: &Palette,
) {
    match kind {
        3 => sheet.block((left, top), (right, bottom), palette.mark),
        2 => {
            let mut y = bottom;
            while y > top {
                sheet
                    .line([(left, y), (right, (y - 4.0).max(top))], Stroke::new(palette.mark, 1.0));
                y -= 4.0;
            }
        }
        1 => sheet.block((left, top), (right, bottom), palette.ramp[2]),
        _ => {}
    }
    let around = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
    let color = if kind == 1 { palette.line } else { palette.mark };
    sheet.line(around, Stroke::new(color, 0.9));
}

/// What a strip shows, in figures.
fn words(group: &Group<'_>, (_, high): (f64, f64)) -> String {
    let measured = group.losses.len();
    let mut text = format!("{}, {} nm: {measured} measured", group.kind, group.wavelength_nm);
    if measured < group.planned {
        text.push_str(&format!(" of {}", group.planned));
    }
    if group.limit_db.is_some() {
        for (verdict, word) in
            [(Verdict::Pass, "pass"), (Verdict::Undecided, "undecided"), (Verdict::Fail, "fail")]
        {
            let count = group.losses.iter().filter(|l| l.verdict == Some(verdict)).count();
            text.push_str(&format!(", {count} {word}"));
        }
    }
    if measured > 0 {
        let mean = group.losses.iter().map(|l| l.loss_db.value).sum::<f64>() / measured as f64;
        text.push_str(&format!("; mean {} dB", axes::figure(mean, 3)));
    }
    let beyond = group.losses.iter().filter(|l| l.loss_db.value > high).count();
    if beyond > 0 {
        let largest = group.losses.iter().map(|l| l.loss_db.value).fold(0.0, f64::max);
        let at = axes::figure(largest, 2);
        text.push_str(&format!("; {beyond} beyond the scale in the last bar, up to {at} dB"));
    }
    text
}

/// What stands in the picture, explained.
fn entries(cable: &CableLosses, palette: &Palette) -> Vec<Entry> {
    let losses = || cable.fibers.iter().flat_map(|f| f.losses.iter().copied().flatten());
    let mut all: Vec<Entry> =
        ["not judged", "pass", "undecided", "fail, by loss or by reflectance"]
            .into_iter()
            .enumerate()
            .filter(|(kind, _)| losses().any(|l| kind_of(l.verdict) == *kind))
            .map(|(kind, word)| (Sign::Bar(kind), word.to_owned()))
            .collect();
    if cable.columns.iter().any(|c| c.limit_db.is_some()) {
        all.push((Sign::Line(limit_stroke(palette)), "limit".to_owned()));
    }
    let words = "losses are means of both ends where both were measured".to_owned();
    all.push((Sign::Nothing, words));
    all
}

/// The bar of a legend.
pub(super) fn sample(sheet: &mut Sheet, kind: usize, left: f64, middle: f64, palette: &Palette) {
    draw_bar(sheet, kind, (left, middle - 6.0), (left + 16.0, middle + 6.0), palette);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measured;

    fn loss(value: f64, verdict: Verdict) -> JointLoss {
        let loss_db = Measured::new(value, 0.01);
        JointLoss { loss_db, ends: crate::plot::Ends::Both, verdict: Some(verdict) }
    }

    #[test]
    fn every_loss_stands_in_one_bar_the_far_ones_in_the_last() {
        let losses = [
            loss(0.05, Verdict::Pass),
            loss(0.05, Verdict::Undecided),
            loss(-0.3, Verdict::Pass),
            loss(9.0, Verdict::Fail),
            loss(0.6, Verdict::Fail),
        ];
        let bins = counted(&losses, (0.0, 0.6));
        assert_eq!(bins.iter().flatten().sum::<usize>(), losses.len());
        // by hand: 60 bars of 0.01 dB
        assert_eq!(bins[5], [0, 1, 1, 0]);
        assert_eq!(bins[0], [0, 1, 0, 0]);
        assert_eq!(bins[59], [0, 0, 0, 2]);
    }

    #[test]
    fn one_far_outlier_does_not_press_all_others_into_one_bar() {
        let group = |value| Group {
            kind: "splices",
            wavelength_nm: 1550,
            limit_db: Some(0.2),
            losses: vec![loss(0.05, Verdict::Pass), loss(value, Verdict::Fail)],
            planned: 3,
        };
        let (low, high) = range([group(12.0)].iter());
        assert!(low == 0.0 && (high - 0.6).abs() < 1e-9, "three times the limit");
        let words = words(&group(12.0), (0.0, 0.6));
        assert!(words.contains("2 measured of 3, 1 pass, 0 undecided, 1 fail"), "{words}");
        assert!(words.contains("1 beyond the scale in the last bar, up to 12.00 dB"), "{words}");
    }
}
