//! Figures against limits: verdicts that admit doubt.
//!
//! Source: JCGM 106:2012, conformance probability of a measured value with normal uncertainty.

use crate::signal::normal;
use crate::units::Measured;

/// What a figure says about its limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// Within the limit with the confidence that was asked for.
    Pass,
    /// The measurement cannot tell.
    Undecided,
    /// Beyond the limit with that confidence.
    Fail,
}

impl Verdict {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::Undecided => "undecided",
            Verdict::Fail => "fail",
        }
    }

    /// A mark behind the word, for the eye.
    pub fn mark(self) -> char {
        match self {
            Verdict::Pass => '✓',
            Verdict::Undecided => '?',
            Verdict::Fail => '✗',
        }
    }

    /// Word and mark, which no line break parts.
    pub fn marked(self) -> String {
        format!("{}\u{a0}{}", self.word(), self.mark())
    }
}

/// Which side of a limit is right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Limit {
    /// The value must not be larger.
    AtMost(f64),
    /// The value must not be smaller.
    AtLeast(f64),
}

/// A verdict with all it rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Graded {
    /// The verdict.
    pub verdict: Verdict,
    /// The figure that was judged, with all its uncertainty.
    pub value: Measured,
    /// The limit.
    pub limit: Limit,
    /// Probability that the true value is within the limit.
    pub probability: f64,
}

/// Judges a figure. `confidence` lies in (0.5, 1): pass where the probability of conformance is at
/// least that, fail where it is at most one minus that.
pub fn judge(value: Measured, limit: Limit, confidence: f64) -> Graded {
    let probability = within(value, limit);
    let verdict = if probability >= confidence {
        Verdict::Pass
    } else if probability <= 1.0 - confidence {
        Verdict::Fail
    } else {
        Verdict::Undecided
    };
    Graded { verdict, value, limit, probability }
}

/// Probability that the true value lies within the limit.
pub fn within(value: Measured, limit: Limit) -> f64 {
    let room = match limit {
        Limit::AtMost(limit) => limit - value.value,
        Limit::AtLeast(limit) => value.value - limit,
    };
    if !(room.is_finite() && value.sigma.is_finite()) {
        return 0.5; // no figure at all: undecided at any confidence
    }
    if value.sigma > 0.0 {
        normal::below(room / value.sigma)
    } else if room >= 0.0 {
        1.0
    } else {
        0.0
    }
}

/// A lower bound alone can fail an upper limit, never pass it.
pub fn judge_at_least(bound: f64, limit: Limit) -> Verdict {
    match limit {
        Limit::AtMost(limit) if bound > limit => Verdict::Fail,
        Limit::AtLeast(limit) if bound >= limit => Verdict::Pass,
        _ => Verdict::Undecided,
    }
}

/// A lower bound whose own scale is known to `sigma`: what it exceeds with the probability
/// `confidence`.
pub fn sure_at_least(bound: f64, sigma: f64, confidence: f64) -> f64 {
    bound - sigma * normal::quantile(confidence)
}

/// The worst of some verdicts. `None` of none.
pub fn worst(verdicts: impl IntoIterator<Item = Verdict>) -> Option<Verdict> {
    verdicts.into_iter().max()
}

/// A loss, or what fibre loses per km, with the instrument's linearity on it: `linearity` dB per dB, one sigma.
pub fn with_linearity(loss: Measured, linearity: f64) -> Measured {
    loss.widened(linearity * loss.value)
}

