//! A splice two pulses and a half behind a connector, as in a tray behind a panel.

use super::fibre::{Fibre, Pulls, analysis, joints};
use strandline::units::Measured;

fn link(pulse_ns: u16, spacing_m: f64, first_m: f64, receiver: &'static str) -> Fibre {
    let pulse_m = 0.1021 * f64::from(pulse_ns);
    Fibre {
        name: "behind",
        end: "open",
        pulse_ns,
        spacing_m,
        range_db: 20.0,
        speckle: 0.001,
        receiver,
        sections: vec![
            (first_m, "kind = \"connector\", loss_db = 0.3, reflectance_db = -38.0"),
            (2.5 * pulse_m, "kind = \"splice\", loss_db = 0.15"),
            (first_m, ""),
        ],
    }
}

#[test]
fn a_splice_behind_a_connector_is_no_slope_of_what_lies_between() {
    // Between the edges of both hardly a pulse of fibre is seen: a steeper line and a step elsewhere explain nearly
    // as much, and from there no small step leads to what is there.
    let (mut losses, mut places, mut together) = (Pulls::default(), Pulls::default(), 0);
    let links = [
        link(2500, 10.2, 12_000.0, "poles = 2, pole_pulses = 0.12"),
        link(2500, 10.2, 12_000.0, "poles = 3, pole_pulses = 0.06"),
        link(500, 2.5, 1500.0, "poles = 3, pole_pulses = 0.06"),
    ];
    for link in links {
        for seed in 0..10 {
            let rendered = link.rendered(seed);
            let found = analysis(&rendered);
            let joints = joints(&found);
            let what = format!("{} ns, seed {seed}: {joints:?}", link.pulse_ns);
            if let [both] = joints[..] {
                let loss = both.loss_db.expect(&what);
                assert!((loss.value - 0.45).abs() < 4.0 * loss.sigma, "{what}");
                together += 1;
                continue;
            }
            assert_eq!(joints.len(), 2, "{what}");
            for (joint, truth) in joints.iter().zip(&rendered.truth.events) {
                losses.add(joint.loss_db.expect(&what), truth.loss_db.expect("it loses"));
                places.add(
                    Measured::new(joint.position_m.0, joint.position_sigma_m),
                    truth.position_m,
                );
            }
        }
    }
    assert!(together <= 6, "{together} of 30 are not told apart");
    losses.assert_honest();
    places.assert_honest();
}
