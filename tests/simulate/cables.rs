//! Whole jobs: what is planted shows in the files, and the truth says so.

use std::collections::BTreeMap;

use strandline::simulate::Rendered;
use strandline::simulate::cable::{Cable, Fault, Planted, Size, draw};

fn small() -> Size {
    Size { samples: 4000, ..Size::common(14) }
}

/// The fibre's number as its label says, with its traces by wavelength and side.
fn by_file(cable: &Cable) -> BTreeMap<&str, &Rendered> {
    let names = cable.truth.files.iter().map(|file| file.file.trim_end_matches(".sor"));
    names.zip(&cable.traces).collect()
}

#[test]
fn a_seed_and_a_size_settle_every_byte() {
    let cable = draw(3, &small());
    assert_eq!(cable, draw(3, &small()));
    assert_ne!(cable.plan, draw(4, &small()).plan);
    assert_eq!(cable.traces.len(), cable.truth.files.len());
    for (name, rendered) in by_file(&cable) {
        assert_eq!(name, rendered.name);
    }
}

#[test]
fn everything_that_can_be_planted_is_planted_once() {
    let cable = draw(8, &small());
    let mut kinds: Vec<&str> =
        cable.truth.fiber.values().filter_map(|fiber| Some(fiber.fault.as_ref()?.name())).collect();
    kinds.sort_unstable();
    let expected = [
        "backscatter-mismatch",
        "bend",
        "break",
        "copied-from",
        "copied-to",
        "dirty-connector",
        "high-splice",
        "missing",
        "reflective-connector",
        "retest",
        "swapped",
        "swapped",
    ];
    assert_eq!(kinds, expected);
    let truth = &cable.truth;
    let mut all = [truth.flag.clone(), truth.remark.clone(), truth.leave.clone()].concat();
    all.sort_unstable();
    assert_eq!(all, (1..=14).collect::<Vec<usize>>(), "each fibre has one verdict");
    // 14 fibres × 2 wavelengths × 2 ends, one missing, four earlier tests.
    assert_eq!(truth.files.len(), 56 - 1 + 4);
}

#[test]
fn what_is_planted_shows_in_the_truth_of_the_traces() {
    let cable = draw(8, &small());
    let files = by_file(&cable);
    let rendered = |fiber: usize, nm: u32, side: &str, ending: &str| {
        files[format!("{}_{fiber:03}_{nm}_{side}{ending}", cable.truth.cable).as_str()]
    };
    // Apparent loss nearest to a place in fibre metres from a, mean of both ends.
    let mean_loss = |fiber: usize, nm: u32, at_m: f64, ending: &str| {
        let (ab, ba) = (rendered(fiber, nm, "AB", ending), rendered(fiber, nm, "BA", ending));
        let near = |rendered: &Rendered, z_m: f64| {
            let events = rendered.truth.events.iter();
            let off = |e: &&strandline::simulate::TrueEvent| (e.position_m - z_m).abs();
            let event = events.min_by(|x, y| off(x).total_cmp(&off(y))).unwrap();
            assert!(off(&event) < 1e-3, "no event at {z_m}");
            event.loss_db.unwrap()
        };
        let z_m = at_m + cable.truth.launch_m;
        f64::midpoint(near(ab, z_m), near(ba, ab.truth.end_m - z_m))
    };
    for (number, truth) in &cable.truth.fiber {
        let fiber: usize = number.parse().unwrap();
        let closure = |n: usize| &truth.closures[n - 1];
        match truth.fault.clone() {
            Some(Fault::HighSplice { closure: n, loss_db }) => {
                for nm in [1310, 1550] {
                    let mean = mean_loss(fiber, nm, closure(n).at_m, "");
                    assert!((mean - loss_db).abs() < 1e-9 && mean > 0.5);
                }
            }
            Some(Fault::Bend { closure: n, .. }) => {
                let short = mean_loss(fiber, 1310, closure(n).at_m, "");
                let long = mean_loss(fiber, 1550, closure(n).at_m, "");
                assert!(long > 0.6 && long > 3.0 * short, "{short} {long}");
            }
            Some(Fault::Retest { closure: n, loss_db }) => {
                assert!((mean_loss(fiber, 1550, closure(n).at_m, "_first") - loss_db).abs() < 1e-9);
                assert!(mean_loss(fiber, 1550, closure(n).at_m, "") < 0.1);
                let time = |ending| {
                    rendered(fiber, 1550, "AB", ending).trace.settings.measured_at_unix_s.unwrap()
                };
                assert!(time("_first") < time(""));
            }
            Some(Fault::Mismatch { closure: n, .. }) => {
                assert!(closure(n).step_db.abs() > 0.15);
                assert!(mean_loss(fiber, 1310, closure(n).at_m, "") < 0.1);
            }
            Some(Fault::Break { .. }) => {
                let (ab, ba) = (rendered(fiber, 1310, "AB", ""), rendered(fiber, 1310, "BA", ""));
                let sum = ab.truth.end_m + ba.truth.end_m - 2.0 * cable.truth.launch_m;
                assert!((sum - truth.length_m).abs() < 6e-4, "both distances add up: told to 1 mm");
            }
            Some(Fault::CopiedTo { source }) => {
                for (nm, side) in [(1310, "AB"), (1310, "BA"), (1550, "AB"), (1550, "BA")] {
                    let (copy, original) =
                        (rendered(fiber, nm, side, ""), rendered(source, nm, side, ""));
                    assert_eq!(copy.trace.counts, original.trace.counts);
                    assert_ne!(copy.trace.labels.fiber, original.trace.labels.fiber);
                }
            }
            Some(Fault::Swapped { with }) => {
                let length_m = |fiber: usize, side| rendered(fiber, 1550, side, "").truth.end_m;
                assert!((length_m(fiber, "BA") - length_m(with, "AB")).abs() < 1e-6);
                assert!((length_m(fiber, "BA") - length_m(fiber, "AB")).abs() > 1e-3);
            }
            Some(Fault::Missing { nm, from_b }) => {
                let side = if from_b { "BA" } else { "AB" };
                let name = format!("{}_{fiber:03}_{nm}_{side}", cable.truth.cable);
                assert!(!files.contains_key(name.as_str()));
            }
            Some(Fault::DirtyConnector { loss_db, .. }) => assert!(loss_db > 0.5),
            Some(Fault::ReflectiveConnector { reflectance_db, .. }) => {
                assert!(reflectance_db > -40.0);
            }
            Some(Fault::CopiedFrom { .. }) | None => {}
        }
    }
}

#[test]
fn a_sound_cable_stays_within_its_own_plan() {
    let cable = draw(21, &Size { planted: Vec::new(), ..small() });
    assert_eq!(cable.truth.leave.len(), 14);
    for fiber in cable.truth.fiber.values() {
        for closure in &fiber.closures {
            assert!(closure.loss_db.values().all(|loss| *loss < cable.truth.limits.splice_mean_db));
        }
        for connector in [fiber.connector_a, fiber.connector_b] {
            assert!(connector.loss_db < cable.truth.limits.connector_db);
            assert!(connector.refl_db < cable.truth.limits.reflectance_db);
        }
        assert!(fiber.attenuation_db_per_km["1310"] < 0.38);
        assert!(fiber.attenuation_db_per_km["1550"] < 0.25);
    }
}

#[test]
fn a_cable_of_one_fiber_and_one_closure_can_be_drawn() {
    let size = Size { fibers: 1, closures: 1, planted: vec![Planted::Copy], ..small() };
    let cable = draw(1, &size);
    assert_eq!(cable.truth.leave, [1], "a copy takes two fibres");
}
