//! Thinning for pictures: what a pixel column can show of many samples.

/// The least and the largest of each group of neighbouring values, in their order of appearance.
///
/// `columns`: groups to make, at least 1. Returns index and value, at most two a group; fewer values
/// than two a group come back as they are. A spike of one sample is never lost.
pub fn extremes(values: &[f64], columns: usize) -> Vec<(usize, f64)> {
    let columns = columns.max(1);
    if values.len() <= 2 * columns {
        return values.iter().copied().enumerate().collect();
    }
    let mut out = Vec::with_capacity(2 * columns);
    for column in 0..columns {
        let from = column * values.len() / columns;
        let to = (column + 1) * values.len() / columns;
        let (mut low, mut high) = (from, from);
        for i in from..to {
            if values[i] < values[low] {
                low = i;
            }
            if values[i] > values[high] {
                high = i;
            }
        }
        out.push((low.min(high), values[low.min(high)]));
        if low != high {
            out.push((low.max(high), values[low.max(high)]));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_of_one_sample_survives_any_thinning() {
        let mut values = vec![0.0; 100_000];
        values[54_321] = 7.0;
        values[54_322] = -7.0;
        let thin = extremes(&values, 300);
        assert!(thin.len() <= 600);
        assert!(thin.contains(&(54_321, 7.0)) && thin.contains(&(54_322, -7.0)));
        assert!(thin.is_sorted_by_key(|(i, _)| *i));
    }
}
