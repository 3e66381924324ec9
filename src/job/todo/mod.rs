//! What is still to be done, in the order of a walk along the cable.

use std::collections::{BTreeMap, BTreeSet};

mod again;
mod open;

use super::{
    Direction, FiberReview, Finding, NO_LIMIT, Review, Row, Severity, TestVerdict, graded,
};
use crate::plan::Plan;

/// Where one stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Station {
    /// At end a.
    EndA,
    /// At a place of the cable: whole metres of fibre from end a.
    Along(u32),
    /// At end b.
    EndB,
}

/// Something to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Task {
    /// Where.
    pub station: Station,
    /// The place's name: a joint, a section, an end. Blank where it has none.
    pub place: String,
    /// The fibre; `None` for the job as a whole.
    pub fiber: Option<u32>,
    /// What.
    pub does: String,
}

/// Faults that measuring again puts right: they become measurements, at the end they are taken from.
const MEASURE_AGAIN: [&str; 4] = ["copy", "no-cord", "too-noisy", "wrong-pulse"];

/// Faults that are named where a measurement is, or where nothing is left to be done.
const TOLD_ELSEWHERE: [&str; 2] = ["missing", "unreadable"];

/// Faults of a place that loses or reflects too much.
pub(crate) const PLACE_FAULTS: [&str; 7] = [
    "bend",
    "break",
    "high-attenuation",
    "high-connector",
    "high-reflectance",
    "high-splice",
    "unplanned-event",
];

/// Faults of the glass or its connections that are of no one place.
const LINK_FAULTS: [&str; 4] = ["link-loss", "loss-outlier", "low-return-loss", "swapped"];

/// Whether it is put right at the glass or its connections: once that is done the fibre is measured again.
fn is_repair(found: &Finding) -> bool {
    let is_of_glass = PLACE_FAULTS.contains(&found.kind) || LINK_FAULTS.contains(&found.kind);
    found.severity == Severity::Fault && is_of_glass
}

/// Whether a label is wrong of which nobody knows whose: the files named are all measured again.
fn is_of_several(found: &Finding) -> bool {
    found.kind == "wrong-label" && found.files.len() > 1
}

/// A fibre with its measurements.
struct Fiber<'a> {
    own: &'a FiberReview,
    rows: &'a [Row],
    review: &'a Review,
    plan: &'a Plan,
}

/// The tasks of a review from end a to end b, at each place in order of fibres: measurements that are
/// missing, or to be made again, at the end that they are taken from; faults where they are. What is no
/// matter of a place, such as a label, stands at end a.
pub fn todo(review: &Review, plan: &Plan) -> Vec<Task> {
    let mut tasks = Vec::new();
    let rows = graded::by_fiber(&review.rows);
    for own in &review.fibers {
        let rows = rows.get(&own.fiber).map_or(&[] as &[Row], Vec::as_slice);
        tasks.extend(again::tasks(&Fiber { own, rows, review, plan }));
    }
    tasks.extend(limits(review, plan));
    let own = review.fibers.iter().flat_map(|own| &own.findings);
    for found in own.chain(&review.findings).filter(|f| f.severity == Severity::Fault) {
        // What concerns a file that is measured again is told there.
        let is_measured = MEASURE_AGAIN.contains(&found.kind) && found.fiber.is_some();
        if !is_measured && !is_of_several(found) && !TOLD_ELSEWHERE.contains(&found.kind) {
            tasks.push(repair(found, plan));
        }
    }
    tasks.sort_by(|a, b| {
        a.station.cmp(&b.station).then(a.fiber.cmp(&b.fiber)).then(a.does.cmp(&b.does))
    });
    tasks.dedup();
    tasks
}

/// The measurements among the tasks of one fibre, and what is undecided of it and no measurement decides.
pub fn measurements(review: &Review, plan: &Plan, fiber: u32) -> Vec<Task> {
    let rows: Vec<Row> =
        review.rows.iter().filter(|row| row.fiber == Some(fiber)).cloned().collect();
    let own = review.fibers.iter().find(|own| own.fiber == fiber);
    own.map_or(Vec::new(), |own| again::tasks(&Fiber { own, rows: &rows, review, plan }))
}

fn repair(found: &Finding, plan: &Plan) -> Task {
    let place = found.place.clone().unwrap_or_default();
    let does = format!("{}: {}", found.kind, found.next);
    Task { station: station(&place, found.at_m, plan), place, fiber: found.fiber, does }
}

/// Where one stands for a place by its name.
fn station(place: &str, at_m: Option<f64>, plan: &Plan) -> Station {
    // Fibres differ by a little; a joint is one place to walk to.
    let planned = plan.joints.iter().find(|joint| joint.name == place).map(|joint| joint.at_m);
    match (place, planned.or(at_m)) {
        ("end b", _) => Station::EndB,
        ("end a", _) | (_, None) => Station::EndA,
        // A review knows of no place beyond the cable's ends, however a file lies.
        (_, Some(m)) => Station::Along(m.clamp(0.0, f64::from(u32::MAX)).round() as u32),
    }
}

/// Without limits nothing is ever decided: said once for the job.
fn limits(review: &Review, plan: &Plan) -> Vec<Task> {
    let open = review.fibers.iter().flat_map(|own| &own.open).filter(|open| open.1 == NO_LIMIT);
    let none: BTreeSet<u16> = open.map(|open| open.0).collect();
    let mut says = Vec::new();
    if !none.is_empty() {
        let nm = wavelengths(none);
        says.push(format!("set limits in the plan: it has none for what was measured at {nm}"));
    }
    let lacks = review.fibers.iter().flat_map(|own| {
        let nm = own.links.iter().map(|link| link.wavelength_nm);
        nm.filter_map(|nm| Some((open::lacks_limit(own, nm)?, nm)))
    });
    says.extend(by_words(lacks).into_iter().map(|(lacks, nm)| {
        let nm = wavelengths(nm);
        format!("set {lacks} in the plan: what the link may lose from parts at {nm} hangs on it")
    }));
    let task = |does| Task {
        station: Station::EndA,
        place: plan.cable.ends[0].clone(),
        fiber: None,
        does,
    };
    says.into_iter().map(task).collect()
}

/// `1310 and 1550 nm`
fn wavelengths(nm: impl IntoIterator<Item = u16>) -> String {
    let nm: Vec<String> = nm.into_iter().map(|nm| nm.to_string()).collect();
    format!("{} nm", nm.join(" and "))
}

/// What of each wavelength is alike said once: the words, with the wavelengths that they hold for.
fn by_words<K: Ord>(each: impl IntoIterator<Item = (K, u16)>) -> BTreeMap<K, BTreeSet<u16>> {
    let mut all: BTreeMap<K, BTreeSet<u16>> = BTreeMap::new();
    for (words, nm) in each {
        all.entry(words).or_default().insert(nm);
    }
    all
}
