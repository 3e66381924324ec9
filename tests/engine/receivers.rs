//! Receivers of one to five poles whose detectors forget a little light late: which of both makes an edge, and what
//! stands behind it. Expected figures are the scenarios' own.

use super::fibre::{self, Fibre};

/// Metres of a pulse of 100 ns: c·T/2n.
const PULSE_M: f64 = 0.299_792_458 * 100.0 / (2.0 * 1.4682);

/// Cut-off frequency 1/(2πλ)·√(2^(1/N) - 1) of N equal poles of length λ, times the pulse, solved for λ (textbook
/// form).
fn pole_pulses(poles: u8, cut_off: f64) -> f64 {
    (2.0_f64.powf(1.0 / f64::from(poles)) - 1.0).sqrt() / (std::f64::consts::TAU * cut_off)
}

#[test]
fn the_poles_of_a_receiver_are_told_from_its_slow_tail() {
    let connector = "kind = \"connector\", loss_db = 0.3, reflectance_db = -40.0";
    let tails =
        ["", "fraction = 0.0004, length_pulses = 3.0", "fraction = 0.003, length_pulses = 1.5"];
    let mut seed = 0;
    for poles in 1..=5 {
        for tail in tails {
            for cut_off in [1.0, 2.0] {
                let pole_pulses = pole_pulses(poles, cut_off);
                let slow = if tail.is_empty() { String::new() } else { format!("{{ {tail} }}") };
                let receiver: &str =
                    format!("poles = {poles}, pole_pulses = {pole_pulses}, slow = [{slow}]").leak();
                let fibre = Fibre {
                    name: "poles",
                    spacing_m: 0.5,
                    range_db: 18.0,
                    speckle: 0.0005,
                    receiver,
                    end: "crushed",
                    sections: vec![(700.0, connector), (900.0, connector), (1500.0, "")],
                    ..Fibre::plain()
                };
                let found = fibre::analysis(&fibre.rendered(seed));
                seed += 1;
                let shown = found.noise.receiver_m / (pole_pulses * PULSE_M);
                // Another number of poles makes each of them longer or shorter by 12 % and more.
                assert!((shown - 1.0).abs() < 0.03, "{receiver}: poles {shown} times as long");
                assert_eq!(fibre::joints(&found).len(), 2, "{receiver}");
            }
        }
    }
}

/// A pulse of 40 samples, a receiver of one short pole: what is left of its edge must not be taken for a tail, nor a
/// tail for a splice, nor a mean of samples that reaches into a reflection for a gain before it.
#[test]
fn what_one_pole_and_a_tail_leave_behind_reflections_is_no_event() {
    let connector = "kind = \"connector\", loss_db = 0.3, reflectance_db = -45.0";
    let fibre = Fibre {
        name: "sharp",
        pulse_ns: 10,
        spacing_m: 0.025,
        range_db: 12.0,
        speckle: 0.0005,
        receiver: "poles = 1, pole_pulses = 0.065, slow = [{ fraction = 0.001, length_pulses = 1.5 }]",
        end: "angled",
        sections: vec![(140.0, connector), (90.0, connector), (120.0, connector), (60.0, "")],
    };
    for seed in 0..6 {
        let found = fibre::analysis(&fibre.rendered(seed));
        let places = fibre::places_m(&found);
        let planted = [140.0, 230.0, 350.0];
        let near = |(x, place): (&f64, f64)| (x - place).abs() < 0.5; // half a pulse
        let right = places.len() == 3 && places.iter().zip(planted).all(near);
        assert!(right, "seed {seed}: joints at {places:?} m, planted at {planted:?} m");
    }
}

/// A panel that is cut off and four events that bend the first line as long as they are not found: its tail is no
/// splice when they are.
#[test]
fn the_panel_has_its_tail_though_other_events_hid_it_at_first() {
    let splice = "kind = \"splice\", loss_db = 0.04";
    let connector = "kind = \"connector\", loss_db = 0.3, reflectance_db = -45.0";
    let fibre = Fibre {
        name: "hidden",
        pulse_ns: 200,
        range_db: 14.0,
        speckle: 0.0005,
        receiver: "poles = 3, pole_pulses = 0.05, limit_db = 4.0, \
                   slow = [{ fraction = 0.004, length_pulses = 3.0 }]",
        end: "crushed",
        sections: vec![
            (4500.0, splice),
            (2000.0, splice),
            (1500.0, splice),
            (3500.0, connector),
            (900.0, ""),
        ],
        ..Fibre::plain()
    };
    for seed in 0..6 {
        let found = fibre::analysis(&fibre.rendered(seed));
        let places = fibre::places_m(&found);
        let right = places.len() == 4 && places[0] > 4400.0;
        assert!(right, "seed {seed}: joints at {places:?} m, the first planted at 4500 m");
    }
}

/// What a detector keeps of the light before a splitter, behind it: it is the drop's, and stays where the splitter was
/// first taken for a reflection.
#[test]
fn a_splitter_keeps_its_tail_when_its_reflection_turns_out_to_be_none() {
    let connector = "kind = \"connector\", loss_db = 0.42, reflectance_db = -48.0";
    let splitter = "kind = \"splitter\", loss_db = 14.15";
    let fibre = Fibre {
        name: "kept",
        pulse_ns: 500,
        spacing_m: 2.0,
        range_db: 29.2,
        speckle: 0.0003,
        receiver: "poles = 2, pole_pulses = 0.1, slow = [{ fraction = 0.0042, length_pulses = 2.15 }]",
        end: "angled",
        sections: vec![(1051.1, connector), (3507.5, connector), (5323.0, splitter), (5742.3, "")],
    };
    let mut more = Vec::new();
    for seed in 0..20 {
        let found = fibre::analysis(&fibre.rendered(seed));
        let joints = fibre::joints(&found);
        assert!(joints.len() >= 3, "seed {seed}: {joints:?}");
        more.extend(joints[3..].iter().map(|joint| (seed, joint.position_m.0)));
    }
    // One false event in 50 traces is promised; of 20, more than 2 come about once in 100.
    assert!(more.len() <= 2, "more joints than were planted, by seed and place: {more:?}");
}
