//! One file of a job: what its labels say, and what was measured in it.

use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::detect::{Cords, Study};
use crate::event::{Analysis, Event, Role};
use crate::plan::{self, Plan};
use crate::trace::{Label, Trace};
use crate::units::{GroupIndex, Measured};
use crate::{disk, judge, source};

use super::ends::{Early, Ends};
use super::name::{Direction, Identity};

/// What became of a measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum TestVerdict {
    /// Within all limits.
    Pass,
    /// Cannot be told.
    Undecided,
    /// Beyond a limit.
    Fail,
    /// Planned, and there is no file.
    Missing,
    /// The file cannot be read.
    Unreadable,
    /// Not planned.
    Surplus,
    /// A later measurement counts.
    Superseded,
}

impl TestVerdict {
    /// Its word in the contract.
    pub fn word(self) -> &'static str {
        match self {
            TestVerdict::Pass => "pass",
            TestVerdict::Undecided => "undecided",
            TestVerdict::Fail => "fail",
            TestVerdict::Missing => "missing",
            TestVerdict::Unreadable => "unreadable",
            TestVerdict::Surplus => "surplus",
            TestVerdict::Superseded => "superseded",
        }
    }
}

/// One file, without its samples.
#[derive(Clone, Debug)]
pub struct Test {
    /// Where it is.
    pub path: PathBuf,
    /// SHA-256 of its bytes; empty where it could not even be read.
    pub sha256: String,
    /// What is in it, or why it cannot be read.
    pub content: Result<Content, Unreadable>,
}

/// Why a file cannot be read.
#[derive(Clone, Debug, PartialEq)]
pub struct Unreadable {
    /// Where in it, what was found, what was expected.
    pub says: String,
    /// What to do.
    pub hint: Option<&'static str>,
}

/// What a trace shows of the link's far end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FarEnd {
    /// Nothing.
    Unseen,
    /// A connector, for light comes from behind it.
    Connector,
    /// The end of the fibre, or a break.
    End,
    /// The same, reflecting as nothing does that is connected.
    OpenEnd,
}

impl FarEnd {
    fn of(far: Option<&Event>) -> FarEnd {
        match far {
            None => FarEnd::Unseen,
            Some(event) if event.role == Role::Joint => FarEnd::Connector,
            Some(event) if event.is_reflective() => FarEnd::OpenEnd,
            Some(_) => FarEnd::End,
        }
    }
}

/// What a readable file holds.
#[derive(Clone, Debug)]
pub struct Content {
    /// Fibre number by label, else by file name.
    pub fiber: Option<u32>,
    /// The planned wavelength it means, else its own.
    pub wavelength_nm: Option<u16>,
    /// From which end, by its locations, else by file name.
    pub direction: Option<Direction>,
    /// Whether the cable on its label is the plan's, or blank.
    pub own_cable: bool,
    /// Labels for people.
    pub operator: String,
    /// Places on its labels: whence, whither. Blank where there are none.
    pub places: [String; 2],
    /// Maker and module.
    pub instrument: String,
    /// Serial numbers.
    pub serial: String,
    /// Seconds since 1970 as the file says.
    pub measured_at_unix_s: Option<u32>,
    /// Group index in the file.
    pub index: f64,
    /// Group index that distances here come from.
    pub used_index: f64,
    /// Pulse in ns.
    pub pulse_ns: f64,
    /// Averaging time in s.
    pub averaging_s: Option<f64>,
    /// A hash of the samples alone, to tell copies by within one run.
    pub samples_hash: u64,
    /// Pulse length in metres.
    pub pulse_m: f64,
    /// Planned cords that are no longer than what a reflection hides here.
    pub short_cords: Vec<judge::ShortCord>,
    /// Everything found.
    pub analysis: Analysis,
    /// Fibre metres between the cords' connectors; `None` where one of them is not seen.
    pub length_m: Option<Measured>,
    /// One sigma of that length with the doubt about index, time base and sampling.
    pub length_doubt_m: Option<f64>,
    /// Place of the near connector from the panel; `None` where a launch cord was planned and its
    /// connector is not seen.
    pub near_m: Option<f64>,
    /// What is seen of the far end.
    pub far_end: FarEnd,
    /// Whether the near end is seen as a connector: light comes from before it.
    pub shows_near: bool,
    /// Whether the link begins at the panel, although a launch cord was planned.
    pub is_bare: bool,
    /// Where the fibre stops early, in fibre metres from the near connector.
    pub stops_m: Option<Measured>,
    /// One sigma of that with the doubt about index, time base and sampling.
    pub stops_doubt_m: Option<f64>,
    /// Where the light is lost in the noise before the fibre ends, likewise.
    pub fades_m: Option<f64>,
    /// Loss at the near connector, each planned joint in the plan's order, the far connector.
    pub near_db: Option<Measured>,
    /// Of each planned joint: its place from end a in fibre metres, and its loss.
    pub joints: Vec<(f64, Option<Measured>)>,
    /// Loss at the far connector.
    pub far_db: Option<Measured>,
}

