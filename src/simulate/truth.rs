//! What is true of a rendered trace, and what the best possible measurement could know of it.

use serde::{Serialize, Serializer};

/// The truth of one trace. Distances are metres from the panel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Truth {
    /// Name of the trace.
    pub name: String,
    /// Kind of fibre, as the scenario says.
    pub family: String,
    /// Wavelength in nm.
    #[serde(serialize_with = "number")]
    pub wavelength_nm: f64,
    /// Pulse duration in ns.
    #[serde(serialize_with = "number")]
    pub pulse_ns: f64,
    /// Group index of the glass.
    #[serde(serialize_with = "number")]
    pub group_index: f64,
    /// Metres between two samples.
    #[serde(serialize_with = "spacing")]
    pub spacing_m: f64,
    /// Number of samples.
    pub samples: usize,
    /// Length of the pulse on the trace in metres.
    #[serde(serialize_with = "number")]
    pub pulse_m: f64,
    /// How far the panel hides the fibre.
    #[serde(serialize_with = "number")]
    pub front_dead_zone_m: f64,
    /// Where the light stops.
    #[serde(serialize_with = "number")]
    pub end_m: f64,
    /// Length of the launch cord; 0 without one.
    #[serde(serialize_with = "number")]
    pub launch_m: f64,
    /// Length of the tail cord; 0 without one.
    #[serde(serialize_with = "number")]
    pub tail_m: f64,
    /// Standard deviation of the noise per sample, as a multiple of the backscatter at the panel.
    #[serde(serialize_with = "number")]
    pub noise_sigma: f64,
    /// Whether the weakest level the instrument writes cuts into the noise.
    pub floor_clipped: bool,
    /// In order of position; the panel is none, the end is the last.
    pub events: Vec<TrueEvent>,
    /// In order of position.
    pub sections: Vec<TrueSection>,
    /// Every way to take the cords off: from the panel or the launch cord's end, to the tail cord's
    /// start or the end.
    pub spans: Vec<TrueSpan>,
    /// Apparent loss from the panel to the end in dB.
    #[serde(serialize_with = "number")]
    pub total_loss_db: f64,
    /// In order of position.
    pub echoes: Vec<TrueEcho>,
    /// Events too close to tell their losses apart.
    pub groups: Vec<Group>,
}

impl Truth {
    /// As JSON, one field a line.
    pub fn to_json(&self) -> String {
        let mut json = serde_json::to_string_pretty(self).unwrap_or_default();
        json.push('\n');
        json
    }

    /// The end of the fibre. `None` only in a truth without events.
    pub fn end(&self) -> Option<&TrueEvent> {
        self.events.last().filter(|event| event.kind == "end")
    }
}

/// One true event.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrueEvent {
    /// Where the light first meets it.
    #[serde(serialize_with = "number")]
    pub position_m: f64,
    /// `splice`, `connector`, `bend`, `splitter` or `end`. A break is an end.
    pub kind: String,
    /// What a trace can show: apparent one-way loss in dB, negative for a gainer. `None` at the end.
    #[serde(serialize_with = "some_number")]
    pub loss_db: Option<f64>,
    /// What the light loses, the same from both ends. `None` at the end.
    #[serde(serialize_with = "some_number")]
    pub true_loss_db: Option<f64>,
    /// What a trace can show: from the peak's height over the backscatter before it and the stated
    /// coefficient. `None`: no reflection.
    #[serde(serialize_with = "some_number")]
    pub reflectance_db: Option<f64>,
    /// What the surface reflects.
    #[serde(serialize_with = "some_number")]
    pub true_reflectance_db: Option<f64>,
    /// Standard deviation of the loss by the best straight lines, told all places; the bias that
    /// tails leave in them is in it, a zero offset and spikes are not. `None` where no clean fibre is left on one side.
    #[serde(serialize_with = "some_number")]
    pub sigma_db: Option<f64>,
    /// What those lines give on this very noise.
    #[serde(serialize_with = "some_number")]
    pub oracle_loss_db: Option<f64>,
    /// The reflection, where there is one.
    #[serde(flatten)]
    pub peak: Option<TruePeak>,
    /// Until the level stays within 0.05 dB of the next section's line for half a pulse; for the
    /// end: until it is in the noise. At most up to the next event.
    #[serde(serialize_with = "number")]
    pub dead_zone_m: f64,
    /// Cramér–Rao bound of the position's standard deviation, at least 0.02 samples. `None` where
    /// there is nothing to see.
    #[serde(serialize_with = "some_number")]
    pub position_bound_m: Option<f64>,
    /// Level before it over the noise's standard deviation, dB one-way. `None` without noise.
    #[serde(serialize_with = "some_number")]
    pub snr_db: Option<f64>,
    /// Whether a good finder must find it: resolvable, and well above noise and ripple.
    pub required: bool,
}

