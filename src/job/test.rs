//! One file of a job: what its labels say, and what was measured in it.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::detect::{Cords, Study};
use crate::event::{Analysis, Event, Role};
use crate::plan::Plan;
use crate::trace::Trace;
use crate::units::{GroupIndex, Measured};
use crate::{disk, judge, source};

use super::name::{Direction, Identity};
use super::settings;

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
#[derive(Debug)]
pub struct Test {
    /// Where it is.
    pub path: PathBuf,
    /// SHA-256 of its bytes; empty where it could not even be read.
    pub sha256: String,
    /// What is in it, or why it cannot be read.
    pub content: Result<Content, String>,
}

/// What a readable file holds.
#[derive(Debug)]
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
    /// SHA-256 of the samples alone.
    pub samples_sha256: String,
    /// Pulse length in metres.
    pub pulse_m: f64,
    /// Everything found.
    pub analysis: Analysis,
    /// Fibre metres between the cords' connectors; `None` where one of them is not seen.
    pub length_m: Option<Measured>,
    /// One sigma of that length with the doubt about index, time base and sampling.
    pub length_doubt_m: Option<f64>,
    /// Place of the near connector from the panel; `None` where a launch cord was planned and its
    /// connector is not seen.
    pub near_m: Option<f64>,
    /// Where the fibre stops early, in fibre metres from the near connector.
    pub stops_m: Option<Measured>,
    /// Loss at the near connector, each planned joint in the plan's order, the far connector.
    pub near_db: Option<Measured>,
    /// Of each planned joint: its place from end a in fibre metres, and its loss.
    pub joints: Vec<(f64, Option<Measured>)>,
    /// Loss at the far connector.
    pub far_db: Option<Measured>,
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

/// Measures those files again whose own index is not that of the others, with that of the others: at
/// one scale their joints lie where they are. Without such files nothing is read again.
pub(super) fn at_one_scale(tests: &mut [Test], plan: &Plan, options: &source::Options) {
    let mut with_usual = plan.clone();
    with_usual.measure.group_index.extend(settings::usual_index(tests, plan));
    let is_other = |test: &&mut Test| {
        let content = test.read();
        content.is_some_and(|c| {
            let usual = c.wavelength_nm.and_then(|nm| with_usual.measure.group_index.get(&nm));
            usual.is_some_and(|n| !settings::is_same_index(*n, c.used_index))
        })
    };
    for test in tests.iter_mut().filter(is_other).collect::<Vec<_>>() {
        let again = read(&test.path, &with_usual, options);
        if again.sha256 == test.sha256 {
            *test = again;
        }
    }
}

/// Reads and measures one file.
pub fn read(path: &Path, plan: &Plan, options: &source::Options) -> Test {
    let bytes = match disk::read(path) {
        Ok(bytes) => bytes,
        Err(error) => {
            let content = Err(format!("cannot be read: {error}"));
            return Test { path: path.into(), sha256: String::new(), content };
        }
    };
    measure(path, &bytes, plan, options)
}

/// As [`read`], from bytes that were read already.
pub fn measure(path: &Path, bytes: &[u8], plan: &Plan, options: &source::Options) -> Test {
    let content = source::decode(path, bytes, options)
        .map_err(|error| error.cause.to_string())
        .map(|trace| content(path, trace, plan));
    Test { path: path.into(), sha256: disk::sha256(bytes), content }
}

