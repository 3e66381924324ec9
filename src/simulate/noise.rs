//! Chance: the receiver's noise, the fibre's speckle, single wrong samples.

use super::light::Grid;
use super::random::Random;
use super::scenario::{Spikes, Wavelength};

/// Gaussian noise of standard deviation 1, coloured by `poles` equal poles of length `pole_m`.
///
/// The chain of poles is driven by white noise and its state is carried from sample to sample
/// exactly, so the correlation of two samples is that of the continuous process at their distance,
/// whatever the spacing.
pub(super) fn coloured(grid: &Grid, poles: usize, pole_m: f64, random: &mut Random) -> Vec<f64> {
    let poles = poles.min(5);
    if poles == 0 {
        return (0..grid.samples).map(|_| random.normal()).collect();
    }
    let x = grid.spacing_m / pole_m;
    let shock = root(&covariance(poles, 2.0 * x));
    let begin = root(&covariance(poles, f64::INFINITY));
    let scale = 1.0 / covariance(poles, f64::INFINITY)[poles - 1][poles - 1].sqrt();
    // A stage passes on to the k-th behind it exp(-x)·x^k/k! of its own value.
    let mut pass = [0.0; 5];
    let mut weight = (-x).exp();
    for (k, pass) in pass.iter_mut().enumerate() {
        *pass = weight;
        weight *= x / (k + 1) as f64;
    }
    let mut stages = draw(&begin, poles, random);
    let mut levels = Vec::with_capacity(grid.samples);
    for _ in 0..grid.samples {
        levels.push(stages[poles - 1] * scale);
        let mut next = draw(&shock, poles, random);
        for (j, next) in next.iter_mut().enumerate().take(poles) {
            *next += (0..=j).map(|i| stages[i] * pass[j - i]).sum::<f64>();
        }
        stages = next;
    }
    levels
}

type Matrix = [[f64; 5]; 5];

/// Covariance that white noise builds up in a chain of poles of length 1 over `x/2` lengths: the
/// integral of `h_i·h_j`, `h_j(s) = s^(j-1)·exp(-s)/(j-1)!`.
fn covariance(poles: usize, x: f64) -> Matrix {
    let mut matrix = [[0.0; 5]; 5];
    for (i, row) in matrix.iter_mut().enumerate().take(poles) {
        for (j, value) in row.iter_mut().enumerate().take(poles) {
            *value = binomial(i + j, i) * half_to(i + j + 1) * gamma_share(i + j + 1, x);
        }
    }
    matrix
}

fn half_to(n: usize) -> f64 {
    (0..n).map(|_| 0.5).product()
}

/// Regularised lower incomplete gamma function of a whole `n`: `exp(-x)·Σ_{m≥n} x^m/m!`, summed
/// from the small end, since `1 - …` would leave nothing of a short step.
fn gamma_share(n: usize, x: f64) -> f64 {
    if x > 60.0 {
        return 1.0;
    }
    let mut term = (1..=n).fold((-x).exp(), |term, m| term * x / m as f64);
    let mut sum = 0.0;
    let mut m = n;
    while term > sum * 1e-17 {
        sum += term;
        m += 1;
        term *= x / m as f64;
    }
    sum
}

/// Cholesky's root; a direction without variance stays empty.
fn root(matrix: &Matrix) -> Matrix {
    let mut root = [[0.0; 5]; 5];
    for i in 0..5 {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| root[i][k] * root[j][k]).sum();
            let left = matrix[i][j] - known;
            root[i][j] = if i == j {
                left.max(0.0).sqrt()
            } else if root[j][j] > 0.0 {
                left / root[j][j]
            } else {
                0.0
            };
        }
    }
    root
}

