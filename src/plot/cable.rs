//! A whole cable: the losses of all joints of all fibres, as a map with figures.

use super::axes::{self, LARGE, SMALL};
use super::marks::{Entry, Legend, Sign, verdict_stroke};
use super::palette::Palette;
use super::sheet::{At, Sheet, Side, cut, width, wrapped};
use super::{Format, PlotError, Style, render};
use crate::grade::Verdict;
use crate::units::Measured;

/// The joint losses of a cable, ready to be shown. Words are shown as they are: the caller has made
/// text from files harmless.
#[derive(Clone, Debug, PartialEq)]
pub struct CableLosses {
    /// Above the picture.
    pub title: String,
    /// Below it.
    pub caution: String,
    /// Columns in order from end a; those of one joint side by side.
    pub columns: Vec<LossColumn>,
    /// Fibres in their order.
    pub fibers: Vec<FiberLosses>,
}

/// One joint at one wavelength.
#[derive(Clone, Debug, PartialEq)]
pub struct LossColumn {
    /// Name of the joint.
    pub joint: String,
    /// What joints of its limit are called, such as `splices`.
    pub kind: String,
    /// Fibre metres from end a's connector. `None` where nobody knows.
    pub at_m: Option<f64>,
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Most that it may lose. `None`: no limit.
    pub limit_db: Option<f64>,
}

/// One fibre.
#[derive(Clone, Debug, PartialEq)]
pub struct FiberLosses {
    /// Its number, and its colour if known.
    pub name: String,
    /// What it lies in, such as a tube: named above its first fibre where there are several; may be blank.
    pub tube: String,
    /// Its verdict as a whole, in a word; may be blank.
    pub verdict: String,
    /// One for each column; `None` where nothing was measured.
    pub losses: Vec<Option<JointLoss>>,
}

/// Which ends a loss was measured from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ends {
    /// Both: the loss is their mean.
    Both,
    /// End a alone.
    A,
    /// End b alone.
    B,
}

/// The loss of one joint of one fibre at one wavelength.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointLoss {
    /// In dB; from one end alone with what unequal fibres may do to it on its sigma.
    pub loss_db: Measured,
    /// Where from.
    pub ends: Ends,
    /// `None`: no limit.
    pub verdict: Option<Verdict>,
}

const HEAD: f64 = 50.0; // joint, place, wavelength above the columns
const ROW: f64 = 18.0;
const LEAST_CELL: f64 = 52.0; // its wavelength above it
const MOST_CELL: f64 = 86.0;
const GAP: f64 = 10.0; // between joints

/// A map of fibres × joints: each loss as a figure on a ground that darkens towards the limit, with
/// its verdict as a frame.
///
/// As high as its rows need, and wider than `style.width` where the figures need it: `style.height`
/// does not count. To spread a cable over pages give some of its fibres at a time.
///
/// # Errors
/// Where the size is nothing to draw on.
pub fn heat_map(cable: &CableLosses, style: &Style, format: Format) -> Result<Vec<u8>, PlotError> {
    render::file(&map_sheet(cable, style), style.scale, format)
}

/// Where rows and columns stand.
struct Grid {
    left: f64,
    top: f64,
    cell: f64,
    columns: Vec<f64>,
    /// Where each fibre's row begins, and below them the end of all.
    rows: Vec<f64>,
    width: f64,
}

impl Grid {
    fn new(cable: &CableLosses, style: &Style, top: f64) -> Grid {
        let widest = |texts: &mut dyn Iterator<Item = &str>| {
            texts.map(|text| width(text, SMALL)).fold(0.0, f64::max)
        };
        let left = 26.0 + widest(&mut cable.fibers.iter().map(|f| f.name.as_str())).min(160.0);
        let right = 26.0 + widest(&mut cable.fibers.iter().map(|f| f.verdict.as_str()));
        let joints = cable.columns.chunk_by(|a, b| a.joint == b.joint).count();
        let count = cable.columns.len().max(1) as f64;
        let gaps = GAP * joints as f64;
        let room = f64::from(style.width) - left - right - gaps;
        let cell = (room / count).clamp(LEAST_CELL, MOST_CELL).floor();
        let mut columns = Vec::with_capacity(cable.columns.len());
        let mut x = left;
        for (i, column) in cable.columns.iter().enumerate() {
            if i > 0 && cable.columns[i - 1].joint != column.joint {
                x += GAP;
            }
            columns.push(x);
            x += cell;
        }
        let width = f64::from(style.width).max((left + cell * count + gaps + right).ceil());
        Grid { left, top, cell, columns, rows: rows(cable, top + HEAD), width }
    }

    fn corner(&self, row: usize, column: usize) -> At {
        (self.columns[column], self.rows[row])
    }

    fn bottom(&self) -> f64 {
        self.rows.last().copied().unwrap_or(self.top + HEAD)
    }
}

