//! Several numbers at once, as the processor likes them.

use wide::{f64x4, u64x4};

/// Four numbers that go the same way.
pub type Lanes = f64x4;

/// How many they are.
pub const LANES: usize = 4;

/// `e^x` of each, within 1e-13 of its value for -700 < x < 700; beyond, that of the nearer border.
///
/// Source: `e^x = 2^k·e^r` with `|r| ≤ ln 2/2`, and eleven terms of the series of `e^r`, whose rest is
/// below 7e-15.
#[inline]
#[must_use]
pub fn exp(x: Lanes) -> Lanes {
    const HIGH: f64 = 0.693_145_751_953_125; // of ln 2: few digits, so that k times it is exact
    const LOW: f64 = 1.428_606_820_309_417_2e-6;
    const ROUND: f64 = 6_755_399_441_055_744.0; // 1.5·2^52: what is added to it loses its fraction
    // In this order what is no number stays none.
    let x = Lanes::splat(-700.0).fast_max(Lanes::splat(700.0).fast_min(x));
    let shifted = x * Lanes::splat(std::f64::consts::LOG2_E) + Lanes::splat(ROUND);
    let k = shifted - Lanes::splat(ROUND);
    let r = x - k * Lanes::splat(HIGH) - k * Lanes::splat(LOW);
    let mut sum = Lanes::splat(TERMS[TERMS.len() - 1]);
    for term in TERMS[..TERMS.len() - 1].iter().rev() {
        sum = sum * r + Lanes::splat(*term);
    }
    let exponent = (shifted.to_bits() + u64x4::splat(1023)) << 52_u32;
    sum * Lanes::from_bits(exponent)
}

/// All of `values`, four at a time, but for up to three last ones.
#[inline]
pub fn blocks(values: &[f64]) -> impl Iterator<Item = Lanes> + '_ {
    values.as_chunks::<LANES>().0.iter().map(|four| Lanes::from(*four))
}

/// The highest of `values`, none of which is no number; minus infinity of none.
#[inline]
#[must_use]
pub fn highest(values: &[f64]) -> f64 {
    let (fours, rest) = values.as_chunks::<LANES>();
    let highest = |a: f64, b: &f64| a.max(*b);
    let of_fours =
        fours.iter().fold(Lanes::splat(f64::NEG_INFINITY), |a, b| a.fast_max(Lanes::from(*b)));
    rest.iter().chain(&of_fours.to_array()).fold(f64::NEG_INFINITY, highest)
}

/// Sum of the products of `a` with as many of `b`, which is no shorter.
#[inline]
#[must_use]
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (fours, rest) = a.as_chunks::<LANES>();
    let (other_fours, other_rest) = b[..a.len()].as_chunks::<LANES>();
    let products = fours.iter().zip(other_fours).map(|(a, b)| Lanes::from(*a) * Lanes::from(*b));
    let of_rest: f64 = rest.iter().zip(other_rest).map(|(a, b)| a * b).sum();
    if fours.is_empty() {
        of_rest
    } else {
        products.fold(Lanes::ZERO, |a, b| a + b).reduce_add() + of_rest
    }
}

/// The first of `values`, filled up with zeros.
#[inline]
#[must_use]
pub fn first_of(values: &[f64]) -> Lanes {
    Lanes::from(std::array::from_fn(|i| values.get(i).copied().unwrap_or(0.0)))
}

/// The first of `values`, which are not empty, filled up with the last.
#[inline]
#[must_use]
pub fn last_repeated(values: &[f64]) -> Lanes {
    Lanes::from(std::array::from_fn(|i| values[i.min(values.len() - 1)]))
}

/// 1/k! for k = 0 to 11.
const TERMS: [f64; 12] = {
    let mut terms = [1.0; 12];
    let mut k = 1;
    while k < 12 {
        terms[k] = terms[k - 1] / k as f64;
        k += 1;
    }
    terms
};

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn powers_of_e_are_those_of_the_standard_library() {
        for x in (-7000..7000).map(|i| f64::from(i) * 0.099_973) {
            let all = exp(Lanes::from([x, -x, 0.1 * x, 0.0])).to_array();
            let wanted = [x.exp(), (-x).exp(), (0.1 * x).exp(), 1.0];
            for (here, wanted) in all.iter().zip(wanted) {
                assert_relative_eq!(*here, wanted, max_relative = 1e-13);
            }
        }
        assert_relative_eq!(exp(Lanes::splat(-1e9)).to_array()[0], (-700.0_f64).exp());
        assert!(exp(Lanes::splat(f64::NAN)).to_array()[0].is_nan());
    }
}