fn draw(root: &Matrix, poles: usize, random: &mut Random) -> [f64; 5] {
    let mut white = [0.0; 5];
    for value in white.iter_mut().take(poles) {
        *value = random.normal();
    }
    let mut drawn = [0.0; 5];
    for (row, drawn) in root.iter().zip(&mut drawn).take(poles) {
        *drawn = row.iter().zip(&white).map(|(r, w)| r * w).sum();
    }
    drawn
}

/// This many samples of [`coloured`] noise, `x` pole lengths apart, count as one independent value:
/// `1 + 2·Σρ`. The correlation of N poles is `exp(-τ)·Σ C(2N-2-k, N-1)·(2τ)^k/k!` over `C(2N-2, N-1)`.
pub(super) fn kappa(poles: usize, x: f64) -> f64 {
    if poles == 0 {
        return 1.0;
    }
    let correlation = |tau: f64| {
        let mut power = (-tau).exp();
        let mut sum = 0.0;
        for k in 0..poles {
            sum += binomial(2 * poles - 2 - k, poles - 1) * power;
            power *= 2.0 * tau / (k + 1) as f64;
        }
        sum / binomial(2 * poles - 2, poles - 1)
    };
    let lags = (40.0 / x).min(1e5) as usize;
    1.0 + 2.0 * (1..=lags).map(|lag| correlation(lag as f64 * x)).sum::<f64>()
}

/// `1/∫h²` of equal poles of length 1: `2^(2N-1)/C(2N-2, N-1)`; 0 without poles.
pub(super) fn edge_poles(poles: usize) -> f64 {
    if poles == 0 {
        return 0.0;
    }
    1.0 / (half_to(2 * poles - 1) * binomial(2 * poles - 2, poles - 1))
}

fn binomial(n: usize, k: usize) -> f64 {
    (1..=k).map(|i| (n + 1 - i) as f64 / i as f64).product()
}

/// Relative ripple of the backscatter at each sample, standard deviation 1: what the glass itself
/// scatters, averaged over the pulse behind the sample.
///
/// The glass is cut into cells of a fixed length, each with its own draw from the fibre's seed, so
/// a second measurement of the same fibre, or one from its other end, meets the same cells.
/// `fiber_m` is the length of the whole fibre, `reversed` says that the light came from b.
pub(super) fn speckle(
    grid: &Grid,
    wavelength: &Wavelength,
    pulse_m: f64,
    fiber_m: f64,
    reversed: bool,
    seed: u64,
) -> Vec<f64> {
    // A power of two, so that pulses of nearly the same length share their cells.
    let cell_m = (pulse_m / 8.0).log2().floor().exp2();
    let cells = (fiber_m / cell_m).ceil() as usize + 1;
    let mut random = Random::for_purpose(seed, wavelength.nm.to_bits());
    let mut sums = Vec::with_capacity(cells + 1);
    let mut sum = 0.0;
    sums.push(sum);
    for _ in 0..cells {
        sum += random.normal();
        sums.push(sum);
    }
    let sum_to = |z_m: f64| {
        let place = (z_m.clamp(0.0, fiber_m)) / cell_m;
        let whole = (place as usize).min(cells - 1);
        sums[whole] + (place - whole as f64) * (sums[whole + 1] - sums[whole])
    };
    let scale = (cell_m / pulse_m).sqrt();
    let ripple = |k: usize| {
        let front_m = grid.position_m(k);
        let back_m = front_m - pulse_m;
        let (low_m, high_m) =
            if reversed { (fiber_m - front_m, fiber_m - back_m) } else { (back_m, front_m) };
        scale * (sum_to(high_m) - sum_to(low_m))
    };
    (0..grid.samples).map(ripple).collect()
}