/// Rows from above, with a line for the name of each tube where there are several.
fn rows(cable: &CableLosses, top: f64) -> Vec<f64> {
    let (mut y, mut rows) = (top, Vec::with_capacity(cable.fibers.len() + 1));
    for n in 0..cable.fibers.len() {
        y += if new_tube(cable, n) { ROW } else { 0.0 };
        rows.push(y);
        y += ROW;
    }
    rows.push(y);
    rows
}

/// Whether a tube begins with a fibre, where there are several.
fn new_tube(cable: &CableLosses, n: usize) -> bool {
    let several = cable.fibers.iter().any(|fiber| fiber.tube != cable.fibers[0].tube);
    several && (n == 0 || cable.fibers[n - 1].tube != cable.fibers[n].tube)
}

fn map_sheet(cable: &CableLosses, style: &Style) -> Sheet {
    let palette = style.theme.palette();
    let title = wrapped(&cable.title, LARGE, f64::from(style.width) - 28.0, 2);
    let grid = Grid::new(cable, style, 14.0 + 20.0 * title.len() as f64);
    let legend = Legend::new(entries(cable, &palette), grid.width - 40.0);
    let bottom = grid.bottom();
    let height = bottom + 14.0 + legend.height() + 30.0;
    let mut sheet = Sheet::new(grid.width, height.ceil(), palette.ground);
    axes::title(&mut sheet, &title, &palette);
    draw_heads(&mut sheet, cable, style, &grid, &palette);
    for (row, fiber) in cable.fibers.iter().enumerate() {
        let y = grid.rows[row] + 0.5 * ROW;
        if new_tube(cable, row) {
            let name = cut(&fiber.tube, SMALL, grid.width - 28.0);
            sheet.words(name, (14.0, y - ROW), SMALL, palette.ink, Side::Left);
        }
        let name = cut(&fiber.name, SMALL, 160.0);
        sheet.words(name, (grid.left - 10.0, y), SMALL, palette.ink, Side::Right);
        for (column, own) in cable.columns.iter().enumerate() {
            let loss = fiber.losses.get(column).copied().flatten();
            let corner = grid.corner(row, column);
            draw_cell(&mut sheet, corner, grid.cell, loss, own.limit_db, &palette);
        }
        let end = grid.columns.last().map_or(grid.left, |x| x + grid.cell);
        sheet.words(fiber.verdict.clone(), (end + 12.0, y), SMALL, palette.ink, Side::Left);
    }
    legend.draw(&mut sheet, 20.0, bottom + 12.0, &palette);
    axes::caution(&mut sheet, &cable.caution, &palette);
    sheet
}

/// Name, place and wavelengths of each joint above its columns.
fn draw_heads(
    sheet: &mut Sheet,
    cable: &CableLosses,
    style: &Style,
    grid: &Grid,
    palette: &Palette,
) {
    let unit = style.unit;
    let mut first = 0;
    for group in cable.columns.chunk_by(|a, b| a.joint == b.joint) {
        let (from, room) = (grid.columns[first], grid.cell * group.len() as f64);
        let middle = from + room / 2.0;
        let name = cut(&group[0].joint, SMALL, room);
        sheet.words(name, (middle, grid.top + 8.0), SMALL, palette.ink, Side::Middle);
        if let Some(at_m) = group[0].at_m {
            let decimals = if unit.decimals() > 1 { 2 } else { 0 };
            let place = format!("{} {unit}", axes::figure(at_m / unit.metres(), decimals));
            let place = cut(&place, SMALL, room + GAP);
            sheet.words(place, (middle, grid.top + 22.0), SMALL, palette.ink, Side::Middle);
        }
        for (n, column) in group.iter().enumerate() {
            let x = grid.columns[first + n] + grid.cell / 2.0;
            let text = format!("{} nm", column.wavelength_nm);
            sheet.words(text, (x, grid.top + 38.0), SMALL, palette.ink, Side::Middle);
        }
        first += group.len();
    }
}

/// Steps of the ground, as shares of the limit: up to each, then beyond the last.
pub(super) const SHARES: [f64; 5] = [0.25, 0.5, 0.75, 1.0, 2.0];

fn draw_cell(
    sheet: &mut Sheet,
    (x, y): At,
    cell: f64,
    loss: Option<JointLoss>,
    limit_db: Option<f64>,
    palette: &Palette,
) {
    let middle = (x + cell / 2.0, y + ROW / 2.0);
    let Some(loss) = loss else {
        sheet.words("–", middle, SMALL, palette.ink, Side::Middle);
        return;
    };
    let (a, b) = ((x + 2.0, y + 1.5), (x + cell - 2.0, y + ROW - 1.5));
    let mut ink = palette.ink;
    if let Some(limit) = limit_db.filter(|limit| *limit > 0.0) {
        let share = loss.loss_db.value / limit;
        let ground = palette.ramp[SHARES.iter().filter(|step| share > **step).count()];
        sheet.block(a, b, ground);
        ink = palette.legible_on(ground);
    }
    if let Some(stroke) = verdict_stroke(loss.verdict, palette) {
        sheet.line([a, (b.0, a.1), b, (a.0, b.1), a], stroke);
    }
    let ends = match loss.ends {
        Ends::Both => "",
        Ends::A => " a",
        Ends::B => " b",
    };
    let text = format!("{}{ends}", axes::figure(loss.loss_db.value, 2));
    sheet.words(text, middle, SMALL, ink, Side::Middle);
}

