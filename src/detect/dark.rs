//! Where no light is: a stretch of noise alone at the end of a trace, and how far light reaches before it.

use super::noise::{self, Noise};
use super::samples::{Samples, running_sums_of};
use crate::signal::order;

/// One standard deviation of the last stretch is read from this share of the samples at first.
const TAIL_SHARE: f64 = 0.06;

/// Where a stretch at the end begins that is noise alone, of several lengths: in a longer one an echo near the last
/// samples is but a small part, and the shortest hold few samples that are not alike.
/// `None` where light reaches to the last samples.
pub(super) fn noise_alone_from(samples: &Samples) -> Option<usize> {
    let n = samples.len();
    let start = |share: f64| n - ((share * n as f64) as usize).max(24).min(n / 2);
    [1.0, 0.5, 2.0, 4.0, 0.25, 0.125]
        .into_iter()
        .map(|part| start(part * TAIL_SHARE))
        .find(|from| is_noise_alone(samples, *from) && !only_fades(samples, *from))
}

/// Whether the samples from `from` on are a decay: their means over a pulse are far more alike from one to the next than
/// among each other. Of noise the second differences have a variance of 6 times theirs, and of noise that is alike over a
/// pulse of 4 times. Where there are too few to tell they are none.
fn only_fades(samples: &Samples, from: usize) -> bool {
    is_smooth(&noise::means(samples, from, samples.len()))
}

/// Whether `means` differ less from one to the next than they do in all.
fn is_smooth(means: &[f64]) -> bool {
    let mut second: Vec<f64> =
        means.windows(3).map(|m| noise::second_difference(m).abs()).collect();
    let Some(middle) = order::median(&mut means.to_vec()).filter(|_| means.len() >= LEAST_MEANS)
    else {
        return false;
    };
    let mut off: Vec<f64> = means.iter().map(|m| (m - middle).abs()).collect();
    order::median(&mut second)
        .zip(order::median(&mut off))
        .is_some_and(|(second, off)| second < 0.5 * off)
}

/// Means over a pulse from which their scatter can be told.
const LEAST_MEANS: usize = 6;

/// Whether the samples from `from` on are noise: about half at the floor, or scattering as much as
/// they are high, and both halves alike. Fibre does neither, and an end between both is not alike. Where a low zero
/// or a high floor hides nearly all of it, a few dozen samples that stand out of the floor in both halves tell as well.
fn is_noise_alone(samples: &Samples, from: usize) -> bool {
    let n = samples.len();
    let middle = (from + n) / 2;
    let halves = [&samples.power[from..middle], &samples.power[middle..n]];
    let alike = |p: f64, q: f64| p < 4.0 * q && q < 4.0 * p;
    let seen = halves.map(|values| share_seen(values, samples.floor));
    if seen[0].min(seen[1]) < HARDLY_SEEN {
        let enough = |seen: f64| seen * (middle - from) as f64 >= LEAST_SEEN;
        return seen.iter().all(|seen| enough(*seen)) && alike(seen[0], seen[1]);
    }
    let [p, q] = halves.map(|values| mean_seen(values, samples.floor));
    if seen[0].max(seen[1]) < MOSTLY_SEEN && alike(p, q) {
        return true; // no light leaves so much on the floor, however different both halves' quantiles are by chance
    }
    let half = |values: &[f64], seen: f64| {
        let shares = [0.25, 0.5, 0.75]; // so that an echo may fill a quarter
        let [low, middle, high] = order::quantiles(&mut values.to_vec(), shares)?;
        let noise = seen < 0.9 || 0.5 * (high - low) > 0.2 * middle;
        (noise && high > samples.floor).then_some(high)
    };
    half(halves[0], seen[0]).zip(half(halves[1], seen[1])).is_some_and(|(p, q)| alike(p, q))
}

/// Share of the samples over the file's floor at which the usual quantiles lie on it.
const HARDLY_SEEN: f64 = 0.25;

/// Share of the samples over the file's floor below which they are noise whatever their quantiles are.
const MOSTLY_SEEN: f64 = 0.75;

/// Mean of those of `values` that lie over the file's floor.
fn mean_seen(values: &[f64], floor: f64) -> f64 {
    let seen = values.iter().filter(|p| **p > floor);
    seen.clone().sum::<f64>() / seen.count().max(1) as f64
}

/// Share of `values` over the file's floor.
pub(super) fn share_seen(values: &[f64], floor: f64) -> f64 {
    values.iter().filter(|p| **p > floor).count() as f64 / values.len().max(1) as f64
}

/// Samples over the file's floor from which the noise can be told.
pub(super) const LEAST_SEEN: f64 = 12.0;

/// Running sums of the samples, none counted higher than `cut`.
pub(super) fn capped_sums(samples: &Samples, cut: f64) -> Vec<f64> {
    running_sums_of(&samples.power, |p| if p < cut { p } else { cut })
}

