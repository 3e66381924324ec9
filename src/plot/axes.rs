//! A frame with its two scales: from lengths and dB to places on the sheet.

use super::palette::Palette;
use super::sheet::{At, Sheet, Side, Stroke, cut};

/// Height of the letters of axes, legends and labels, in points.
pub(super) const SMALL: f64 = 11.0;
/// Height of the letters of a title.
pub(super) const LARGE: f64 = 15.0;

/// The title's lines at the top of a sheet.
pub(super) fn title(sheet: &mut Sheet, lines: &[String], palette: &Palette) {
    for (n, line) in lines.iter().enumerate() {
        let y = 18.0 + 20.0 * n as f64;
        sheet.words(line.clone(), (14.0, y), LARGE, palette.ink, Side::Left);
    }
}

/// The caution at its foot.
pub(super) fn caution(sheet: &mut Sheet, text: &str, palette: &Palette) {
    let text = cut(text, SMALL, sheet.width - 28.0);
    sheet.words(text, (14.0, sheet.height - 12.0), SMALL, palette.ink, Side::Left);
}

/// A rectangle on the sheet in which values are drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
    /// Least and greatest value along the frame.
    pub x: (f64, f64),
    /// Least and greatest value upwards.
    pub y: (f64, f64),
}

impl Frame {
    pub(super) fn px(&self, x: f64) -> f64 {
        self.left + (x - self.x.0) / (self.x.1 - self.x.0) * (self.right - self.left)
    }

    pub(super) fn py(&self, y: f64) -> f64 {
        self.bottom - (y - self.y.0) / (self.y.1 - self.y.0) * (self.bottom - self.top)
    }

    /// The value along the frame at a place on the sheet.
    pub(super) fn value(&self, px: f64) -> f64 {
        self.x.0 + (px - self.left) / (self.right - self.left) * (self.x.1 - self.x.0)
    }

    pub(super) fn at(&self, x: f64, y: f64) -> At {
        (self.px(x), self.py(y))
    }

    /// A curve as places on the sheet, kept inside the frame from above and below. `points`: in
    /// order of x; those beyond the frame are left out.
    pub(super) fn curve(&self, points: &[(f64, f64)]) -> Vec<At> {
        let inside = points.iter().filter(|p| (self.x.0..=self.x.1).contains(&p.0));
        inside.map(|p| self.at(p.0, p.1.clamp(self.y.0, self.y.1))).collect()
    }

    /// The part of a straight line that lies inside the frame. `None` where none does.
    pub(super) fn clipped(&self, a: (f64, f64), b: (f64, f64)) -> Option<[At; 2]> {
        let (mut from, mut to) = (0.0_f64, 1.0_f64);
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        // Liang & Barsky 1984: each side cuts the parameter's range
        for (start, change, low, high) in
            [(a.0, dx, self.x.0, self.x.1), (a.1, dy, self.y.0, self.y.1)]
        {
            if change == 0.0 {
                if !(low..=high).contains(&start) {
                    return None;
                }
                continue;
            }
            let (t, u) = ((low - start) / change, (high - start) / change);
            from = from.max(t.min(u));
            to = to.min(t.max(u));
        }
        let along = |t: f64| self.at(a.0 + t * dx, a.1 + t * dy);
        (from <= to).then(|| [along(from), along(to)])
    }

    /// Grid, ticks with figures, and what the axes are.
    pub(super) fn draw(&self, sheet: &mut Sheet, palette: &Palette, across: &str, upwards: &str) {
        let grid = Stroke::new(palette.faint, 0.6);
        let axis = Stroke::new(palette.ink, 1.0);
        let room = self.right - self.left;
        let (step, decimals) = tick_step(self.x.1 - self.x.0, (room / 90.0) as usize);
        for x in ticks(self.x, step) {
            let px = self.px(x);
            sheet.line([(px, self.top), (px, self.bottom)], grid);
            sheet.line([(px, self.bottom), (px, self.bottom + 4.0)], axis);
            let text = grouped(&figure(x, decimals));
            sheet.words(text, (px, self.bottom + 12.0), SMALL, palette.ink, Side::Middle);
        }
        let room = self.bottom - self.top;
        let count = (room / 55.0).max(room.min(150.0) / 28.0) as usize;
        let (step, decimals) = tick_step(self.y.1 - self.y.0, count.max(2));
        for y in ticks(self.y, step) {
            let py = self.py(y);
            sheet.line([(self.left, py), (self.right, py)], grid);
            sheet.line([(self.left - 4.0, py), (self.left, py)], axis);
            let text = figure(y, decimals);
            sheet.words(text, (self.left - 7.0, py), SMALL, palette.ink, Side::Right);
        }
        let corner = (self.left, self.bottom);
        sheet.line([(self.left, self.top), corner, (self.right, self.bottom)], axis);
        let middle = (self.left + self.right) / 2.0;
        sheet.words(across, (middle, self.bottom + 27.0), SMALL, palette.ink, Side::Middle);
        let middle = (self.top + self.bottom) / 2.0;
        sheet.upright(upwards, (self.left - 50.0, middle), SMALL, palette.ink);
    }
}

