//! What must not change an answer: another level or count scale, more noise behind the end, pairs of
//! samples averaged, a trace cut off, events moved by a part of a sample.

use super::fibre::{Fibre, joints};
use strandline::detect::{self, Cords};
use strandline::event::{Analysis, Event};
use strandline::simulate::{Finish, render_again};
use strandline::trace::Trace;

/// A splice of 0.2 dB at 2500 m + `by_m`, a connector at 5000 m + `by_m`, an end at 8 km.
fn jointed(by_m: f64) -> Fibre {
    Fibre {
        name: "jointed",
        sections: vec![
            (2500.0 + by_m, "kind = \"splice\", loss_db = 0.2"),
            (2500.0, "kind = \"connector\", loss_db = 0.3, reflectance_db = -50.0"),
            (3000.0, ""),
        ],
        ..Fibre::plain()
    }
}

fn events(trace: &Trace) -> Analysis {
    detect::events(trace, &Cords::default())
}

/// Largest differences of any joint's loss and place between two answers, in the first's sigmas.
fn apart(a: &Analysis, b: &Analysis) -> (f64, f64) {
    let (a, b) = (joints(a), joints(b));
    assert_eq!(a.len(), b.len(), "{a:#?} and {b:#?}");
    let loss = |x: &&Event, y: &&Event| {
        let (x, y) = (x.loss_db.expect("a loss"), y.loss_db.expect("a loss"));
        (x.value - y.value).abs() / x.sigma
    };
    let place =
        |x: &&Event, y: &&Event| (x.position_m.0 - y.position_m.0).abs() / x.position_sigma_m;
    let most = |f: &dyn Fn(&&Event, &&Event) -> f64| {
        a.iter().zip(&b).map(|(x, y)| f(x, y)).fold(0.0, f64::max)
    };
    (most(&loss), most(&place))
}

fn truncated(trace: &Trace, samples: usize) -> Trace {
    let mut short = trace.clone();
    short.counts.truncate(samples);
    short.scales[0].samples = samples;
    short.stretches[0].samples = samples;
    short
}

#[test]
fn another_level_and_another_count_scale_change_nothing() {
    // Noise well above what counts of 0.001 dB hide; no open end, whose peak would leave no room above it.
    let noisy = Fibre { range_db: 10.0, ..jointed(0.0) };
    let mut moved = 0;
    for seed in 0..10 {
        let mut scenario = noisy.scenario(seed);
        scenario.end_b = Finish::Crushed;
        let trace = render_again(&scenario, seed).remove(0).trace;
        let whole = events(&trace);
        let highest = trace.counts.iter().min().copied().expect("counts");
        assert!(highest > 10_000, "room for 10 dB more: {highest}");
        // 10 dB higher on the instrument's scale
        let mut higher = trace.clone();
        for count in &mut higher.counts {
            *count -= 10_000;
        }
        // the same in counts of 0.0005 dB, which then reach down to 13 dB below the noise's sigma
        let mut finer = higher.clone();
        finer.scales[0].count_micro_db = 500;
        for count in &mut finer.counts {
            *count = count.saturating_mul(2);
        }
        for (name, other) in [("higher", higher), ("finer", finer)] {
            let (loss, place) = apart(&whole, &events(&other));
            // Where something faint is kept in one fit and not in the other, a loss moves by most of its sigma.
            assert!(loss < 1.5 && place < 1.5, "seed {seed}, {name}: {loss} and {place} sigmas");
            moved += usize::from(loss > 0.1 || place > 0.1);
        }
    }
    assert!(moved <= 2, "{moved} of 20 answers moved by more than a tenth of a sigma");
}

#[test]
fn more_noise_behind_the_end_changes_little() {
    // The noise's size is read from it: with half of it, a figure moves by a part of its sigma.
    for seed in 0..10 {
        let trace = jointed(0.0).rendered(seed).trace;
        let (loss, place) = apart(&events(&trace), &events(&truncated(&trace, 10_000)));
        assert!(loss < 0.3 && place < 0.3, "seed {seed}: {loss} and {place} sigmas");
    }
}

