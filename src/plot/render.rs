//! Shapes on a sheet become an SVG or a PNG.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::FontTransform;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::palette;
use super::pixels::{self, Pixels};
use super::sheet::{At, Shape, Sheet, Side, Stroke, Words};
use super::{Format, PlotError};

/// In an SVG, whatever plain font the reader has.
const FONT: &str = "sans-serif";

/// plotters counts a font's size from its highest to its lowest letter, we the square of a letter.
pub(super) const LETTER_SQUARE: f64 = 1.24;

/// Steps in a point of an SVG: plotters knows whole numbers only, and a trace must not be a stair.
const SVG_STEPS: f64 = 10.0;

/// The file's bytes. `scale`: pixels a point of a PNG, 1 to 4.
pub(super) fn file(sheet: &Sheet, scale: u32, format: Format) -> Result<Vec<u8>, PlotError> {
    match format {
        Format::Svg => svg(sheet).map(String::into_bytes),
        Format::Png => png(sheet, scale.clamp(1, 4)),
    }
}

fn failed(error: impl std::fmt::Display) -> PlotError {
    PlotError(error.to_string())
}

fn svg(sheet: &Sheet) -> Result<String, PlotError> {
    let size = ((sheet.width * SVG_STEPS) as u32, (sheet.height * SVG_STEPS) as u32);
    let mut text = String::new();
    draw(&SVGBackend::with_string(&mut text, size).into_drawing_area(), sheet, SVG_STEPS)?;
    let steps = format!("width=\"{}\" height=\"{}\"", size.0, size.1);
    let points = format!("width=\"{}\" height=\"{}\"", sheet.width, sheet.height);
    Ok(text.replacen(&steps, &points, 1))
}

fn png(sheet: &Sheet, scale: u32) -> Result<Vec<u8>, PlotError> {
    let (width, height) = (sheet.width as u32 * scale, sheet.height as u32 * scale);
    let mut rgb = vec![0; width as usize * height as usize * 3];
    let pixels = Pixels::on(&mut rgb, width, height);
    let steps = f64::from(scale * pixels::STEPS);
    draw(&pixels.into_drawing_area(), sheet, steps)?;
    packed(&rgb, width, height)
}

/// An RGB picture as PNG, packed quickly rather than tightly.
fn packed(pixels: &[u8], width: u32, height: u32) -> Result<Vec<u8>, PlotError> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    // Rows are mostly alike: what is left of one after the row above it is mostly nothing.
    encoder.set_filter(png::FilterType::Up);
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(pixels).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(bytes)
}

/// Draws every shape, `steps` device steps a point.
fn draw<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    sheet: &Sheet,
    steps: f64,
) -> Result<(), PlotError> {
    area.fill(&rgba(sheet.ground)).map_err(failed)?;
    let device = |(x, y): At| ((x * steps).round() as i32, (y * steps).round() as i32);
    for shape in &sheet.shapes {
        match shape {
            Shape::Line(points, stroke) => draw_line(area, points, stroke, steps)?,
            Shape::Block(a, b, color) => {
                let block = Rectangle::new([device(*a), device(*b)], rgba(*color).filled());
                area.draw(&block).map_err(failed)?;
            }
            Shape::Words(words) => draw_words(area, words, steps)?,
        }
    }
    area.present().map_err(failed)
}

fn rgba(color: palette::Color) -> RGBAColor {
    let [r, g, b] = color.rgb;
    RGBColor(r, g, b).mix(color.cover)
}

fn draw_line<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    points: &[At],
    stroke: &Stroke,
    steps: f64,
) -> Result<(), PlotError> {
    let width = (stroke.width * steps).round().max(1.0) as u32;
    let style = ShapeStyle::from(rgba(stroke.color)).stroke_width(width);
    let pieces = match stroke.dash {
        None => vec![points.to_vec()],
        Some((on, off)) => dashes(points, on, off),
    };
    for piece in pieces {
        let mut places: Vec<(i32, i32)> = piece
            .iter()
            .map(|(x, y)| ((x * steps).round() as i32, (y * steps).round() as i32))
            .collect();
        places.dedup();
        area.draw(&PathElement::new(places, style)).map_err(failed)?;
    }
    Ok(())
}

/// The drawn parts of a broken line.
fn dashes(points: &[At], on: f64, off: f64) -> Vec<Vec<At>> {
    let mut pieces = Vec::new();
    let mut piece: Vec<At> = points.first().copied().into_iter().collect();
    let (mut drawn, mut left) = (true, on);
    for pair in points.windows(2) {
        let (mut from, to) = (pair[0], pair[1]);
        loop {
            let length = (to.0 - from.0).hypot(to.1 - from.1);
            if length <= left {
                left -= length;
                if drawn {
                    piece.push(to);
                }
                break;
            }
            let share = left / length;
            from = (from.0 + (to.0 - from.0) * share, from.1 + (to.1 - from.1) * share);
            if drawn {
                piece.push(from);
                pieces.push(std::mem::take(&mut piece));
            } else {
                piece = vec![from];
            }
            drawn = !drawn;
            left = if drawn { on } else { off };
        }
    }
    if drawn && piece.len() > 1 {
        pieces.push(piece);
    }
    pieces
}

fn draw_words<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    words: &Words,
    steps: f64,
) -> Result<(), PlotError> {
    let across = match words.side {
        Side::Left => HPos::Left,
        Side::Middle => HPos::Center,
        Side::Right => HPos::Right,
    };
    let mut font = (FONT, words.size * LETTER_SQUARE * steps).into_font();
    if words.upright {
        font = font.transform(FontTransform::Rotate270);
    }
    let style = font.color(&rgba(words.color)).pos(Pos::new(across, VPos::Center));
    let at = ((words.at.0 * steps).round() as i32, (words.at.1 * steps).round() as i32);
    area.draw(&Text::new(words.text.clone(), at, style)).map_err(failed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_broken_line_is_drawn_where_its_pattern_says_round_corners_too() {
        // by hand: 10 right, 10 down; 4 on, 3 off from the beginning
        let pieces = dashes(&[(0.0, 0.0), (10.0, 0.0), (10.0, 10.0)], 4.0, 3.0);
        let expected = [
            vec![(0.0, 0.0), (4.0, 0.0)],
            vec![(7.0, 0.0), (10.0, 0.0), (10.0, 1.0)],
            vec![(10.0, 4.0), (10.0, 8.0)],
        ];
        assert_eq!(pieces.len(), 3, "{pieces:?}");
        for (piece, expected) in pieces.iter().zip(&expected) {
            assert_eq!(piece.len(), expected.len(), "{pieces:?}");
            for (at, expected) in piece.iter().zip(expected) {
                assert_abs_diff_eq!(at.0, expected.0, epsilon = 1e-9);
                assert_abs_diff_eq!(at.1, expected.1, epsilon = 1e-9);
            }
        }
    }

    #[test]
    fn markup_in_words_stays_words() {
        let mut sheet = Sheet::new(200.0, 50.0, palette::Color::new(0x00FF_FFFF));
        let color = palette::Color::new(0);
        sheet.words("<script>&\"'</script>", (5.0, 20.0), 12.0, color, Side::Left);
        let text = svg(&sheet).unwrap();
        assert!(!text.contains("<script") && text.contains("&lt;script"), "{text}");
        assert!(text.starts_with("<svg width=\"200\" height=\"50\" viewBox=\"0 0 2000 500\""));
    }
}
