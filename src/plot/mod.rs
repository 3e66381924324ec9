//! Pictures of traces, as SVG and PNG bytes.
//!
//! Marks differ in form, not in colour alone; each one that stands in a picture is explained below
//! it. Levels are thinned to what a pixel can show.

use std::sync::Once;

use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};

mod trace;

pub use trace::draw as trace;

/// How a picture is to look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Style {
    /// Colours.
    pub theme: Theme,
    /// Pixels per point: 1, or 2 for dense screens.
    pub scale: u32,
    /// Unit of lengths.
    pub unit: crate::units::LengthUnit,
    /// Width in points.
    pub width: u32,
    /// Height in points.
    pub height: u32,
}

/// Colours of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Theme {
    /// Paper white with calm colours.
    Light,
    /// For dark rooms.
    Dark,
    /// Black ink alone.
    Print,
}

/// What a picture is stored as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Scalable, text as text.
    Svg,
    /// Pixels.
    Png,
}

/// Why a picture could not be drawn.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the picture could not be drawn: {0}")]
pub struct PlotError(String);

/// The colours of one theme. Blue, vermilion and their kin keep their distance for colour-blind eyes
/// (Okabe & Ito, "Color Universal Design", 2008, from memory).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Palette {
    pub ground: RGBColor,
    pub ink: RGBColor,
    pub faint: RGBColor,
    pub line: RGBColor,
    pub mark: RGBColor,
    pub shade: RGBAColor,
}

impl Theme {
    pub(crate) fn palette(self) -> Palette {
        match self {
            Theme::Light => Palette {
                ground: RGBColor(253, 252, 249),
                ink: RGBColor(38, 42, 48),
                faint: RGBColor(214, 214, 208),
                line: RGBColor(74, 98, 122),
                mark: RGBColor(90, 20, 90),
                shade: RGBColor(120, 120, 120).mix(0.14),
            },
            Theme::Dark => Palette {
                ground: RGBColor(28, 31, 38),
                ink: RGBColor(228, 226, 218),
                faint: RGBColor(66, 70, 80),
                line: RGBColor(150, 178, 204),
                mark: RGBColor(226, 170, 222),
                shade: RGBColor(190, 190, 190).mix(0.16),
            },
            Theme::Print => Palette {
                ground: RGBColor(255, 255, 255),
                ink: RGBColor(0, 0, 0),
                faint: RGBColor(200, 200, 200),
                line: RGBColor(60, 60, 60),
                mark: RGBColor(0, 0, 0),
                shade: RGBColor(0, 0, 0).mix(0.10),
            },
        }
    }
}

/// The one font of all pictures, from a crate: no system font is asked for.
pub(crate) const FONT: &str = "strandline";

pub(crate) fn use_font() {
    static REGISTERED: Once = Once::new();
    REGISTERED.call_once(|| {
        // Fails only for bytes that are no font, which these are.
        let _ = register_font(FONT, FontStyle::Normal, ttf_noto_sans::REGULAR);
    });
}

/// Draws on an SVG or a bitmap and returns the file's bytes.
pub(crate) fn rendered(
    style: &Style,
    format: Format,
    picture: &trace::Picture<'_>,
) -> Result<Vec<u8>, PlotError> {
    use_font();
    let scale = style.scale.clamp(1, 4);
    let (width, height) = (style.width * scale, style.height * scale);
    let failed = |error: &dyn std::fmt::Display| PlotError(error.to_string());
    if format == Format::Svg {
        let mut text = String::new();
        let root = SVGBackend::with_string(&mut text, (width, height)).into_drawing_area();
        trace::on(&root, picture).map_err(|error| failed(&error))?;
        drop(root);
        return Ok(text.into_bytes());
    }
    let mut pixels = vec![0; (width * height * 3) as usize];
    let root = BitMapBackend::with_buffer(&mut pixels, (width, height)).into_drawing_area();
    trace::on(&root, picture).map_err(|error| failed(&error))?;
    drop(root);
    png(&pixels, width, height)
}

/// An RGB picture as PNG, packed quickly rather than tightly.
fn png(pixels: &[u8], width: u32, height: u32) -> Result<Vec<u8>, PlotError> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    let failed = |error: png::EncodingError| PlotError(error.to_string());
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(pixels).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(bytes)
}
