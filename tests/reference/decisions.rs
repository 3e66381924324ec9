//! G: decisions under uncertainty, as JCGM 106:2012 has them.

use strandline::grade::{Limit, Verdict, judge, within};
use strandline::signal::normal::{self, below};
use strandline::units::Measured;

use super::near;

#[test]
fn conformance_probabilities_are_those_of_the_guide() {
    // G1: JCGM 106, 7.4, breakdown voltage (from memory): -5.47 V, u 0.05, limit -5.40: printed 0.92
    near(within(Measured::new(-5.47, 0.05), Limit::AtMost(-5.40)), 0.9192, 5e-5, "G1");
    // G2: JCGM 106, 8.3 (from memory): a guard band of 2u, estimate at the acceptance limit
    near(within(Measured::new(0.13, 0.01), Limit::AtMost(0.15)), 0.97725, 1e-5, "G2");
    // G7: class B+ of ITU-T G.984.2 (quoted), 13 to 28 dB
    near(within(Measured::new(27.9, 0.1), Limit::AtMost(28.0)), 0.8413, 1e-4, "G7");
    near(within(Measured::new(12.9, 0.1), Limit::AtLeast(13.0)), 0.1587, 1e-4, "G7");
}

#[test]
fn guard_bands_are_those_of_the_normal_distribution() {
    // G3: JCGM 106, table 1 (subject read, digits from memory); scipy.stats.norm
    for (p, z) in [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)] {
        near(normal::quantile(p), z, 0.005, "G3");
    }
}

#[test]
fn a_splice_near_its_limit_is_decided_as_its_probability_says() {
    // G5: 0.20 dB, sigma 0.01 (data invented, rule of G1)
    let limit = Limit::AtMost(0.20);
    for (value, p) in [(0.18, 0.97725), (0.19, 0.84134), (0.20, 0.5), (0.215, 0.06681)] {
        near(within(Measured::new(value, 0.01), limit), p, 1e-5, "G5");
    }
    let verdict = |value: f64| judge(Measured::new(value, 0.01), limit, 0.95).verdict;
    assert_eq!(verdict(0.18355), Verdict::Pass);
    assert_eq!(verdict(0.18356), Verdict::Undecided);
    assert_eq!(verdict(0.21644), Verdict::Undecided);
    assert_eq!(verdict(0.21646), Verdict::Fail);
}

#[test]
fn risks_of_accepting_are_those_of_the_guides_resistors() {
    // G4: JCGM 106, 9.5 (clause and figures from memory; all inputs read in konform_beispiel.m): 1500 ± 0.2 Ω,
    // production sd 0.12, measuring sd 0.04. Shares by adding up thin strips of production.
    let (tolerance, production, measuring) = (0.2, 0.12, 0.04);
    let inside = |x: f64, half: f64, sd: f64| below((half - x) / sd) - below((-half - x) / sd);
    near(inside(0.0, tolerance, production), 0.9044, 5e-5, "G4: good before measuring");
    let risks = |accepted: f64| {
        let (mut bad_accepted, mut good_rejected) = (0.0, 0.0);
        let strip = 1e-4;
        for i in -10_000..10_000 {
            let x = (f64::from(i) + 0.5) * strip;
            let share =
                below((x + 0.5 * strip) / production) - below((x - 0.5 * strip) / production);
            let taken = inside(x, accepted, measuring);
            if x.abs() > tolerance {
                bad_accepted += share * taken;
            } else {
                good_rejected += share * (1.0 - taken);
            }
        }
        (bad_accepted, good_rejected)
    };
    let (bad, good) = risks(0.18);
    near(bad, 0.00988, 5e-6, "G4: accepted though bad");
    near(good, 0.0690, 5e-5, "G4: rejected though good");
    let (bad, good) = risks(0.2);
    near(bad, 0.01894, 5e-6, "G4: without a guard band");
    near(good, 0.03721, 5e-6, "G4: without a guard band");
}
