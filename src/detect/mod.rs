//! A trace in, its events, sections and span out, each figure with its sigma.

mod assemble;
mod block;
mod cells;
mod classify;
mod companion;
mod dark;
mod dead_zone;
mod echo;
mod end_height;
mod ends;
mod find;
mod first;
mod fit;
mod layout;
mod limit;
mod measure;
mod model;
mod noise;
mod opinion;
mod place;
mod places;
mod polish;
mod receiver;
mod ring;
mod rises;
mod rough;
mod samples;
mod scan;
mod search;
mod sharp;
mod size;
mod span;
mod start;
mod tails;
mod unfound;
mod zero;

use crate::event::Analysis;
use crate::trace::Trace;
use crate::units::Measured;
use find::Found;
use fit::Given;
use samples::Samples;
use start::First;

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
    Study::of(trace).analysis(trace, cords)
}

/// A trace measured once, for more than one question.
pub struct Study(Option<(Samples, Option<Found>)>);

impl Study {
    /// Measures `trace`.
    pub fn of(trace: &Trace) -> Study {
        Study(Samples::new(trace).map(|mut samples| {
            let mut noise = noise::measure(&mut samples);
            let mut first = First::of(trace, &samples, &noise, None);
            if let Some(still) = ring::without(&first.model, &first.known(&samples, &noise)) {
                samples.replace(still);
                noise = noise::measure(&mut samples);
                first = First::of(trace, &samples, &noise, Some(first.ceiling));
            }
            let given = |first: &First| Given {
                ceiling: first.ceiling,
                ..Given::usual(&samples, &noise, first.usual_fall)
            };
            let mut shown = sharp::shown(&first.model, &given(&first));
            if let Some(ceiling) = shown.ceiling {
                first = First::of(trace, &samples, &noise, Some(ceiling));
                shown = sharp::shown(&first.model, &given(&first));
            }
            let found = find::joints(first, &shown, &samples, &noise);
            (samples, found)
        }))
    }

    /// Everything that was found; `trace` is the one that was measured.
    pub fn analysis(&self, trace: &Trace, cords: &Cords) -> Analysis {
        match &self.0 {
            None => measure::nothing("too few samples, or no pulse length, to measure anything"),
            Some((_, None)) => measure::nothing("no line of fibre could be fitted to this trace"),
            Some((samples, Some(found))) => {
                measure::analysis(trace, cords, samples, &found.noise, found)
            }
        }
    }

    /// Apparent loss at each of `places_m` (metres from the panel, ascending), whether an event was
    /// found there or not. `None` where it cannot be measured: in the dark, or in another's edge.
    pub fn losses_db_at(&self, places_m: &[f64]) -> Vec<Option<Measured>> {
        let Some((samples, Some(found))) = &self.0 else {
            return vec![None; places_m.len()];
        };
        let places: Vec<f64> = places_m.iter().map(|m| m / samples.spacing_m).collect();
        found.losses_at(samples, &found.noise, &places)
    }
}