/// How many times longer one has to average so that a figure this far from its limit is decided:
/// noise falls as the root of time. `noise_db`: the part of its sigma that averaging reduces;
/// `fixed_db`: the part it does not. `None` where averaging cannot decide it.
pub fn averaging_to_decide(
    value: f64,
    limit: f64,
    noise_db: f64,
    fixed_db: f64,
    confidence: f64,
) -> Option<f64> {
    let wanted = (value - limit).abs() / normal::quantile(confidence);
    let left = wanted * wanted - fixed_db * fixed_db;
    (left > 0.0 && noise_db > 0.0).then(|| (noise_db * noise_db / left).max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;
    use proptest::prelude::*;

    #[test]
    fn probabilities_are_those_of_the_normal_distribution() {
        // JCGM 106: P = Φ((limit - value)/sigma); Φ values: scipy.stats.norm (A8)
        let cases =
            [(0.10, 0.05, 0.15, 0.841_345), (0.15, 0.02, 0.15, 0.5), (0.21, 0.03, 0.15, 0.022_750)];
        for (value, sigma, limit, probability) in cases {
            let p = within(Measured::new(value, sigma), Limit::AtMost(limit));
            assert_abs_diff_eq!(p, probability, epsilon = 1e-5);
            let q = within(Measured::new(-value, sigma), Limit::AtLeast(-limit));
            assert_abs_diff_eq!(p, q, epsilon = 1e-12);
        }
    }

    #[test]
    fn the_guard_band_of_95_percent_is_1_645_sigma() {
        // Φ⁻¹(0.95) = 1.645: scipy.stats.norm (A8)
        let judged =
            |room: f64| judge(Measured::new(0.15 - room * 0.01, 0.01), Limit::AtMost(0.15), 0.95);
        assert_eq!(judged(1.65).verdict, Verdict::Pass);
        assert_eq!(judged(1.64).verdict, Verdict::Undecided);
        assert_eq!(judged(-1.64).verdict, Verdict::Undecided);
        assert_eq!(judged(-1.65).verdict, Verdict::Fail);
    }

    #[test]
    fn what_is_no_figure_is_undecided() {
        for (value, sigma) in [(f64::NAN, 0.1), (0.1, f64::NAN), (0.1, f64::INFINITY)] {
            let graded = judge(Measured::new(value, sigma), Limit::AtMost(0.15), 0.51);
            assert_eq!(graded.verdict, Verdict::Undecided, "{value} ± {sigma}");
        }
    }

    #[test]
    fn a_bound_never_passes_what_it_only_bounds_from_below() {
        assert_eq!(judge_at_least(0.6, Limit::AtMost(0.5)), Verdict::Fail);
        assert_eq!(judge_at_least(0.4, Limit::AtMost(0.5)), Verdict::Undecided);
    }

    #[test]
    fn four_times_the_averaging_halves_the_noise() {
        // B2: noise falls as the root of time. 0.05 dB from the limit at 95 % allows 0.0304 dB
        let times = averaging_to_decide(0.10, 0.15, 0.0608, 0.0, 0.95).unwrap();
        assert_abs_diff_eq!(times, 4.0, epsilon = 0.01);
        assert_eq!(averaging_to_decide(0.10, 0.15, 0.01, 0.05, 0.95), None);
    }

    proptest! {
        #[test]
        fn a_verdict_is_monotone_in_value_and_limit(
            value in -1.0..1.0_f64, more in 0.0..1.0_f64, sigma in 1e-4..0.5_f64,
            limit in -1.0..1.0_f64, confidence in 0.51..0.999_f64,
        ) {
            let at = |v: f64, l: f64| judge(Measured::new(v, sigma), Limit::AtMost(l), confidence).verdict;
            prop_assert!(at(value + more, limit) >= at(value, limit));
            prop_assert!(at(value, limit + more) <= at(value, limit));
        }

        #[test]
        fn a_growing_sigma_only_moves_a_verdict_towards_undecided(
            value in -1.0..1.0_f64, sigma in 1e-4..0.5_f64, factor in 1.0..10.0_f64,
            limit in -1.0..1.0_f64, confidence in 0.51..0.999_f64,
        ) {
            let at = |s: f64| judge(Measured::new(value, s), Limit::AtMost(limit), confidence).verdict;
            let (before, after) = (at(sigma), at(sigma * factor));
            prop_assert!(after == before || after == Verdict::Undecided);
        }
    }

    #[test]
    fn joints_at_or_beyond_their_limit_rarely_pass() {
        // 4,000 draws per true value from a plain generator; passes at most 5 % and three binomial sd
        let mut state = 0x9E37_79B9_u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((state >> 33) as f64 + 0.5) / 2_147_483_648.0
        };
        for beyond in [0.0, 0.01, 0.03] {
            let draws = 4000;
            let passes = (0..draws)
                .filter(|_| {
                    let (u, v) = (uniform(), uniform());
                    let normal = (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos(); // Box & Muller 1958
                    let value = Measured::new(0.15 + beyond + 0.02 * normal, 0.02);
                    judge(value, Limit::AtMost(0.15), 0.95).verdict == Verdict::Pass
                })
                .count();
            let allowed = 0.05 + 3.0 * (0.05 * 0.95 / f64::from(draws)).sqrt();
            assert!(passes as f64 / f64::from(draws) <= allowed, "{beyond}: {passes}");
        }
    }
}
