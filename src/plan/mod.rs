//! The plan file: what a cable should be, where its joints are, what it must hold.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::grade::{self, Graded, Limit};
use crate::units::{GroupIndex, Measured};

mod check;
mod colors;
mod limits;
mod preset;
mod standards;
#[cfg(test)]
mod tests;
mod write;

pub use check::{MOST_FIBERS, PlanError};
pub use colors::Colors;
pub use preset::{Figure, Part, Preset, Source, Standing, usual_preset};
pub use standards::PRESETS;
pub use write::{ranges, write};

/// A figure per wavelength in nm.
pub type PerWavelength = BTreeMap<u16, f64>;

/// A plan, read and found possible.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Free text about the job.
    pub job: Job,
    /// The cable.
    pub cable: Cable,
    /// What is to be measured, and how.
    pub measure: Measure,
    /// Planned joints, in order from end a.
    pub joints: Vec<PlannedJoint>,
    /// Places in the field, in order from end a.
    pub route: Vec<RoutePoint>,
    /// Deviations that were accepted.
    pub waivers: Vec<Waiver>,
    /// What must hold.
    pub limits: Limits,
}

/// Free text about the job.
#[derive(Clone, Debug, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Job {
    /// Its name.
    pub name: String,
    /// Where.
    pub site: String,
    /// By whom.
    pub operator: String,
    /// Anything else.
    pub notes: String,
}

/// The cable.
#[derive(Clone, Debug, PartialEq)]
pub struct Cable {
    /// Its id, as on the labels.
    pub id: String,
    /// Fibre numbers, ascending.
    pub fibers: Vec<u32>,
    /// Such as G.652.D or OM4; blank where not given.
    pub fiber_type: String,
    /// Names of end a and end b.
    pub ends: [String; 2],
    /// Fibre length between the end connectors.
    pub length_m: Option<f64>,
    /// Metres of fibre in a metre of sheath.
    pub fiber_per_sheath: f64,
    /// How its fibres and tubes are told apart.
    pub colors: Colors,
}

/// Which ends are measured from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Directions {
    /// Both.
    Both,
    /// From end a alone.
    AToB,
    /// From end b alone.
    BToA,
}

impl Directions {
    /// Whether it is measured from end a, and from end b.
    pub fn ends(self) -> [bool; 2] {
        [self != Directions::BToA, self != Directions::AToB]
    }
}

/// What is to be measured, and how.
#[derive(Clone, Debug, PartialEq)]
pub struct Measure {
    /// Wavelengths in nm.
    pub wavelengths_nm: Vec<u16>,
    /// Group index per wavelength; empty where the files' own counts.
    pub group_index: PerWavelength,
    /// Pulse in ns that was agreed on.
    pub pulse_ns: Option<f64>,
    /// Least averaging time in seconds.
    pub min_averaging_s: Option<f64>,
    /// From which ends.
    pub directions: Directions,
    /// Launch cord in metres.
    pub launch_m: Option<f64>,
    /// Tail cord in metres.
    pub tail_m: Option<f64>,
    /// How files are named whose labels are blank.
    pub file_name: Option<String>,
}

/// What a planned joint is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum JointKind {
    /// Fusion or mechanical splice.
    Splice,
    /// Connector pair.
    Connector,
    /// Splitter.
    Splitter,
}

impl JointKind {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            JointKind::Splice => "splice",
            JointKind::Connector => "connector",
            JointKind::Splitter => "splitter",
        }
    }
}

/// A planned joint.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlannedJoint {
    /// Its name, such as C1.
    pub name: String,
    /// Fibre metres from end a's connector.
    pub at_m: f64,
    /// What it is.
    pub kind: JointKind,
    /// Ways of a splitter.
    pub ways: Option<u32>,
}

/// A place in the field.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RoutePoint {
    /// Its name, such as pit 7.
    pub name: String,
    /// Sheath mark in metres from end a.
    pub sheath_m: f64,
    /// Loops of cable kept here, in metres.
    #[serde(default)]
    pub slack_m: f64,
    /// Degrees north.
    pub latitude: Option<f64>,
    /// Degrees east.
    pub longitude: Option<f64>,
}