fn content(path: &Path, trace: Trace, plan: &Plan) -> Content {
    let file_index = trace.settings.file_index.value();
    let who = Identity::of(path, &trace, plan);
    let wavelength = who.wavelength_nm;
    let samples: Vec<u8> = trace.counts.iter().flat_map(|count| count.to_le_bytes()).collect();
    let direction = who.direction;
    let trace = with_agreed_index(trace, wavelength, plan);
    let measured = Measurement::of(&trace, plan, direction);
    let text = |label: &crate::trace::Label| label.text();
    Content {
        fiber: who.fiber,
        wavelength_nm: wavelength,
        direction,
        own_cable: who.own_cable,
        operator: text(&trace.labels.operator),
        instrument: [&trace.instrument.supplier, &trace.instrument.module]
            .map(text)
            .join(" ")
            .trim()
            .to_owned(),
        serial: [&trace.instrument.mainframe_serial, &trace.instrument.module_serial]
            .map(text)
            .join(" ")
            .trim()
            .to_owned(),
        measured_at_unix_s: trace.settings.measured_at_unix_s,
        index: file_index,
        used_index: trace.settings.index.value(),
        pulse_ns: trace.pulse_ns(),
        averaging_s: trace.settings.averaging_s,
        samples_sha256: disk::sha256(&samples),
        pulse_m: trace.pulse_m(),
        analysis: measured.analysis,
        length_m: measured.length_m,
        length_doubt_m: measured
            .length_m
            .map(|length| judge::place_doubt(&trace, length).together_m()),
        near_m: measured.near_m,
        stops_m: measured.stops_m,
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
    analysis: Analysis,
    length_m: Option<Measured>,
    near_m: Option<f64>,
    stops_m: Option<Measured>,
    near_db: Option<Measured>,
    joints: Vec<(f64, Option<Measured>)>,
    far_db: Option<Measured>,
}

/// A fibre is taken to stop early where it ends this much before the plan's length: slack and the
/// spread of fibre lengths in a cable stay below. Common practice, no source.
const STOPS_SHARE: f64 = 0.01;
const STOPS_LEAST_M: f64 = 20.0;
/// No index that anybody sets is farther off than this share: from 1.40 to 1.54.
const SCALE_SHARE: f64 = 0.05;
/// A cord's connector is as near to its place as this, beyond what the scale is off.
const CORD_M: f64 = 4.0;

impl Measurement {
    fn of(trace: &Trace, plan: &Plan, direction: Option<Direction>) -> Measurement {
        let study = Study::of(trace);
        let cords = Cords { launch_m: plan.measure.launch_m, tail_m: plan.measure.tail_m };
        let analysis = study.analysis(trace, &cords);
        let near = match plan.measure.launch_m {
            None => Some((0.0, None)),
            Some(cord) => cord_connector(&analysis, trace, cord).map(|e| (e.position_m.0, Some(e))),
        };
        let near_m = near.map(|n| n.0);
        let end = analysis.events.iter().find(|e| e.role == Role::End);
        let planned_m = plan.cable.length_m;
        let start_m = near_m.or(plan.measure.launch_m).unwrap_or(0.0);
        let far = far_connector(&analysis, plan, start_m, end);
        let length_m = near.zip(far).map(|((near_m, event), far)| {
            let near_sigma = event.map_or(0.0, |e| e.position_sigma_m);
            Measured::new(far.position_m.0 - near_m, far.position_sigma_m.hypot(near_sigma))
        });
        let stops_m = end.zip(planned_m).filter(|_| far.is_none()).and_then(|(end, planned)| {
            let reached = end.position_m.0 - start_m;
            let short = reached < planned - STOPS_LEAST_M.max(STOPS_SHARE * planned);
            short.then(|| Measured::new(reached, end.position_sigma_m))
        });
        let joints =
            places(plan, direction, start_m, length_m.map(|l| l.value), &analysis, trace.pulse_m());
        let mut ascending: Vec<f64> = joints.iter().map(|j| j.0).collect();
        ascending.sort_by(f64::total_cmp);
        let losses = study.losses_db_at(&ascending);
        let loss_at =
            |panel_m: f64| ascending.iter().position(|m| *m == panel_m).and_then(|i| losses[i]);
        let joints =
            joints.iter().map(|(panel_m, cable_m)| (*cable_m, loss_at(*panel_m))).collect();
        let near_db = near.and_then(|n| n.1).and_then(|e| e.loss_db);
        let far_db = far.filter(|e| e.role == Role::Joint).and_then(|e| e.loss_db);
        Measurement { analysis, length_m, near_m, stops_m, near_db, joints, far_db }
    }
}

/// The launch cord's connector: a joint within two pulses or 2 % of the cord's length.
fn cord_connector<'a>(analysis: &'a Analysis, trace: &Trace, cord_m: f64) -> Option<&'a Event> {
    let off = |e: &Event| (e.position_m.0 - cord_m).abs();
    let joints = analysis.events.iter().filter(|e| e.role == Role::Joint);
    let nearest = joints.min_by(|a, b| off(a).total_cmp(&off(b)))?;
    (off(nearest) < (2.0 * trace.pulse_m()).max(0.02 * cord_m).max(3.0)).then_some(nearest)
}

