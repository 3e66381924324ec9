//! Micro-cases without noise: levels at chosen samples. Every expected level is the closed form of
//! `docs/theory.md`, worked out apart from this program and checked by quadrature.
//!
//! Common to all: index 1.468, samples every 0.5 m (5 m where the pulse is 5 µs), B -82 dB.

use super::light::{Grid, Light};
use super::path::Path;
use super::scenario::{Direction, Scenario};
use super::{glass_index, render};
use crate::units::level_db;

/// A scenario of one wavelength without noise.
fn scenario(pulse_ns: u32, spacing_m: f64, rest: &str) -> Scenario {
    let text = format!(
        r#"
schema = "strandline.scenario/1"
name = "golden"
index = 1.468
{rest}
[[wavelength]]
nm = 1550
pulse_ns = {pulse_ns}
spacing_m = {spacing_m}
samples = 12000
backscatter_db = -82.0
"#
    );
    Scenario::from_toml(&text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// Power at samples exactly `spacing_m` apart: a file's unit of time would round that.
fn powers(pulse_ns: u32, spacing_m: f64, rest: &str) -> Vec<f64> {
    let scenario = scenario(pulse_ns, spacing_m, rest);
    let index = glass_index(&scenario);
    let path = Path::new(&scenario, &scenario.wavelengths[0], Direction::AToB, index);
    let grid = Grid { first_m: 0.0, spacing_m, samples: 12_000 };
    Light::new(&path, &path.reflections()).received(&grid, &scenario.receiver, path.pulse_m)
}

fn levels(pulse_ns: u32, spacing_m: f64, rest: &str) -> impl Fn(usize) -> f64 + use<> {
    let powers = powers(pulse_ns, spacing_m, rest);
    move |k| level_db(powers[k])
}

const NO_RECEIVER: &str = "end_b = \"crushed\"\nreceiver = { poles = 0 }\n";

/// Levels at samples, in dB, to the six decimals printed.
fn check(y: impl Fn(usize) -> f64, expected: &[(usize, f64)]) {
    for (k, level) in expected {
        assert!((y(*k) - level).abs() < 6e-7, "sample {k}: {}, expected {level}", y(*k));
    }
}

fn section(length_m: f64, attenuation: f64, then: &str) -> String {
    format!("[[section]]\nlength_m = {length_m}\nattenuation_db_per_km = {attenuation}\n{then}\n")
}

#[test]
fn straight_fiber_is_a_straight_line_half_a_pulse_late() {
    let y = levels(100, 0.5, &(NO_RECEIVER.to_owned() + &section(9000.0, 0.2, "")));
    check(y, &[(1000, -0.098_979), (4000, -0.398_979)]);
}

#[test]
fn a_splice_falls_over_one_pulse() {
    let splice = "then = { kind = \"splice\", loss_db = 0.1 }";
    let rest = NO_RECEIVER.to_owned() + &section(2000.3, 0.19, splice) + &section(9e3, 0.19, "");
    check(levels(100, 0.5, &rest), &[(4000, -0.379_030), (4010, -0.425_427), (4030, -0.481_880)]);
}

#[test]
fn a_gainer_between_unequal_fibers_is_seen_half_a_pulse_behind_it() {
    // A gain of 0.08 dB: nothing lost, but the glass behind scatters 0.08 dB more.
    let joint = "then = { kind = \"splice\", loss_db = 0.0 }";
    let rest = NO_RECEIVER.to_owned()
        + &section(10_000.0, 0.35, joint)
        + &section(40_000.0, 0.19, "backscatter_step_db = 0.08");
    check(levels(5000, 5.0, &rest), &[(2000, -3.410_042), (2050, -3.449_078), (2200, -3.561_318)]);
}

/// Reflectances are those of the surface; the micro-cases state what the trace shows, which is
/// reckoned from the line, `10·log10((e^{aW}-1)/(aW))` above the density at the surface.
fn of_the_surface(shown_db: f64, attenuation_db_per_km: f64, pulse_m: f64) -> f64 {
    let x = attenuation_db_per_km / 1000.0 / (5.0 / std::f64::consts::LN_10) * pulse_m;
    shown_db + 10.0 * (x.exp_m1() / x).log10()
}

const PULSE_M: f64 = 10.210_915;

#[test]
fn a_reflection_is_as_high_as_its_reflectance_says() {
    let mirror = of_the_surface(-45.0, 0.19, PULSE_M);
    let joint = format!("then = {{ kind = \"connector\", reflectance_db = {mirror} }}");
    let rest = NO_RECEIVER.to_owned() + &section(1500.2, 0.19, &joint) + &section(9e3, 0.19, "");
    check(
        levels(100, 0.5, &rest),
        &[(3000, -0.284_030), (3001, 8.258_831), (3020, 8.258_796), (3021, -0.286_025)],
    );
}

#[test]
fn a_receiver_of_three_poles_rounds_a_connector() {
    let mirror = of_the_surface(-50.0, 0.19, PULSE_M);
    let pole = 0.828_525 / PULSE_M;
    let joint =
        format!("then = {{ kind = \"connector\", reflectance_db = {mirror}, loss_db = 0.3 }}");
    let rest = format!("end_b = \"crushed\"\nreceiver = {{ poles = 3, pole_pulses = {pole} }}\n")
        + &section(1500.2, 0.19, &joint)
        + &section(9e3, 0.19, "");
    let y = levels(100, 0.5, &rest);
    // The pole's length is printed to six digits, which a steep flank of 5 dB/m shows in the fifth.
    let expected = [
        (2996, -0.109_115),
        (3000, 4.545_622),
        (3010, 5.825_775),
        (3022, 3.365_272),
        (3040, -0.585_571),
    ];
    for (k, level) in expected {
        assert!((y(k) - level).abs() < 3e-5, "sample {k}: {}, expected {level}", y(k));
    }
}

#[test]
fn two_splices_within_two_pulses_overlap() {
    let of = |loss: f64| format!("then = {{ kind = \"splice\", loss_db = {loss} }}");
    let rest = NO_RECEIVER.to_owned()
        + &section(3000.0, 0.19, &of(0.3))
        + &section(15.316_372, 0.19, &of(0.2))
        + &section(9e3, 0.19, "");
    check(
        levels(100, 0.5, &rest),
        &[
            (6000, -0.569_030),
            (6010, -0.711_679),
            (6025, -0.871_405),
            (6040, -0.962_265),
            (6060, -1.074_730),
        ],
    );
}

#[test]
fn echoes_stand_where_three_bounces_put_them() {
    let joint = |r: f64| format!("then = {{ kind = \"connector\", reflectance_db = {r} }}");
    let rest = NO_RECEIVER.to_owned()
        + "panel_reflectance_db = -30.0\n"
        + &section(500.0, 0.19, &joint(-25.0))
        + &section(700.0, 0.19, &joint(-20.0))
        + &section(9e3, 0.19, "");
    let truth = render(&scenario(100, 0.5, &rest)).remove(0).truth;
    // place, height in dB; the lines' 0.001 dB are below the printed digits
    for (position_m, peak_db) in
        [(1900.0, 0.8822), (2400.0, 0.3195), (1700.0, 0.2074), (1000.0, 0.0341)]
    {
        let echo = (truth.echoes.iter())
            .find(|echo| (echo.position_m - position_m).abs() < 1e-6)
            .unwrap_or_else(|| panic!("no echo at {position_m} m: {:?}", truth.echoes));
        let off = (echo.peak_db / peak_db - 1.0).abs();
        assert!(off < 2e-3, "{position_m} m: {} dB, expected {peak_db}", echo.peak_db);
    }
}

#[test]
fn a_crushed_end_runs_out_over_one_pulse() {
    let rest = NO_RECEIVER.to_owned() + &section(5000.3, 0.19, "");
    let p = powers(100, 0.5, &rest);
    check(
        |k| level_db(p[k]),
        &[(10_000, -0.949_030), (10_005, -1.476_209), (10_010, -2.288_738), (10_020, -7.453_589)],
    );
    assert!((p[10_021] - 6.901_432e-4).abs() < 3e-7, "{}", p[10_021]);
    assert!(p[10_022].abs() < 1e-15, "{}", p[10_022]);
}

#[test]
fn half_the_decibels_of_a_splitter_are_gone_near_the_end_of_its_ramp() {
    let joint = "then = { kind = \"splitter\", loss_db = 10.5 }";
    let rest = NO_RECEIVER.to_owned() + &section(4000.0, 0.33, joint) + &section(9e3, 0.33, "");
    check(
        levels(100, 0.5, &rest),
        &[(8000, -1.318_315), (8010, -2.763_419), (8019, -6.887_216), (8021, -11.821_780)],
    );
}

#[test]
fn a_knot_bends_the_line_without_a_step() {
    let rest = NO_RECEIVER.to_owned()
        + &section(10_000.0, 0.19, "then = { kind = \"knot\" }")
        + &section(40_000.0, 0.35, "");
    let p = powers(5000, 5.0, &rest);
    check(|k| level_db(p[k]), &[(2000, -1.851_318), (2050, -1.908_427), (2200, -2.160_042)]);
    let truth = render(&scenario(5000, 5.0, &rest)).remove(0).truth;
    assert_eq!(truth.events.len(), 1, "the end alone is an event");
    assert_eq!(truth.sections.len(), 2);
}

#[test]
fn a_receiver_at_its_limit_cuts_the_peak_and_the_truth_says_so() {
    let mirror = of_the_surface(-20.0, 0.19, PULSE_M);
    let joint = format!("then = {{ kind = \"connector\", reflectance_db = {mirror} }}");
    let rest = "end_b = \"crushed\"\nreceiver = { poles = 0, limit_db = 6.0 }\n".to_owned()
        + &section(1500.2, 0.19, &joint)
        + &section(9e3, 0.19, "");
    let rendered = render(&scenario(100, 0.5, &rest)).remove(0);
    let peak = rendered.truth.events[0].peak.unwrap();
    assert!((peak.peak_db - 21.0).abs() < 5e-4, "unclipped height {}", peak.peak_db);
    assert!(peak.clipped);
    // Counts of 0.001 dB below 26 dB over the panel: the limit stands at 20,000.
    let least = rendered.trace.counts.iter().min().unwrap();
    assert_eq!(*least, 20_000);
}
