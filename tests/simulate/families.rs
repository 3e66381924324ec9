//! Random fibres by kind: each shows what its name says, and its truth is honest.

use strandline::simulate::family::{Family, draw};
use strandline::simulate::{Truth, render};

fn truths(family: Family, seeds: std::ops::Range<u64>) -> Vec<Truth> {
    seeds.map(|seed| render(&draw(family, seed)).remove(0).truth).collect()
}

#[test]
fn a_family_and_a_seed_settle_every_byte() {
    for family in Family::ALL {
        assert_eq!(Family::from_name(family.name()), Some(family));
        assert_eq!(render(&draw(family, 5)), render(&draw(family, 5)), "{}", family.name());
        assert_ne!(render(&draw(family, 5))[0].trace, render(&draw(family, 6))[0].trace);
    }
    assert_eq!(Family::from_name("nonesuch"), None);
}

#[test]
fn every_fiber_has_an_end_and_events_in_order() {
    for family in Family::ALL {
        for truth in truths(family, 0..25) {
            let places: Vec<f64> = truth.events.iter().map(|event| event.position_m).collect();
            assert!(places.is_sorted(), "{}: {places:?}", truth.name);
            assert!((truth.end().unwrap().position_m - truth.end_m).abs() < 1e-9, "{}", truth.name);
            assert!(truth.end_m < truth.samples as f64 * truth.spacing_m, "{}", truth.name);
            let glass: f64 = truth.sections.iter().map(|s| s.to_m - s.from_m).sum();
            assert!((glass - truth.end_m).abs() < 1e-6, "{}: sections leave no gap", truth.name);
        }
    }
}

#[test]
fn each_family_shows_what_its_name_says() {
    let pairs = truths(Family::Pairs, 0..25);
    assert!(pairs.iter().filter(|truth| !truth.groups.is_empty()).count() > 15);
    for truth in &pairs {
        for group in &truth.groups {
            let losses: Option<f64> =
                truth.events[group.first..=group.last].iter().map(|event| event.loss_db).sum();
            assert_eq!(losses, group.loss_db, "{}", truth.name);
        }
    }
    let deep = truths(Family::Deep, 0..25);
    assert!(deep.iter().filter(|truth| !truth.end().unwrap().required).count() > 5);
    let split = truths(Family::Split, 0..25);
    for truth in &split {
        assert_eq!(truth.events.iter().filter(|e| e.kind == "splitter").count(), 1);
    }
    for seed in 0..10 {
        assert_eq!(render(&draw(Family::Scales, seed))[0].trace.scales.len(), 2);
        assert!(draw(Family::Ring, seed).receiver.ring.is_some());
        assert!(draw(Family::Droop, seed).receiver.slow.iter().any(|slow| slow.fraction < 0.0));
        assert!(draw(Family::Offset, seed).receiver.zero_offset_sigma.abs() >= 0.2);
        assert!(draw(Family::Spikes, seed).receiver.spikes.is_some());
    }
    let slopes = |truth: &Truth| {
        let slopes = truth.sections.iter().map(|section| section.attenuation_db_per_km);
        slopes.clone().fold(0.0, f64::max) / slopes.fold(f64::INFINITY, f64::min)
    };
    let spread = |family| truths(family, 0..25).iter().map(slopes).sum::<f64>() / 25.0;
    assert!(spread(Family::Mixed) > spread(Family::Metro) + 0.05);
}

#[test]
fn the_sigmas_of_ordinary_families_are_honest() {
    for family in [Family::Premises, Family::Access, Family::Split, Family::Metro, Family::Longhaul]
    {
        let pulls: Vec<f64> = truths(family, 100..160)
            .iter()
            .flat_map(|truth| &truth.events)
            .filter_map(|event| Some((event.oracle_loss_db? - event.loss_db?) / event.sigma_db?))
            .collect();
        let rms = (pulls.iter().map(|pull| pull * pull).sum::<f64>() / pulls.len() as f64).sqrt();
        // At least 150 pulls: rms of a normal within 4 × 0.058; sigmas hold some bias, so may be large.
        assert!(pulls.len() > 150 && (0.7..1.24).contains(&rms), "{}: {rms}", family.name());
    }
}
