//! The normal distribution.

use std::f64::consts::{PI, SQRT_2};

/// Density of the standard normal distribution at `z`.
pub fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// Share of the standard normal distribution below `z`, within 1.5e-7.
/// Source: Abramowitz & Stegun, 7.1.26.
pub fn below(z: f64) -> f64 {
    let x = z.abs() / SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let poly = t
        * (0.254_829_592
            + t * (-0.284_496_736
                + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let above = 0.5 * poly * (-x * x).exp();
    if z > 0.0 { 1.0 - above } else { above }
}

/// The value below which the share `p` (0 to 1) of the standard normal distribution lies.
pub fn quantile(p: f64) -> f64 {
    let (mut low, mut high) = (-9.0, 9.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if below(middle) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_below_are_scipys() {
        // A8: scipy.stats.norm
        let cases = [
            (-1.96, 0.024_997_895),
            (0.0, 0.5),
            (1.0, 0.841_344_746),
            (1.645, 0.950_015_094),
            (2.0, 0.977_249_868),
            (3.0, 0.998_650_102),
        ];
        for (z, share) in cases {
            assert!((below(z) - share).abs() < 2e-7, "{z}");
        }
    }
}