/// Where samples are cut before light is looked for, in sigmas of the noise: so that an echo of one pulse cannot light a
/// long window.
pub(super) const CUT: f64 = 4.0;

/// How far over zero the noise alone may seem, where its zero is off or an echo stands among the last samples; and how far
/// over that light stands at most, however few samples a window has that are not alike.
const MOST_BIAS: f64 = 1.0;
const MOST_LIMIT: f64 = 2.5;
const _: () = assert!(MOST_BIAS + MOST_LIMIT < CUT, "else nothing would be light");

/// First sample from which no window holds light; `sums` are running sums of capped samples.
///
/// A window is light where its mean and those of the two before it stand 5 sigma over zero: an echo,
/// one pulse long, reaches into two at most.
pub(super) fn dark_from(samples: &Samples, sums: &[f64], noise: &Noise) -> usize {
    let n = samples.len();
    let mut dark = 0;
    // Half a clipped normal's mean is 0.4 sigma: what floor-clipped noise shows by itself; a zero
    // that is off adds to it as far as the last samples show.
    let last = n - (n / 16).max(24).min(n);
    let bias = ((sums[n] - sums[last]) / (n - last) as f64)
        .clamp(0.399 * noise.sigma, MOST_BIAS * noise.sigma);
    for pulses in [1.0, 4.0, 16.0, 64.0] {
        let window = ((pulses * samples.pulse) as usize).max(3);
        if window * 4 > n {
            break;
        }
        let of_mean = (noise.kappa / window as f64).sqrt();
        let limit = noise.sigma * (5.0 * of_mean).min(MOST_LIMIT);
        let step = (window / 4).max(1);
        let mut b = n;
        while b >= 3 * window {
            let lit = |back: usize| {
                let sum = sums[b - back * window] - sums[b - (back + 1) * window];
                sum / window as f64 - bias > limit
            };
            if lit(0)
                && lit(1)
                && lit(2)
                && !one_pulse(sums, b - window, b, samples.pulse, bias, limit)
            {
                // Light may fill as little as the window's beginning: a longer window tells more
                // only where it begins in what the shorter ones call dark.
                if dark == 0 || b - window > dark + window / 2 {
                    dark = b;
                }
                break;
            }
            b = b.saturating_sub(step);
        }
    }
    dark.max(8).min(n)
}

/// Whether a window of several pulses is lit by one pulse alone, as by an echo: without its brightest
/// stretch of a pulse and a half nothing is left. `sums` are running sums.
fn one_pulse(sums: &[f64], a: usize, b: usize, pulse: f64, bias: f64, limit: f64) -> bool {
    let stretch = (1.5 * pulse) as usize + 1;
    if b - a < 2 * stretch {
        return false;
    }
    let step = (stretch / 3).max(1);
    let brightest = (a..=b - stretch)
        .step_by(step)
        .map(|k| (sums[k + stretch] - sums[k], k))
        .max_by(|p, q| p.0.total_cmp(&q.0));
    brightest.is_some_and(|(bright, _)| {
        let rest = (sums[b] - sums[a] - bright) / (b - a - stretch) as f64;
        rest - bias < 0.5 * limit
    })
}

/// Where the file's own floor begins to hide everything: behind the last two windows of two pulses
/// in which fewer than nine of ten samples lie on it. One such window alone is an echo.
pub(super) fn where_floor_begins(samples: &Samples) -> usize {
    let n = samples.len();
    if samples.floor <= 0.0 {
        return n;
    }
    let window = ((2.0 * samples.pulse) as usize).max(6).min(n / 4);
    let lit = |b: usize| {
        let here = &samples.power[b - window..b];
        10 * here.iter().filter(|p| **p <= samples.floor).count() < 9 * window
    };
    let mut b = n;
    while b > 3 * window {
        if lit(b) && lit(b - window) && lit(b - 2 * window) {
            return b;
        }
        b -= (window / 2).max(1);
    }
    n
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decay_is_smooth_and_noise_is_not() {
        let fades = |n: i32, length: f64| -> Vec<f64> {
            (0..n).map(|k| (-f64::from(k) / length).exp()).collect()
        };
        // The golden ratio's multiples scatter evenly: as rough as noise, and the same in every run.
        let rough = |n: i32| -> Vec<f64> {
            (0..n).map(|k| (f64::from(k) * 0.618_034).fract() - 0.5).collect()
        };
        for n in [6, 15, 60] {
            assert!(is_smooth(&fades(n, 3.0)) && is_smooth(&fades(n, 30.0)), "{n}");
            assert!(!is_smooth(&rough(n)), "{n}");
        }
        assert!(!is_smooth(&fades(5, 3.0)), "too few to tell");
    }
}
