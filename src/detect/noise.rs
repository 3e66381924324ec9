//! The noise of a trace, read from the trace itself.

use super::dark;
use super::samples::Samples;
use super::zero;
use crate::signal::lanes::{self, LANES, Lanes};
use crate::signal::{normal, order};

/// What disturbs the samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    /// Standard deviation of the additive noise in power, the same everywhere.
    pub sigma: f64,
    /// Inflation by correlation: this many samples count as one independent one.
    pub kappa: f64,
    /// Length of one of three equal poles that would colour white noise like this, in samples.
    pub pole: f64,
    /// Relative standard deviation of the backscatter itself.
    pub speckle: f64,
    /// First sample behind which no backscatter stands out of the noise; the number of samples
    /// where light reaches to the end.
    pub dark_from: usize,
    /// Whether `sigma` could be read where no light is.
    pub seen: bool,
    /// Power that the file holds for all that is less.
    pub floor: f64,
    /// Standard deviation of the zero that was taken out of every sample; 0 where it was not off.
    pub zero_sd: f64,
}

impl Noise {
    /// Standard deviation of the mean of `n` samples, no more than that of one.
    pub fn of_mean(&self, n: f64) -> f64 {
        self.sigma * (self.kappa / n).sqrt().min(1.0)
    }

    /// The mean of samples of true power `p` where the file cuts them off at its floor: weak light
    /// shows brighter than it is.
    pub fn clipped_mean(&self, p: f64) -> f64 {
        self.clipped(Lanes::splat(p)).0.to_array()[0]
    }

    /// The same of several, and its change with `p`. Exact for normal noise:
    /// `f + (p - f)·Φ((p - f)/σ) + σ·φ((p - f)/σ)`.
    pub fn clipped(&self, p: Lanes) -> (Lanes, Lanes) {
        let r = (p - self.floor) * (1.0 / self.sigma);
        let whole = r.simd_gt(Lanes::splat(4.0));
        if !self.seen || whole.all() {
            return (p, Lanes::ONE);
        }
        let above = normal::shares_below(r);
        let mean = (r * above + normal::densities(r)) * self.sigma + self.floor;
        (whole.select(p, mean), whole.select(Lanes::ONE, above))
    }
}

/// Measures the noise and takes a zero offset out of `samples`.
pub(super) fn measure(samples: &mut Samples) -> Noise {
    let n = samples.len();
    let mut noise = Noise {
        sigma: 0.0,
        kappa: 1.0,
        pole: 0.1,
        speckle: 0.0,
        dark_from: n,
        seen: false,
        floor: 0.0,
        zero_sd: 0.0,
    };
    if let Some(tail) = dark::noise_alone_from(samples) {
        noise.seen = true;
        noise.sigma = sigma(samples, tail, n);
        noise.dark_from = tail;
        let mut cut = dark::CUT * noise.sigma;
        let mut sums = dark::capped_sums(samples, cut);
        // Well behind the end: a reflection's decay is no noise.
        let clear = |dark: usize| dark + ((n - dark) / 8).min((8.0 * samples.pulse) as usize);
        let mut from = n;
        for _ in 0..2 {
            noise.dark_from = dark::dark_from(samples, &sums, &noise).min(tail);
            let looked_at = n - from;
            from = clear(noise.dark_from);
            if looked_at.abs_diff(n - from) > looked_at / 8 {
                noise.sigma = sigma(samples, from, n);
                noise.pole = pole(samples, from, n);
                noise.kappa = kappa(noise.pole);
            }
            // The first samples looked at were few: what is cut lower than the noise needs shows no light anywhere.
            if cut < 3.5 * noise.sigma {
                cut = dark::CUT * noise.sigma;
                sums = dark::capped_sums(samples, cut);
                noise.dark_from = dark::dark_from(samples, &sums, &noise).min(tail);
            }
        }
        zero::take_out(samples, &mut noise, from);
    } else {
        noise.dark_from = dark::where_floor_begins(samples);
        noise.sigma = sigma_from_fibre(samples, noise.dark_from);
    }
    noise.sigma = noise.sigma.max(1e-12);
    noise.floor = samples.floor;
    noise.speckle = speckle(samples, &noise);
    samples.mend(noise.sigma, noise.speckle.max(samples.quantum));
    noise
}

/// So many of `values`, evenly spread, as tell a quantile well enough to begin with.
fn thinned(values: &[f64]) -> Vec<f64> {
    values.iter().step_by(values.len() / 1024 + 1).copied().collect()
}