/// Pairs of samples averaged in power: the noise is coloured, so little is lost.
fn paired(trace: &Trace) -> Trace {
    let mut half = trace.clone();
    let power = |count: u16| 10.0_f64.powf(-f64::from(count) * 1e-3 / 5.0);
    half.counts = (trace.counts.chunks_exact(2))
        .map(|pair| {
            let mean = 0.5 * (power(pair[0]) + power(pair[1]));
            (-5.0 * mean.log10() / 1e-3).round().clamp(0.0, 65_535.0) as u16
        })
        .collect();
    half.stretches[0].spacing_1e_14_s *= 2;
    half.stretches[0].samples = half.counts.len();
    half.scales[0].samples = half.counts.len();
    half
}

#[test]
fn pairs_of_samples_averaged_give_the_same_losses() {
    for seed in 0..10 {
        let trace = jointed(0.0).rendered(seed).trace;
        let (loss, _) = apart(&events(&trace), &events(&paired(&trace)));
        // what each answer sees of the noise is nearly the same; a fifth of a sigma is lost in cells
        assert!(loss < 0.5, "seed {seed}: {loss} sigmas");
    }
}

#[test]
fn a_trace_cut_off_anywhere_keeps_what_stands_well_before_the_cut() {
    let trace = jointed(0.0).rendered(3).trace;
    let whole = events(&trace);
    let splice = joints(&whole)[0].clone();
    let loss = splice.loss_db.expect("a loss");
    for samples in (2700..12_000).step_by(211) {
        let cut = events(&truncated(&trace, samples));
        let near = |e: &&&Event| (e.position_m.0 - splice.position_m.0).abs() < 60.0;
        let joints = joints(&cut);
        let own =
            joints.iter().find(near).unwrap_or_else(|| panic!("cut at {samples}: {joints:?}"));
        let again = own.loss_db.unwrap_or_else(|| panic!("cut at {samples}: no loss"));
        // The shorter line behind it is another measurement: its own sigma tells how far it may be off.
        let off = (again.value - loss.value).abs() / again.sigma.hypot(loss.sigma);
        assert!(off < 4.0, "cut at {samples}: {again:?}, whole {loss:?}");
        // And nothing is seen that is not there: two joints before the cut, at most.
        let before = joints.iter().filter(|e| e.position_m.0 < samples as f64 - 30.0).count();
        let there = if samples > 5030 { 2 } else { 1 };
        assert!(before <= there, "cut at {samples}: {joints:#?}");
    }
}

#[test]
fn events_moved_by_a_part_of_a_sample_are_found_moved_by_that() {
    // The same glass and noise; all joints moved by tenths of a sample of 1 m.
    for seed in 0..4 {
        let of = |by_m: f64| {
            let mut scenario = jointed(by_m).scenario(seed);
            scenario.seeds.noise = seed;
            events(&strandline::simulate::render(&scenario)[0].trace)
        };
        let still = of(0.0);
        for tenth in 1..=10 {
            let by_m = 0.1 * f64::from(tenth);
            let moved = of(by_m);
            let (a, b) = (joints(&still), joints(&moved));
            assert_eq!(a.len(), b.len(), "moved by {by_m} m");
            for (a, b) in a.iter().zip(&b) {
                let off = (b.position_m.0 - a.position_m.0 - by_m).abs();
                assert!(off < 1.0 * a.position_sigma_m, "{off} m, sigma {} m", a.position_sigma_m);
                let (la, lb) = (a.loss_db.expect("a loss"), b.loss_db.expect("a loss"));
                let off = (la.value - lb.value).abs();
                assert!(off < 0.5 * la.sigma, "moved by {by_m} m: {la:?} and {lb:?}");
            }
        }
    }
}
