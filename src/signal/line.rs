//! Weighted straight lines: one fit, and any number of them from running sums.

use super::lanes::{LANES, Lanes};

/// A straight line and what is known about it, about the reference place `at`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Reference place.
    pub at: f64,
    /// Value at the reference place.
    pub value: f64,
    /// Change of value per unit of place.
    pub slope: f64,
    /// Variance of `value`.
    pub value_var: f64,
    /// Variance of `slope`.
    pub slope_var: f64,
    /// Covariance of both.
    pub covariance: f64,
}

impl Line {
    /// Value and variance at `x`, inside the data or beyond.
    /// Source: JCGM 100:2008 (GUM), H.3.
    pub fn value_at(&self, x: f64) -> (f64, f64) {
        let d = x - self.at;
        let var = self.value_var + 2.0 * d * self.covariance + d * d * self.slope_var;
        (self.value + d * self.slope, var)
    }
}

/// Four values and their variances, both over `over`.
#[derive(Clone, Copy, Debug)]
pub struct Ratios {
    /// Times `over`.
    pub value: Lanes,
    /// Times `over`.
    pub var: Lanes,
    /// Positive; 0 where there is no value.
    pub over: Lanes,
}

/// Running sums of weight, weight·x, weight·x², weight·y, weight·x·y over points in order.
///
/// `x` is kept relative to `origin` and in units of `scale`, so that the sums keep their digits.
#[derive(Clone, Debug)]
pub struct Sums {
    sums: Vec<[f64; 5]>,
    origin: f64,
    scale: f64,
    per_scale: f64,
}

impl Sums {
    /// Sums over points `x` (ascending), values `y` and weights (one over variance, 0 to leave a
    /// point out). The three slices have one length.
    pub fn new(x: &[f64], y: &[f64], weight: &[f64]) -> Sums {
        let (first, last) = (x.first().copied().unwrap_or(0.0), x.last().copied().unwrap_or(0.0));
        let mut sums = Sums::empty(first, last, x.len());
        let (origin, per_scale) = (sums.origin, sums.per_scale);
        sums.add_all(x.iter().map(|x| (x - origin) * per_scale), y, weight);
        sums
    }

    /// The same over points `step` apart from `first` on.
    pub fn regular(first: f64, step: f64, y: &[f64], weight: &[f64]) -> Sums {
        let last = first + step * y.len().saturating_sub(1) as f64;
        let mut sums = Sums::empty(first, last, y.len());
        let (from, apart) = (sums.scaled(first), step * sums.per_scale);
        sums.add_all((0..y.len()).map(|k| from + k as f64 * apart), y, weight);
        sums
    }

    /// No sums yet, of about `count` points to come between `first` and `last`.
    fn empty(first: f64, last: f64, count: usize) -> Sums {
        let mut sums = Vec::with_capacity(count + 1);
        sums.push([0.0; 5]);
        let scale = (last - first).abs().max(f64::MIN_POSITIVE);
        Sums { sums, origin: (first + last) / 2.0, scale, per_scale: 1.0 / scale }
    }

    /// Adds points at places in the sums' own scale.
    #[inline]
    fn add_all(&mut self, x: impl Iterator<Item = f64>, y: &[f64], weight: &[f64]) {
        let mut all = self.sums[self.sums.len() - 1];
        self.sums.extend(x.zip(y).zip(weight).map(|((x, y), w)| {
            let (wx, wy) = (w * x, w * y);
            for (sum, more) in all.iter_mut().zip([*w, wx, wx * x, wy, wx * y]) {
                *sum += more;
            }
            all
        }));
    }

    /// Number of points.
    pub fn len(&self) -> usize {
        self.sums.len() - 1
    }

    /// Whether there is no point.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Sum of the weights of points `a..b`.
    #[inline]
    pub fn weight(&self, a: usize, b: usize) -> f64 {
        self.sums[b][0] - self.sums[a][0]
    }

    /// Weighted mean of `y` over points `a..b`. `None` without weight.
    #[inline]
    pub fn mean(&self, a: usize, b: usize) -> Option<f64> {
        let weight = self.weight(a, b);
        (weight > 0.0).then(|| (self.sums[b][3] - self.sums[a][3]) / weight)
    }

