//! Event-free fibres of several pulses, spacings and receivers: how often something is found on them.

use super::fibre::{Fibre, analysis, draws, joints};
use strandline::event::Role;

fn kinds() -> Vec<Fibre> {
    let plain = Fibre::plain();
    vec![
        Fibre { name: "10 samples a pulse", ..plain.clone() },
        Fibre { name: "29 samples a pulse", spacing_m: 0.35, ..plain.clone() },
        Fibre { name: "5 samples a pulse", pulse_ns: 50, ..plain.clone() },
        Fibre {
            name: "40 km, 1 µs",
            pulse_ns: 1000,
            spacing_m: 4.0,
            range_db: 20.0,
            sections: vec![(40_000.0, "")],
            ..plain.clone()
        },
        Fibre {
            name: "10 ns, rough glass",
            pulse_ns: 10,
            spacing_m: 0.2,
            speckle: 0.004,
            sections: vec![(2000.0, "")],
            ..plain.clone()
        },
        Fibre { name: "one slow pole", receiver: "poles = 1, pole_pulses = 0.2", ..plain.clone() },
        Fibre { name: "weak", range_db: 6.0, ..plain },
    ]
}

/// The least number that a Poisson variable of `mean` exceeds less often than once in 10,000.
fn most(mean: f64) -> usize {
    let (mut term, mut sum, mut n) = ((-mean).exp(), 0.0, 0);
    loop {
        sum += term;
        if 1.0 - sum < 1e-4 {
            return n;
        }
        n += 1;
        term *= mean / n as f64;
    }
}

#[test]
fn event_free_fibres_have_no_more_events_than_promised() {
    // Promised: a false event in fewer than one trace in 50 (docs/accuracy.md), on every kind.
    let draws = draws(60);
    let mut wrong = Vec::new();
    for kind in kinds() {
        let (mut events, mut ends) = (0, 0);
        for seed in 0..draws as u64 {
            let rendered = kind.rendered(seed);
            let found = analysis(&rendered);
            events += joints(&found).len();
            let end = found.events.iter().find(|e| e.role == Role::End);
            let off = |m: f64| (m - rendered.truth.end_m).abs() < 0.5 * rendered.trace.pulse_m();
            ends += usize::from(end.is_some_and(|e| off(e.position_m.0)));
        }
        let may = most(0.02 * draws as f64);
        println!("{}: {events} false events, {ends} ends in {draws} traces", kind.name);
        if events > may || ends < draws {
            wrong.push(format!("{}: {events} false events ({may} may), {ends} ends", kind.name));
        }
    }
    assert!(wrong.is_empty(), "of {draws} traces each: {wrong:#?}");
}
