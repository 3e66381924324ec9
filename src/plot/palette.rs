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
    pub(super) const fn covering(self, cover: f64) -> Color {
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
    /// Under the noise.
    pub shade: Color,
}

impl Theme {
    pub(super) const fn palette(self) -> Palette {
        match self {
            Theme::Light => Palette {
                ground: Color::new(0x00FD_FCF9),
                ink: Color::new(0x0026_2A30),
                faint: Color::new(0x00D6_D6D0),
                line: Color::new(0x005B_7EA3),
                mark: Color::new(0x005A_145A),
                fit: Color::new(0x00B3_4A00),
                shade: Color::new(0x0078_7878).covering(0.14),
            },
            Theme::Dark => Palette {
                ground: Color::new(0x001C_1F26),
                ink: Color::new(0x00E4_E2DA),
                faint: Color::new(0x0042_4650),
                line: Color::new(0x007F_A8D0),
                mark: Color::new(0x00F0_BDEC),
                fit: Color::new(0x00F0_A050),
                shade: Color::new(0x00BE_BEBE).covering(0.16),
            },
            Theme::Print => Palette {
                ground: Color::new(0x00FF_FFFF),
                ink: Color::new(0x0000_0000),
                faint: Color::new(0x00C8_C8C8),
                line: Color::new(0x0078_7878),
                mark: Color::new(0x0000_0000),
                fit: Color::new(0x0000_0000),
                shade: Color::new(0x0000_0000).covering(0.10),
            },
        }
    }
}
