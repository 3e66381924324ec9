//! Receivers that ring: the waves behind their reflections are no events, and the events among them are measured.

use crate::end_of;
use crate::fibre::{Fibre, Pulls, analysis, draws, joints};

/// Two connectors and a splice; what swings behind a change of light has 2 % of it, a period of 14.3 m (1.4 pulse
/// lengths of 10.21 m: 100 ns, index 1.4682) and falls to 1/e within 10.2 m.
fn ringing(limit: &str) -> Fibre {
    let connector = "kind = \"connector\", loss_db = 0.3, reflectance_db = -42.0";
    let splice = "kind = \"splice\", loss_db = 0.1";
    Fibre {
        name: "ringing",
        receiver: if limit.is_empty() {
            "poles = 3, pole_pulses = 0.08, \
             ring = { fraction = 0.02, period_pulses = 1.4, length_pulses = 1.0 }"
        } else {
            "poles = 3, pole_pulses = 0.08, limit_db = 12.0, \
             ring = { fraction = 0.02, period_pulses = 1.4, length_pulses = 1.0 }"
        },
        sections: vec![(2500.0, connector), (2500.0, splice), (1500.0, connector), (1500.0, "")],
        ..Fibre::plain()
    }
}

#[test]
fn the_waves_of_a_receiver_that_rings_are_no_events() {
    // Of 20 traces, each with one false event in a hundred promised, more than two have one once in 1,000.
    for limit in ["", "12 dB"] {
        let mut surplus = 0;
        let mut losses = Pulls::default();
        let draws = draws(20);
        for seed in 0..draws {
            let found = analysis(&ringing(limit).rendered(seed as u64));
            let joints = joints(&found);
            for (place_m, loss_db) in [(2500.0, 0.3), (5000.0, 0.1), (6500.0, 0.3)] {
                let near = |m: f64| (m - place_m).abs() < 2.0;
                let joint = joints.iter().find(|joint| near(joint.position_m.0));
                let joint = joint.unwrap_or_else(|| panic!("seed {seed}: none at {place_m} m"));
                losses.add(joint.loss_db.expect("a loss"), loss_db);
            }
            surplus += joints.len().saturating_sub(3);
            let end = end_of(&found);
            let off = (end.position_m.0 - 8000.0) / end.position_sigma_m;
            assert!(
                off.abs() < 4.0,
                "{limit} seed {seed}: end at {:?} {} {:?}",
                end.position_m,
                end.position_sigma_m,
                found.notes
            );
            let said = found.notes.iter().any(|note| note.contains("the receiver rings"));
            assert!(said, "{limit} seed {seed}: {:?}", found.notes);
        }
        assert!(surplus <= 2, "{limit}: {surplus} false events in {draws} traces");
        assert!(
            losses.inside() > losses.least_inside(),
            "{limit}: {:.1} % of the losses inside their 95 % interval",
            losses.inside()
        );
    }
}

#[test]
fn period_and_decay_of_a_receiver_that_rings_are_read() {
    let found = analysis(&ringing("").rendered(3));
    let note = found.notes.iter().find(|note| note.contains("rings")).expect("a note");
    let figures: Vec<f64> = note.split(' ').filter_map(|word| word.parse().ok()).collect();
    let [period_m, length_m] = figures[..] else { panic!("{note}") };
    assert!((period_m / 14.3 - 1.0).abs() < 0.03, "{note}");
    assert!((length_m / 10.2 - 1.0).abs() < 0.1, "{note}");
}