/// A deviation that was accepted, with its reason.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Waiver {
    /// The fibre.
    pub fiber: u32,
    /// A joint's name, `end a`, `end b` or a section.
    #[serde(rename = "where")]
    pub place: String,
    /// Why it was accepted.
    pub reason: String,
    /// Who accepted it.
    #[serde(default)]
    pub by: String,
}

impl Waiver {
    /// That it was accepted, why, and by whom.
    pub fn words(&self) -> String {
        let by = if self.by.is_empty() { String::new() } else { format!(" ({})", self.by) };
        format!("accepted: {}{by}", self.reason)
    }

    /// Whether it is meant for a place by its name; a section's dash may be a hyphen.
    pub fn is_at(&self, place: &str) -> bool {
        let plain = |text: &str| text.trim().replace(['–', '—'], "-").to_lowercase();
        plain(place) == plain(&self.place)
    }
}

/// The fibre that a label means: its last run of digits, as fibres are labelled 7, 007, F07.
pub fn fiber_number(label: &str) -> Option<u32> {
    let digits: Vec<&str> =
        label.split(|c: char| !c.is_ascii_digit()).filter(|d| !d.is_empty()).collect();
    digits.last().and_then(|d| d.parse().ok()).filter(|n| *n > 0)
}

/// A link's loss limit.
#[derive(Clone, Debug, PartialEq)]
pub enum LinkLimit {
    /// Attenuation times length plus joints, from the other limits.
    FromParts,
    /// A figure per wavelength in dB.
    PerWavelength(PerWavelength),
}

/// What must hold. `None`: not judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Mean of both ends' loss at a splice.
    pub splice_db: Option<f64>,
    /// Mean over a fibre's splices.
    pub splice_mean_db: Option<f64>,
    /// Loss of a connector pair.
    pub connector_db: Option<f64>,
    /// Loss of a splitter.
    pub splitter_db: Option<f64>,
    /// Highest reflectance, negative dB.
    pub reflectance_db: Option<f64>,
    /// Attenuation of fibre.
    pub attenuation_db_per_km: PerWavelength,
    /// Loss of the link, end connectors included.
    pub link_loss_db: Option<LinkLimit>,
    /// Least loss of the link: with less a receiver is overloaded.
    pub min_link_loss_db: PerWavelength,
    /// Longest link in metres of fibre.
    pub max_length_m: Option<f64>,
    /// Least optical return loss.
    pub orl_db: Option<f64>,
    /// Probability from which a verdict is given, in (0.5, 1).
    pub confidence: f64,
    /// What a splice measured from one end may be off by for unequal fibres, one sigma.
    pub one_way_db: f64,
    /// Linearity of the instrument's scale in dB per dB, one sigma.
    pub linearity_db_per_db: f64,
    /// How well the backscatter coefficient of the files is known, in dB, one sigma.
    pub backscatter_sigma_db: f64,
    /// The presets these limits began with; where two say the same, the later one counts.
    pub presets: Vec<&'static Preset>,
}

impl Limits {
    /// Judges a loss with the instrument's linearity on it, which holds for each dB of it.
    pub fn judge_loss(&self, loss_db: Measured, limit: Limit) -> Graded {
        let with = grade::with_linearity(loss_db, self.linearity_db_per_db);
        grade::judge(with, limit, self.confidence)
    }

    /// What has to be said on every use of a preset: its sources, and that it ranks below the
    /// contract. `None` without one.
    pub fn origin(&self) -> Option<String> {
        let own = |preset: &&Preset| format!("{}: {}", preset.name, preset.sources());
        let all: Vec<String> = self.presets.iter().map(own).collect();
        let kind = if all.len() == 1 { "the preset" } else { "presets" };
        (!all.is_empty()).then(|| {
            format!(
                "the contract's limits come first. Where the plan sets none of its own, limits are those of {kind} {}",
                all.join(" | ")
            )
        })
    }
}

