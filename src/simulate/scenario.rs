//! What a scenario says: a fibre, an instrument, and the traces to take. `docs/scenario.md` is its
//! reference.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::check::{self, ScenarioError};

/// A described fibre and how it is measured.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// `strandline.scenario/1`.
    pub schema: String,
    /// The traces' names begin with it.
    pub name: String,
    /// What kind of fibre it is, for statistics by kind; empty where it does not matter.
    #[serde(default)]
    pub family: String,
    /// What happens here, for people.
    #[serde(default)]
    pub story: String,
    /// Group index of the glass, used for every distance.
    #[serde(deserialize_with = "check::index")]
    pub index: f64,
    /// Group index that the file states, where that differs from the glass.
    #[serde(default, deserialize_with = "check::some_index")]
    pub stated_index: Option<f64>,
    /// From which ends to measure.
    #[serde(default = "a_to_b")]
    pub directions: Vec<Direction>,
    /// What chance is drawn from.
    #[serde(default)]
    pub seeds: Seeds,
    /// One trace per wavelength and direction.
    #[serde(rename = "wavelength")]
    pub wavelengths: Vec<Wavelength>,
    /// The detector and amplifier.
    #[serde(default)]
    pub receiver: Receiver,
    /// How levels become numbers in a file.
    #[serde(default)]
    pub recording: Recording,
    /// Reflectance of the instrument's own front connector in dB. `None`: no reflection at all.
    #[serde(default, deserialize_with = "check::some_reflectance")]
    pub panel_reflectance_db: Option<f64>,
    /// How end a stops when it is seen from b.
    #[serde(default)]
    pub end_a: Finish,
    /// How end b stops when it is seen from a.
    #[serde(default)]
    pub end_b: Finish,
    /// The fibre from a to b, launch and tail cord included.
    #[serde(rename = "section", deserialize_with = "check::not_empty")]
    pub sections: Vec<Stretch>,
    /// Who, where, when, as the file says it.
    #[serde(default)]
    pub labels: Tags,
    /// The instrument's own event table. `None`: the file has none.
    #[serde(default)]
    pub table: Option<OwnTable>,
}

fn a_to_b() -> Vec<Direction> {
    vec![Direction::AToB]
}

/// From which end the light goes in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
pub enum Direction {
    /// The instrument stands at a.
    #[serde(rename = "a-to-b")]
    AToB,
    /// The instrument stands at b.
    #[serde(rename = "b-to-a")]
    BToA,
}

/// What chance is drawn from: the same seeds give the same bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seeds {
    /// The glass: its speckle, which is the same in every measurement of the fibre.
    #[serde(default)]
    pub fiber: u64,
    /// The measurement: noise, spikes, the errors of the instrument's own table.
    #[serde(default)]
    pub noise: u64,
}

/// One wavelength and the settings used with it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wavelength {
    /// Wavelength in nm.
    #[serde(deserialize_with = "check::wavelength")]
    pub nm: f64,
    /// Pulse duration in ns.
    pub pulse_ns: u16,
    /// Wanted distance between samples in metres; the file's own unit rounds it.
    #[serde(deserialize_with = "check::positive")]
    pub spacing_m: f64,
    /// Number of samples.
    #[serde(deserialize_with = "check::samples")]
    pub samples: usize,
    /// Backscatter coefficient for a pulse of 1 ns in dB, about -82 at 1550 nm.
    #[serde(deserialize_with = "check::negative")]
    pub backscatter_db: f64,
    /// How far below the backscatter at the panel the noise's standard deviation lies, in dB on the
    /// one-way scale. `None`: no noise.
    #[serde(default, deserialize_with = "check::some_finite")]
    pub range_db: Option<f64>,
    /// Relative standard deviation of the backscatter itself after averaging over one pulse.
    #[serde(default, deserialize_with = "check::share")]
    pub speckle: f64,
    /// Number of averages, as the file states it.
    #[serde(default)]
    pub averages: Option<u32>,
    /// Averaging time in seconds, as the file states it.
    #[serde(default, deserialize_with = "check::some_finite")]
    pub averaging_s: Option<f64>,
}

/// A figure for every wavelength, or one for all.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(
    untagged,
    expecting = "a number, or one per wavelength such as { 1310 = 0.33, 1550 = 0.19 }"
)]
pub enum Figure {
    /// The same at every wavelength.
    All(f64),
    /// By wavelength in nm.
    Each(BTreeMap<String, f64>),
}