/// Standard deviation of samples `a..b` of which the lower half may be cut off, about zero.
///
/// Source: the mean square of the upper half of a normal distribution about its centre is its
/// variance; blocks that stand out (echoes) are left out.
fn sigma(samples: &Samples, a: usize, b: usize) -> f64 {
    let mut some = thinned(&samples.power[a..b]);
    // A zero far below the floor leaves little to be seen, and none of the lower half.
    if dark::share_seen(&some, samples.floor) < zero::HALF_HIDDEN {
        if let Some(upper) = zero::Upper::of(&mut some, samples.floor) {
            return upper.sigma;
        }
    }
    let Some(q90) = order::quantile(&mut some, 0.9) else { return 0.0 };
    let rough = q90 / 1.281_551_6;
    // From the floor to 3 sigma: of what of a normal lies between two places, the mean square is known.
    let borders = [samples.floor.max(0.0), 3.0 * rough];
    let [least, most] = borders.map(Lanes::splat);
    let (mut sum, mut count) = (Lanes::ZERO, Lanes::ZERO);
    let power = &samples.power[a..b];
    let rest = &power[power.len() / LANES * LANES..];
    let rest = std::iter::once(lanes::first_of(rest)); // what it is filled up with is not counted
    for p in lanes::blocks(power).chain(rest) {
        let inside = p.simd_gt(least) & p.simd_lt(most);
        sum += inside.select(p * p, Lanes::ZERO);
        count += inside.select(Lanes::ONE, Lanes::ZERO);
    }
    let (sum, count) = (sum.reduce_add(), count.reduce_add());
    let kept = normal::square_between(borders.map(|p| p / rough));
    if count < 8.0 { rough } else { (sum / count / kept).sqrt() }
}

/// Length of a pole whose three-fold receiver would correlate the noise as samples `a..b` are.
///
/// From the signs, which survive clipping: `ρ = sin(π/2·mean(sign·sign))` (Van Vleck & Middleton
/// 1966), at the lag where it falls through 1/2; sums of ρ are too noisy.
fn pole(samples: &Samples, a: usize, b: usize) -> f64 {
    let values = &samples.power[a..b];
    // Where the signs change need not be the very middle: their mean is taken off below.
    let mut some = thinned(values);
    let middle = order::median(&mut some).unwrap_or(0.0);
    let above: Vec<bool> = values.iter().map(|p| *p > middle).collect();
    let high = above.iter().filter(|a| **a).count() as f64;
    let mean = 2.0 * high / above.len().max(1) as f64 - 1.0;
    let rho = |lag: usize| {
        let pairs = above.len().saturating_sub(lag).max(1) as f64;
        let later = &above[lag.min(above.len())..];
        // in bytes, which the processor compares by the dozen
        let alike: u32 = (above.chunks(128).zip(later.chunks(128)))
            .map(|(p, q)| u32::from(p.iter().zip(q).map(|(p, q)| u8::from(p == q)).sum::<u8>()))
            .sum();
        let mean_of_products = 2.0 * f64::from(alike) / pairs - 1.0;
        let covariance = mean_of_products - mean * mean;
        if mean < MOSTLY_BELOW {
            return correlation_of_excess(0.25 * covariance, normal::quantile(0.5 - 0.5 * mean));
        }
        (std::f64::consts::FRAC_PI_2 * covariance).sin()
    };
    let most = ((2.0 * samples.pulse) as usize + 2).min(values.len() / 4);
    let mut before = 1.0;
    for lag in 1..=most.max(1) {
        let here = rho(lag);
        if here < 0.5 {
            // The crossing by straight interpolation; ρ(2.33 λ) = 1/2 for three poles. One lag
            // alone tells where even the first is below.
            let crossing = if lag == 1 {
                return pole_of_first_lag(here);
            } else {
                (lag - 1) as f64 + (before - 0.5) / (before - here)
            };
            return crossing / 2.33;
        }
        before = here;
    }
    most as f64 / 2.33
}

/// Mean sign from which the arcsine law, which is that of a border in the middle, no longer holds: a floor hides more
/// than half.
const MOSTLY_BELOW: f64 = -0.1;

/// Correlation of two normal values of which "higher than `z` sigma" has this covariance.
///
/// Exact: by their correlation r the probability that both are higher grows with
/// `e^(-z²/(1+r))/(2π√(1-r²))` (Plackett 1954; at z = 0 this is the arcsine law).
fn correlation_of_excess(covariance: f64, z: f64) -> f64 {
    let step = 0.01;
    let (mut sum, mut r) = (0.0, 0.5 * step);
    while r < 1.0 {
        let square: f64 = 1.0 - r * r;
        sum += step * (-z * z / (1.0 + r)).exp() / (std::f64::consts::TAU * square.sqrt());
        if sum > covariance {
            return r;
        }
        r += step;
    }
    1.0
}