/// A step of 1, 2 or 5 times a power of ten for about `count` ticks, and the decimals it needs.
pub(super) fn tick_step(range: f64, count: usize) -> (f64, usize) {
    let rough = range / count.max(1) as f64;
    let power = rough.log10().floor();
    let unit = 10.0_f64.powf(power);
    let factor = [1.0, 2.0, 5.0, 10.0].into_iter().find(|f| f * unit >= rough * 0.999);
    let step = factor.unwrap_or(10.0) * unit;
    (step, (-step.log10().floor()).clamp(0.0, 6.0) as usize)
}

pub(super) fn ticks((low, high): (f64, f64), step: f64) -> Vec<f64> {
    if !(step > 0.0 && high - low < step * 1000.0) {
        return Vec::new(); // no picture has a thousand ticks
    }
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|n| n as f64 * step).collect()
}

/// A figure with a true minus sign, and without one before zero.
pub(super) fn figure(value: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", value.abs());
    let zero = text.chars().all(|c| matches!(c, '0' | '.'));
    if value < 0.0 && !zero { format!("−{text}") } else { text }
}

/// A long figure with a thin space between thousands, as ISO 80000-1 (7.3.1, from memory) has it.
pub(super) fn grouped(figure: &str) -> String {
    let whole = figure.trim_start_matches('−').split('.').next().unwrap_or_default().len();
    if whole < 5 {
        return figure.to_owned(); // four digits are read at a glance
    }
    let sign = figure.len() - figure.trim_start_matches('−').len();
    let mut text = figure.to_owned();
    for from_end in (1..=(whole - 1) / 3).map(|n| 3 * n) {
        text.insert(sign + whole - from_end, THIN_SPACE);
    }
    text
}

/// U+2009, which all fonts in wide use have.
const THIN_SPACE: char = '\u{2009}';

/// One standard deviation, with more digits where it would show as 0.
pub(super) fn sigma(value: f64, decimals: usize) -> String {
    let shown = |d: &usize| value.abs() >= 0.5 * 10.0_f64.powi(-(*d as i32));
    figure(value, (decimals..=decimals + 4).find(shown).unwrap_or(decimals))
}

/// A figure and its sigma.
pub(super) fn measured(m: crate::units::Measured, decimals: usize) -> String {
    format!("{} ± {}", figure(m.value, decimals), sigma(m.sigma, decimals))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn ticks_stand_at_round_figures() {
        // range, wanted, step, decimals; by hand
        let cases = [
            (10.0, 10, 1.0, 0),
            (7202.0, 10, 1000.0, 0),
            (0.5, 6, 0.1, 1),
            (29.0, 8, 5.0, 0),
            (0.013, 5, 0.005, 3),
        ];
        for (range, count, step, decimals) in cases {
            let got = tick_step(range, count);
            assert_abs_diff_eq!(got.0, step, epsilon = step * 1e-9);
            assert_eq!(got.1, decimals, "{range}");
        }
        assert_eq!(ticks((-0.5, 2.1), 1.0), [0.0, 1.0, 2.0]);
        assert!(ticks((0.0, f64::INFINITY), 1.0).is_empty());
    }

    #[test]
    fn zero_has_no_sign_and_a_small_sigma_has_digits() {
        assert_eq!(grouped("9999.5"), "9999.5");
        assert_eq!(grouped("−1234567.25"), "−1\u{2009}234\u{2009}567.25");
        assert_eq!(figure(-0.001, 2), "0.00");
        assert_eq!(figure(-1.5, 1), "−1.5");
        assert_eq!(sigma(0.0004, 2), "0.0004");
    }

    #[test]
    fn a_line_is_cut_where_it_leaves_the_frame() {
        let frame = Frame {
            left: 0.0,
            right: 100.0,
            top: 0.0,
            bottom: 100.0,
            x: (0.0, 10.0),
            y: (0.0, 10.0),
        };
        // y = x + 5 leaves at (5, 10); by hand
        assert_eq!(frame.clipped((-5.0, 0.0), (15.0, 20.0)), Some([(0.0, 50.0), (50.0, 0.0)]));
        assert_eq!(frame.clipped((0.0, 11.0), (10.0, 11.0)), None);
    }
}
