//! The normal distribution.

use std::f64::consts::{PI, SQRT_2};

use super::lanes::{self, Lanes};

/// Density of the standard normal distribution at `z`.
pub fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// The same at several places.
pub fn densities(z: Lanes) -> Lanes {
    lanes::exp(z * z * -0.5) * (1.0 / (2.0 * PI).sqrt())
}

/// Coefficients of `ln(erfc(x)/t) + x²` in Chebyshev polynomials of `4t - 2`, where `t = 2/(2 + x)`, the first one halved.
/// Worked out with mpmath in 40 digits (sums of cosines over 60 nodes); what is left out is below 1e-10.
const ERFC: [f64; 17] = [
    -0.651_326_859_890_854_7,
    0.641_969_792_356_490_3,
    0.019_476_473_204_185_836,
    -0.009_561_514_786_808_632,
    -0.000_946_595_344_482_036_9,
    0.000_366_839_497_852_761_45,
    4.252_332_480_690_777e-5,
    -2.027_857_811_253_424_3e-5,
    -1.624_290_004_647_026e-6,
    1.303_655_835_580_523_2e-6,
    1.562_644_172_206_614_3e-8,
    -8.523_809_591_492_654e-8,
    6.529_054_439_098_852e-9,
    5.059_343_495_551_469e-9,
    -9.913_641_564_930_33e-10,
    -2.273_651_222_931_836e-10,
    9.646_791_102_015_53e-11,
];

/// Share of the standard normal distribution below `z`, within 1e-10 of itself.
pub fn below(z: f64) -> f64 {
    shares_below(Lanes::splat(z)).to_array()[0]
}

/// The same of several.
pub fn shares_below(z: Lanes) -> Lanes {
    let x = z.abs() * (1.0 / SQRT_2);
    let t = Lanes::splat(2.0) / (x + 2.0);
    let y = t * 4.0 - 2.0;
    // Clenshaw 1955
    let (mut now, mut before) = (Lanes::ZERO, Lanes::ZERO);
    for coefficient in ERFC[1..].iter().rev() {
        (now, before) = (y * now - before + *coefficient, now);
    }
    let above = t * lanes::exp(y * now * 0.5 - before - x * x + ERFC[0]) * 0.5;
    z.simd_gt(Lanes::ZERO).select(Lanes::ONE - above, above)
}

/// Mean square of what of the standard normal distribution lies between `a` and `b`. Source: the truncated second
/// moment, `1 - (b·φ(b) - a·φ(a))/(Φ(b) - Φ(a))`, e.g. Johnson, Kotz & Balakrishnan, Continuous Univariate
/// Distributions 1 (1994), 13.10 (from memory).
pub fn square_between([a, b]: [f64; 2]) -> f64 {
    1.0 - (b * density(b) - a * density(a)) / (below(b) - below(a))
}

/// The value below which the share `p` (0 to 1) of the standard normal distribution lies.
pub fn quantile(p: f64) -> f64 {
    let (mut low, mut high) = (-9.0, 9.0);
    let mut z = 0.0;
    for _ in 0..60 {
        let off = below(z) - p;
        (low, high) = if off < 0.0 { (z, high) } else { (low, z) };
        // Newton's step, or half of what is left where it leads out of it.
        let next = z - off / density(z);
        let next = if low < next && next < high { next } else { 0.5 * (low + high) };
        if (next - z).abs() < 1e-14 * (1.0 + z.abs()) {
            break;
        }
        z = next;
    }
    z
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::order::MAD_TO_SIGMA;

    #[test]
    fn shares_below_are_scipys() {
        // A8: scipy.stats.norm, given to nine digits
        let cases = [
            (-1.96, 0.024_997_895),
            (0.0, 0.5),
            (1.0, 0.841_344_746),
            (1.645, 0.950_015_094),
            (2.0, 0.977_249_868),
            (3.0, 0.998_650_102),
        ];
        for (z, share) in cases {
            assert!((below(z) - share).abs() < 1e-9, "{z}: {}", below(z));
        }
        assert!((quantile(0.975) - 1.959_963_985).abs() < 1e-9, "A8");
        // A7: 1/Φ⁻¹(0.75)
        assert!((MAD_TO_SIGMA * quantile(0.75) - 1.0).abs() < 1e-9, "A7");
    }

    #[test]
    fn quantiles_are_where_shares_are() {
        // Φ is checked above; its inverse has to lead back, at the middle and at rare shares
        for z in (-80..=80).map(|k| 0.1 * f64::from(k)) {
            let digits = f64::EPSILON / density(z); // what is left of a share near 1
            assert!((quantile(below(z)) - z).abs() < 1e-8 + 4.0 * digits, "{z}");
        }
        assert_eq!((quantile(0.0) < -8.9, quantile(1.0) > 8.0), (true, true));
    }

    #[test]
    fn mean_squares_between_two_places_are_sums_over_quantiles() {
        // By the midpoint rule over 40,000 shares of equal weight; of all it is the variance, 1
        for [a, b] in [[-1.0, 2.0], [0.0, 3.0], [0.05, 3.0]] {
            let [low, high] = [a, b].map(below);
            let share = |k: u32| low + (high - low) * (f64::from(k) + 0.5) / 40_000.0;
            let mean = (0..40_000).map(|k| quantile(share(k)).powi(2)).sum::<f64>() / 40_000.0;
            assert!((square_between([a, b]) - mean).abs() < 1e-5, "{a} {b}");
        }
        assert!((square_between([-9.0, 9.0]) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn rare_shares_keep_their_digits() {
        // Φ(-z) from its continued fraction, Laplace: density/(z + 1/(z + 2/(z + 3/(z + …))))
        for z in [4.0, 6.0, 10.0, 30.0] {
            let tail = (1..400).rev().fold(z, |tail, k| z + f64::from(k) / tail);
            assert!((below(-z) * tail / density(z) - 1.0).abs() < 1e-9, "{z}");
        }
    }
}
