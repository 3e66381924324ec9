//! Dead zones as the engine measures them, against the same widths read off by brute force on the
//! reflection rendered finely and without noise.

use super::scenario;
use strandline::detect::{self, Study};
use strandline::event::{DeadZones, Event, Role};
use strandline::simulate::render;
use strandline::trace::Trace;

const PLACE_M: f64 = 400.0;
const PULSE_M: f64 = 10.209_524; // 100 ns at 1.4682: C2 of the reference values

/// A joint of 0.2 dB at 400 m, seen through `receiver`.
fn text(reflectance: Option<f64>, receiver: &str, spacing_m: f64, noise: &str) -> String {
    let samples = (1100.0 / spacing_m) as usize;
    let then = match reflectance {
        Some(db) => format!("{{ kind = \"connector\", loss_db = 0.2, reflectance_db = {db} }}"),
        None => "{ kind = \"splice\", loss_db = 0.2 }".to_owned(),
    };
    format!(
        "schema = \"strandline.scenario/1\"\nname = \"dead\"\nindex = 1.4682\n\
         seeds = {{ fiber = 1, noise = 1 }}\npanel_reflectance_db = -60.0\nend_b = \"crushed\"\n\
         receiver = {{ {receiver} }}\n[[wavelength]]\nnm = 1550\npulse_ns = 100\n\
         spacing_m = {spacing_m}\nsamples = {samples}\nbackscatter_db = -82.0\n{noise}\n\
         [[section]]\nlength_m = {PLACE_M}\nattenuation_db_per_km = 0.2\nthen = {then}\n\
         [[section]]\nlength_m = 500.0\nattenuation_db_per_km = 0.2\n"
    )
}

fn levels_db(trace: &Trace) -> Vec<f64> {
    trace.counts.iter().map(|c| -0.001 * f64::from(*c)).collect()
}

/// Event and attenuation dead zone in metres, read off sample by sample: the peak 1.5 dB below its
/// top, and the last sample that lies more than 0.5 dB from the same fibre without the reflection.
fn by_brute_force(reflectance: f64, receiver: &str) -> [Option<f64>; 2] {
    const FINE_M: f64 = 0.025;
    let fine =
        |r| levels_db(&render(&scenario(&text(r, receiver, FINE_M, "speckle = 0.0")))[0].trace);
    let (with, without) = (fine(Some(reflectance)), fine(None));
    let start = (PLACE_M / FINE_M) as usize - 1200;
    let top = with[start..].iter().copied().fold(f64::MIN, f64::max);
    let top_at = start + with[start..].iter().position(|y| *y == top).expect("a top");
    let high = |k: &usize| with[*k] > top - 1.5;
    let (first, last) =
        (start..top_at).find(high).zip((top_at..with.len()).rfind(high)).expect("a peak");
    // no peak of 1.5 dB: the level before it is as high
    let event = (first > start).then(|| (last - first + 1) as f64 * FINE_M);
    let off = |k: &usize| (with[*k] - without[*k]).abs() > 0.5;
    let end = (900.0 / FINE_M) as usize - 1200;
    let attenuation = (start..end).rfind(off).map(|k| (k as f64 + 0.5) * FINE_M - PLACE_M);
    [event, attenuation]
}

/// The same by the engine, on a recording with noise and a usual spacing.
fn by_engine(reflectance: f64, receiver: &str, seed: u64) -> (Event, DeadZones) {
    let noisy = "range_db = 18.0\nspeckle = 0.0005";
    let mut scenario = scenario(&text(Some(reflectance), receiver, 0.6, noisy));
    (scenario.seeds.fiber, scenario.seeds.noise) = (seed, seed);
    let trace = render(&scenario)[0].trace.clone();
    let analysis = detect::events(&trace, &detect::Cords::default());
    let near = |e: &&Event| e.role == Role::Joint && (e.position_m.0 - PLACE_M).abs() < 3.0;
    let event = analysis.events.iter().find(near).unwrap_or_else(|| panic!("{analysis:?}"));
    (event.clone(), Study::of(&trace).dead_zones(event))
}

#[test]
fn dead_zones_are_the_widths_that_brute_force_reads() {
    let receivers = [
        "poles = 1, pole_pulses = 0.08",
        "poles = 3, pole_pulses = 0.05",
        "poles = 5, pole_pulses = 0.06",
        "poles = 3, pole_pulses = 0.05, slow = [{ fraction = 0.004, length_pulses = 3.0 }]",
    ];
    for (number, receiver) in receivers.into_iter().enumerate() {
        for reflectance in [-36.0, -45.0, -55.0] {
            let truth = by_brute_force(reflectance, receiver);
            let (_, zones) = by_engine(reflectance, receiver, number as u64);
            for (name, truth, found) in
                [("event", truth[0], zones.event_m), ("attenuation", truth[1], zones.attenuation_m)]
            {
                let (truth, found) = (truth.expect(name), found.expect(name));
                let off = found.value - truth;
                println!(
                    "{receiver}, {reflectance} dB, {name}: {truth:.3}, found {:.3} ± {:.3} m",
                    found.value, found.sigma
                );
                // 24 widths within 4 sigma: noise alone breaks this once in 700; brute force reads
                // them in steps of 0.025 m
                assert!(off.abs() < 4.0 * found.sigma + 0.025, "{off} m");
                assert!(
                    found.sigma < 0.2 * PULSE_M,
                    "a sigma that says nothing: {} m",
                    found.sigma
                );
            }
        }
    }
}

#[test]
fn through_an_ideal_receiver_the_event_dead_zone_is_one_pulse_length() {
    // J1, a cable maker's training wiki, "event dead zone": 5·log10 2 = 1.505, so the width 1.5 dB below
    // the top is the full width at half power, and that of an ideal receiver's rectangle one pulse
    let (_, zones) = by_engine(-40.0, "poles = 0", 1);
    let event = zones.event_m.expect("a width");
    assert!((event.value - PULSE_M).abs() < 0.02 * PULSE_M, "{event:?}");
}

#[test]
fn a_peak_lower_than_the_bound_has_no_dead_zone_and_a_cut_off_one_is_not_told() {
    // Height over backscatter 5·log10(1 + A/p) (E3): -66 dB stands 0.73 dB up, -72 dB 0.21 dB.
    let receiver = "poles = 3, pole_pulses = 0.05";
    let (_, low) = by_engine(-66.0, receiver, 1);
    assert!(low.event_m.is_none() && low.attenuation_m.is_some(), "{low:?}");
    assert_eq!(by_brute_force(-66.0, receiver)[0], None);
    let (event, lower) = by_engine(-72.0, receiver, 1);
    assert!(event.peak.is_some(), "its reflection is seen all the same");
    assert_eq!(lower, DeadZones::default());
    let cut = "poles = 3, pole_pulses = 0.05, limit_db = 6.0";
    let (event, cut) = by_engine(-20.0, cut, 1);
    assert!(event.is_saturated());
    assert_eq!(cut, DeadZones::default());
}
