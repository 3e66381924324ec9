//! What must hold for every fibre: published arithmetic, symmetry, statistics. Ids such as E6 are
//! those of the project's reference values; the source stands beside.

use strandline::simulate::{Direction, Rendered, Scenario, render, render_again};
use strandline::trace::Trace;
use strandline::units::power;

fn scenario(head: &str, wavelength: &str, sections: &str) -> Scenario {
    let text = format!(
        r#"
schema = "strandline.scenario/1"
name = "physics"
{head}
[[wavelength]]
nm = 1550
pulse_ns = 100
spacing_m = 1.0
samples = 16000
backscatter_db = -82.0
{wavelength}
{sections}
"#
    );
    Scenario::from_toml(&text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

const PLAIN: &str = "index = 1.4682";

fn one(scenario: &Scenario) -> Rendered {
    render(scenario).remove(0)
}

/// A fibre with everything on it, told from a to b.
const MIXED: &str = r#"
[[section]]
length_m = 500.0
attenuation_db_per_km = 0.20
cord = true
then = { kind = "connector", loss_db = 0.3, reflectance_db = -48.0 }
[[section]]
length_m = 2100.4
attenuation_db_per_km = 0.19
backscatter_step_db = 0.10
then = { kind = "splice", loss_db = 0.06 }
[[section]]
length_m = 1800.0
attenuation_db_per_km = 0.21
backscatter_step_db = -0.05
then = { kind = "bend", loss_db = 0.48 }
[[section]]
length_m = 2000.7
attenuation_db_per_km = 0.21
backscatter_step_db = -0.05
then = { kind = "connector", loss_db = 0.2, reflectance_db = -52.0 }
[[section]]
length_m = 500.0
attenuation_db_per_km = 0.20
cord = true
"#;

#[test]
fn return_loss_of_a_span_is_the_integral_of_its_backscatter() {
    let fiber =
        |length_m: f64| format!("[[section]]\nlength_m = {length_m}\nattenuation_db_per_km = 0.2");
    // head, length, expected, source
    let cases = [
        (
            "end_b = \"crushed\"",
            10_000.0,
            33.938,
            "E6: fibre alone, integral of B/(cT/2n)·e^(-2az)",
        ),
        ("end_b = \"open\"", 10_000.0, 18.318, "E6: with an open end, -14.439 dB less 4 dB"),
        ("end_b = \"crushed\"", 20_000.0, 32.482, "E6: 20 km of fibre"),
    ];
    for (head, length_m, orl_db, source) in cases {
        let head = format!("{PLAIN}\n{head}");
        let truth = one(&scenario(&head, "", &fiber(length_m))).truth;
        assert!((truth.spans[0].orl_db - orl_db).abs() < 1e-3, "{source}: {:?}", truth.spans);
    }
}

#[test]
fn an_open_end_reflects_as_fresnel_says() {
    // E1: 10·log10((n-1)/(n+1))²
    for (index, reflectance_db) in [(1.4682, -14.439), (1.5, -13.979)] {
        let head = format!("index = {index}");
        let fiber = "[[section]]\nlength_m = 5000.0\nattenuation_db_per_km = 0.2";
        let truth = one(&scenario(&head, "", fiber)).truth;
        let shown = truth.end().unwrap().true_reflectance_db.unwrap();
        assert!((shown - reflectance_db).abs() < 1e-3, "{shown}");
    }
}

#[test]
fn a_joint_of_unequal_fibers_gains_from_one_end_and_loses_from_the_other() {
    // D1: +0.12 and -0.04 dB, true 0.04 dB, made from a step of 0.08 dB in the glass; published.
    let head = format!("{PLAIN}\ndirections = [\"a-to-b\", \"b-to-a\"]");
    let fiber = r#"
[[section]]
length_m = 3000.0
attenuation_db_per_km = 0.2
then = { kind = "splice", loss_db = 0.04 }
[[section]]
length_m = 3000.0
attenuation_db_per_km = 0.2
backscatter_step_db = -0.08
"#;
    let rendered = render(&scenario(&head, "", fiber));
    let losses: Vec<f64> = rendered.iter().map(|r| r.truth.events[0].loss_db.unwrap()).collect();
    assert!((losses[0] - 0.12).abs() < 1e-12 && (losses[1] + 0.04).abs() < 1e-12, "{losses:?}");
    // And the trace shows it: the best lines, without noise.
    for (rendered, loss) in rendered.iter().zip(losses) {
        let measured = rendered.truth.events[0].oracle_loss_db.unwrap();
        assert!((measured - loss).abs() < 1e-4, "{measured}, expected {loss}");
    }
}

#[test]
fn a_bend_grows_eightfold_from_1310_to_1550_nm() {
    // D9: 0.06 dB at 1310, 0.48 dB at 1550 nm; published worked example.
    let mut bend = scenario(PLAIN, "", MIXED);
    let mut short = bend.wavelengths[0].clone();
    short.nm = 1310.0;
    bend.wavelengths.push(short);
    let loss = |rendered: &Rendered| rendered.truth.events[2].true_loss_db.unwrap();
    let rendered = render(&bend);
    assert!((loss(&rendered[0]) - 0.48).abs() < 1e-9);
    assert!((loss(&rendered[1]) - 0.06).abs() < 1e-9);
}

#[test]
fn from_the_other_end_it_is_the_same_fiber() {
    let head = format!("{PLAIN}\ndirections = [\"a-to-b\", \"b-to-a\"]");
    let rendered = render(&scenario(&head, "", MIXED));
    let (ahead, back) = (&rendered[0].truth, &rendered[1].truth);
    assert_eq!(ahead.events.len(), 5);
    assert!((ahead.end_m - back.end_m).abs() < 1e-9);
    assert!((ahead.total_loss_db - back.total_loss_db).abs() < 1e-9, "cords are alike");
    for (i, event) in ahead.events[..4].iter().enumerate() {
        let twin = &back.events[3 - i];
        assert!((event.position_m + twin.position_m - ahead.end_m).abs() < 1e-9);
        let mean = f64::midpoint(event.loss_db.unwrap(), twin.loss_db.unwrap());
        assert!((mean - event.true_loss_db.unwrap()).abs() < 1e-12, "event {i}");
    }
}

#[test]
fn a_fiber_that_is_its_own_mirror_image_looks_alike_from_both_ends() {
    let fiber = r#"
[[section]]
length_m = 700.0
attenuation_db_per_km = 0.2
then = { kind = "connector", loss_db = 0.2, reflectance_db = -45.0 }
[[section]]
length_m = 900.0
attenuation_db_per_km = 0.25
then = { kind = "connector", loss_db = 0.2, reflectance_db = -45.0 }
[[section]]
length_m = 700.0
attenuation_db_per_km = 0.2
"#;
    let head =
        format!("{PLAIN}\ndirections = [\"a-to-b\", \"b-to-a\"]\npanel_reflectance_db = -40.0");
    let rendered = render(&scenario(&head, "", fiber));
    assert_eq!(rendered[0].trace.counts, rendered[1].trace.counts);
}

#[test]
fn a_break_stops_the_light_from_both_ends_at_one_place() {
    let fiber = MIXED.replace("{ kind = \"bend\", loss_db = 0.48 }", "{ kind = \"break\" }");
    let head = format!("{PLAIN}\ndirections = [\"a-to-b\", \"b-to-a\"]");
    let rendered = render(&scenario(&head, "", &fiber));
    let length_m = 500.0 + 2100.4 + 1800.0 + 2000.7 + 500.0;
    let ends: f64 = rendered.iter().map(|r| r.truth.end_m).sum();
    assert!((ends - length_m).abs() < 1e-9);
    for rendered in &rendered {
        assert!(rendered.truth.tail_m.abs() < 1e-9, "no light reaches the cord behind");
        assert_eq!(rendered.truth.end().unwrap().loss_db, None);
    }
}

/// Power of each sample as the file holds it, the backscatter at the panel being 1.
fn powers(scenario: &Scenario, trace: &Trace) -> Vec<f64> {
    trace.levels_db().iter().map(|y| power(y + scenario.recording.top_db)).collect()
}

#[test]
fn noise_has_the_stated_size_and_leaves_the_floor_symmetric() {
    let fiber = "[[section]]\nlength_m = 3000.0\nattenuation_db_per_km = 0.2";
    let noisy = scenario(PLAIN, "range_db = 20.0", fiber);
    let rendered = one(&noisy);
    let sigma = rendered.truth.noise_sigma;
    assert!((sigma - 1e-4).abs() < 1e-12, "20 dB one-way are four powers of ten");
    let mut behind = powers(&noisy, &rendered.trace)[4000..].to_vec();
    behind.sort_by(f64::total_cmp);
    let quantile = |q: f64| behind[(q * behind.len() as f64) as usize] / sigma;
    // Normal quantiles; 12,000 samples 1 m apart, poles 0.8 m: about 4,000 independent values.
    for (q, expected) in [(0.8, 0.8416), (0.9, 1.2816), (0.975, 1.9600)] {
        assert!((quantile(q) - expected).abs() < 0.1, "{q}: {}", quantile(q));
    }
    let dark = rendered.trace.counts[4000..].iter().filter(|count| **count == 65_535).count();
    let share = dark as f64 / 12_000.0;
    assert!((share - 0.5).abs() < 0.04, "half of the noise is below zero: {share}");
}

#[test]
fn the_sigmas_of_the_truth_are_what_its_own_best_lines_scatter_by() {
    let settings = "range_db = 17.0\nspeckle = 0.0015";
    let head = format!("{PLAIN}\nend_b = \"crushed\"");
    let mut noisy = scenario(&head, settings, MIXED);
    let (mut sum, mut square, mut number) = (0.0, 0.0, 0.0);
    for seed in 0..150 {
        noisy.seeds.fiber = 1000 + seed;
        for rendered in render_again(&noisy, seed) {
            for event in &rendered.truth.events {
                if let (Some(loss), Some(sigma), Some(oracle)) =
                    (event.loss_db, event.sigma_db, event.oracle_loss_db)
                {
                    let pull = (oracle - loss) / sigma;
                    sum += pull;
                    square += pull * pull;
                    number += 1.0;
                }
            }
        }
    }
    assert!(number >= 590.0, "four joints a trace, {number}");
    // 600 pulls: mean within 4 sigma of its 0.041, variance within 4 sigma of its 0.058; κ in place
    // of the whole covariance makes sigmas up to 5 % large, which the lower bound allows.
    let (mean, variance) = (sum / number, square / number);
    assert!(mean.abs() < 0.17, "mean {mean}");
    assert!((0.70..1.25).contains(&variance), "variance {variance}");
}

#[test]
fn the_same_fiber_again_has_the_same_speckle_and_other_noise() {
    let fiber = "[[section]]\nlength_m = 9000.0\nattenuation_db_per_km = 0.2";
    let head = format!("{PLAIN}\nseeds = {{ fiber = 3, noise = 4 }}");
    let rough = scenario(&head, "speckle = 0.01", fiber);
    assert_eq!(render(&rough), render_again(&rough, 5), "no noise, so nothing else changes");
    let noisy = scenario(&head, "speckle = 0.01\nrange_db = 25.0", fiber);
    let (first, second) = (one(&noisy).trace, render_again(&noisy, 5).remove(0).trace);
    assert_ne!(first.counts, second.counts);
    assert_eq!(one(&noisy).trace, first);
    let other = scenario(&head.replace("fiber = 3", "fiber = 9"), "speckle = 0.01", fiber);
    // Relative ripple about the line: alike within one fibre, unlike between fibres.
    let ripple = |scenario: &Scenario, trace: &Trace| {
        let line = |k: usize| -0.2 * (k as f64 - 5.0) / 1000.0;
        let levels = powers(scenario, trace);
        (100..3000).map(|k| levels[k] / power(line(k)) - 1.0).collect::<Vec<f64>>()
    };
    let correlation = |x: &[f64], y: &[f64]| {
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        dot(x, y) / (dot(x, x) * dot(y, y)).sqrt()
    };
    let rough_ripple = ripple(&rough, &one(&rough).trace);
    assert!(correlation(&ripple(&noisy, &first), &ripple(&noisy, &second)) > 0.95);
    assert!(correlation(&rough_ripple, &ripple(&other, &one(&other).trace)).abs() < 0.3);
    let rms = (rough_ripple.iter().map(|r| r * r).sum::<f64>() / 2900.0).sqrt();
    assert!((rms / 0.01 - 1.0).abs() < 0.2, "{rms}");
}

#[test]
fn two_scale_factors_tell_one_story() {
    let plain = scenario(PLAIN, "range_db = 24.0", MIXED);
    let mut scaled = plain.clone();
    scaled.recording.scales_micro_db = vec![1000, 500];
    let (plain, scaled) = (one(&plain).trace, one(&scaled).trace);
    assert_eq!(scaled.scales.len(), 2);
    assert_eq!(scaled.scales.iter().map(|s| s.samples).sum::<usize>(), 16_000);
    let pairs = plain.levels_db().into_iter().zip(scaled.levels_db());
    // Counts of 0.0005 dB reach down to 32.7 dB only; above that both are within half a count.
    for (k, (x, y)) in pairs.enumerate().filter(|(_, (x, _))| *x > -32.0) {
        assert!((x - y).abs() <= 0.000_75 + 1e-9, "sample {k}: {x} and {y}");
    }
}

#[test]
fn distances_come_from_the_files_own_integers() {
    let mut early = scenario(PLAIN, "", MIXED);
    early.recording.first_sample_100_ps = -2000;
    early.stated_index = Some(1.4677);
    let Rendered { trace, truth, .. } = one(&early);
    // C1: c·t/n for 200 ns one-way at the stated index
    let first_m = trace.position_m(0).0;
    assert!((first_m + 2e-7 * 299_792_458.0 / 1.4677).abs() < 1e-9, "{first_m}");
    // In the glass's own index the file and the truth agree on the spacing.
    let trace = trace.with_index(strandline::units::GroupIndex::new(1.4682).unwrap());
    assert!((trace.spacing_m() - truth.spacing_m).abs() < 1e-12);
    // Nothing shines before the panel, and the first light is half a decibel up within a pulse.
    let panel = trace.counts.iter().position(|count| *count < 65_535).unwrap();
    let panel_m = trace.position_m(panel).0;
    assert!((-3.0..1.5).contains(&panel_m), "{panel_m}");
}

#[test]
fn a_slow_tail_lifts_what_follows_a_peak_and_dies_as_its_pole_says() {
    let tail = "receiver = { poles = 0, slow = [{ fraction = 0.01, length_pulses = 5.0 }] }";
    let plain = scenario(&format!("{PLAIN}\nreceiver = {{ poles = 0 }}"), "", MIXED);
    let tailed = scenario(&format!("{PLAIN}\n{tail}"), "", MIXED);
    let (truth, clear) = (one(&tailed).truth, powers(&plain, &one(&plain).trace));
    let lifted = powers(&tailed, &one(&tailed).trace);
    let pulse_m = truth.pulse_m;
    let peak = &truth.events[0];
    let height = power(peak.peak.unwrap().peak_db) - 1.0;
    // Behind a rectangle one pulse long a pole of five pulses holds height·(e^(1/5) - 1)·e^(-x/5).
    for pulses in [3.0, 6.0, 10.0] {
        let k = ((peak.position_m + pulses * pulse_m) / truth.spacing_m).round() as usize;
        let x = (k as f64 * truth.spacing_m - peak.position_m) / pulse_m;
        let rest = 0.01 * height * ((0.2_f64).exp() - 1.0) * (-x / 5.0).exp();
        let before = clear[((peak.position_m - 1.0) / truth.spacing_m) as usize];
        let excess = (lifted[k] - clear[k]) / before;
        // Besides the peak the tail follows the step at the connector: 1 % of 0.4 dB, 0.002.
        assert!((excess - rest).abs() < 0.05 * rest + 0.002, "{pulses}: {excess}, not {rest}");
    }
}

#[test]
fn ringing_swings_about_the_line_and_leaves_it_where_it_was() {
    let ring = "ring = { fraction = 0.05, period_pulses = 2.0, length_pulses = 1.5 }";
    let head = |ring: &str| format!("{PLAIN}\nreceiver = {{ poles = 2, {ring} }}");
    let plain = scenario(&head(""), "", MIXED);
    let rung = scenario(&head(ring), "", MIXED);
    let (truth, plain) = (one(&plain).truth, powers(&plain, &one(&plain).trace));
    let rung = powers(&rung, &one(&rung).trace);
    let behind = |pulses: f64| {
        ((truth.events[0].position_m + pulses * truth.pulse_m) / truth.spacing_m) as usize
    };
    let off: Vec<f64> = (behind(1.2)..behind(4.0)).map(|k| rung[k] / plain[k] - 1.0).collect();
    assert!(off.iter().any(|off| *off > 0.02) && off.iter().any(|off| *off < -0.02));
    let far = behind(20.0);
    assert!((rung[far] / plain[far] - 1.0).abs() < 1e-3);
}

#[test]
fn a_trace_says_who_where_and_what_without_a_real_name() {
    let mut tagged = scenario(PLAIN, "", MIXED);
    tagged.directions = vec![Direction::BToA];
    tagged.labels.a = "CAIRN POINT".into();
    tagged.labels.b = "SALT QUAY".into();
    let trace = one(&tagged).trace;
    assert_eq!(trace.labels.from.text(), "SALT QUAY");
    assert_eq!(trace.labels.to.text(), "CAIRN POINT");
    assert_eq!(trace.labels.comment.text(), "invented fibre");
    assert!(trace.instrument.supplier.text().contains("invented"));
}

#[test]
fn the_instruments_own_table_lists_what_it_would_see() {
    let table = "table = { threshold_db = 0.1, loss_sigma_db = 0.0, position_sigma_m = 0.0 }";
    let trace = one(&scenario(&format!("{PLAIN}\n{table}"), "", MIXED)).trace;
    let rows = trace.table.unwrap().rows;
    // Connector, splice (0.06 + 0.15 dB apparent), bend, connector, end.
    assert_eq!(rows.len(), 5);
    assert!((rows[1].loss_db - 0.21).abs() < 1e-9, "{:?}", rows[1]);
    assert!(rows[4].is_end() && rows[4].is_reflective());
    assert!(rows[0].is_reflective() && !rows[1].is_reflective());
}
