//! A folder and a plan in, the answers of a whole job out.

use std::collections::BTreeMap;
use std::path::PathBuf;

mod check;
mod ends;
mod fiber;
mod graded;
mod label;
mod likeness;
mod missing;
mod name;
mod odd;
mod remedy;
mod rows;
mod settings;
mod spread;
mod swapped;
mod test;
mod todo;
mod tray;
mod unlike;
mod unnamed;
mod unseen;
mod usual;

pub use fiber::{
    FiberReview, FiberVerdict, JointReview, LinkReview, NO_LIMIT, SectionReview, not_whole,
};
pub use name::{Direction, Identity, Named, direction, number};
pub use spread::OneWay;
pub use test::{
    Content, FarEnd, Test, TestVerdict, Unreadable, measure, read, read_all, short_cords,
};
pub(crate) use todo::PLACE_FAULTS;
pub use todo::{Station, Task, measurements, todo};
pub use tray::{Instruction, Tray, built};
pub use unseen::ends as unseen_ends;
pub use usual::{measure as with_usual, words as usual_length_words};

use rayon::prelude::*;

use crate::plan::{Directions, Plan, Waiver};
use crate::source;
use crate::units::Measured;

/// How much a finding weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Worth knowing; never makes a fibre fail.
    Remark,
    /// To be put right.
    Fault,
}

/// Something a review has to say.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Its kind, as in the contract `strandline.review/1`.
    pub kind: &'static str,
    /// How much it weighs.
    pub severity: Severity,
    /// The fibre concerned; `None` for the job as a whole.
    pub fiber: Option<u32>,
    /// A joint's name, `end a`, `end b`, a section, or `None`.
    pub place: Option<String>,
    /// Fibre metres from end a's connector.
    pub at_m: Option<f64>,
    /// Files it rests on.
    pub files: Vec<PathBuf>,
    /// Figures it rests on, by name with unit.
    pub evidence: BTreeMap<&'static str, f64>,
    /// What is the matter.
    pub says: String,
    /// What to do next.
    pub next: String,
}

impl Finding {
    /// Adds a measured figure to what it rests on, under the names of its value and of its sigma.
    pub(crate) fn rests_on(&mut self, [value, sigma]: [&'static str; 2], figure: Measured) {
        self.evidence.insert(value, figure.value);
        self.evidence.insert(sigma, figure.sigma);
    }
}

/// The state of one planned or delivered measurement.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Fibre number; `None` where it cannot be known.
    pub fiber: Option<u32>,
    /// Wavelength in nm.
    pub wavelength_nm: Option<u16>,
    /// From which end.
    pub direction: Option<Direction>,
    /// Index in [`Review::tests`]; `None` for a missing one.
    pub test: Option<usize>,
    /// Whether it counts: not a superseded, surplus or unreadable one.
    pub counts: bool,
    /// Its verdict.
    pub verdict: TestVerdict,
    /// Whether nothing tells that it is the latest of several.
    pub unsettled: bool,
    /// Why.
    pub reasons: Vec<String>,
}

/// Figures of progress.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Counts {
    /// Measurements the plan asks for.
    pub planned: usize,
    /// Of those, delivered.
    pub measured: usize,
    /// Of those, passed.
    pub passed: usize,
    /// Of those, failed.
    pub failed: usize,
    /// Of those, undecided.
    pub undecided: usize,
    /// Planned and not delivered.
    pub missing: usize,
    /// Delivered and not planned.
    pub surplus: usize,
    /// Files that cannot be read.
    pub unreadable: usize,
}

/// The answer for a whole job.
#[derive(Debug)]
pub struct Review {
    /// Every file, in order of path.
    pub tests: Vec<Test>,
    /// Planned measurements in order of fibre, wavelength and direction, then what else was delivered.
    pub rows: Vec<Row>,
    /// Every planned fibre, in order.
    pub fibers: Vec<FiberReview>,
    /// Findings that concern no single fibre.
    pub findings: Vec<Finding>,
    /// Warnings that are no findings: cords too short for the pulse, a length that the plan lacks.
    pub notes: Vec<String>,
    /// Progress.
    pub counts: Counts,
    /// What a joint read from one end alone carries for unequal fibres.
    pub one_way: OneWay,
}

impl Review {
    /// Whether a planned joint was read from one end alone, so that [`Review::one_way`] counts.
    pub fn has_one_way_joints(&self) -> bool {
        let joints = self.fibers.iter().flat_map(|fiber| &fiber.joints);
        joints.into_iter().any(|j| j.loss.loss_db.is_some() && j.loss.step_db.is_none())
    }

    /// Whether nothing at a waiver's place is over its limit, so that it is perhaps the wrong one.
    pub fn is_unmet(&self, waiver: &Waiver) -> bool {
        let own = self.fibers.iter().find(|own| own.fiber == waiver.fiber);
        own.is_some_and(|own| own.unmet_waivers.contains(&waiver.place))
    }

    /// Its notes, and which connectors at the ends nothing that `plan` asks for can show.
    pub fn all_notes(&self, plan: &Plan) -> Vec<String> {
        self.notes.iter().cloned().chain(unseen_ends(plan)).collect()
    }

    /// Whether there is nothing to object to.
    pub fn is_clean(&self) -> bool {
        let faults = self.fibers.iter().flat_map(|f| &f.findings).chain(&self.findings);
        self.counts.passed == self.counts.planned
            && self.counts.unreadable == 0
            && !faults.into_iter().any(|f| f.severity == Severity::Fault)
    }
}

