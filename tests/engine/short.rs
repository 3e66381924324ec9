//! Traces that end soon behind their fibre: an echo of the end's reflection stands near the last samples.

use super::fibre::{Fibre, analysis};
use strandline::event::Role;

/// A connector in the first half of the link, so that light between it and the open end is back before the trace ends.
fn link(pulse_ns: u16, spacing_m: f64, connectors: &[(f64, &'static str)]) -> Fibre {
    let mut sections = connectors.to_vec();
    sections.push((1500.0, ""));
    Fibre { name: "short", pulse_ns, spacing_m, range_db: 18.0, sections, ..Fibre::plain() }
}

const CONNECTOR: &str = "kind = \"connector\", loss_db = 0.2, reflectance_db = -45.0";

#[test]
fn an_echo_near_the_last_samples_is_no_end_and_hides_no_noise() {
    let one = [(1300.0, CONNECTOR)];
    let pairs = [(1300.0, CONNECTOR), (1.6 * 51.1, CONNECTOR)];
    let short = [(1300.0, CONNECTOR), (1.6 * 10.2, CONNECTOR)];
    let links = [link(500, 2.5, &one), link(500, 2.5, &pairs), link(100, 1.25, &short)];
    for link in links {
        let length_m: f64 = link.sections.iter().map(|(m, _)| m).sum();
        for seed in 0..10 {
            let found = analysis(&link.rendered(seed));
            let what = format!("{} ns, seed {seed}: {found:?}", link.pulse_ns);
            let end = found.events.iter().find(|event| event.role == Role::End).expect(&what);
            assert!((end.position_m.0 - length_m).abs() < 5.0, "{what}");
            let behind = found.events.iter().filter(|event| event.position_m > end.position_m);
            assert!(behind.clone().all(|event| event.role == Role::Echo), "{what}");
            assert!(found.noise.floor_db.is_some(), "its noise is seen: {what}");
        }
    }
}

#[test]
fn the_noise_of_a_short_recording_is_read_however_few_samples_it_is_first_read_from() {
    // The first sixteenth of the samples is nine independent ones: they may tell half of the noise.
    let splice = "kind = \"splice\", loss_db = 0.15";
    let sections = vec![(1500.0, splice), (150.0, "")];
    let receiver = "poles = 5, pole_pulses = 0.06";
    let link = Fibre {
        receiver,
        pulse_ns: 500,
        spacing_m: 2.5,
        range_db: 18.0,
        sections,
        ..Fibre::plain()
    };
    for seed in 0..60 {
        let found = analysis(&link.rendered(seed));
        let end = found.events.iter().find(|event| event.role == Role::End);
        let end_m = end.unwrap_or_else(|| panic!("seed {seed}: no end")).position_m.0;
        assert!((end_m - 1650.0).abs() < 2.5, "seed {seed}: {end_m} m");
    }
}