impl Figure {
    /// The figure at `nm`: as given, else that of the nearest wavelength given, else 0.
    pub fn at(&self, nm: f64) -> f64 {
        match self {
            Figure::All(value) => *value,
            Figure::Each(values) => values
                .iter()
                .filter_map(|(key, value)| Some(((key.parse::<f64>().ok()? - nm).abs(), *value)))
                .min_by(|x, y| x.0.total_cmp(&y.0))
                .map_or(0.0, |(_, value)| value),
        }
    }
}

/// A length of one fibre, and what stands at its far end.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stretch {
    /// Length of the glass in metres.
    #[serde(deserialize_with = "check::positive")]
    pub length_m: f64,
    /// Attenuation in dB/km, greater than 0.
    pub attenuation_db_per_km: Figure,
    /// How much more light this glass scatters back than the stated coefficient, in dB on the
    /// one-way scale. A step of it is what fakes gains.
    #[serde(default, deserialize_with = "check::finite")]
    pub backscatter_step_db: f64,
    /// Whether it is a cord that belongs to the measurement and not to the link.
    #[serde(default)]
    pub cord: bool,
    /// What joins it to the next section. The last one has none: it ends in `end_b`.
    #[serde(default)]
    pub then: Option<Joint>,
}

/// What stands between two sections.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Joint {
    /// What it is.
    pub kind: Kind,
    /// True one-way loss in dB, the same from both ends. A bend's single figure is its loss at
    /// 1550 nm and grows with the wavelength; see [`Joint::loss_db_at`].
    #[serde(default = "none_db")]
    pub loss_db: Figure,
    /// Reflectance in dB. `None`: no reflection.
    #[serde(default, deserialize_with = "check::some_reflectance")]
    pub reflectance_db: Option<f64>,
}

fn none_db() -> Figure {
    Figure::All(0.0)
}

/// A bend's loss grows eightfold from 1310 to 1550 nm: a published worked example has 0.06 and
/// 0.48 dB (D9 of the reference values); the exponential between and beyond is our choice.
const BEND_NEPER_PER_NM: f64 = 2.079_441_541_679_836 / 240.0;

impl Joint {
    /// One-way loss in dB at `nm`.
    pub fn loss_db_at(&self, nm: f64) -> f64 {
        match (&self.loss_db, self.kind) {
            (Figure::All(at_1550), Kind::Bend) => {
                at_1550 * (BEND_NEPER_PER_NM * (nm - 1550.0)).exp()
            }
            (figure, _) => figure.at(nm),
        }
    }
}

/// What a joint is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Two fibres welded or clamped together.
    Splice,
    /// Two plugs in a coupling.
    Connector,
    /// The same fibre, bent.
    Bend,
    /// One fibre into many; seen from the single side.
    Splitter,
    /// Nothing but other glass: no event, the slope changes.
    Knot,
    /// The fibre is in two: no light passes.
    Break,
}

/// How a fibre stops.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, Default)]
#[serde(rename_all = "lowercase")]
pub enum Finish {
    /// A clean face in air.
    #[default]
    Open,
    /// A face polished at an angle.
    Angled,
    /// Crushed, or in liquid: no reflection.
    Crushed,
}

impl Finish {
    /// Reflectance in dB of a fibre with this group index. `None`: no reflection.
    pub fn reflectance_db(self, index: f64) -> Option<f64> {
        match self {
            // Fresnel's reflection from glass to air (E1 of the reference values).
            Finish::Open => Some(20.0 * ((index - 1.0) / (index + 1.0)).log10()),
            Finish::Angled => Some(-60.0), // an angled plug's usual limit in air; common practice, no source
            Finish::Crushed => None,
        }
    }
}

/// The detector and amplifier. Lengths are in pulse lengths where the name says so: an instrument
/// widens its filter with its pulse.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Receiver {
    /// Equal poles, 1 to 5; 0 is a receiver of endless bandwidth.
    #[serde(deserialize_with = "check::poles")]
    pub poles: usize,
    /// Length of one pole in pulse lengths.
    #[serde(deserialize_with = "check::pole")]
    pub pole_pulses: f64,
    /// Slow answers beside the fast one: tails, or droop where the fraction is negative.
    pub slow: Vec<Slow>,
    /// Ringing behind every edge.
    pub ring: Option<Ring>,
    /// The receiver's limit, dB above the backscatter at the panel. `None`: no limit.
    #[serde(deserialize_with = "check::some_finite")]
    pub limit_db: Option<f64>,
    /// Where zero light is recorded, in standard deviations of the noise.
    #[serde(deserialize_with = "check::finite")]
    pub zero_offset_sigma: f64,
    /// Single wrong samples.
    pub spikes: Option<Spikes>,
}

