//! A trace in, its events, sections and span out, each figure with its sigma.
#![allow(
    dead_code,
    clippy::collapsible_if,
    clippy::needless_range_loop,
    clippy::unnecessary_lazy_evaluations,
    clippy::cast_possible_wrap
)]

mod cells;
mod classify;
mod echo;
mod find;
mod fit;
mod measure;
mod model;
mod noise;
mod opinion;
mod polish;
mod receiver;
mod samples;
mod scan;
mod span;
mod start;
mod tails;

use crate::event::Analysis;
use crate::trace::Trace;

/// The cords at both ends of the link, in metres of fibre. `None` where none is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cords {
    /// Launch cord between the panel and the link.
    pub launch_m: Option<f64>,
    /// Tail cord behind the link.
    pub tail_m: Option<f64>,
}

/// Finds and measures everything in `trace`.
///
/// Never fails: a trace without usable samples has one event, its start, and a note that says so.
/// Source of the method: docs/theory.md.
pub fn events(trace: &Trace, cords: &Cords) -> Analysis {
    let Some(mut samples) = samples::Samples::new(trace) else {
        return measure::nothing("too few samples, or no pulse length, to measure anything");
    };
    let noise = noise::measure(&mut samples);
    match find::joints(trace, &samples, &noise) {
        Some(found) => measure::analysis(trace, cords, &samples, &noise, &found),
        None => measure::nothing("no line of fibre could be fitted to this trace"),
    }
}