/// Reviews `files` against `plan`. The order of the files does not matter; several are read at a
/// time, and `done` is called after each.
pub fn review(
    mut files: Vec<PathBuf>,
    plan: &Plan,
    options: &source::Options,
    done: &(dyn Fn() + Sync),
) -> Review {
    files.sort();
    files.dedup();
    judge_together(test::read_all(&files, plan, options, done), plan, options)
}

/// As [`judge`], with what only all files together tell: the usual index, and the cable's length where the plan
/// has none. Files that were measured otherwise are read and measured again.
pub fn judge_together(mut tests: Vec<Test>, plan: &Plan, options: &source::Options) -> Review {
    let whole = usual::measure(&mut tests, plan, options);
    let mut review = judge(tests, &whole);
    if let (None, Some(length_m)) = (plan.cable.length_m, whole.cable.length_m) {
        review.notes.push(usual::words(length_m));
    }
    review
}

/// The answer for files that were measured already, each with [`read`] against the same plan. Their
/// order does not matter.
pub fn judge(mut tests: Vec<Test>, plan: &Plan) -> Review {
    tests.sort_by(|a, b| a.path.cmp(&b.path));
    let labels = label::labels(&tests, plan);
    let mut rows = rows::rows(&tests, plan, &labels);
    let wrong = &labels.wrong;
    let mut findings = check::of_files(&tests, &rows, wrong);
    findings.extend(wrong.values().map(|w| w.finding.clone()));
    let copies = check::copies(&tests, &rows, &mut findings);
    let swaps = swapped::pairs(&tests, &rows, (&copies, &labels.exchanged), &mut findings);
    let unlike = unlike::lengths((&tests, &rows), &labels, (&copies, &swaps), plan);
    findings.extend(odd::odd_ones(&rows, &tests, &copies));
    let agreed = settings::Agreed::of(&rows, &tests, plan);
    let numbers = &plan.cable.fibers;
    // Those of one fibre together: a fibre must not have to look through the rows of all.
    let by_fiber = graded::by_fiber(&rows);
    let own_rows = |fiber: &u32| by_fiber.get(fiber).map_or(&[] as &[Row], Vec::as_slice);
    let others = graded::others(&by_fiber, &tests, &copies, &swaps);
    let reviewed = |plan, fiber: &u32| {
        let rows = others.get(fiber).map_or(own_rows(fiber), Vec::as_slice);
        fiber::review(*fiber, (&tests, rows), plan, &agreed)
    };
    let first: Vec<FiberReview> = numbers.par_iter().map(|fiber| reviewed(plan, fiber)).collect();
    // What the joints measured from both ends show holds for those that were not.
    let one_way = OneWay::of(&first, plan);
    let mut spread = plan.clone();
    spread.limits.one_way_db = one_way.sigma_db;
    let plan = &spread;
    let whole = |fiber: &u32| {
        let mut own = reviewed(plan, fiber);
        let rows = own_rows(fiber);
        own.findings.extend(missing::findings(*fiber, rows, &own, wrong));
        own.findings.extend(check::retests(*fiber, rows, &tests));
        own.doubt_labels(rows, &tests, unlike.iter().find(|found| found.fiber == Some(*fiber)));
        let settings = settings::of(&own, rows, &tests, plan, &agreed);
        own.findings.extend(settings);
        if !own.findings.iter().any(|f| f.kind == "too-noisy") {
            own.findings.extend(settings::noisy(&own, rows, &tests, plan));
        }
        own
    };
    let mut fibers: Vec<FiberReview> = numbers.par_iter().map(whole).collect();
    check::verdicts(&mut rows, &mut fibers, (&copies, &swaps), plan);
    findings.extend(unlike);
    let mut findings = to_fibers(findings, &mut fibers);
    findings.extend(to_fibers(odd::outliers(&fibers, plan), &mut fibers));
    for own in &mut fibers {
        own.findings.sort_by(|a, b| b.severity.cmp(&a.severity).then(a.kind.cmp(b.kind)));
        own.settle();
    }
    let counts = check::counts(&rows);
    let mut notes = short_cords(&tests);
    notes.extend(unseen::joints(&tests, plan));
    notes.extend(unnamed::ends(&tests, plan));
    Review { tests, rows, fibers, findings, notes, counts, one_way }
}

/// Puts what concerns one fibre to it, and returns the rest.
fn to_fibers(findings: Vec<Finding>, fibers: &mut [FiberReview]) -> Vec<Finding> {
    let mut rest = Vec::new();
    for finding in findings {
        match finding.fiber.and_then(|n| fibers.iter_mut().find(|f| f.fiber == n)) {
            Some(own) => own.findings.push(finding),
            None => rest.push(finding),
        }
    }
    rest
}

/// The measurements that a plan asks for, in order.
pub(crate) fn planned(plan: &Plan) -> Vec<(u32, u16, Direction)> {
    let directions: &[Direction] = match plan.measure.directions {
        Directions::Both => &[Direction::AToB, Direction::BToA],
        Directions::AToB => &[Direction::AToB],
        Directions::BToA => &[Direction::BToA],
    };
    let mut all = Vec::new();
    for fiber in &plan.cable.fibers {
        for wavelength in &plan.measure.wavelengths_nm {
            all.extend(directions.iter().map(|direction| (*fiber, *wavelength, *direction)));
        }
    }
    all
}