/// Correlation of noise through three poles at `lag` pole lengths: `e^-t·(1 + t + t²/3)`.
fn correlation(t: f64) -> f64 {
    (-t).exp() * (1.0 + t + t * t / 3.0)
}

fn pole_of_first_lag(rho: f64) -> f64 {
    let (mut short, mut long) = (0.02, 1.0);
    for _ in 0..30 {
        let middle = 0.5 * (short + long);
        if correlation(1.0 / middle) > rho { long = middle } else { short = middle }
    }
    short
}

/// Noise inflation `1 + 2·Σρ` of three poles of length `pole` samples.
fn kappa(pole: f64) -> f64 {
    let mut sum = 1.0;
    for lag in 1..2000 {
        let rho = correlation(f64::from(lag) / pole);
        sum += 2.0 * rho;
        if rho < 1e-4 {
            break;
        }
    }
    sum
}

/// Additive noise from the scatter of the weakest fibre, where none is seen behind the end: from
/// second differences of pulse-long means, so that its correlation is in it (`kappa` 1).
fn sigma_from_fibre(samples: &Samples, end: usize) -> f64 {
    let triples = lit_triples(samples, end);
    let mut lit: Vec<f64> = triples.iter().map(|m| m[1]).collect();
    let weak = order::quantile(&mut lit, 0.4).unwrap_or(0.0);
    // White noise's second difference has variance 6.
    scatter(&triples, |p| p <= weak) / (6.0 / pulse_long(samples) as f64).sqrt()
}

/// Standard deviation of the noise in one sample by the fibre's scatter, without what roughness adds to it, which grows
/// with the light. `None` where that is most of it, or too little fibre is seen.
pub(super) fn additive_scatter(samples: &Samples, noise: &Noise) -> Option<f64> {
    let triples = lit_triples(samples, noise.dark_from);
    if triples.len() < 2 * LEAST_DIFFERENCES {
        return None;
    }
    let mut lit: Vec<f64> = triples.iter().map(|m| m[1]).collect();
    // The middles of the weaker and of the brighter part, and what parts them from the rest.
    let [p, low, high, q] = order::quantiles(&mut lit, [0.2, 0.4, 0.6, 0.8])?;
    let (weak, bright) = (scatter(&triples, |m| m <= low), scatter(&triples, |m| m >= high));
    let (p, q) = (p * p, q * q);
    let var = (weak * weak * q - bright * bright * p) / (q - p);
    // Where both are nearly as bright nothing tells; where most of it is roughness little.
    let told = q > 1.5 * p && var > 0.5 * weak * weak;
    let unit = second_difference_var(noise.pole, pulse_long(samples));
    told.then(|| (var.min(weak * weak) / unit).sqrt())
}

/// Three neighbouring means over one pulse each, from behind the panel to `end`, where they are well over the file's floor.
fn lit_triples(samples: &Samples, end: usize) -> Vec<[f64; 3]> {
    let means = means(samples, samples.index(2.0 * samples.pulse).min(end), end);
    let triples = means.windows(3).map(|m| [m[0], m[1], m[2]]);
    triples.filter(|m| m[1] > 1.5 * samples.floor).collect()
}

/// Standard deviation of the second differences of those of `triples` whose middle is `chosen`.
fn scatter(triples: &[[f64; 3]], chosen: impl Fn(f64) -> bool) -> f64 {
    let triples = triples.iter().filter(|m| chosen(m[1]));
    let mut second: Vec<f64> = triples.map(|m| second_difference(m).abs()).collect();
    order::median(&mut second).unwrap_or(0.0) * order::MAD_TO_SIGMA
}

/// Samples in a pulse.
pub(super) fn pulse_long(samples: &Samples) -> usize {
    (samples.pulse.round() as usize).max(1)
}

/// The whole means over one pulse from `from` to `end`.
pub(super) fn means(samples: &Samples, from: usize, end: usize) -> Vec<f64> {
    let block = pulse_long(samples);
    let count = end.saturating_sub(from) / block;
    (from..).step_by(block).take(count).map(|k| samples.mean(k, k + block)).collect()
}

/// How far the middle of three neighbouring means over one pulse lies off the line through the others, twice.
#[derive(Clone, Copy)]
pub(super) struct Difference {
    /// Over `power`.
    pub relative: f64,
    pub power: f64,
}

/// The second difference of three neighbouring values.
pub(super) fn second_difference(of: &[f64]) -> f64 {
    of[0] - 2.0 * of[1] + of[2]
}

