//! A receiver that cuts off the one reflection of a trace: its reflectance is then a lower bound.

use super::fibre::{Fibre, analysis, joints};
use strandline::event::{Event, Peak, Role};

/// A connector of -25 dB, the only strong reflection: 20 dB and more over its backscatter.
fn connector(pulse_ns: u16, spacing_m: f64, receiver: &'static str) -> Fibre {
    let mirror = "kind = \"connector\", loss_db = 0.3, reflectance_db = -25.0";
    let sections = vec![(1500.0, mirror), (2000.0, "")];
    Fibre {
        name: "limit",
        end: "crushed",
        pulse_ns,
        spacing_m,
        receiver,
        sections,
        ..Fibre::plain()
    }
}

/// The connector as it was found, and its true reflectance, for glass and noise of several seeds.
fn found(fibre: &Fibre) -> Vec<(Event, f64)> {
    let one = |seed| {
        let rendered = fibre.rendered(seed);
        let truth = rendered.truth.events.iter().find(|event| event.kind == "connector");
        let true_db = truth.and_then(|event| event.reflectance_db).expect("it reflects");
        let found = analysis(&rendered);
        (joints(&found).first().copied().expect("a joint").clone(), true_db)
    };
    (0..10).map(one).collect()
}

/// Pulse in ns and spacing in m: pulses of three samples and of twelve. The same receivers with and without a limit.
const CUT: [(u16, f64, &str, &str); 4] = [
    (20, 0.715, "poles = 3, pole_pulses = 0.05, limit_db = 14.0", "poles = 3, pole_pulses = 0.05"),
    (20, 0.715, "poles = 1, pole_pulses = 0.1, limit_db = 21.0", "poles = 1, pole_pulses = 0.1"),
    (20, 0.715, "poles = 2, pole_pulses = 0.1, limit_db = 21.0", "poles = 2, pole_pulses = 0.1"),
    (100, 0.85, "poles = 1, pole_pulses = 0.25, limit_db = 12.0", "poles = 1, pole_pulses = 0.25"),
];

#[test]
fn a_lone_reflection_that_is_cut_off_is_a_lower_bound() {
    // A whole one stands at its top no longer than its pulse, and falls as it rose: exact for a linear receiver.
    for (pulse_ns, spacing_m, receiver, _) in CUT {
        for (event, true_db) in found(&connector(pulse_ns, spacing_m, receiver)) {
            let bound = match event.peak {
                Some(Peak::Saturated { at_least_db }) => at_least_db,
                other => panic!("{pulse_ns} ns: {other:?}"),
            };
            assert!(bound.is_none_or(|db| db < true_db), "{bound:?}, true {true_db}");
        }
    }
}

#[test]
fn a_whole_one_is_not_called_cut_off() {
    for (pulse_ns, spacing_m, _, receiver) in CUT {
        for (event, true_db) in found(&connector(pulse_ns, spacing_m, receiver)) {
            let found = event.reflectance_db().expect("a whole reflection");
            assert!((found.value - true_db).abs() < 4.0 * found.sigma, "{found:?}, {true_db}");
        }
    }
}

#[test]
fn a_receiver_of_any_number_of_poles_is_measured_through() {
    // Taken for another, it shifts places by a tenth of a pulse and reflectances by a decibel. From pulses of three
    // samples to pulses of twenty, edges from fast to as slow as half the pulse.
    let receivers = [
        "poles = 1, pole_pulses = 0.15",
        "poles = 1, pole_pulses = 0.22",
        "poles = 2, pole_pulses = 0.15",
        "poles = 3, pole_pulses = 0.15",
        "poles = 4, pole_pulses = 0.15",
        "poles = 5, pole_pulses = 0.08",
    ];
    for receiver in receivers {
        for (pulse_ns, spacing_m) in [(30, 0.5), (100, 0.85), (500, 2.5)] {
            for (event, true_db) in found(&connector(pulse_ns, spacing_m, receiver)).iter().take(3)
            {
                let what = format!("{receiver}, {pulse_ns} ns");
                let found = event.reflectance_db().expect("a whole reflection");
                let off = (found.value - true_db).abs();
                assert!(off < (4.0 * found.sigma).min(0.2), "{what}: {found:?}, {true_db}");
                let off_m = (event.position_m.0 - 1500.0).abs();
                assert!(off_m < 4.0 * event.position_sigma_m, "{what}: {off_m} m off");
            }
        }
    }
}

#[test]
fn an_end_that_may_as_well_be_cut_off_is_no_sure_figure() {
    // Edges of a tenth of a sample: what is cut off at half its height looks as what is half as high.
    let mut unsure = 0;
    for (receiver, length_m) in (0..12).flat_map(|k| {
        let receivers = [
            "poles = 3, pole_pulses = 0.03, limit_db = 20.0",
            "poles = 3, pole_pulses = 0.03, limit_db = 22.0",
            "poles = 1, pole_pulses = 0.04, limit_db = 22.0",
        ];
        receivers.map(|receiver| (receiver, 2000.0 + 0.06 * f64::from(k)))
    }) {
        let fibre = Fibre {
            name: "end",
            pulse_ns: 10,
            spacing_m: 0.3576,
            range_db: 18.0,
            receiver,
            sections: vec![(length_m, "")],
            ..Fibre::plain()
        };
        let rendered = fibre.rendered(1);
        let truth = rendered.truth.events.last().and_then(|end| end.reflectance_db);
        let found = analysis(&rendered);
        let end = found.events.iter().find(|event| event.role == Role::End).expect("an end");
        match (end.peak, truth.expect("it reflects")) {
            (Some(Peak::Whole { reflectance_db: Some(figure) }), true_db) => {
                unsure += 1;
                let off = (figure.value - true_db).abs();
                assert!(off < 3.0 * figure.sigma, "{receiver}: {figure:?}, true {true_db}");
                assert!(found.span.and_then(|s| s.orl_db).is_none_or(|orl| orl.sigma > 1.0));
            }
            (Some(Peak::Saturated { at_least_db: Some(db) }), true_db) => {
                assert!(db < true_db, "{receiver}: {db}, true {true_db}");
            }
            other => panic!("{receiver}: {other:?}"),
        }
    }
    assert!(unsure > 0 && unsure < 12, "{unsure} of 36 may be cut off");
}