impl Content {
    /// Of the sections between the end connectors that are long enough to tell: the middle in metres from the near
    /// connector, and the attenuation in dB/km.
    pub(super) fn long_sections(&self) -> impl Iterator<Item = (f64, Measured)> + '_ {
        let ends = self.near_m.zip(self.length_m).map(|(near_m, m)| (near_m, near_m + m.value));
        let least_m = judge::LEAST_SECTION_PULSES * self.pulse_m;
        self.analysis.sections.iter().filter_map(move |section| {
            let (near_m, far_m) = ends?;
            let (from_m, to_m) = (section.from_m.0, section.to_m.0);
            let is_inside = from_m > near_m - 1.0 && to_m < far_m + 1.0;
            let attenuation = section.attenuation_db_per_km.filter(|own| own.sigma > 0.0)?;
            let middle_m = 0.5 * (from_m + to_m) - near_m;
            (is_inside && to_m - from_m > least_m).then_some((middle_m, attenuation))
        })
    }
}

impl Test {
    /// Its content, if it could be read.
    pub fn read(&self) -> Option<&Content> {
        self.content.as_ref().ok()
    }

    /// The trace itself, read again, with the plan's group index: a review keeps no samples.
    ///
    /// # Errors
    /// Where the file cannot be read any more, or is no longer the one that was reviewed.
    pub fn trace(&self, plan: &Plan, options: &source::Options) -> Result<Trace, String> {
        let bytes = disk::read(&self.path).map_err(|error| format!("cannot be read: {error}"))?;
        if disk::sha256(&bytes) != self.sha256 {
            return Err("has changed since it was reviewed".to_owned());
        }
        let wavelength_nm = self.read().and_then(|content| content.wavelength_nm);
        source::decode(&self.path, &bytes, options)
            .map(|trace| with_agreed_index(trace, wavelength_nm, plan))
            .map_err(|error| error.cause.to_string())
    }
}

/// Reads and measures all files, several at a time, in their order.
pub fn read_all(
    files: &[PathBuf],
    plan: &Plan,
    options: &source::Options,
    done: &(dyn Fn() + Sync),
) -> Vec<Test> {
    files
        .par_iter()
        .map(|path| {
            let test = read(path, plan, options);
            done();
            test
        })
        .collect()
}

/// Warnings of planned cords that are too short for the pulses they were measured with: the worst case
/// of each, and in how many of the traces.
pub fn short_cords(tests: &[Test]) -> Vec<String> {
    let read = tests.iter().filter_map(Test::read).count();
    let mut worst: BTreeMap<&str, (usize, &judge::ShortCord)> = BTreeMap::new();
    for cord in tests.iter().filter_map(Test::read).flat_map(|content| &content.short_cords) {
        let own = worst.entry(cord.name).or_insert((0, cord));
        own.0 += 1;
        if cord.dead_zone_m > own.1.dead_zone_m {
            own.1 = cord;
        }
    }
    let says = worst
        .into_values()
        .map(|(count, cord)| format!("in {count} of {read} traces {}", cord.words()));
    says.collect()
}

