//! What is still to be done, in the order of a walk along the cable.

use std::collections::BTreeMap;

use super::{Direction, Review, Severity, TestVerdict};
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

/// The tasks of a review from end a to end b, at each place in order of fibres: measurements that are
/// missing or undecided at the end that they are taken from, faults where they are. What is no matter
/// of a place, such as two fibres under one recording, stands at end a.
pub fn todo(review: &Review, plan: &Plan) -> Vec<Task> {
    let mut tasks = measurements(review, plan);
    let own = review.fibers.iter().flat_map(|own| &own.findings);
    for found in own.chain(&review.findings) {
        if found.severity != Severity::Fault || matches!(found.kind, "missing" | "unreadable") {
            continue;
        }
        let place = found.place.clone().unwrap_or_default();
        // Fibres differ by a little; a joint is one place to walk to.
        let planned = plan.joints.iter().find(|joint| joint.name == place).map(|joint| joint.at_m);
        let station = match (place.as_str(), planned.or(found.at_m)) {
            ("end b", _) => Station::EndB,
            ("end a", _) | (_, None) => Station::EndA,
            // A review knows of no place beyond the cable's ends, however a file lies.
            (_, Some(m)) => Station::Along(m.clamp(0.0, f64::from(u32::MAX)).round() as u32),
        };
        let does = format!("{}: {}", found.kind, found.next);
        tasks.push(Task { station, place, fiber: found.fiber, does });
    }
    tasks.sort_by(|a, b| {
        a.station.cmp(&b.station).then(a.fiber.cmp(&b.fiber)).then(a.does.cmp(&b.does))
    });
    tasks.dedup();
    tasks
}

/// Measurements to make, the wavelengths of a fibre and direction in one task.
fn measurements(review: &Review, plan: &Plan) -> Vec<Task> {
    let faulty = |fiber: u32| {
        let own = review.fibers.iter().find(|own| own.fiber == fiber);
        own.is_some_and(|own| {
            own.findings.iter().any(|f| f.severity == Severity::Fault && f.kind != "missing")
        })
    };
    let mut wanted: BTreeMap<(Station, u32, &str), Vec<String>> = BTreeMap::new();
    for row in &review.rows {
        let (Some(fiber), Some(nm), Some(direction)) =
            (row.fiber, row.wavelength_nm, row.direction)
        else {
            continue;
        };
        let again = match row.verdict {
            TestVerdict::Missing => "measure",
            // Where a fault explains it, the fault is the task.
            TestVerdict::Undecided if row.counts && !faulty(fiber) => "undecided, measure again",
            _ => continue,
        };
        let station = if direction == Direction::AToB { Station::EndA } else { Station::EndB };
        wanted.entry((station, fiber, again)).or_default().push(nm.to_string());
    }
    wanted
        .into_iter()
        .map(|((station, fiber, again), nm)| Task {
            station,
            place: plan.cable.ends[usize::from(station == Station::EndB)].clone(),
            fiber: Some(fiber),
            does: format!("{again} {} nm", nm.join(" and ")),
        })
        .collect()
}