/// A true reflection.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TruePeak {
    /// Its power over what noise and ripple leave uncertain in one pulse.
    #[serde(serialize_with = "number")]
    pub peak_snr: f64,
    /// Height over the backscatter before it, dB one-way.
    #[serde(serialize_with = "number")]
    pub peak_db: f64,
    /// Whether it can be told from noise.
    pub peak_visible: bool,
    /// Whether the receiver's limit or the count 0 cuts it off.
    pub clipped: bool,
}

/// Glass between two events or slope changes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TrueSection {
    /// Where it begins.
    #[serde(serialize_with = "number")]
    pub from_m: f64,
    /// Where it ends.
    #[serde(serialize_with = "number")]
    pub to_m: f64,
    /// Attenuation.
    #[serde(serialize_with = "number")]
    pub attenuation_db_per_km: f64,
    /// Standard deviation of the best line's slope. `None` where no clean fibre is left.
    #[serde(serialize_with = "some_number")]
    pub sigma_db_per_km: Option<f64>,
}

/// The link between two of its possible ends.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TrueSpan {
    /// The panel or the launch cord's connector.
    #[serde(serialize_with = "number")]
    pub start_m: f64,
    /// The tail cord's connector or the end.
    #[serde(serialize_with = "number")]
    pub end_m: f64,
    /// End minus start.
    #[serde(serialize_with = "number")]
    pub length_m: f64,
    /// Apparent loss from just before the start to just behind the end.
    #[serde(serialize_with = "number")]
    pub loss_db: f64,
    /// Optical return loss referred to the start, both ends' reflections included, the panel's never.
    #[serde(serialize_with = "number")]
    pub orl_db: f64,
}

/// Light that bounced three times.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TrueEcho {
    /// Where it shows.
    #[serde(serialize_with = "number")]
    pub position_m: f64,
    /// Height over the local backscatter, behind the end over the noise's standard deviation; dB
    /// one-way.
    #[serde(serialize_with = "number")]
    pub peak_db: f64,
    /// Whether it can clearly be seen.
    pub visible: bool,
}

/// Neighbours without clean fibre between them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Group {
    /// Index in `events` of the first.
    pub first: usize,
    /// Index in `events` of the last.
    pub last: usize,
    /// Sum of their apparent losses. `None` where the last is the end.
    #[serde(serialize_with = "some_number")]
    pub loss_db: Option<f64>,
    /// Standard deviation of that sum by the best lines outside. `None` as for events.
    #[serde(serialize_with = "some_number")]
    pub sigma_db: Option<f64>,
}

/// Six significant digits, metres never coarser than a millimetre: more than a trace can show, no more
/// than a person can compare, and few enough that the last bit of one machine's logarithm changes
/// hardly ever a byte.
pub(super) fn rounded(value: f64) -> f64 {
    to_digits(value, 6)
}

fn to_digits(value: f64, digits: i32) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let decimals = (digits - 1 - value.abs().log10().floor() as i32).max(3) as usize;
    format!("{value:.decimals$}").parse().unwrap_or(value)
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde gives a reference")]
fn number<S: Serializer>(value: &f64, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_f64(rounded(*value))
}

#[expect(clippy::ref_option, reason = "serde gives a reference")]
fn some_number<S: Serializer>(value: &Option<f64>, to: S) -> Result<S::Ok, S::Error> {
    match value {
        Some(value) => to.serialize_f64(rounded(*value)),
        None => to.serialize_none(),
    }
}

/// Nine digits: a distance between samples counts thousands of times over.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde gives a reference")]
fn spacing<S: Serializer>(value: &f64, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_f64(to_digits(*value, 9))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_has_six_digits_and_metres_their_millimetres() {
        // by hand
        for (value, shown) in [
            (0.000_398_107_171, 0.000_398_107),
            (-52.003_420_6, -52.0034),
            (7_202.099_6, 7202.1),
            (123_456.789_4, 123_456.789),
            (0.0, 0.0),
            (9.999_999_9, 10.0),
        ] {
            assert!((rounded(value) - shown).abs() < 1e-12, "{value}: {}", rounded(value));
        }
        assert!(rounded(f64::NAN).is_nan());
    }
}
