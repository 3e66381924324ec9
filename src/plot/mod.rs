//! Pictures of traces, as SVG and PNG bytes.
//!
//! Marks differ in form, not in colour alone; each one that stands in a picture is explained below
//! it. Levels are thinned to what a pixel can show.

mod axes;
mod cable;
mod close;
mod face;
mod fitted;
mod joined;
mod labels;
#[cfg(test)]
mod made;
mod marks;
mod palette;
mod pixels;
mod render;
mod sheet;
mod slopes;
mod strip;
mod terminal;
mod together;
mod trace;
#[cfg(test)]
mod vision;

pub use cable::{CableLosses, Ends, FiberLosses, JointLoss, LossColumn, heat_map};
pub use close::around;
pub use strip::strip;
pub use terminal::braille;
pub use together::{Curve, Together, together};
pub use trace::draw as trace;

/// How a picture is to look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Style {
    /// Colours.
    pub theme: Theme,
    /// Pixels per point of PNG: 1 to 4.
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