/// Reads a plan.
///
/// # Errors
/// Line and column of what is no plan, what was found and what was expected.
pub fn read(text: &str) -> Result<Plan, PlanError> {
    check::plan(text)
}

/// A weak step may lie several pulses off, as its sigma says; but no farther than this many.
const STRAYS_PULSES: f64 = 10.0;

/// How far from its planned place an event may lie and still be that joint: what a drawing is off by
/// (two pulses, or a thousandth of the fibre; common practice, no source) and three sigma of the
/// event's own place, added as independent doubts are. `length_m`: of the fibre, as planned.
pub fn joint_reach_m(length_m: f64, pulse_m: f64, position_sigma_m: f64) -> f64 {
    let drawing_m = (2.0 * pulse_m).max(1e-3 * length_m);
    drawing_m.hypot((3.0 * position_sigma_m).min(STRAYS_PULSES * pulse_m))
}

/// Where a planned joint may lie in a fibre of another length than planned, in fibre metres from end a
/// and in the order in which they are to be tried: the fibre is longer all along; or its surplus lies
/// behind the joint, or before it, as a loop in one closure does.
pub fn joint_places_m(at_m: f64, planned_m: f64, own_m: f64) -> [f64; 3] {
    let stretch = if planned_m > 0.0 { own_m / planned_m } else { 1.0 };
    [at_m * stretch, at_m, own_m - (planned_m - at_m)]
}

impl Plan {
    /// Attenuation limit at a wavelength: of the planned wavelength within 15 nm.
    pub fn attenuation_limit_db_per_km(&self, wavelength_nm: f64) -> Option<f64> {
        near(&self.limits.attenuation_db_per_km, wavelength_nm)
    }

    /// Least loss of a link at a wavelength. `None` where the plan sets none.
    pub fn min_link_limit_db(&self, wavelength_nm: f64) -> Option<f64> {
        near(&self.limits.min_link_loss_db, wavelength_nm)
    }

    /// A plan that holds limits alone: no fibres, no joints, no cords.
    pub fn of_presets(presets: &[&'static Preset]) -> Plan {
        Plan {
            job: Job::default(),
            cable: Cable {
                id: String::new(),
                fibers: Vec::new(),
                fiber_type: String::new(),
                ends: [String::new(), String::new()],
                length_m: None,
                fiber_per_sheath: 1.0,
                colors: Colors::default(),
            },
            measure: Measure {
                wavelengths_nm: Vec::new(),
                group_index: PerWavelength::new(),
                pulse_ns: None,
                min_averaging_s: None,
                directions: Directions::Both,
                launch_m: None,
                tail_m: None,
                file_name: None,
            },
            joints: Vec::new(),
            route: Vec::new(),
            waivers: Vec::new(),
            limits: Limits::of_presets(presets),
        }
    }

    /// Whether a trace with these labels was measured from end b. `None` where they do not tell.
    pub fn is_from_end_b(&self, from: &str, to: &str) -> Option<bool> {
        let same = |text: &str, end: &str| !text.is_empty() && text.eq_ignore_ascii_case(end);
        let [a, b] = &self.cable.ends;
        if same(from, a) || same(to, b) {
            Some(false)
        } else if same(from, b) || same(to, a) {
            Some(true)
        } else {
            None
        }
    }

    /// Loss limit of a link at a wavelength. From parts: attenuation × length, splices, connectors,
    /// splitters, and the connector of each end where a cord shows it. `None` where the plan does not
    /// say enough.
    pub fn link_limit_db(&self, wavelength_nm: f64) -> Option<f64> {
        self.link_limit_of(wavelength_nm, self.cable.length_m)
    }

    /// The same of a link of this length.
    pub fn link_limit_of(&self, wavelength_nm: f64, length_m: Option<f64>) -> Option<f64> {
        match self.limits.link_loss_db.as_ref()? {
            LinkLimit::PerWavelength(table) => near(table, wavelength_nm),
            LinkLimit::FromParts => {
                let mut sum =
                    length_m? / 1000.0 * self.attenuation_limit_db_per_km(wavelength_nm)?;
                if self.seen_end_connectors() > 0 {
                    sum += self.seen_end_connectors() as f64 * self.limits.connector_db?;
                }
                for joint in &self.joints {
                    sum += self.allowance_db(joint)?;
                }
                Some(sum)
            }
        }
    }

    /// The part without a limit that a link's limit from parts fails for, by its name in the plan. `None`
    /// where attenuation is not limited at this wavelength: there the plan asks for nothing.
    pub fn link_limit_lacks(
        &self,
        wavelength_nm: f64,
        length_m: Option<f64>,
    ) -> Option<&'static str> {
        let asks = self.limits.link_loss_db == Some(LinkLimit::FromParts)
            && self.attenuation_limit_db_per_km(wavelength_nm).is_some();
        let kind = self.joints.iter().find(|j| self.allowance_db(j).is_none()).map(|j| j.kind);
        let lacks = match kind {
            _ if length_m.is_none() => Some("length_m"),
            _ if self.seen_end_connectors() > 0 && self.limits.connector_db.is_none() => {
                Some("connector_db")
            }
            kind => kind.map(|kind| match kind {
                JointKind::Splice => "splice_db",
                JointKind::Connector => "connector_db",
                JointKind::Splitter => "splitter_db",
            }),
        };
        lacks.filter(|_| asks)
    }

