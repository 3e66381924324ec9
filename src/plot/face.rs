//! The one font of all pictures, from a crate: no system font is asked for.

use std::sync::OnceLock;

use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};

fn face() -> Option<&'static FontRef<'static>> {
    static FACE: OnceLock<Option<FontRef<'static>>> = OnceLock::new();
    // None only for bytes that are no font, which these are.
    FACE.get_or_init(|| FontRef::try_from_slice(ttf_noto_sans::REGULAR).ok()).as_ref()
}

/// The letters of a line of text that begins at 0 on a base line at 0, and where it ends. `size`: the
/// square of a letter.
fn set(text: &str, size: f64) -> Option<(Vec<Glyph>, f32)> {
    let face = face()?;
    let height = face.height_unscaled() / face.units_per_em()?;
    let scaled = face.as_scaled(PxScale::from(size as f32 * height));
    let (mut x, mut last) = (0.0, None);
    let mut glyphs = Vec::new();
    for letter in text.chars() {
        let id = scaled.glyph_id(letter);
        x += last.map_or(0.0, |last| scaled.kern(last, id));
        glyphs.push(id.with_scale_and_position(scaled.scale(), point(x, 0.0)));
        x += scaled.h_advance(id);
        last = Some(id);
    }
    Some((glyphs, x))
}

/// Width of a line of text, in the unit of `size`. 0 where there is no font.
pub(super) fn width(text: &str, size: f64) -> f64 {
    set(text, size).map_or(0.0, |(_, end)| f64::from(end))
}

/// Calls `put` with each pixel that a line of text covers, to the right of and below the beginning of
/// its base line, and how much it is covered. `shift`: the fraction of a pixel that beginning lies
/// beyond a whole one.
pub(super) fn cover(text: &str, size: f64, shift: (f64, f64), mut put: impl FnMut(i32, i32, f64)) {
    let (Some(face), Some((glyphs, _))) = (face(), set(text, size)) else { return };
    for mut glyph in glyphs {
        glyph.position.x += shift.0 as f32;
        glyph.position.y += shift.1 as f32;
        let Some(outline) = face.outline_glyph(glyph) else { continue };
        let from = outline.px_bounds().min;
        outline.draw(|x, y, covered| {
            put(x as i32 + from.x as i32, y as i32 + from.y as i32, f64::from(covered));
        });
    }
}
