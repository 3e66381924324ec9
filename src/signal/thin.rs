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

/// A line through fewer points that passes none of those it leaves out at more than `off`.
/// Source: Douglas & Peucker 1973, by distances from the piece, not from its endless line.
pub fn simplified(points: &[(f32, f32)], off: f32) -> Vec<(f32, f32)> {
    let mut kept = vec![false; points.len()];
    let mut open = vec![(0, points.len().saturating_sub(1))];
    for end in [0, points.len().saturating_sub(1)] {
        kept.get_mut(end).into_iter().for_each(|own| *own = true);
    }
    while let Some((from, to)) = open.pop() {
        let away = |i: usize| distance(points[i], points[from], points[to]);
        let farthest = (from + 1..to).max_by(|a, b| away(*a).total_cmp(&away(*b)));
        if let Some(middle) = farthest.filter(|i| away(*i) > off) {
            kept[middle] = true;
            open.extend([(from, middle), (middle, to)]);
        }
    }
    points.iter().zip(kept).filter_map(|(point, kept)| kept.then_some(*point)).collect()
}

/// Distance of a point from the piece between two others.
fn distance(p: (f32, f32), a: (f32, f32), b: (f32, f32)) -> f32 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let along = ((p.0 - a.0) * dx + (p.1 - a.1) * dy) / (dx * dx + dy * dy).max(f32::MIN_POSITIVE);
    let along = along.clamp(0.0, 1.0);
    (p.0 - a.0 - along * dx).hypot(p.1 - a.1 - along * dy)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_simpler_line_passes_near_every_point_and_keeps_peaks() {
        // a slope that is rough by 0.04, and a spike that goes up and comes back on its own way
        let mut points: Vec<(f32, f32)> =
            (0..500).map(|n: u16| (f32::from(n), 0.04 * f32::from(n % 2))).collect();
        points[250].1 = 90.0;
        points.insert(251, (250.0, 0.0));
        let simple = simplified(&points, 0.06);
        assert!(simple.len() < 12 && simple.contains(&(250.0, 90.0)), "{simple:?}");
        for p in &points {
            let near = simple.windows(2).map(|piece| distance(*p, piece[0], piece[1]));
            assert!(near.fold(f32::INFINITY, f32::min) <= 0.06, "{p:?}");
        }
        // there and back along one line: the turn stays
        let turn = [(0.0, 0.0), (0.0, 10.0), (0.0, 5.0)];
        assert_eq!(simplified(&turn, 0.1), turn);
        assert!(simplified(&[], 0.1).is_empty());
        assert_eq!(simplified(&[(1.0, 1.0)], 0.1), [(1.0, 1.0)]);
    }

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