/// Puts single wrong samples on top, up or down.
pub(super) fn add_spikes(levels: &mut [f64], spikes: &Spikes, sigma: f64, random: &mut Random) {
    for _ in 0..spikes.number.min(levels.len()) {
        let k = random.whole(0, levels.len() - 1);
        let sign = if random.chance(0.5) { 1.0 } else { -1.0 };
        levels[k] += sign * spikes.height_sigma * sigma;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// κ·spacing = λ·{2, 4, 5.33, 6.4, 7.31} for 1 to 5 poles: 1/∫h², so `4^N/(2·C(2N-2, N-1))`.
    /// Here as the sum of all correlations, 1 + 2Σρ, from the noise itself.
    #[test]
    fn noise_is_as_coloured_as_the_poles_say() {
        let grid = Grid { first_m: 0.0, spacing_m: 0.5, samples: 400_000 };
        for (poles, lengths) in [(1, 2.0), (2, 4.0), (3, 16.0 / 3.0), (4, 6.4), (5, 256.0 / 35.0)] {
            let noise = coloured(&grid, poles, 1.0, &mut Random::new(poles as u64));
            let mean = |lag: usize| {
                let pairs = noise.iter().zip(&noise[lag..]).map(|(a, b)| a * b);
                pairs.sum::<f64>() / (noise.len() - lag) as f64
            };
            let variance = mean(0);
            let reckoned = super::kappa(poles, grid.spacing_m);
            // A sum over samples half a pole apart is up to 2 % above the integral: coth(1/4)/4 for one pole.
            assert!((reckoned / (lengths / grid.spacing_m) - 1.0).abs() < 0.025, "{reckoned}");
            assert!((edge_poles(poles) - lengths).abs() < 1e-9);
            let kappa = 1.0 + 2.0 * (1..40).map(|lag| mean(lag) / variance).sum::<f64>();
            assert!((variance - 1.0).abs() < 0.02, "{poles} poles: variance {variance}");
            let expected = lengths / grid.spacing_m;
            assert!((kappa / expected - 1.0).abs() < 0.1, "{poles} poles: {kappa}, not {expected}");
        }
    }

    #[test]
    fn far_samples_have_white_noise_whatever_the_poles() {
        let grid = Grid { first_m: 0.0, spacing_m: 60.0, samples: 50_000 };
        let noise = coloured(&grid, 4, 1.0, &mut Random::new(3));
        let product: f64 = noise.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / 50_000.0;
        assert!(product.abs() < 4.0 / 50_000_f64.sqrt(), "{product}");
    }

    #[test]
    fn speckle_has_unit_size_a_pulses_length_and_the_same_face_from_both_ends() {
        let wavelength = Wavelength {
            nm: 1550.0,
            pulse_ns: 100,
            spacing_m: 1.0,
            samples: 1,
            backscatter_db: -82.0,
            range_db: None,
            speckle: 0.002,
            averages: None,
            averaging_s: None,
        };
        let (pulse_m, fiber_m) = (10.0, 100_000.0);
        let grid = Grid { first_m: 20.0, spacing_m: 1.0, samples: 99_000 };
        let ahead = speckle(&grid, &wavelength, pulse_m, fiber_m, false, 7);
        let mean = |lag: usize| {
            let pairs = ahead.iter().zip(&ahead[lag..]).map(|(a, b)| a * b);
            pairs.sum::<f64>() / (ahead.len() - lag) as f64
        };
        assert!((mean(0) - 1.0).abs() < 0.1, "{}", mean(0));
        assert!((mean(5) / mean(0) - 0.5).abs() < 0.05, "a triangle: {}", mean(5));
        assert!(mean(12).abs() < 0.05);
        // From b the pulse that ends at z covers the glass from fiber - z to fiber - z + pulse.
        let back = speckle(&grid, &wavelength, pulse_m, fiber_m, true, 7);
        for k in [0, 1234, 98_000] {
            let mirrored_m = fiber_m - grid.position_m(k) + pulse_m;
            let twin = ((mirrored_m - grid.first_m) / grid.spacing_m) as usize;
            if let Some(twin) = ahead.get(twin) {
                assert!((back[k] - twin).abs() < 1e-9);
            }
        }
    }
}