impl Default for Receiver {
    fn default() -> Receiver {
        Receiver {
            poles: 3,
            pole_pulses: 0.08,
            slow: Vec::new(),
            ring: None,
            limit_db: None,
            zero_offset_sigma: 0.0,
            spikes: None,
        }
    }
}

/// A share of the light that is answered by one slow pole.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Slow {
    /// Share of the light, -0.2 to 0.2.
    #[serde(deserialize_with = "check::fraction")]
    pub fraction: f64,
    /// Length of the pole in pulse lengths.
    #[serde(deserialize_with = "check::positive")]
    pub length_pulses: f64,
}

/// A damped swing behind every edge.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ring {
    /// Height of the swing as a share of the edge, before damping.
    #[serde(deserialize_with = "check::fraction")]
    pub fraction: f64,
    /// Length of one swing in pulse lengths.
    #[serde(deserialize_with = "check::positive")]
    pub period_pulses: f64,
    /// Length in which it falls to 1/e, in pulse lengths.
    #[serde(deserialize_with = "check::positive")]
    pub length_pulses: f64,
}

/// Single wrong samples, at places that the noise seed settles.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spikes {
    /// How many.
    pub number: usize,
    /// How far off, in standard deviations of the noise.
    #[serde(deserialize_with = "check::finite")]
    pub height_sigma: f64,
}

/// How levels become numbers in a file.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Recording {
    /// Where the count 0 lies, dB above the backscatter at the panel.
    #[serde(deserialize_with = "check::finite")]
    pub top_db: f64,
    /// The weakest level the instrument writes, dB below the count 0. `None`: the file's own limit.
    #[serde(deserialize_with = "check::some_finite")]
    pub floor_db: Option<f64>,
    /// Scale factors in millionths of a dB per count, each for an equal share of the samples.
    #[serde(deserialize_with = "check::scales")]
    pub scales_micro_db: Vec<u16>,
    /// One-way time of the first sample in 100 ps.
    pub first_sample_100_ps: i32,
    /// Whether the file names the launch cord's end as the user's zero.
    pub state_launch: bool,
}

impl Default for Recording {
    fn default() -> Recording {
        Recording {
            top_db: 26.0,
            floor_db: None,
            scales_micro_db: vec![1000],
            first_sample_100_ps: 0,
            state_launch: false,
        }
    }
}

/// What a person typed into the instrument, and its clock.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Tags {
    /// Cable id.
    pub cable: String,
    /// Fibre id.
    pub fiber: String,
    /// Name of end a.
    pub a: String,
    /// Name of end b.
    pub b: String,
    /// Operator.
    pub operator: String,
    /// Comment.
    pub comment: String,
    /// ITU-T number of the fibre, such as 652.
    pub fiber_type: Option<i16>,
    /// Seconds since 1970 of the first trace; each further one is 90 s later.
    pub measured_at_unix_s: Option<u32>,
}

impl Default for Tags {
    fn default() -> Tags {
        Tags {
            cable: String::new(),
            fiber: String::new(),
            a: String::new(),
            b: String::new(),
            operator: String::new(),
            comment: "invented fibre".into(),
            fiber_type: None,
            // a file without a date is an oddity, and none is made unasked: 2025-11-24, 16:00 UTC
            measured_at_unix_s: Some(1_764_000_000),
        }
    }
}

/// The instrument's own event table: what it would list, with its errors.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnTable {
    /// Losses below this and without a reflection are not listed, in dB.
    #[serde(deserialize_with = "check::finite")]
    pub threshold_db: f64,
    /// Standard deviation of its losses around the apparent ones, in dB.
    #[serde(deserialize_with = "check::finite")]
    pub loss_sigma_db: f64,
    /// Standard deviation of its places, in metres.
    #[serde(deserialize_with = "check::finite")]
    pub position_sigma_m: f64,
}

impl Scenario {
    /// Reads a scenario.
    ///
    /// # Errors
    /// Where the text is no TOML, a field is unknown or missing, or a value cannot be: with line and
    /// column, what was found and what was expected.
    pub fn from_toml(text: &str) -> Result<Scenario, ScenarioError> {
        let scenario: Scenario =
            toml::from_str(text).map_err(|error| ScenarioError::from_toml(text, &error))?;
        check::whole(&scenario, text)?;
        Ok(scenario)
    }
}