    /// How many end connectors a measured loss holds: a cord shows the one it is plugged into. Of two
    /// directions with a launch cord alone each holds one, and so does their mean.
    pub fn seen_end_connectors(&self) -> usize {
        let cords = [self.measure.launch_m, self.measure.tail_m];
        cords.iter().flatten().count()
    }

    /// What a planned joint may lose: its kind's limit, or for a splitter without one that of its ways.
    pub fn allowance_db(&self, joint: &PlannedJoint) -> Option<f64> {
        self.joint_limit_db(joint.kind).or(joint.ways.map(splitter_limit_db))
    }

    /// What may be lost at a place by its name: a planned joint, or else the connector at an end.
    pub fn allowance_at_db(&self, place: &str) -> Option<f64> {
        match self.joints.iter().find(|joint| joint.name == place) {
            Some(joint) => self.allowance_db(joint),
            None => self.limits.connector_db,
        }
    }

    /// Loss limit of a kind of joint.
    pub fn joint_limit_db(&self, kind: JointKind) -> Option<f64> {
        match kind {
            JointKind::Splice => self.limits.splice_db,
            JointKind::Connector => self.limits.connector_db,
            JointKind::Splitter => self.limits.splitter_db,
        }
    }

    /// The group index that was agreed on for a wavelength. `None`: the file's own counts.
    pub fn planned_index(&self, wavelength_nm: f64) -> Option<GroupIndex> {
        near(&self.measure.group_index, wavelength_nm).and_then(GroupIndex::new)
    }

    /// The planned wavelength that a measured one means, within 15 nm.
    pub fn planned_wavelength_nm(&self, wavelength_nm: f64) -> Option<u16> {
        let off = |w: &u16| (f64::from(*w) - wavelength_nm).abs();
        self.measure
            .wavelengths_nm
            .iter()
            .copied()
            .filter(|w| off(w) <= 15.0)
            .min_by(|a, b| off(a).total_cmp(&off(b)))
    }
}

/// Largest loss of a splitter in dB by its ways: `0.8 + 3.4·log2(ways)`.
/// Source: Telcordia GR-1209, from memory.
pub fn splitter_limit_db(ways: u32) -> f64 {
    0.8 + 3.4 * f64::from(ways).log2()
}

/// The entry of the nearest wavelength within 15 nm: sources of one name differ by that much.
fn near(table: &PerWavelength, wavelength_nm: f64) -> Option<f64> {
    let off = |w: &u16| (f64::from(*w) - wavelength_nm).abs();
    table
        .iter()
        .filter(|(w, _)| off(w) <= 15.0)
        .min_by(|a, b| off(a.0).total_cmp(&off(b.0)))
        .map(|(_, value)| *value)
}
