//! What stands out among its like: robust statistics with a promised rate of false alarms.
//!
//! Middle and scale come from medians, which half of the values may spoil before they follow: the
//! very values that are looked for must not hide themselves.

use crate::signal::order::{self, MAD_TO_SIGMA};
use crate::units::Measured;

/// Fewer values than this have no usual one among them. Common practice, no source.
pub const LEAST_VALUES: usize = 6;

/// How values of a kind are spread while nothing is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Alike to both sides, as a normal distribution: lengths, losses of links.
    Even,
    /// With a long tail upwards, as an exponential distribution: losses of joints, none of which is
    /// below 0 and a few of which are always large. Only large values stand out.
    Long,
}

/// What is usual, and what lies beyond it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usual {
    /// Median.
    pub middle: f64,
    /// One standard deviation (even), or the mean excess over the median (long).
    pub scale: f64,
    /// A value further than this from the middle stands out.
    pub reach: f64,
    /// How many values it rests on.
    pub count: usize,
}

impl Usual {
    /// Whether `value` stands out; its own sigma counts for it.
    pub fn is_odd(&self, value: Measured, spread: Spread) -> bool {
        let off = value.value - self.middle;
        let off = if spread == Spread::Even { off.abs() } else { off };
        // A noisy value has to lie further out, as far as its noise adds to the scale.
        off > self.reach * (value.sigma / self.scale).hypot(1.0)
    }
}

/// What is usual among `values`. `false_alarms`: how many of them, in all and on average, may stand
/// out although nothing is wrong. `least_scale`: what values of this kind always differ by. `None`
/// below [`LEAST_VALUES`].
///
/// Even: the median absolute deviation has 37 % of a standard deviation's efficiency (Huber, *Robust
/// Statistics*, 1981, from memory), so it is worth `0.37·(n-1)` degrees of freedom, and Student's
/// quantile at `false_alarms/(2n)` is the reach. Long: over the median an exponential is exponential
/// again; its mean excess, read from the upper half's median, is worth 0.48 of its `n/2` values
/// (`ln²2`, the variance of a median), and `1 + t/m` to the power of `-m` is the tail of an
/// exponential whose mean is estimated from `m` values (Lomax 1954).
pub fn usual(values: &[f64], spread: Spread, least_scale: f64, false_alarms: f64) -> Option<Usual> {
    let count = values.len();
    if count < LEAST_VALUES {
        return None;
    }
    let n = count as f64;
    let middle = order::median(&mut values.to_vec())?;
    let (scale, reaches) = match spread {
        Spread::Even => {
            let mut off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
            let scale = MAD_TO_SIGMA * order::median(&mut off)?;
            (scale, student(0.5 * false_alarms / n, 0.37 * (n - 1.0)))
        }
        Spread::Long => {
            let mut over: Vec<f64> =
                values.iter().filter(|v| **v > middle).map(|v| v - middle).collect();
            let scale = order::median(&mut over).unwrap_or(0.0) / std::f64::consts::LN_2;
            let worth = std::f64::consts::LN_2.powi(2) * 0.5 * n;
            // Half of all values lie over the median.
            (scale, worth * ((0.5 * n / false_alarms).powf(1.0 / worth) - 1.0))
        }
    };
    let scale = scale.max(least_scale);
    (scale > 0.0).then_some(Usual { middle, scale, reach: reaches * scale, count })
}

/// The value above which the share `p` (0 to 0.5) of Student's distribution with `nu` > 0 degrees of
/// freedom lies.
///
/// With `t = √ν·tan θ` the density becomes `cos^(ν-1) θ`, which is integrated by Simpson's rule.
/// Source: the definition; held against scipy.stats in the tests.
pub fn student(p: f64, nu: f64) -> f64 {
    use std::f64::consts::FRAC_PI_2;
    let nu = nu.max(1.0);
    let above = |theta: f64| integral(|x| x.cos().max(0.0).powf(nu - 1.0), theta, FRAC_PI_2);
    let whole = 2.0 * above(0.0);
    let (mut low, mut high) = (0.0, FRAC_PI_2);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if above(middle) / whole > p { low = middle } else { high = middle }
    }
    nu.sqrt() * (0.5 * (low + high)).tan()
}

