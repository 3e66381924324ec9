//! Colours, by what they mean.
//!
//! Blue, vermilion and their kin keep their distance for colour-blind eyes (Okabe & Ito, "Color
//! Universal Design", 2008, from memory). That they do is a test: `vision`.

use super::Theme;

/// Red, green, blue from 0 to 255, and how much of what lies below is covered, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Color {
    pub rgb: [u8; 3],
    pub cover: f64,
}

impl Color {
    pub(super) const fn new(rgb: u32) -> Color {
        Color { rgb: [(rgb >> 16) as u8, (rgb >> 8) as u8, rgb as u8], cover: 1.0 }
    }

    /// The same colour, so that what lies below shines through.
    const fn covering(self, cover: f64) -> Color {
        Color { rgb: self.rgb, cover }
    }

    /// The colour that is seen when this one lies over `below`.
    pub(super) fn over(self, below: Color) -> Color {
        let mix = |i: usize| {
            let (own, other) = (f64::from(self.rgb[i]), f64::from(below.rgb[i]));
            (own * self.cover + other * (1.0 - self.cover)).round() as u8
        };
        Color { rgb: [mix(0), mix(1), mix(2)], cover: 1.0 }
    }
}

/// The colours of one theme.
#[derive(Clone, Copy, Debug)]
pub(super) struct Palette {
    /// Behind everything.
    pub ground: Color,
    /// Words, axes.
    pub ink: Color,
    /// Grid and pointers: only helps, means nothing.
    pub faint: Color,
    /// A trace alone.
    pub line: Color,
    /// Marks of events.
    pub mark: Color,
    /// Fitted lines and what is read from them.
    pub fit: Color,
    /// Traces that stand together.
    pub curves: [Color; 4],
    /// Under the noise.
    pub shade: Color,
    /// From little to much, for the cells of a map.
    pub ramp: [Color; 6],
}

impl Palette {
    /// The colour of words that stand out more on `ground`.
    pub(super) fn legible_on(&self, ground: Color) -> Color {
        if contrast(self.ink, ground) >= contrast(self.ground, ground) {
            self.ink
        } else {
            self.ground
        }
    }
}

/// How much two colours stand out against each other, 1 to 21.
/// Source: W3C WCAG 2.1, definitions of relative luminance and contrast ratio.
pub(super) fn contrast(a: Color, b: Color) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn luminance(color: Color) -> f64 {
    let [r, g, b] = color.rgb.map(linear);
    0.2126 * r + 0.7152 * g + 0.0722 * b
}

/// Share of the light that a byte of sRGB stands for. Source: IEC 61966-2-1.
pub(super) fn linear(byte: u8) -> f64 {
    let value = f64::from(byte) / 255.0;
    if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
}

fn colors<const N: usize>(rgb: [u32; N]) -> [Color; N] {
    rgb.map(Color::new)
}

impl Theme {
    pub(super) fn palette(self) -> Palette {
        match self {
            Theme::Light => Palette {
                ground: Color::new(0x00FD_FCF9),
                ink: Color::new(0x0026_2A30),
                faint: Color::new(0x00D6_D6D0),
                line: Color::new(0x004F_7196),
                mark: Color::new(0x005A_145A),
                fit: Color::new(0x009A_3C00),
                curves: colors([0x002F_6DA8, 0x009A_3C00, 0x0000_695A, 0x008A_2F7E]),
                shade: Color::new(0x0078_7878).covering(0.14),
                ramp: colors([
                    0x00E6_EEF5,
                    0x00C9_DAEA,
                    0x009F_BEDB,
                    0x0076_A2CA,
                    0x003E_6FA3,
                    0x001D_3F6B,
                ]),
            },
            Theme::Dark => Palette {
                ground: Color::new(0x001C_1F26),
                ink: Color::new(0x00E4_E2DA),
                faint: Color::new(0x0042_4650),
                line: Color::new(0x007F_A8D0),
                mark: Color::new(0x00F0_BDEC),
                fit: Color::new(0x00F0_A050),
                curves: colors([0x007F_B4E6, 0x00F0_A050, 0x003F_A08C, 0x00E8_C8F0]),
                shade: Color::new(0x00BE_BEBE).covering(0.16),
                ramp: colors([
                    0x0023_2D38,
                    0x002C_3E52,
                    0x0034_4F6C,
                    0x003D_628A,
                    0x0079_A7CF,
                    0x00BF_E0FF,
                ]),
            },
            Theme::Print => Palette {
                ground: Color::new(0x00FF_FFFF),
                ink: Color::new(0x0000_0000),
                faint: Color::new(0x00C8_C8C8),
                line: Color::new(0x0078_7878),
                mark: Color::new(0x0000_0000),
                fit: Color::new(0x0000_0000),
                curves: colors([0x0000_0000, 0x006A_6A6A, 0x0030_3030, 0x0078_7878]),
                shade: Color::new(0x0000_0000).covering(0.10),
                ramp: colors([
                    0x00F5_F5F5,
                    0x00E3_E3E3,
                    0x00CC_CCCC,
                    0x00AD_ADAD,
                    0x007F_7F7F,
                    0x004A_4A4A,
                ]),
            },
        }
    }
}