/// Reads and measures one file.
pub fn read(path: &Path, plan: &Plan, options: &source::Options) -> Test {
    let bytes = match disk::read(path) {
        Ok(bytes) => bytes,
        Err(error) => {
            let hint = Some("see that it is there, whole, and may be read");
            let unreadable = Unreadable { says: format!("cannot be read: {error}"), hint };
            return Test { path: path.into(), sha256: String::new(), content: Err(unreadable) };
        }
    };
    measure(path, &bytes, plan, options)
}

/// As [`read`], from bytes that were read already.
pub fn measure(path: &Path, bytes: &[u8], plan: &Plan, options: &source::Options) -> Test {
    let content = source::decode(path, bytes, options)
        .map_err(|error| Unreadable { says: error.cause.to_string(), hint: error.hint() })
        .map(|trace| content(path, trace, plan));
    Test { path: path.into(), sha256: disk::sha256(bytes), content }
}

fn content(path: &Path, trace: Trace, plan: &Plan) -> Content {
    let file_index = trace.settings.file_index.value();
    let who = Identity::of(path, &trace, plan);
    let wavelength = who.wavelength_nm;
    let mut hasher = DefaultHasher::new();
    trace.counts.hash(&mut hasher);
    let direction = who.direction;
    let trace = with_agreed_index(trace, wavelength, plan);
    let measured = Measurement::of(&trace, plan, direction);
    let joined = |labels: [&Label; 2]| labels.map(Label::text).join(" ").trim().to_owned();
    let doubt_m = |place| judge::place_doubt(&trace, place).together_m();
    let stops_m = match measured.early {
        Some(Early::Stops(place)) => Some(place),
        _ => None,
    };
    Content {
        fiber: who.fiber,
        wavelength_nm: wavelength,
        direction,
        own_cable: who.own_cable,
        operator: trace.labels.operator.text(),
        places: [&trace.labels.from, &trace.labels.to].map(|label| label.text().trim().to_owned()),
        instrument: joined([&trace.instrument.supplier, &trace.instrument.module]),
        serial: joined([&trace.instrument.mainframe_serial, &trace.instrument.module_serial]),
        measured_at_unix_s: trace.settings.measured_at_unix_s,
        index: file_index,
        used_index: trace.settings.index.value(),
        pulse_ns: trace.pulse_ns(),
        averaging_s: trace.settings.averaging_s,
        samples_hash: hasher.finish(),
        pulse_m: trace.pulse_m(),
        short_cords: measured.short_cords,
        analysis: measured.analysis,
        length_m: measured.length_m,
        length_doubt_m: measured.length_m.map(doubt_m),
        near_m: measured.near_m,
        far_end: measured.far_end,
        shows_near: measured.shows_near,
        is_bare: measured.is_bare,
        stops_m,
        stops_doubt_m: stops_m.map(doubt_m),
        fades_m: match measured.early {
            Some(Early::Fades(m)) => Some(m),
            _ => None,
        },
        near_db: measured.near_db,
        joints: measured.joints,
        far_db: measured.far_db,
    }
}

/// A trace whose distances come from the index that the plan gives for its wavelength, if it does.
fn with_agreed_index(trace: Trace, wavelength_nm: Option<u16>, plan: &Plan) -> Trace {
    let agreed = wavelength_nm.and_then(|w| plan.measure.group_index.get(&w).copied());
    match agreed.and_then(GroupIndex::new) {
        Some(index) => trace.with_index(index),
        None => trace,
    }
}

