//! Tables, data and documents; returns bytes or text and calculates nothing.

pub mod comparison;
pub mod data;
pub mod diagnosis;
pub mod escape;
pub mod events;
pub mod jobs;
#[cfg(feature = "cli")]
pub mod losses;
pub mod matrix;
pub mod page;
#[cfg(feature = "cli")]
pub mod pdf;
pub mod review;
mod rounded;
pub mod sheets;
pub mod show;
pub mod table;
pub mod verdicts;
#[cfg(feature = "cli")]
pub mod workbook;

/// The caution that every output for people carries, in one line. The full text: docs/safety.md.
pub const CAUTION: &str = "Treat every fibre as live; never look into one. Local codes come first.";