/// The connector at the far end: where the plan's length ends; else a tail cord's length before the
/// end, or the end itself where no tail cord was planned. `None` where the fibre stops early.
fn far_connector<'a>(
    analysis: &'a Analysis,
    plan: &Plan,
    start_m: f64,
    end: Option<&'a Event>,
) -> Option<&'a Event> {
    let near = |wanted: f64| {
        let reach = STOPS_LEAST_M.max(STOPS_SHARE * (wanted - start_m));
        let off = move |e: &Event| (e.position_m.0 - wanted).abs();
        analysis
            .events
            .iter()
            .filter(move |e| matches!(e.role, Role::Joint | Role::End) && off(e) < reach)
            .filter(|e| e.is_reflective() || e.role == Role::End)
            .min_by(move |a, b| off(a).total_cmp(&off(b)))
    };
    let tail_m = plan.measure.tail_m;
    let Some(planned_m) = plan.cable.length_m else {
        return near(end?.position_m.0 - tail_m.unwrap_or(0.0));
    };
    // No break has a connector a tail cord's length before it: there the scale is another, by a wrong
    // index, and a fibre of another length is not broken either.
    near(start_m + planned_m).or_else(|| {
        let cord = near(end?.position_m.0 - tail_m?).filter(|e| e.role == Role::Joint)?;
        let off = (cord.position_m.0 - start_m - planned_m).abs();
        let cord_m = end?.position_m.0 - cord.position_m.0;
        let fits = (cord_m - tail_m?).abs() < SCALE_SHARE * tail_m? + CORD_M;
        (off < SCALE_SHARE * planned_m && fits).then_some(cord)
    })
}

/// A weak step may lie several pulses off, as its sigma says; but no farther than this many.
const STRAYS_PULSES: f64 = 10.0;

/// Of each planned joint, in the plan's order: its place from the panel and in the cable. A found
/// event within two pulses (or 0.1 % of the length, or as far as its own sigma allows) of the expected
/// place is the joint.
fn places(
    plan: &Plan,
    direction: Option<Direction>,
    start_m: f64,
    length_m: Option<f64>,
    analysis: &Analysis,
    pulse_m: f64,
) -> Vec<(f64, f64)> {
    let planned_m = plan.cable.length_m.or(length_m).unwrap_or(0.0);
    // A fibre that is a little longer than planned is so all along.
    let stretch = length_m.filter(|_| planned_m > 0.0).map_or(1.0, |l| l / planned_m);
    let own_m = planned_m * stretch;
    plan.joints
        .iter()
        .map(|joint| {
            let cable_m = joint.at_m * stretch;
            let fiber_m =
                if direction == Some(Direction::BToA) { own_m - cable_m } else { cable_m };
            let expected = start_m + fiber_m;
            let off = |e: &&Event| (e.position_m.0 - expected).abs();
            let near = analysis.events.iter().filter(|e| e.role == Role::Joint);
            let reach = (2.0 * pulse_m).max(1e-3 * planned_m);
            let strays = |e: &&Event| (3.0 * e.position_sigma_m).min(STRAYS_PULSES * pulse_m);
            let found = near
                .min_by(|a, b| off(a).total_cmp(&off(b)))
                .filter(|e| off(e) < reach.max(strays(e)));
            let panel_m = found.map_or(expected, |e| e.position_m.0);
            let from_near = panel_m - start_m;
            let cable_m =
                if direction == Some(Direction::BToA) { own_m - from_near } else { from_near };
            (panel_m, cable_m)
        })
        .collect()
}
