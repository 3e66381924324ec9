//! Pixels whose lines and letters stand at any fraction of one: plotters' own bitmap knows whole ones
//! only, which makes a stair of a trace and pushes letters into each other.

use std::ops::Range;

use plotters::style::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind,
    FontTransform,
};

use super::face;

/// Steps in a pixel.
pub(super) const STEPS: u32 = 10;

/// A picture in red, green and blue, row by row from above.
pub(super) struct Pixels<'a> {
    width: u32,
    height: u32,
    rgb: &'a mut [u8],
}

/// Drawing into memory cannot fail.
#[derive(Debug, thiserror::Error)]
#[error("no pixels")]
pub(super) struct Never;

type Drawn = Result<(), DrawingErrorKind<Never>>;

impl Pixels<'_> {
    /// `rgb`: three bytes for each of the pixels.
    pub(super) fn on(rgb: &mut [u8], width: u32, height: u32) -> Pixels<'_> {
        Pixels { width, height, rgb }
    }

    /// Lays a colour over a pixel, as far as it is covered.
    fn blend(&mut self, x: i32, y: i32, color: BackendColor, covered: f64) {
        if x < 0 || y < 0 || x >= self.width as i32 || y >= self.height as i32 {
            return;
        }
        let at = (y as usize * self.width as usize + x as usize) * 3;
        mix(&mut self.rgb[at..at + 3], color, color.alpha * covered.min(1.0));
    }

    /// Lays a colour over all pixels of a block. One that hides what lies below is copied: the ground of a
    /// picture is more than half a million of pixels.
    fn fill(&mut self, across: Range<usize>, down: Range<usize>, color: BackendColor) {
        let (r, g, b) = color.rgb;
        let row = [r, g, b].repeat(across.len());
        for y in down {
            let at = (y * self.width as usize + across.start) * 3;
            let own = &mut self.rgb[at..at + row.len()];
            if color.alpha >= 1.0 {
                own.copy_from_slice(&row);
            } else {
                own.chunks_exact_mut(3).for_each(|pixel| mix(pixel, color, color.alpha));
            }
        }
    }

    /// A line with round ends: each pixel is covered as far as its middle is near to the line.
    fn stroke(&mut self, points: &[(f64, f64)], width: f64, color: BackendColor) {
        let reach = width / 2.0 + 0.5;
        let (left, right) = limits(points.iter().map(|p| p.0), reach, self.width);
        let (top, bottom) = limits(points.iter().map(|p| p.1), reach, self.height);
        let room = right - left;
        // Collected first: where two pieces of a line meet, its colour must not lie double.
        let mut mask = vec![0.0_f32; room * (bottom - top)];
        let mut touched = vec![(room, 0); bottom - top];
        for pair in points.windows(2) {
            let [a, b] = upright(pair[0], pair[1], width);
            let (from, to) = limits([a.0, b.0].into_iter(), reach, self.width);
            let (from, to) = (from.max(left) - left, to.min(right).max(left) - left);
            let (high, low) = limits([a.1, b.1].into_iter(), reach, self.height);
            let (dx, dy) = (b.0 - a.0, b.1 - a.1);
            let per_square = 1.0 / (dx * dx + dy * dy).max(1e-300);
            for y in high.max(top)..low.min(bottom) {
                let uy = y as f64 + 0.5 - a.1;
                let row = &mut mask[(y - top) * room..(y - top + 1) * room];
                for (x, own) in row.iter_mut().enumerate().take(to).skip(from) {
                    let ux = (x + left) as f64 + 0.5 - a.0;
                    let along = ((ux * dx + uy * dy) * per_square).clamp(0.0, 1.0);
                    let (ox, oy) = (ux - along * dx, uy - along * dy);
                    let away = ox * ox + oy * oy;
                    if away < reach * reach {
                        *own = own.max((reach - away.sqrt()).min(1.0) as f32);
                    }
                }
                let own = &mut touched[y - top];
                *own = (own.0.min(from), own.1.max(to));
            }
        }
        for (y, (from, to)) in touched.into_iter().enumerate() {
            for x in from..to {
                let covered = mask[y * room + x];
                if covered > 0.0 {
                    self.blend((x + left) as i32, (y + top) as i32, color, f64::from(covered));
                }
            }
        }
    }
}