fn second_differences(means: &[f64]) -> Vec<Difference> {
    let of = |m: &[f64]| Difference { relative: second_difference(m) / m[1], power: m[1] };
    means.windows(3).map(of).collect()
}

/// Variance of the second difference of means over `block` neighbouring samples of unit noise through
/// three poles: exact, from its correlation. (For white noise it is 6/block.)
fn second_difference_var(pole: f64, block: usize) -> f64 {
    let weight = |k: usize| if k / block == 1 { -2.0 } else { 1.0 } / block as f64;
    let all = 3 * block;
    let mut sum = 0.0;
    for lag in 0..all {
        let rho = correlation(lag as f64 / pole);
        if rho < 1e-4 {
            break;
        }
        let pairs: f64 = (0..all - lag).map(|k| weight(k) * weight(k + lag)).sum();
        sum += if lag == 0 { pairs } else { 2.0 * rho * pairs };
    }
    sum
}

/// Roughness of the backscatter before anything is known: from all means over one pulse, of which events spoil some.
fn speckle(samples: &Samples, noise: &Noise) -> f64 {
    let means = means(samples, samples.index(2.0 * samples.pulse), noise.dark_from);
    Roughness::of(samples, noise, &second_differences(&means)).map_or(0.0, |rough| rough.speckle())
}

/// What means over one pulse scatter more than the additive noise lets them: the square of the roughness.
pub(super) struct Roughness {
    square: f64,
    sd: f64,
}

impl Roughness {
    /// `None` where too few are strong.
    ///
    /// Second differences cancel a line; events are outliers to the median. A process averaged over one pulse has block
    /// variance 2/3, neighbours' covariance 1/6, so its second difference has variance 8/3 s²; white noise's is
    /// 6 κσ²/n. Source: exact, from the triangular correlation of coherent fading (Healey 1984).
    pub fn of(samples: &Samples, noise: &Noise, differences: &[Difference]) -> Option<Roughness> {
        let block = pulse_long(samples);
        let additive = second_difference_var(noise.pole, block) * noise.sigma.powi(2);
        let mut squares: Vec<f64> = Vec::with_capacity(differences.len());
        let mut all = 0.0;
        squares.extend(differences.iter().filter(|d| d.power > 10.0 * noise.sigma).map(|d| {
            let rounding = samples.rounding_var(Lanes::splat(d.power), noise.sigma).to_array()[0];
            let rounding = (6.0 / block as f64 * rounding).min((d.power * samples.quantum).powi(2));
            let known = (additive + rounding) / (d.power * d.power);
            all += known;
            (d.relative * d.relative / CHI2_MEDIAN - known) * 3.0 / 8.0
        }));
        let count = squares.len() as f64;
        if squares.len() < LEAST_DIFFERENCES {
            return None;
        }
        let square = order::median(&mut squares)?.clamp(0.0, 0.01);
        Some(Roughness {
            square,
            sd: MEDIAN_SD / count.sqrt() * (square + all / count * 3.0 / 8.0),
        })
    }

    /// Standard deviation of the backscatter over itself.
    pub fn speckle(&self) -> f64 {
        self.square.sqrt()
    }

    /// The same if it is one standard deviation more than it seems.
    pub fn at_most(&self) -> f64 {
        (self.square + self.sd).sqrt()
    }
}

/// Second differences from which the roughness is read: their median then tells it to about a third.
const LEAST_DIFFERENCES: usize = 24;

/// Median of χ² with one degree.
const CHI2_MEDIAN: f64 = 0.454_936;

/// Relative standard deviation of a variance told by the median of n squares, times √n: `1/(2·f(m)·m)` with the density f
/// of χ² at its median m is 2.33, and neighbouring second differences share two of three means (of white noise their
/// squares have correlations of 0.44 and 0.03), so that n count as half as many.
const MEDIAN_SD: f64 = 3.2;

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn correlation_is_told_by_how_often_neighbours_stand_out_together() {
        // Of two normal values of correlation 1/2 both are above 0 in 1/3 of all cases (arcsine law: 1/4 + asin(1/2)/2π),
        // which is a covariance of 1/12; both above 1.2816 (one in ten) in 0.03240, by
        // quadrature of the conditional normal apart from this program.
        assert_abs_diff_eq!(correlation_of_excess(1.0 / 12.0, 0.0), 0.5, epsilon = 0.01);
        assert_abs_diff_eq!(correlation_of_excess(0.03240 - 0.01, 1.281_552), 0.5, epsilon = 0.01);
        assert!(correlation_of_excess(0.0, 1.0) < 0.02, "independent");
    }
}