    /// Value at each `x` of the line through points `a..b`, and its variance, before the division. `over` is 0
    /// where no place carries weight. The slope is believed to be 0 beforehand, `held` from
    /// [`Sums::slope_weight`]: a short stretch then tells its level, and a long one its slope; 0 for no such
    /// belief. Source: weighted least squares in its textbook form.
    #[inline]
    pub fn held_lines_at(
        &self,
        a: [usize; LANES],
        b: [usize; LANES],
        x: Lanes,
        held: f64,
    ) -> Ratios {
        let (to, from) = (self.at(b), self.at(a));
        let [w, wx, wxx, wy, wxy] = std::array::from_fn(|i| to[i] - from[i]);
        let wxx = wxx + held;
        let det = w * wxx - wx * wx;
        let known = det.simd_gt(w * wxx * 1e-12) & w.simd_gt(Lanes::ZERO);
        let x = self.scaled_lanes(x);
        let value = (wxx * wy - wx * wxy) + (w * wxy - wx * wy) * x;
        let var = wxx - wx * x * 2.0 + w * x * x;
        Ratios { value, var, over: known.select(det, Lanes::ZERO) }
    }

    /// The means of points `a..b` and their variances, before the division. `over` is 0 without weight.
    #[inline]
    pub fn mean_ratios(&self, a: [usize; LANES], b: [usize; LANES]) -> Ratios {
        let (over, value) = self.weights_and_sums(a, b);
        Ratios { value, var: Lanes::ONE, over: over.fast_max(Lanes::ZERO) }
    }

    /// Sums of the weights and of weight·y of points `a..b`.
    #[inline]
    pub fn weights_and_sums(&self, a: [usize; LANES], b: [usize; LANES]) -> (Lanes, Lanes) {
        let (to, from) = (b.map(|k| &self.sums[k]), a.map(|k| &self.sums[k]));
        let sum = |i: usize| Lanes::from(std::array::from_fn(|lane| to[lane][i] - from[lane][i]));
        (sum(0), sum(3))
    }

    /// The five sums over all before each of `k`.
    #[inline]
    fn at(&self, k: [usize; LANES]) -> [Lanes; 5] {
        let all = k.map(|k| &self.sums[k]);
        std::array::from_fn(|i| Lanes::from(std::array::from_fn(|lane| all[lane][i])))
    }

    /// What a belief of `slope_sd` adds to the sum of weight·x², in the scale of [`Sums::moments`].
    #[inline]
    pub fn slope_weight(&self, slope_sd: f64) -> f64 {
        1.0 / (slope_sd * self.scale).powi(2)
    }

    /// The line through points `a..b` about their weighted centre. `None` as for `value_at`.
    pub fn line(&self, a: usize, b: usize) -> Option<Line> {
        let [w, wx, wxx, wy, wxy] = self.between(a, b);
        let det = w * wxx - wx * wx;
        if det <= 1e-12 * w * wxx || w <= 0.0 {
            return None;
        }
        Some(Line {
            at: self.origin + wx / w * self.scale,
            value: wy / w,
            slope: (w * wxy - wx * wy) / det / self.scale,
            value_var: 1.0 / w,
            slope_var: w / det / (self.scale * self.scale),
            covariance: 0.0,
        })
    }

    /// Sums of weight, weight·x, weight·x², weight·y, weight·x·y over points `a..b`, with x in the
    /// sums' own scale: see [`Sums::scaled`].
    pub fn moments(&self, a: usize, b: usize) -> [f64; 5] {
        self.between(a, b)
    }

    /// A place in the scale of [`Sums::moments`].
    pub fn scaled(&self, x: f64) -> f64 {
        (x - self.origin) * self.per_scale
    }

    /// Change of a scaled place with a place.
    pub fn per_scale(&self) -> f64 {
        self.per_scale
    }

    /// Several places in the sums' own scale.
    pub fn scaled_lanes(&self, x: Lanes) -> Lanes {
        (x - self.origin) * self.per_scale
    }