struct Measurement {
    short_cords: Vec<judge::ShortCord>,
    analysis: Analysis,
    length_m: Option<Measured>,
    near_m: Option<f64>,
    far_end: FarEnd,
    shows_near: bool,
    is_bare: bool,
    early: Option<Early>,
    near_db: Option<Measured>,
    joints: Vec<(f64, Option<Measured>)>,
    far_db: Option<Measured>,
}

impl Measurement {
    fn of(trace: &Trace, plan: &Plan, direction: Option<Direction>) -> Measurement {
        let study = Study::of(trace);
        let cords = Cords { launch_m: plan.measure.launch_m, tail_m: plan.measure.tail_m };
        let analysis = study.analysis(trace, &cords);
        let zones = analysis.events.iter().map(|event| study.dead_zones(event));
        let short_cords = judge::short_cords(trace, [cords.launch_m, cords.tail_m], zones);
        let ends = Ends::of(trace, &analysis, plan);
        let (near, far) = (ends.near, ends.far);
        let near_m = if plan.measure.launch_m.is_none() {
            Some(0.0)
        } else {
            near.map(|event| event.position_m.0)
        };
        let length_m = near_m.zip(far).map(|(near_m, far)| {
            let near_sigma = near.map_or(0.0, |e| e.position_sigma_m);
            Measured::new(far.position_m.0 - near_m, far.position_sigma_m.hypot(near_sigma))
        });
        let length = length_m.map(|l| l.value);
        let joints = places(plan, direction, ends.start_m, length, &analysis, trace.pulse_m());
        let mut ascending: Vec<f64> = joints.iter().map(|j| j.0).collect();
        ascending.sort_by(f64::total_cmp);
        let losses = study.losses_db_at(&ascending);
        let loss_at =
            |panel_m: f64| ascending.iter().position(|m| *m == panel_m).and_then(|i| losses[i]);
        let joints =
            joints.iter().map(|(panel_m, cable_m)| (*cable_m, loss_at(*panel_m))).collect();
        let near_db = near.and_then(|e| e.loss_db);
        let far_db = far.filter(|e| e.role == Role::Joint).and_then(|e| e.loss_db);
        let Ends { early, is_bare, .. } = ends;
        let (far_end, shows_near) = (FarEnd::of(far), near.is_some());
        Measurement {
            short_cords,
            analysis,
            length_m,
            near_m,
            far_end,
            shows_near,
            is_bare,
            early,
            near_db,
            joints,
            far_db,
        }
    }
}

/// Of each planned joint, in the plan's order: its place from the panel and in the cable. A found
/// event within reach of the expected place is the joint.
fn places(
    plan: &Plan,
    direction: Option<Direction>,
    start_m: f64,
    length_m: Option<f64>,
    analysis: &Analysis,
    pulse_m: f64,
) -> Vec<(f64, f64)> {
    let planned_m = plan.cable.length_m.or(length_m).unwrap_or(0.0);
    let own_m = length_m.filter(|_| planned_m > 0.0).unwrap_or(planned_m);
    // From end a to metres from the panel, and back.
    let turned = |m: f64| if direction == Some(Direction::BToA) { own_m - m } else { m };
    let event_at = |expected_m: f64| {
        let off = |e: &&Event| (e.position_m.0 - expected_m).abs();
        let joints = analysis.events.iter().filter(|e| e.role == Role::Joint);
        let nearest = joints.min_by(|a, b| off(a).total_cmp(&off(b)));
        let reach_m = |e: &Event| plan::joint_reach_m(planned_m, pulse_m, e.position_sigma_m);
        nearest.filter(|e| off(e) < reach_m(e))
    };
    plan.joints
        .iter()
        .map(|joint| {
            let places = plan::joint_places_m(joint.at_m, planned_m, own_m);
            let expected = places.map(|m| start_m + turned(m));
            let found = expected.into_iter().find_map(event_at);
            let panel_m = found.map_or(expected[0], |e| e.position_m.0);
            (panel_m, turned(panel_m - start_m))
        })
        .collect()
}
