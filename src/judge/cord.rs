//! Cords against the dead zone: whether the connector behind a cord stands clear of the light before it.

use crate::event::DeadZones;
use crate::trace::Trace;

/// A cord longer than so many pulses is clear of any dead zone that is a whole reflection's.
const LONG_IN_PULSES: f64 = 20.0;

/// A cord that is no longer than what a reflection hides.
#[derive(Clone, Debug, PartialEq)]
pub struct ShortCord {
    /// Which: launch or tail.
    pub name: &'static str,
    /// Its length in metres.
    pub cord_m: f64,
    /// What a reflection hides behind itself, in metres.
    pub dead_zone_m: f64,
    /// The pulse in ns.
    pub pulse_ns: f64,
}

impl ShortCord {
    /// A warning with its figures.
    pub fn words(&self) -> String {
        format!(
            "the {} cord of {:.1} m is no longer than what a reflection hides at {:.0} ns ({:.1} m): the connector at its end cannot be measured well; use a longer cord or a shorter pulse",
            self.name, self.cord_m, self.pulse_ns, self.dead_zone_m
        )
    }
}

/// The launch cord and the tail cord of a trace (in metres, `None`: none is known) where they are no
/// longer than what a reflection hides: the longest attenuation dead zone measured in the trace, and
/// never less than the pulse, over which each reflection is smeared. `zones` is asked only where a cord
/// is near.
/// Source: common practice (reference value J8, low confidence); IEC 61746-1 for what a dead zone is
/// (from memory).
pub fn short_cords(
    trace: &Trace,
    cords_m: [Option<f64>; 2],
    zones: impl Iterator<Item = DeadZones>,
) -> Vec<ShortCord> {
    let pulse_m = trace.pulse_m();
    let is_near = |m: &f64| *m < LONG_IN_PULSES * pulse_m;
    if !cords_m.iter().flatten().any(is_near) {
        return Vec::new();
    }
    let measured = zones.filter_map(|zone| zone.attenuation_m.map(|m| m.value));
    let dead_zone_m = measured.fold(pulse_m, f64::max);
    let short = |(name, cord_m): (&'static str, Option<f64>)| {
        let cord_m = cord_m.filter(|m| *m <= dead_zone_m)?;
        Some(ShortCord { name, cord_m, dead_zone_m, pulse_ns: trace.pulse_ns() })
    };
    ["launch", "tail"].into_iter().zip(cords_m).filter_map(short).collect()
}
