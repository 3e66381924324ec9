//! Long links: long pulses of few samples, and so much averaging that a count of the file is more than the noise.
//! Expected figures are the scenario's own.

use strandline::event::{Event, Role};
use strandline::simulate::{Figure, render_again};

use crate::fibre::{Fibre, analysis, joints, median};

/// A launch cord and 64 km behind a connector that hardly reflects: -61 dB are a quarter of a dB under 1000 ns.
fn weak_connector() -> Fibre {
    Fibre {
        name: "long",
        pulse_ns: 1000,
        spacing_m: 7.5,
        range_db: 29.0,
        speckle: 3e-4,
        receiver: "poles = 4, pole_pulses = 0.1",
        end: "open",
        sections: vec![
            (4258.0, "kind = \"connector\", loss_db = 0.1, reflectance_db = -61.0"),
            (64_000.0, ""),
        ],
    }
}

/// The same with a loss so large that the reflection before it is hardly seen beside it.
fn bad_connector() -> Fibre {
    let sections = vec![
        (4258.0, "kind = \"connector\", loss_db = 1.6, reflectance_db = -59.0"),
        (64_000.0, ""),
    ];
    Fibre { sections, ..weak_connector() }
}

/// The one joint that is found.
fn only_joint(fibre: &Fibre, seed: u64) -> Event {
    let found = analysis(&fibre.rendered(seed));
    let [joint] = joints(&found)[..] else { panic!("seed {seed}: {:#?}", joints(&found)) };
    joint.clone()
}

#[test]
fn a_low_reflection_before_a_large_loss_is_one_connector() {
    for seed in 0..8 {
        let joint = only_joint(&bad_connector(), seed);
        let loss = joint.loss_db.expect("a loss");
        let off = joint.position_m.0 - 4258.0;
        assert!(off.abs() < 4.0 * joint.position_sigma_m, "seed {seed}: {off} m off, {joint:?}");
        assert!((loss.value - 1.6).abs() < 4.0 * loss.sigma, "seed {seed}: {loss:?}");
    }
}

/// Where light rises and falls again within a pulse one reflection stands, and no gain of 1 dB with a loss of 1 dB behind it.
#[test]
fn a_low_reflection_over_strong_light_is_no_gain_and_loss() {
    for seed in 0..8 {
        let joint = only_joint(&weak_connector(), seed);
        let loss = joint.loss_db.expect("a loss");
        assert!(joint.peak.is_some(), "seed {seed}: {joint:?}");
        // one of 16,000 normal draws lies beyond
        assert!((loss.value - 0.1).abs() < 4.0 * loss.sigma, "seed {seed}: {loss:?}");
    }
}

/// A count of 0.001 dB is 4.6e-4 of the light, more than this roughness; over a pulse of 13 samples that fall by a
/// count or two each its rounding is nearly gone.
#[test]
fn roughness_finer_than_a_count_is_read_where_a_pulse_averages_the_counts() {
    let read = |seed| analysis(&weak_connector().rendered(seed)).noise.speckle;
    let speckle = median((0..8).map(read).collect());
    assert!((speckle / 3e-4 - 1.0).abs() < 0.25, "{speckle}, planted 3e-4");
}

/// Nothing but the panel and an end that reflects -60 dB, which is a third of a dB here, over light so strong that a
/// place would be known to a hundredth of a sample: an end without that reflection would stand 9 m behind, a sixth of the pulse.
#[test]
fn an_end_that_hardly_reflects_behind_strong_light_is_not_put_behind_itself() {
    let spliced = Fibre {
        pulse_ns: 500,
        spacing_m: 5.36,
        speckle: 1e-3,
        receiver: "poles = 2, pole_pulses = 0.056",
        end: "angled",
        sections: vec![(13_000.0, "kind = \"splice\", loss_db = 0.58"), (38_400.0, "")],
        ..weak_connector()
    };
    let mut off: Vec<f64> = Vec::new();
    for seed in 0..8 {
        let rendered = spliced.rendered(seed);
        let found = analysis(&rendered);
        let end = found.events.iter().find(|e| e.role == Role::End).expect("an end");
        off.push(end.position_m.0 - rendered.truth.end_m);
        let within = 4.0 * end.position_sigma_m; // one of 16,000 normal draws lies beyond
        assert!(off[off.len() - 1].abs() < within, "seed {seed}: {off:?} m, {end:?}");
    }
    let typical = median(off.iter().map(|off| off.abs()).collect());
    assert!(typical < 3.0, "{typical} m off, {off:?}");
}

/// Ten joints within 100 pulses: hardly three pulses of bare fibre follow one another.
fn many_joints() -> Fibre {
    let mut sections =
        vec![(3000.0, "kind = \"connector\", loss_db = 0.3, reflectance_db = -45.0")];
    let splices = ["kind = \"splice\", loss_db = 0.3", "kind = \"splice\", loss_db = 0.08"];
    sections.extend((0..8).map(|i| (2600.0 + 90.0 * f64::from(i), splices[i as usize % 2])));
    sections.push((3000.0, "kind = \"splice\", loss_db = 0.02"));
    sections.push((4000.0, ""));
    Fibre { pulse_ns: 2500, spacing_m: 12.0, speckle: 2e-4, sections, ..weak_connector() }
}

/// Read from all of the trace the fibre seems three times as rough, for half of what the means over one pulse show is
/// joints. A splice of 0.02 dB is 23 times what roughness lets a pulse scatter.
#[test]
fn roughness_is_the_fibres_and_not_that_of_its_joints() {
    for seed in 0..8 {
        let fibre = many_joints();
        let found = analysis(&fibre.rendered(seed));
        let rough = found.noise.speckle;
        assert!(rough < 3.0 * fibre.speckle, "seed {seed}: {rough}, true {}", fibre.speckle);
        assert_eq!(joints(&found).len(), 10, "seed {seed}: {:#?}", joints(&found));
        let last = joints(&found)[9];
        let loss = last.loss_db.expect("a loss");
        assert!((loss.value - 0.02).abs() < 4.0 * loss.sigma, "seed {seed}: {loss:?}");
    }
}

/// Glass of 0.225 dB/km between others of 0.2, without a step where it begins, and splices on both sides.
#[test]
fn a_change_of_slope_between_splices_is_no_step_on_the_way_there() {
    let splice = "kind = \"splice\", loss_db = 0.1";
    let fibre = Fibre {
        spacing_m: 2.0,
        range_db: 22.0,
        sections: vec![
            (6000.0, splice),
            (3500.0, "kind = \"knot\", loss_db = 0.0"),
            (4000.0, "kind = \"splice\", loss_db = 0.15"),
            (6000.0, ""),
        ],
        ..weak_connector()
    };
    for seed in 0..8 {
        let mut scenario = fibre.scenario(seed);
        scenario.sections[2].attenuation_db_per_km = Figure::All(0.225);
        let found = analysis(&render_again(&scenario, seed).remove(0));
        let [first, second] = joints(&found)[..] else { panic!("seed {seed}: {found:#?}") };
        for (joint, loss_db) in [(first, 0.1), (second, 0.15)] {
            let loss = joint.loss_db.expect("a loss");
            assert!((loss.value - loss_db).abs() < 4.0 * loss.sigma, "seed {seed}: {loss:?}");
        }
    }
}
