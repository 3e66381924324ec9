//! The losses of joints measured from both ends against the truth of drawn cables: how sure they are, and
//! whether they are as sure as they say.
//!
//! `STRANDLINE_CABLES=10 cargo test --release --test job accuracy -- --nocapture` prints the figures of
//! docs/accuracy.md; without the variable a small part of it is run.

use std::path::Path;

use strandline::event::{Event, Role};
use strandline::job::{self, Direction, JointReview, Review, Test};
use strandline::plan::{self, Plan};
use strandline::simulate::Rendered;
use strandline::simulate::cable::{self, Cable, CableFile, Size};
use strandline::sor::{self, Version};
use strandline::source;
use strandline::units::Measured;

/// Sound fibres: each splice loses 0.01 to 0.06 dB, so that many are too small to be found.
fn drawn(seed: u64, length_m: f64, wavelengths_nm: &[u32]) -> Cable {
    let wavelengths_nm = wavelengths_nm.to_vec();
    let size =
        Size { closures: 8, length_m, wavelengths_nm, planted: Vec::new(), ..Size::common(12) };
    cable::draw(seed, &size)
}

/// The review of all files, in memory.
fn reviewed(cable: &Cable) -> Review {
    let plan: Plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let read = |(file, rendered): (&CableFile, &Rendered)| {
        let bytes = sor::encode(&rendered.trace, Version::V2).expect("a rendered trace fits");
        job::measure(Path::new(&file.file), &bytes, &plan, &source::Options::default())
    };
    job::judge(cable.truth.files.iter().zip(&cable.traces).map(read).collect(), &plan)
}

/// A planned joint of the review beside its true loss.
struct Case {
    joint: JointReview,
    true_db: f64,
    /// Whether an event is listed there in both traces of its wavelength.
    found: bool,
}

/// Whether an event of each trace of the joint's wavelength is where it was measured.
fn is_found(review: &Review, fiber: u32, joint: &JointReview, number: usize) -> bool {
    let here =
        |c: &&job::Content| (c.fiber, c.wavelength_nm) == (Some(fiber), Some(joint.wavelength_nm));
    review.tests.iter().filter_map(Test::read).filter(here).all(|content| {
        let near_m = content.near_m.expect("the cord's connector is seen");
        let length_m = content.length_m.expect("the end is seen").value;
        let is_back = content.direction == Some(Direction::BToA);
        let at_m = content.joints[number - 1].0;
        let panel_m = near_m + if is_back { length_m - at_m } else { at_m };
        let is_it = |e: &Event| (e.position_m.0 - panel_m).abs() < 0.1;
        content.analysis.events.iter().any(|e| e.role == Role::Joint && is_it(e))
    })
}

fn cases(cables: u64, length_m: f64, wavelengths_nm: &[u32]) -> Vec<Case> {
    let mut cases = Vec::new();
    for seed in 900..900 + cables {
        let cable = drawn(seed, length_m, wavelengths_nm);
        let review = reviewed(&cable);
        for own in &review.fibers {
            let truth = &cable.truth.fiber[&own.fiber.to_string()];
            for joint in own.joints.iter().filter(|j| j.name.starts_with('C')) {
                let number: usize = joint.name[1..].parse().expect("C1, C2 and so on");
                let nm = joint.wavelength_nm.to_string();
                let true_db = truth.closures[number - 1].loss_db[&nm];
                let found = is_found(&review, own.fiber, joint, number);
                cases.push(Case { joint: joint.clone(), true_db, found });
            }
        }
    }
    cases
}

fn median(figures: impl Iterator<Item = f64>) -> f64 {
    let mut figures: Vec<f64> = figures.collect();
    figures.sort_by(f64::total_cmp);
    figures[figures.len() / 2]
}

/// How losses lie around their truth.
struct Spread {
    count: usize,
    inside: f64,
    bias_db: f64,
    bias_sigma_db: f64,
}

fn spread<'a>(cases: impl Iterator<Item = &'a Case>) -> Spread {
    let off: Vec<(f64, f64)> = cases
        .map(|case| {
            let loss = case.joint.loss.loss_db.expect("every planned joint is measured");
            (loss.value - case.true_db, loss.sigma)
        })
        .collect();
    let count = off.len() as f64;
    // 1.96: 95 % of a normal distribution (A8)
    let inside = off.iter().filter(|(off, sigma)| off.abs() < 1.96 * sigma).count();
    let bias_db = off.iter().map(|o| o.0).sum::<f64>() / count;
    let variance = off.iter().map(|o| (o.0 - bias_db).powi(2)).sum::<f64>() / (count - 1.0);
    Spread {
        count: off.len(),
        inside: inside as f64 / count,
        bias_db,
        bias_sigma_db: (variance / count).sqrt(),
    }
}

/// Median sigmas of the joints at one wavelength.
struct Sigmas {
    /// Of single traces.
    trace_db: f64,
    /// Of the joint.
    joint_db: f64,
    /// Of the joint, in parts of the root mean square of both its traces.
    of_its_traces: f64,
}

