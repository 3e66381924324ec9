//! Connectors that reflect less than they lose: a low bump of one pulse on a large step.

use super::fibre::{Fibre, Pulls, analysis, joints};

fn link() -> Fibre {
    Fibre {
        name: "faint",
        end: "open",
        pulse_ns: 2500,
        spacing_m: 15.28,
        range_db: 26.0,
        speckle: 1e-4,
        receiver: "poles = 2, pole_pulses = 0.08",
        sections: vec![
            (3257.6, "kind = \"connector\", loss_db = 0.556, reflectance_db = -56.1"),
            (13_367.8, "kind = \"connector\", loss_db = 0.157, reflectance_db = -59.0"),
            (12_170.0, "kind = \"connector\", loss_db = 0.263, reflectance_db = -58.5"),
            (20_000.0, ""),
        ],
    }
}

#[test]
fn a_connector_that_loses_more_than_it_reflects_is_one_reflection() {
    // -56.1 dB at 2500 ns stands 0.32 dB over its line and loses 0.556 dB: both of its edges look like steps, the
    // fall like the larger one, and the fibre between them like one that gains a decibel in a kilometre.
    let (mut losses, mut reflectances) = (Pulls::default(), Pulls::default());
    for seed in 0..20 {
        let rendered = link().rendered(seed);
        let found = analysis(&rendered);
        let joints = joints(&found);
        let connectors: Vec<_> =
            rendered.truth.events.iter().filter(|event| event.kind == "connector").collect();
        assert_eq!(joints.len(), connectors.len(), "seed {seed}: {joints:?}");
        for (joint, truth) in joints.iter().zip(connectors) {
            let off_m = joint.position_m.0 - truth.position_m;
            assert!(off_m.abs() < 5.0, "seed {seed}: {off_m} m off, of a pulse of 255 m");
            let reflectance_db = truth.reflectance_db.expect("it reflects");
            reflectances.add(joint.reflectance_db().expect("a reflectance"), reflectance_db);
            losses.add(joint.loss_db.expect("a loss"), truth.loss_db.expect("it loses"));
        }
        for section in &found.sections {
            let slope = section.attenuation_db_per_km.expect("a slope").value;
            assert!((slope - 0.2).abs() < 0.02, "seed {seed}: {slope} dB/km, true 0.2");
        }
    }
    losses.assert_honest();
    reflectances.assert_honest();
}
