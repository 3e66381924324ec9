//! A3, A8, A10, B3 to B6, J4: sigmas, quantiles and lines beside those in `signal`.

use strandline::findings::student;
use strandline::signal::lanes::{LANES, Lanes};
use strandline::signal::line::Sums;
use strandline::signal::normal::quantile;
use strandline::units::Measured;

use super::near;

#[test]
fn independent_sigmas_add_in_squares() {
    // A3: GUM H.1, end gauge; inputs read in GTC's examples/GUM_H1.py, result from memory: 31.7 nm
    let parts = [25.0, 9.7, 2.9, 16.6].map(|u| Measured::new(0.0, u));
    let whole = parts.into_iter().fold(Measured::new(0.0, 0.0), Measured::plus);
    near(whole.sigma, 31.7, 0.05, "A3");
    let nine = [5.8, 3.9, 6.7].map(|u| Measured::new(0.0, u));
    let nine = nine.into_iter().fold(Measured::new(0.0, 0.0), Measured::plus);
    near(nine.sigma, 9.7, 0.05, "A3: the second part from its own three");
}

#[test]
fn students_quantiles_are_those_of_the_guide() {
    // A8: GUM table G.2 (from memory): t of 95 %, 1 2 4 5 10 degrees of freedom
    for (nu, t) in [(1.0, 12.71), (2.0, 4.30), (4.0, 2.78), (5.0, 2.57), (10.0, 2.23)] {
        near(student(0.025, nu), t, 0.005, "A8");
    }
    // A3: t of 99 % at ν = 16: 2.92 (from memory)
    near(student(0.005, 16.0), 2.92, 0.005, "A3");
}

#[test]
fn a_level_far_from_zero_keeps_its_digits() {
    // A10: NIST StRD univariate, "NumAcc4"; construction read in public tests, certified values from memory
    let mut y = vec![10_000_000.2];
    for _ in 0..500 {
        y.extend([10_000_000.1, 10_000_000.3]);
    }
    let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
    let sums = Sums::new(&x, &y, &vec![1.0; y.len()]);
    near(sums.mean(0, y.len()).expect("a mean"), 10_000_000.2, 1e-6, "A10");
    let line = sums.line(0, y.len()).expect("a line");
    let square: f64 = x.iter().zip(&y).map(|(x, y)| (y - line.value_at(*x).0).powi(2)).sum();
    near((square / (y.len() - 1) as f64).sqrt(), 0.1, 1e-4, "A10: about a line without slope");
}

#[test]
fn dynamic_range_by_two_noise_levels() {
    // B3: IEC 61746 takes the level that holds 98 % of the noise, the other usage the rms level (read in a cable
    // maker's training wiki): 5·log10 of the normal quantiles
    near(5.0 * quantile(0.98).log10(), 1.563, 1e-3, "B3: 98 % of the samples");
    near(5.0 * quantile(0.99).log10(), 1.833, 1e-3, "B3: 98 % of the magnitudes");
}

/// `n` samples 1 m apart with a sigma of 0.01 dB on the line `-0.2·x/1000`.
fn fibre(n: usize) -> Sums {
    let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
    let y: Vec<f64> = x.iter().map(|x| -0.2e-3 * x).collect();
    Sums::new(&x, &y, &vec![1e4; n])
}

#[test]
fn lines_know_slopes_and_extrapolated_levels_as_least_squares_does() {
    // B4: textbook least squares: 1000 samples: σ·√(12/(N(N²-1)))/Δ
    let line = fibre(1000).line(0, 1000).expect("a line");
    let n = 1000.0_f64;
    let expected = 0.01 * (12.0 / (n * (n * n - 1.0))).sqrt();
    near(1000.0 * expected, 0.001_095, 5e-7, "B4: dB/km, as printed");
    near(line.slope_var.sqrt() / expected, 1.0, 1e-9, "B4");
    // J4: a noiseless line returns its slope (IEC 60793-1-40 method C, from memory)
    near(-1000.0 * line.slope, 0.2, 1e-9, "J4");
    // B5: 100 samples on each side, read at the joint's edge, where the last or first sample stands:
    // 2(2N-1)/(N(N+1))·σ² each
    let n = 100.0_f64;
    let expected = 1e-4 * 2.0 * (2.0 * n - 1.0) / (n * (n + 1.0));
    near(expected.sqrt(), 0.001_985, 5e-7, "B5, as printed");
    near((2.0 * expected).sqrt(), 0.002_807, 5e-7, "B5: the difference, as printed");
    let var_at_edge = |sums: &Sums, held: f64| {
        let level = sums.held_lines_at([0; LANES], [100; LANES], Lanes::splat(99.0), held);
        (level.var / level.over).to_array()[0]
    };
    let var = var_at_edge(&fibre(100), 0.0);
    near(var / expected, 1.0, 1e-9, "B5");
    // B6: slopes known: σ·√(2/N), half of it
    let var = var_at_edge(&fibre(100), fibre(100).slope_weight(1e-12));
    near((2.0 * var).sqrt(), 0.01 * (2.0 / n).sqrt(), 1e-7, "B6");
    near((2.0 * var).sqrt(), 0.001_414, 5e-7, "B6, as printed");
}