/// Simpson's rule over 400 parts.
fn integral(f: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    const PARTS: usize = 400;
    let step = (to - from) / PARTS as f64;
    let weight = |i: usize| match i {
        0 | PARTS => 1.0,
        i if i % 2 == 1 => 4.0,
        _ => 2.0,
    };
    (0..=PARTS).map(|i| weight(i) * f(from + step * i as f64)).sum::<f64>() * step / 3.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn students_quantiles_are_those_of_the_tables() {
        // p above, degrees of freedom, t: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2
        let cases = [
            (0.05, 1.0, 6.314),
            (0.025, 4.0, 2.776),
            (0.001, 4.0, 7.173),
            (0.001, 22.0, 3.505),
            (0.025, 100.0, 1.984),
        ];
        for (p, nu, t) in cases {
            assert_relative_eq!(student(p, nu), t, max_relative = 3e-4);
        }
    }

    /// Draws from a plain generator: uniform in (0, 1).
    fn uniform(state: &mut u64) -> f64 {
        *state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((*state >> 33) as f64 + 0.5) / 2_147_483_648.0
    }

    #[test]
    fn where_nothing_is_wrong_false_alarms_stay_below_their_promise() {
        let mut state = 7;
        let normal = |state: &mut u64| {
            (-2.0 * uniform(state).ln()).sqrt() * (std::f64::consts::TAU * uniform(state)).cos()
        };
        let promised = 0.05;
        for n in [6, 12, 24, 96, 300] {
            for spread in [Spread::Even, Spread::Long] {
                let cables = 400;
                let mut alarms = 0;
                for _ in 0..cables {
                    let values: Vec<f64> = (0..n)
                        .map(|_| match spread {
                            Spread::Even => normal(&mut state),
                            Spread::Long => -uniform(&mut state).ln(),
                        })
                        .collect();
                    let usual = usual(&values, spread, 0.0, promised).unwrap();
                    let odd = |v: &&f64| usual.is_odd(Measured::new(**v, 0.0), spread);
                    alarms += values.iter().filter(odd).count();
                }
                let rate = f64::from(u32::try_from(alarms).unwrap()) / f64::from(cables);
                println!("{spread:?} {n}: {rate}");
                // three binomial standard deviations
                let room = 3.0 * (promised / f64::from(cables)).sqrt();
                assert!(rate < promised + room, "{spread:?}, {n} values: {rate}");
            }
        }
    }

    #[test]
    fn what_stands_out_is_seen_and_does_not_hide_itself() {
        // by hand: median 10.0, MAD 0.1, so a scale of 0.148; 12.0 is 13 of it away
        let mut values = vec![9.8, 9.9, 9.9, 10.0, 10.0, 10.1, 10.1, 10.2, 9.9, 10.1, 10.0];
        let odd = |values: &[f64], value: f64| {
            let usual = usual(values, Spread::Even, 0.0, 0.05).unwrap();
            usual.is_odd(Measured::new(value, 0.0), Spread::Even)
        };
        assert!(!odd(&values, 10.2));
        values.extend([12.0, 12.1, 12.2]);
        assert!(odd(&values, 12.0));
        assert_eq!(usual(&values[..5], Spread::Even, 0.0, 0.05), None);
    }

    #[test]
    fn a_noisy_value_has_to_lie_further_out() {
        let values: Vec<f64> = (0..24).map(|i| f64::from(i) * 0.002).collect();
        let usual = usual(&values, Spread::Long, 0.0, 0.05).unwrap();
        let far = usual.middle + 1.2 * usual.reach;
        assert!(usual.is_odd(Measured::new(far, 0.0), Spread::Long));
        assert!(!usual.is_odd(Measured::new(far, 2.0 * usual.scale), Spread::Long));
    }
}