fn entries(cable: &CableLosses, palette: &Palette) -> Vec<Entry> {
    let cells: Vec<JointLoss> =
        cable.fibers.iter().flat_map(|f| &f.losses).copied().flatten().collect();
    let cells_in = cable.columns.len() * cable.fibers.len();
    let mut all = Vec::new();
    if cable.columns.iter().any(|c| c.limit_db.is_some()) {
        let words = ["to ¼ of its limit", "to ½", "to ¾", "to the limit", "to twice", "more"];
        for (ground, words) in palette.ramp.iter().zip(words) {
            all.push((Sign::Shade(*ground), words.to_owned()));
        }
    } else {
        all.push((Sign::Nothing, "no limit, so nothing is judged".to_owned()));
    }
    for (verdict, words) in [
        (Verdict::Fail, "fail, by loss or by reflectance"),
        (Verdict::Undecided, "undecided: too near to a limit for its sigma"),
    ] {
        let stroke = verdict_stroke(Some(verdict), palette);
        if let Some(stroke) = stroke.filter(|_| cells.iter().any(|c| c.verdict == Some(verdict))) {
            all.push((Sign::Frame(stroke), words.to_owned()));
        }
    }
    all.push((Sign::Nothing, "loss in dB, mean of both ends".to_owned()));
    let widest = cells.iter().map(|c| c.loss_db.sigma).reduce(f64::max);
    all.extend(widest.map(|s| (Sign::Nothing, format!("sigma at most {} dB", axes::sigma(s, 2)))));
    if cells.iter().any(|c| c.ends != Ends::Both) {
        all.push((Sign::Nothing, "a, b: seen from that end alone".to_owned()));
    }
    if cells.len() < cells_in {
        all.push((Sign::Nothing, "–: not measured".to_owned()));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plot::Theme;
    use crate::plot::sheet::Shape;
    use crate::units::LengthUnit;

    /// As many fibres and joints as asked for, every third loss missing.
    pub(crate) fn cable(fibers: usize, joints: usize) -> CableLosses {
        let column = |i: usize| LossColumn {
            joint: format!("C{}", i / 2),
            kind: "splices".to_owned(),
            at_m: Some(1000.0 * i as f64),
            wavelength_nm: [1310, 1550][i % 2],
            limit_db: Some(0.2),
        };
        let fiber = |n: usize| FiberLosses {
            name: format!("{n} blue"),
            tube: format!("tube {}", n / 12),
            verdict: "pass".to_owned(),
            losses: (0..2 * joints)
                .map(|i| {
                    let loss_db = Measured::new(0.01 * ((n + i) % 30) as f64, 0.01);
                    let verdict = crate::grade::Verdict::Pass;
                    let loss = JointLoss { loss_db, ends: Ends::Both, verdict: Some(verdict) };
                    (!(n + i).is_multiple_of(3)).then_some(loss)
                })
                .collect(),
        };
        CableLosses {
            title: "<b>CBL</b>".to_owned(),
            caution: "caution".to_owned(),
            columns: (0..2 * joints).map(column).collect(),
            fibers: (0..fibers).map(fiber).collect(),
        }
    }

    fn style() -> Style {
        let unit = LengthUnit::M;
        Style { theme: Theme::Light, scale: 1, unit, width: 1000, height: 620 }
    }

    #[test]
    fn a_map_of_any_size_holds_all_its_figures_inside_its_edges() {
        for (fibers, joints) in [(1, 1), (12, 5), (144, 14), (0, 0), (3, 0)] {
            let sheet = map_sheet(&cable(fibers, joints), &style());
            let mut figures = 0;
            for shape in &sheet.shapes {
                let Shape::Words(words) = shape else { continue };
                let room = width(&words.text, words.size);
                let left = match words.side {
                    Side::Left => words.at.0,
                    Side::Middle => words.at.0 - room / 2.0,
                    Side::Right => words.at.0 - room,
                };
                assert!(left >= 0.0 && left + room <= sheet.width, "{words:?}");
                assert!(words.at.1 > 0.0 && words.at.1 < sheet.height, "{words:?}");
                figures += usize::from(words.text.starts_with("0.") || words.text == "–");
            }
            assert_eq!(figures, fibers * joints * 2);
        }
    }

    #[test]
    fn markup_in_names_stays_words() {
        let bytes = heat_map(&cable(2, 2), &style(), Format::Svg).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        assert!(!text.contains("<b>") && text.contains("&lt;b&gt;"));
    }
}