fn sigmas(cases: &[Case], nm: u16) -> Sigmas {
    let here = || cases.iter().filter(|c| c.joint.wavelength_nm == nm);
    let sigma = |m: Option<Measured>| m.expect("every planned joint is measured").sigma;
    let joint = |c: &Case| sigma(c.joint.loss.loss_db);
    let ends = |c: &Case| [sigma(c.joint.loss.from_a_db), sigma(c.joint.loss.from_b_db)];
    let together = |[a, b]: [f64; 2]| ((a * a + b * b) / 2.0).sqrt();
    Sigmas {
        trace_db: median(here().flat_map(ends)),
        joint_db: median(here().map(joint)),
        of_its_traces: median(here().map(|c| joint(c) / together(ends(c)))),
    }
}

/// Median sigma of the mean of both ends in parts of the median sigma of a trace, where noise alone makes
/// sigmas and joints lie evenly on a link.
///
/// By hand: light comes back weaker by twice the attenuation, so sigma grows as `e^(kx)` with
/// `k = 2α·ln 10/10` per km. A joint at `x` of `L` has `√(e^(2kx) + e^(2k(L-x)))/2`, which is
/// `e^(kL/2)·√(cosh(2k·|x - L/2|)/2)`; the median trace has `e^(kL/2)`, and the median of `|x - L/2|` is `L/4`.
fn mean_over_trace(attenuation_db_per_km: f64, length_km: f64) -> f64 {
    let k = 2.0 * attenuation_db_per_km * std::f64::consts::LN_10 / 10.0;
    ((0.5 * k * length_km).cosh() / 2.0).sqrt()
}

#[test]
fn joints_from_both_ends_are_as_sure_as_they_say_found_or_not() {
    let wanted = std::env::var("STRANDLINE_CABLES").ok().and_then(|text| text.parse().ok());
    let cables: u64 = wanted.unwrap_or(2);
    println!(
        "km | wavelengths, nm | median sigma of a trace, of the joint, dB | parts of its traces'"
    );
    println!("  joints | inside, % | bias, dB");
    let mut sure: Vec<f64> = Vec::new();
    let mut over: Vec<f64> = Vec::new();
    for (length_m, wavelengths_nm) in [
        (5_000.0, &[1550][..]),
        (5_000.0, &[1310, 1550][..]),
        (5_000.0, &[1310, 1550, 1625][..]),
        (14_000.0, &[1550][..]),
        (14_000.0, &[1310, 1550][..]),
    ] {
        let all = cases(cables, length_m, wavelengths_nm);
        let own = sigmas(&all, 1550);
        println!(
            "{:.0} | {wavelengths_nm:?} | {:.5}, {:.5} = {:.3} | {:.3}",
            length_m / 1e3,
            own.trace_db,
            own.joint_db,
            own.joint_db / own.trace_db,
            own.of_its_traces
        );
        for (name, found) in [("found from both ends", true), ("too small to be found", false)] {
            let own = spread(all.iter().filter(|c| c.found == found));
            println!(
                "  {name}: {} | {:.1} | {:+.5} ± {:.5}",
                own.count,
                100.0 * own.inside,
                own.bias_db,
                own.bias_sigma_db
            );
            assert!(own.count > 40, "{} {name}: too few to prove anything", own.count);
            // The goal, and what so few joints may show by chance: three binomial sigmas of 95 %.
            let chance = 3.0 * (0.95 * 0.05 / own.count as f64).sqrt();
            let reach = 0.03_f64.max(chance);
            assert!((own.inside - 0.95).abs() < reach, "{length_m} m, {name}: {}", own.inside);
            // Chance, and half a thousandth of a dB: which joints are found hangs on the noise itself.
            let allowed_db = 3.0 * own.bias_sigma_db + 0.0005;
            assert!(own.bias_db.abs() < allowed_db, "{length_m} m, {name}: {}", own.bias_db);
        }
        sure.push(own.of_its_traces);
        over.push(own.joint_db / own.trace_db);
    }
    // The goal; a mean of two equally sure readings has 0.707 of their sigma (D7).
    assert!(sure[0] <= 0.72 && sure[3] <= 0.72, "{sure:?}");
    // At one wavelength no mean can be surer against the median trace, where noise grows with distance.
    for (i, length_km) in [(0, 5.0), (3, 14.0)] {
        let bound = mean_over_trace(0.20, length_km);
        println!("{length_km} km, one wavelength: {:.3}, by calculation {bound:.3}", over[i]);
        assert!((over[i] / bound - 1.0).abs() < 0.04, "{length_km} km: {} {bound}", over[i]);
    }
    let falls = |of: &[f64]| of.windows(2).all(|pair| pair[1] < pair[0]);
    assert!(falls(&sure[..3]) && falls(&sure[3..]), "less with more traces: {sure:?}");
}
