//! A detector that forgets late, behind a deep drop and behind an open end. Expected figures are the
//! scenario's own.

use strandline::detect::{self, Cords};
use strandline::event::{Analysis, Event, Role};
use strandline::simulate::{self, Scenario};

use crate::fibre::{self, Fibre};

/// Two lengths of fibre with a drop of `drop_db` between them, seen by a detector that keeps three
/// thousandths of the light for three pulse lengths.
fn analysis(end: &str, drop_db: f64, behind_m: f64) -> Analysis {
    let text = format!(
        r#"
schema = "strandline.scenario/1"
name = "slow"
index = 1.4682
seeds = {{ fiber = 1, noise = 1 }}
panel_reflectance_db = -45.0
end_b = "{end}"
receiver = {{ poles = 3, pole_pulses = 0.05, slow = [{{ fraction = 0.003, length_pulses = 3.0 }}] }}
[[wavelength]]
nm = 1550
pulse_ns = 300
spacing_m = 1.5
samples = 12000
backscatter_db = -82.0
range_db = 32
speckle = 0.0005
[[section]]
length_m = 4000
attenuation_db_per_km = 0.2
then = {{ kind = "splitter", loss_db = {drop_db} }}
[[section]]
length_m = {behind_m}
attenuation_db_per_km = 0.2
"#
    );
    let scenario = Scenario::from_toml(&text).expect("a scenario");
    detect::events(&simulate::render(&scenario)[0].trace, &Cords::default())
}

#[test]
fn the_light_a_slow_detector_keeps_behind_a_splitter_is_no_event_and_no_loss_less() {
    for drop_db in [7.2, 13.0, 16.5] {
        let found = analysis("open", drop_db, 4000.0);
        let joints: Vec<_> = found.events.iter().filter(|e| e.role == Role::Joint).collect();
        let [splitter] = joints[..] else { panic!("{drop_db} dB: {joints:?}") };
        let loss = splitter.loss_db.expect("a loss");
        let within = 4.0 * loss.sigma; // one of 16,000 normal draws lies beyond
        assert!((loss.value - drop_db).abs() < within, "{loss:?}, expected {drop_db}");
    }
}

#[test]
fn fiber_that_stays_level_behind_such_a_splitter_is_fiber_to_its_end() {
    // 20 pulses of fibre, all of them in what the detector still remembers
    let found = analysis("crushed", 16.5, 620.0);
    let end = found.events.iter().find(|e| e.role == Role::End).expect("an end");
    assert!((end.position_m.0 - 4620.0).abs() < 15.0, "{end:?}"); // half a pulse
}

/// A connector at 400 m, an end at 900 m, and a recording that stops at `to_m`.
fn short_recording(end: &str, slow: (f64, f64), range_db: f64, to_m: f64, seed: u64) -> Analysis {
    let (fraction, pulses) = slow;
    let text = format!(
        r#"
schema = "strandline.scenario/1"
name = "short"
index = 1.4682
seeds = {{ fiber = {seed}, noise = {seed} }}
panel_reflectance_db = -60.0
end_b = "{end}"
receiver = {{ poles = 3, pole_pulses = 0.05, slow = [{{ fraction = {fraction}, length_pulses = {pulses} }}] }}
[[wavelength]]
nm = 1550
pulse_ns = 100
spacing_m = 0.6
samples = {}
backscatter_db = -82.0
range_db = {range_db}
speckle = 0.0005
[[section]]
length_m = 400.0
attenuation_db_per_km = 0.2
then = {{ kind = "connector", loss_db = 0.2, reflectance_db = -45.0 }}
[[section]]
length_m = 500.0
attenuation_db_per_km = 0.2
"#,
        (to_m / 0.6) as usize
    );
    let scenario = Scenario::from_toml(&text).expect("a scenario");
    detect::events(&simulate::render(&scenario)[0].trace, &Cords::default())
}

/// What a detector forgets behind an end may fill a short recording down to its last sample; it is no
/// fibre all the same. Not every one can be told: of the 36, one may be missed.
#[test]
fn a_decay_behind_an_end_is_no_fiber_however_short_the_recording() {
    let (mut ends, mut more, mut all) = (0, 0, 0);
    for (n, slow) in [(0.001, 3.0), (0.004, 1.0), (0.004, 3.0)].into_iter().enumerate() {
        for end in ["open", "crushed"] {
            for range_db in [15.0, 18.0, 22.0] {
                for to_m in [1020.0, 1500.0] {
                    all += 1;
                    let found = short_recording(end, slow, range_db, to_m, 70 + n as u64);
                    let is_end = |e: &&Event| e.role == Role::End && near(e.position_m.0, 900.0);
                    ends += usize::from(found.events.iter().any(|e| is_end(&e)));
                    let joints = found.events.iter().filter(|e| e.role == Role::Joint);
                    more += joints.filter(|e| !near(e.position_m.0, 400.0)).count();
                }
            }
        }
    }
    assert!(ends + 1 >= all && more <= 1, "{ends} ends of {all}, {more} joints where none is");
}

/// Within half a pulse.
fn near(x_m: f64, place_m: f64) -> bool {
    (x_m - place_m).abs() < 5.0
}

/// Two connectors that are cut off, seen by a receiver whose zero sinks behind strong light: nobody knows how
/// much light that was, and what comes up again is still no row of gains.
#[test]
fn what_droops_behind_reflections_that_are_cut_off_is_no_event() {
    let connector = "kind = \"connector\", loss_db = 0.3, reflectance_db = -35.0";
    let drooping = Fibre {
        name: "drooping",
        receiver: "poles = 3, pole_pulses = 0.06, limit_db = 8.0, \
                   slow = [{ fraction = -0.003, length_pulses = 15.0 }]",
        sections: vec![(2500.0, connector), (3000.0, connector), (2500.0, "")],
        ..Fibre::plain()
    };
    for seed in 0..10 {
        let found = fibre::analysis(&drooping.rendered(seed));
        let places = fibre::places_m(&found);
        let right = places.len() == 2 && near(places[0], 2500.0) && near(places[1], 5500.0);
        assert!(right, "seed {seed}: joints at {places:?} m, planted at 2500 and 5500 m");
    }
}