    #[inline]
    fn between(&self, a: usize, b: usize) -> [f64; 5] {
        let (to, from) = (&self.sums[b], &self.sums[a]);
        std::array::from_fn(|i| to[i] - from[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Norris, NIST StRD linear regression, www.itl.nist.gov/div898/strd/lls/data/Norris.shtml
    const NORRIS: &str = "0.2 0.1 337.4 338.8 118.2 118.1 884.6 888.0 10.1 9.2 226.5 228.1 666.3 \
        668.5 996.3 998.5 448.6 449.1 777.0 778.9 558.2 559.2 0.4 0.3 0.6 0.1 775.5 778.1 666.9 \
        668.8 338.0 339.3 447.5 448.9 11.6 10.8 556.0 557.7 228.1 228.3 995.8 998.0 887.6 888.8 \
        120.2 119.6 0.3 0.3 0.3 0.6 556.8 557.6 339.1 339.3 887.2 888.0 999.0 998.5 779.0 778.9 \
        11.1 10.2 118.3 117.6 229.2 228.9 669.1 668.4 448.9 449.2 0.5 0.2";

    #[test]
    fn nists_certified_line_comes_out() {
        let numbers: Vec<f64> = NORRIS.split_whitespace().map(|n| n.parse().unwrap()).collect();
        let mut pairs: Vec<(f64, f64)> = numbers.chunks(2).map(|p| (p[0], p[1])).collect();
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (x, y): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
        let line = Sums::new(&x, &y, &vec![1.0; 36]).line(0, 36).unwrap();
        let residual: f64 = x.iter().zip(&y).map(|(x, y)| (y - line.value_at(*x).0).powi(2)).sum();
        let var = residual / 34.0;
        let (intercept, intercept_var) = line.value_at(0.0);
        // A1: certified values
        assert_relative_eq!(intercept, -0.262_323_073_774_029, max_relative = 1e-9);
        assert_relative_eq!(
            (intercept_var * var).sqrt(),
            0.232_818_234_301_152,
            max_relative = 1e-9
        );
        assert_relative_eq!(line.slope, 1.002_116_818_020_45, max_relative = 1e-9);
        assert_relative_eq!(
            (line.slope_var * var).sqrt(),
            0.000_429_796_848_199_937,
            max_relative = 1e-9
        );
        assert_relative_eq!(var.sqrt(), 0.884_796_396_144_373, max_relative = 1e-9);
    }

    #[test]
    fn a_line_extrapolated_beyond_its_data_has_the_guides_uncertainty() {
        // A2: JCGM 100:2008 (GUM), H.3: thermometer corrections, b(30) = -0.1494, u 0.0041
        let t = [
            21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
        ];
        let b = [
            -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
        ];
        let line = Sums::new(&t, &b, &[1.0; 11]).line(0, 11).unwrap();
        let square: f64 = t.iter().zip(&b).map(|(t, b)| (b - line.value_at(*t).0).powi(2)).sum();
        assert_relative_eq!(square, 0.000_110_096_583_109, max_relative = 1e-8);
        let (value, var) = line.value_at(30.0);
        assert_relative_eq!(value, -0.1494, epsilon = 5e-5);
        assert_relative_eq!((var * square / 9.0).sqrt(), 0.0041, epsilon = 5e-5);
        assert_relative_eq!(line.slope, 0.002_182_697_7, max_relative = 1e-7);
        assert_relative_eq!((line.slope_var * square / 9.0).sqrt(), 0.00067, epsilon = 5e-6);
        let (_, var) = line.value_at(20.0);
        assert_relative_eq!((var * square / 9.0).sqrt(), 0.0029, epsilon = 5e-5);
        assert_relative_eq!(line.value_at(20.0).0, -0.171_203_79, max_relative = 1e-7);
    }

    /// Value and variance at `x` of the line through points `a..b`.
    fn line_at(sums: &Sums, a: usize, b: usize, x: f64) -> Option<(f64, f64)> {
        let ratios = sums.held_lines_at([a; LANES], [b; LANES], Lanes::splat(x), 0.0);
        let [value, var, over] =
            [ratios.value, ratios.var, ratios.over].map(|lanes| lanes.to_array()[2]);
        (over > 0.0).then(|| (value / over, var / over))
    }

    #[test]
    fn weights_count_as_exact_fractions_say() {
        // A6: by hand with exact fractions; numpy.polyfit(w=1/σ, cov="unscaled") agrees
        let sigma: [f64; 5] = [0.01, 0.01, 0.02, 0.02, 0.04];
        let weight = sigma.map(|s| 1.0 / (s * s));
        let x = [0.0, 1.0, 2.0, 3.0, 4.0];
        let sums = Sums::new(&x, &[0.0, 0.21, 0.39, 0.62, 0.80], &weight);
        let line = sums.line(0, 5).unwrap();
        assert_relative_eq!(line.slope, 146_062_500.0 / 720_312_500.0, max_relative = 1e-9);
        assert_relative_eq!(line.slope_var.sqrt(), 0.005_964_464_5, max_relative = 1e-8);
        let (intercept, var) = line_at(&sums, 0, 5, 0.0).unwrap();
        assert_relative_eq!(intercept, 1_562_500.0 / 720_312_500.0, max_relative = 1e-9);
        assert_relative_eq!(var.sqrt(), 0.008_537_273_1, max_relative = 1e-8);
    }

    #[test]
    fn points_without_weight_or_of_one_place_make_no_line() {
        let sums = Sums::new(&[1.0, 2.0, 3.0], &[1.0, 5.0, 2.0], &[0.0, 1.0, 0.0]);
        assert_eq!(sums.line(0, 3), None);
        assert_eq!(line_at(&sums, 0, 1, 0.0), None);
    }
}
