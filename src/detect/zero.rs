//! Where the receiver's zero lies: the middle of the noise, most of which the file may hide.

use super::dark;
use super::noise::{self, Noise};
use super::samples::Samples;
use crate::signal::{normal, order};

/// Takes a receiver's zero that is off out of every sample: the symmetric centre of the noise. Left alone
/// where it cannot be told from 0.
pub(super) fn take_out(samples: &mut Samples, noise: &mut Noise, from: usize) {
    // Neighbours are alike: of so many one tells as much as all.
    let apart = (0.5 * noise.kappa).max(1.0) as usize;
    let mut values: Vec<f64> = samples.power[from..].iter().step_by(apart).copied().collect();
    let independent = (samples.len() - from) as f64 / noise.kappa;
    let hidden = Zero::hidden(&mut values, samples, noise, independent);
    let Some(zero) = hidden.or_else(|| Zero::seen(&mut values, samples.floor, independent)) else {
        return;
    };
    if zero.told && zero.centre.abs() > 0.1 * zero.sigma {
        samples.shift(zero.centre);
        noise.sigma = zero.sigma;
        noise.zero_sd = zero.sd;
    }
}

/// Where the middle of the noise lies.
struct Zero {
    centre: f64,
    /// Standard deviation of the noise, and of `centre`.
    sigma: f64,
    sd: f64,
    /// Whether it is beyond doubt that it is off zero.
    told: bool,
}

/// How well the fibre's scatter tells the noise where it shows it: its correlation and the fibre's roughness are known to
/// so much. And how well a few samples of its upper end do.
const BY_FIBRE: f64 = 0.15;
const BY_FEW: f64 = 0.3;

/// Sigmas from which a zero is off.
const OFF_SIGMAS: f64 = 5.0;

impl Zero {
    /// As two quantiles tell it.
    fn seen(values: &mut [f64], floor: f64, independent: f64) -> Option<Zero> {
        let upper = Upper::of(values, floor)?;
        let (centre, sd) = (upper.centre, upper.centre_sd / independent.sqrt());
        Some(Zero { centre, sigma: upper.sigma, sd, told: centre.abs() > OFF_SIGMAS * sd })
    }

    /// Where the file hides most of it: how far under the floor it lies is told by the share that is seen, in sigmas; and
    /// those by the fibre's scatter. `None` where enough is seen of the noise itself, or hardly anything.
    fn hidden(
        values: &mut [f64],
        samples: &Samples,
        noise: &Noise,
        independent: f64,
    ) -> Option<Zero> {
        let (seen, floor) = (dark::share_seen(values, samples.floor), samples.floor);
        if seen > HALF_HIDDEN || seen * (values.len() as f64) < dark::LEAST_SEEN {
            return None;
        }
        let by_fibre = noise::additive_scatter(samples, noise);
        let (sigma, known) = match by_fibre {
            Some(sigma) => (sigma, BY_FIBRE),
            None => (Upper::of(values, floor)?.sigma, BY_FEW),
        };
        let z = normal::quantile(1.0 - seen);
        let z_sd = (seen * (1.0 - seen) / independent).sqrt() / normal::density(z);
        let centre = floor - z * sigma;
        // With a floor at nothing the share alone tells, however large a sigma is.
        let told = centre.abs() > OFF_SIGMAS * (sigma * z_sd).hypot(known * floor);
        Some(Zero { centre, sigma, sd: sigma * z_sd.hypot(known * z), told })
    }
}

/// Normal noise as two quantiles of what is seen of it tell it.
pub(super) struct Upper {
    centre: f64,
    pub sigma: f64,
    /// Standard deviation of the centre, times the square root of the number of independent samples.
    centre_sd: f64,
}

impl Upper {
    /// `None` where hardly a sample is over the floor. Source of `centre_sd`: the asymptotic covariance of
    /// quantiles, e.g. David & Nagaraja, Order Statistics (2003), 10.2 (from memory).
    pub fn of(values: &mut [f64], floor: f64) -> Option<Upper> {
        let seen = dark::share_seen(values, floor);
        if dark::LEAST_SEEN > seen * values.len() as f64 {
            return None;
        }
        // The usual ones, or both of what the file does not cut off: not of its highest quarter, for echoes hide there.
        let shares =
            if seen > HALF_HIDDEN { [0.75, 0.95] } else { [1.0 - 0.75 * seen, 1.0 - 0.25 * seen] };
        let [low, high] = order::quantiles(values, shares)?;
        let z = shares.map(normal::quantile);
        let sigma = (high - low) / (z[1] - z[0]);
        let covariance = |i: usize, j: usize| {
            shares[i] * (1.0 - shares[j]) / (normal::density(z[i]) * normal::density(z[j]))
        };
        let b = z[0] / (z[1] - z[0]); // the centre is (1 + b)·low - b·high
        let a = 1.0 + b;
        let var =
            a * a * covariance(0, 0) + b * b * covariance(1, 1) - 2.0 * a * b * covariance(0, 1);
        let centre = low - z[0] * sigma;
        (sigma > 0.0).then_some(Upper { centre, sigma, centre_sd: sigma * var.sqrt() })
    }
}

/// Share of the samples over the file's floor at which nothing is seen of the noise's lower half, nor of a
/// good part of its upper one.
pub(super) const HALF_HIDDEN: f64 = 0.3;

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn noise_is_read_from_what_a_low_zero_leaves_of_it() {
        // Normal by construction: of centre -1 and sigma 0.8, evenly spread over its shares; cut off where
        // 1, 11 and 89 % are seen
        for (floor, seen) in [(0.861, 0.01), (-0.019, 0.11), (-1.98, 0.89)] {
            let share = |i: u32| (f64::from(i) + 0.5) / 8000.0;
            let mut values: Vec<f64> =
                (0..8000).map(|i| (-1.0 + 0.8 * normal::quantile(share(i))).max(floor)).collect();
            let upper = Upper::of(&mut values, floor).expect("enough is seen");
            assert_abs_diff_eq!(dark::share_seen(&values, floor), seen, epsilon = 1e-2);
            assert_abs_diff_eq!(upper.sigma, 0.8, epsilon = 0.02);
            assert_abs_diff_eq!(upper.centre, -1.0, epsilon = 0.05);
        }
        assert!(Upper::of(&mut [0.5; 100], 0.5).is_none(), "nothing is seen");
    }
}
