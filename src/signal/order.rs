//! Order statistics.

/// The value below which the share `q` (0 to 1) of `values` lies; the slice is re-ordered.
/// `None` for an empty slice. The nearest rank, no interpolation.
pub fn quantile(values: &mut [f64], q: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let rank = (q.clamp(0.0, 1.0) * last as f64).round() as usize;
    Some(*values.select_nth_unstable_by(rank, f64::total_cmp).1)
}

/// The same for several shares in ascending order, for hardly more work than for the first.
pub fn quantiles<const N: usize>(values: &mut [f64], shares: [f64; N]) -> Option<[f64; N]> {
    let last = values.len().checked_sub(1)?;
    let mut from = 0; // what lies before is below all that is still asked for
    let at = shares.map(|share| {
        let rank = (share.clamp(0.0, 1.0) * last as f64).round() as usize;
        let value = *values[from..].select_nth_unstable_by(rank - from, f64::total_cmp).1;
        from = rank;
        value
    });
    Some(at)
}

/// The median, of an even number of values the mean of the two in the middle; the slice is
/// re-ordered. `None` for an empty slice.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let half = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let lower = below.iter().copied().max_by(f64::total_cmp).filter(|_| !odd);
    Some(lower.map_or(*upper, |lower| 0.5 * (lower + *upper)))
}

/// Factor from a normal sample's median absolute deviation to its standard deviation:
/// `1/Φ⁻¹(0.75)`. Source: scipy.stats, `median_abs_deviation`.
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_absolute_deviation_is_scipys() {
        // A7: scipy.stats.median_abs_deviation
        let mut values = [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0];
        let center = median(&mut values).unwrap();
        let mut off: Vec<f64> = values.iter().map(|v| (v - center).abs()).collect();
        assert_eq!((center, median(&mut off)), (2.0, Some(1.0)));
        let mut values = [30.0, 41.0, 37.0, 92.0];
        let center = median(&mut values).unwrap();
        let mut off: Vec<f64> = values.iter().map(|v| (v - center).abs()).collect();
        assert_eq!((center, median(&mut off)), (39.0, Some(5.5)));
        assert_eq!(quantile(&mut [], 0.5), None);
        // by hand: ranks 0, 1, 1 and 3 of four
        let shares = [0.1, 0.3, 0.4, 1.0];
        assert_eq!(quantiles(&mut [4.0, 1.0, 3.0, 2.0], shares), Some([1.0, 2.0, 2.0, 4.0]));
        assert_eq!(quantiles(&mut [], [0.5]), None);
    }
}
