//! Joints: events of many fibres at one place.

use std::collections::BTreeSet;

use super::cords::Frame;
use super::{Guesses, Sheet, median, rounded};
use crate::event::{Likely, Role};
use crate::job::Direction;
use crate::plan::{JointKind, PlannedJoint};

/// An event in the cable's frame.
#[derive(Clone, Copy, Debug)]
struct Seen {
    /// Fibre metres from end a.
    at_m: f64,
    sigma_m: f64,
    sheet: usize,
    fiber: u32,
    is_reflective: bool,
    is_splitter: bool,
}

/// Places of one cable are known no better than this, one sigma: loops of fibre in trays differ.
/// Common practice, no source.
const TRAY_M: f64 = 1.0;

/// A joint of the cable shows on at least this share of its fibres, and on two of three or more: a
/// good splice is often too small to be seen, and what few fibres show is a bend, a repair or chance.
const LEAST_SHARE: f64 = 0.2;

/// The joints, in order from end a. What shows on too few fibres is named among the guesses.
pub(super) fn find(
    sheets: &[Sheet],
    frames: &[Option<Frame>],
    length_m: f64,
    guesses: &mut Guesses,
) -> Vec<PlannedJoint> {
    let reach_m = median(sheets.iter().map(|s| 2.0 * s.pulse_m).collect())
        .unwrap_or(0.0)
        .max(1e-3 * length_m)
        .max(3.0 * TRAY_M);
    let seen = events(sheets, frames, length_m, reach_m);
    let fibers: BTreeSet<u32> = sheets.iter().filter_map(|s| s.fiber).collect();
    let least = match fibers.len() {
        0..=2 => 1,
        n => ((LEAST_SHARE * n as f64).ceil() as usize).max(2),
    };
    let mut joints = Vec::new();
    let mut alone = Vec::new();
    for cluster in clusters(seen, reach_m) {
        let on: BTreeSet<u32> = cluster.iter().map(|s| s.fiber).collect();
        let in_traces: BTreeSet<usize> = cluster.iter().map(|s| s.sheet).collect();
        let at = place(&cluster);
        // Once in one trace may be noise.
        if on.len() < least || in_traces.len() < sheets.len().min(2) {
            let on: Vec<String> = on.iter().map(u32::to_string).collect();
            alone.push(format!("{:.1} m on fibre {}", at.0, on.join(", ")));
            continue;
        }
        guesses.joints.push(vec![format!(
            "seen on {} of {} fibres, in {} of {} traces; ± {:.1} m",
            on.len(),
            fibers.len(),
            in_traces.len(),
            sheets.len(),
            at.1
        )]);
        joints.push(PlannedJoint {
            name: format!("C{}", joints.len() + 1),
            at_m: rounded(at.0),
            kind: kind(&cluster),
            ways: None,
        });
    }
    if !alone.is_empty() {
        guesses.limits.push(format!(
            "not made joints, for too few fibres show them (a bend, a repair, or a closure of splices too small to see): {}",
            alone.join("; ")
        ));
    }
    guesses.limits.push(
        "joints too small to be seen on any fibre are not here: compare with the route's closures"
            .into(),
    );
    joints
}

/// All events between both ends, in the cable's frame, in order of place.
fn events(sheets: &[Sheet], frames: &[Option<Frame>], length_m: f64, reach_m: f64) -> Vec<Seen> {
    let mut seen = Vec::new();
    for (i, (sheet, frame)) in sheets.iter().zip(frames).enumerate() {
        let (Some(frame), Some(fiber), Some(direction)) = (frame, sheet.fiber, sheet.direction)
        else {
            continue;
        };
        let own_m = frame.length_m(length_m).unwrap_or(length_m);
        for event in sheet.analysis.events.iter().filter(|e| e.role == Role::Joint) {
            // A fibre that is a little longer than its cable is so all along.
            let from_near = (event.position_m.0 - frame.near_m) * length_m / own_m;
            if !(from_near > reach_m && from_near < length_m - reach_m) {
                continue;
            }
            seen.push(Seen {
                at_m: if direction == Direction::AToB { from_near } else { length_m - from_near },
                sigma_m: event.position_sigma_m.hypot(frame.near_sigma_m).hypot(TRAY_M),
                sheet: i,
                fiber,
                is_reflective: event.is_reflective(),
                is_splitter: event.likely == Some(Likely::Splitter),
            });
        }
    }
    seen.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
    seen
}

/// Neighbours that are no further than `reach_m`, and three sigma, from the mean of those before
/// them. `seen`: in order of place.
fn clusters(seen: Vec<Seen>, reach_m: f64) -> Vec<Vec<Seen>> {
    let mut all: Vec<Vec<Seen>> = Vec::new();
    for one in seen {
        match all.last_mut() {
            Some(last) if one.at_m - place(last).0 <= reach_m.max(3.0 * one.sigma_m) => {
                last.push(one);
            }
            _ => all.push(vec![one]),
        }
    }
    all
}

/// Weighted mean of a cluster, and its standard error from the spread that is there. Source:
/// inverse-variance weights, JCGM 100:2008; the spread, not the single sigmas, for trays differ.
fn place(cluster: &[Seen]) -> (f64, f64) {
    let weight = |s: &Seen| s.sigma_m.powi(-2);
    let sum: f64 = cluster.iter().map(weight).sum();
    let mean = cluster.iter().map(|s| weight(s) * s.at_m).sum::<f64>() / sum;
    let spread = cluster.iter().map(|s| weight(s) * (s.at_m - mean).powi(2)).sum::<f64>() / sum;
    let fibers: BTreeSet<u32> = cluster.iter().map(|s| s.fiber).collect();
    (mean, (spread / fibers.len() as f64).sqrt().max(sum.powf(-0.5)))
}

fn kind(cluster: &[Seen]) -> JointKind {
    let most = |is: fn(&Seen) -> bool| 2 * cluster.iter().filter(|s| is(s)).count() > cluster.len();
    if most(|s| s.is_splitter) {
        JointKind::Splitter
    } else if most(|s| s.is_reflective) {
        JointKind::Connector
    } else {
        JointKind::Splice
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(at_m: f64, sigma_m: f64, fiber: u32) -> Seen {
        Seen { at_m, sigma_m, sheet: 0, fiber, is_reflective: false, is_splitter: false }
    }

    #[test]
    fn places_within_their_uncertainty_are_one_joint_and_others_are_not() {
        let places = vec![
            seen(1000.0, 1.0, 1),
            seen(1004.0, 1.0, 2),
            seen(1019.0, 1.0, 3),
            seen(1040.0, 1.0, 1),  // 33 m behind the mean of the three
            seen(1090.0, 20.0, 2), // far, and as badly known
        ];
        let found = clusters(places, 20.0);
        let sizes: Vec<usize> = found.iter().map(Vec::len).collect();
        assert_eq!(sizes, [3, 2]);
        // by hand: (1000 + 1004 + 1019) / 3, equal weights
        assert!((place(&found[0]).0 - 1007.667).abs() < 1e-3);
    }

    #[test]
    fn a_place_is_no_better_known_than_its_spread_over_fibres() {
        let cluster = [seen(100.0, 1.0, 1), seen(104.0, 1.0, 2)];
        // by hand: spread 2 m about the mean, two fibres: 2/√2
        assert!((place(&cluster).1 - 2.0_f64 / 2.0_f64.sqrt()).abs() < 1e-9);
    }
}