/// Lays a colour over a pixel; `cover` 1 hides what was there.
fn mix(pixel: &mut [u8], color: BackendColor, cover: f64) {
    let (r, g, b) = color.rgb;
    for (own, new) in pixel.iter_mut().zip([r, g, b]) {
        // to the nearest; `round` is a call of its own on plain processors
        *own = (f64::from(*own) * (1.0 - cover) + f64::from(new) * cover + 0.5) as u8;
    }
}

/// The pixels, of `most`, that values and what lies within `reach` of them fall on.
fn limits(values: impl Iterator<Item = f64>, reach: f64, most: u32) -> (usize, usize) {
    let (low, high) =
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    let most = f64::from(most);
    let low = (low - reach).floor().clamp(0.0, most) as usize;
    (low, ((high + reach).ceil().clamp(0.0, most) as usize).max(low))
}

/// A piece of a line; a thin one that runs straight across or up is moved onto whole pixels, so that
/// it is sharp.
fn upright(mut a: (f64, f64), mut b: (f64, f64), width: f64) -> [(f64, f64); 2] {
    let half = if (width.round() as i64) % 2 == 0 { 0.0 } else { 0.5 };
    if a.0 == b.0 {
        a.0 = (a.0 - half).round() + half;
        b.0 = a.0;
    } else if a.1 == b.1 {
        a.1 = (a.1 - half).round() + half;
        b.1 = a.1;
    }
    [a, b]
}

fn fine((x, y): BackendCoord) -> (f64, f64) {
    (f64::from(x) / f64::from(STEPS), f64::from(y) / f64::from(STEPS))
}

impl DrawingBackend for Pixels<'_> {
    type ErrorType = Never;

    fn get_size(&self) -> (u32, u32) {
        (self.width * STEPS, self.height * STEPS)
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    fn draw_pixel(&mut self, at: BackendCoord, color: BackendColor) -> Drawn {
        let (x, y) = fine(at);
        self.blend(x as i32, y as i32, color, 1.0);
        Ok(())
    }

    fn draw_line<S: BackendStyle>(&mut self, a: BackendCoord, b: BackendCoord, style: &S) -> Drawn {
        self.draw_path([a, b], style)
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Drawn {
        let points: Vec<(f64, f64)> = path.into_iter().map(fine).collect();
        let width = f64::from(style.stroke_width()) / f64::from(STEPS);
        self.stroke(&points, width, style.color());
        Ok(())
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        a: BackendCoord,
        b: BackendCoord,
        style: &S,
        fill: bool,
    ) -> Drawn {
        if !fill {
            return self.draw_path([a, (b.0, a.1), b, (a.0, b.1), a], style);
        }
        let ((left, top), (right, bottom)) = (fine(a), fine(b));
        let most = |value: f64, limit: u32| value.round().clamp(0.0, f64::from(limit)) as usize;
        let across = most(left, self.width)..most(right, self.width);
        let down = most(top, self.height)..most(bottom, self.height);
        self.fill(across, down, style.color());
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, at: BackendCoord) -> Drawn {
        let size = style.size() / super::render::LETTER_SQUARE / f64::from(STEPS);
        let anchor = style.anchor();
        let back = match anchor.h_pos {
            HPos::Left => 0.0,
            HPos::Center => 0.5,
            HPos::Right => 1.0,
        } * face::width(text, size);
        // as an SVG does: half the height of an x below the middle
        let down = if matches!(anchor.v_pos, VPos::Center) { HALF_X * size } else { 0.0 };
        let (x, y) = fine(at);
        let color = style.color();
        if matches!(style.transform(), FontTransform::Rotate270) {
            let (x, y) = ((x + down).round() as i32, (y + back).round() as i32);
            face::cover(text, size, (0.0, 0.0), |along, below, covered| {
                self.blend(x + below, y - along, color, covered);
            });
            return Ok(());
        }
        // Letters stand on whole pixels, and between them where they must.
        let (x, y) = (x - back, (y + down).round());
        face::cover(text, size, (x.fract(), 0.0), |along, below, covered| {
            self.blend(x as i32 + along, y as i32 + below, color, covered);
        });
        Ok(())
    }

    fn estimate_text_size<S: BackendTextStyle>(
        &self,
        text: &str,
        style: &S,
    ) -> Result<(u32, u32), DrawingErrorKind<Never>> {
        let size = style.size() / super::render::LETTER_SQUARE;
        Ok((face::width(text, size) as u32, size as u32))
    }
}

/// Half the height of a small x, as a share of the letter's square.
const HALF_X: f64 = 0.27;
