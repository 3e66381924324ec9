//! A detector that forgets late, behind a deep drop and behind an open end. Expected figures are the
//! scenario's own.

use strandline::detect::{self, Cords};
use strandline::event::{Analysis, Role};
use strandline::simulate::{self, Scenario};

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
