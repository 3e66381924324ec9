//! A receiver whose zero lies so low that the file's floor hides nine tenths of its noise and more. Expected figures are
//! the scenario's own.

use super::fibre::{self, Fibre};

#[test]
fn noise_of_which_the_floor_hides_nearly_all_is_read_from_what_is_seen() {
    let connector = "kind = \"connector\", loss_db = 0.3, reflectance_db = -45.0";
    let splice = "kind = \"splice\", loss_db = 0.25";
    let low = |receiver: &'static str| Fibre {
        name: "low",
        pulse_ns: 200,
        spacing_m: 2.0,
        range_db: 10.0,
        speckle: 0.0005,
        receiver,
        sections: vec![(5000.0, connector), (6000.0, splice), (7000.0, splice), (10_000.0, "")],
        ..Fibre::plain()
    };
    // Normal noise stands over 1.2 sigma in 11.5 % of all samples, over 1.5 sigma in 6.7 %.
    for receiver in [
        "poles = 3, pole_pulses = 0.08, zero_offset_sigma = -1.2",
        "poles = 3, pole_pulses = 0.08, zero_offset_sigma = -1.5",
    ] {
        let mut more = Vec::new();
        for seed in 0..10 {
            let found = fibre::analysis(&low(receiver).rendered(seed));
            assert!(found.noise.floor_db.is_some(), "{receiver}, seed {seed}: noise is seen");
            let places = fibre::places_m(&found);
            for place in [5000.0, 11_000.0, 18_000.0] {
                let near = places.iter().any(|x| (x - place).abs() < 40.0); // two pulses
                assert!(near, "{receiver}, seed {seed}: none at {place} m of {places:?}");
            }
            more.push(places.len() - 3);
        }
        // One false event in 50 traces is promised; of 10, more than 2 come about once in a thousand.
        assert!(more.iter().sum::<usize>() <= 2, "{receiver}: more joints than planted: {more:?}");
    }
}
