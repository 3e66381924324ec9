//! Scenarios that cannot be: each is refused with its place.

use strandline::simulate::{Scenario, render};

const GOOD: &str = r#"schema = "strandline.scenario/1"
name = "odd"
index = 1.468

[[wavelength]]
nm = 1550
pulse_ns = 100
spacing_m = 1.0
samples = 4000
backscatter_db = -82.0

[[section]]
length_m = 1000.0
attenuation_db_per_km = 0.19
then = { kind = "splice", loss_db = 0.1 }

[[section]]
length_m = 1000.0
attenuation_db_per_km = { 1310 = 0.33, 1550 = 0.19 }
"#;

#[test]
fn what_cannot_be_is_refused_with_line_and_column() {
    // what is replaced, by what, line and column of the fault, words that must stand in the message
    let cases = [
        ("strandline.scenario/1", "strandline.scenario/9", 1, 1, "expected"),
        ("index = 1.468", "index = 2.468", 3, 9, "group index"),
        ("pulse_ns", "puls_ns", 7, 1, "unknown field"),
        ("spacing_m = 1.0", "spacing_m = 0.0", 8, 13, "greater than 0"),
        ("samples = 4000", "samples = -1", 9, 11, "invalid value"),
        ("backscatter_db = -82.0", "backscatter_db = 82.0", 10, 18, "negative"),
        ("kind = \"splice\"", "kind = \"slpice\"", 15, 17, "unknown variant"),
        ("loss_db = 0.1 }", "loss_db = 0.1, depth = 3 }", 15, 42, "unknown field"),
        ("then = { kind = \"splice\", loss_db = 0.1 }", "", 12, 1, "needs `then`"),
        ("1550 = 0.19 }", "1550 = 0.0 }", 17, 1, "greater than 0"),
        ("index = 1.468", "index = \"x\"", 3, 9, "invalid type"),
        ("index = 1.468", "index = 1.468\nindex = 1.4", 4, 1, "duplicate"),
    ];
    assert!(Scenario::from_toml(GOOD).is_ok());
    for (from, to, line, column, words) in cases {
        assert!(GOOD.contains(from), "{from}");
        let error = Scenario::from_toml(&GOOD.replacen(from, to, 1)).unwrap_err();
        assert!(error.says.contains(words), "{to}: {error}");
        assert_eq!((error.line, error.column), (line, column), "{to}: {error}");
    }
}

#[test]
fn a_scenario_cut_at_any_byte_never_panics() {
    for end in 0..GOOD.len() {
        if let Ok(scenario) = Scenario::from_toml(&GOOD[..end]) {
            assert_eq!(render(&scenario).len(), 1, "cut at {end}");
        }
    }
}

#[test]
fn values_that_no_file_could_hold_give_a_trace_and_no_panic() {
    let mut scenario = Scenario::from_toml(GOOD).unwrap();
    scenario.index = f64::NAN;
    scenario.wavelengths[0].samples = 0;
    scenario.wavelengths[0].pulse_ns = 0;
    scenario.wavelengths[0].speckle = 0.5;
    scenario.wavelengths[0].range_db = Some(f64::INFINITY);
    scenario.sections[0].length_m = -5.0;
    scenario.receiver.poles = 77;
    scenario.receiver.pole_pulses = 1e9;
    scenario.recording.scales_micro_db = vec![0];
    assert_eq!(render(&scenario)[0].trace.counts.len(), 1);
    scenario.sections.clear();
    assert_eq!(render(&scenario).len(), 1);
}
