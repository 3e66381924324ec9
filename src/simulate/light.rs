//! The power that comes back, without noise, in closed form.
//!
//! Between two neighbouring breakpoints the light before the receiver is a constant plus at most two
//! falling exponentials. Equal poles and single slow poles answer that exactly, so a sample may lie
//! anywhere and nothing depends on the spacing.

use num_complex::Complex64;

use super::path::{Flash, Path};
use super::scenario::{Receiver, Ring};

/// Where the samples lie: `first_m + k·spacing_m`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Grid {
    pub first_m: f64,
    pub spacing_m: f64,
    pub samples: usize,
}

impl Grid {
    pub(super) fn position_m(&self, k: usize) -> f64 {
        self.first_m + k as f64 * self.spacing_m
    }

    /// The first sample at or behind `z_m`.
    pub(super) fn at_or_behind(&self, z_m: f64) -> usize {
        (((z_m - self.first_m) / self.spacing_m).ceil().max(0.0) as usize).min(self.samples)
    }
}

/// One falling exponential: `height·exp(-decay·t)`.
#[derive(Clone, Copy, Debug)]
struct Term {
    height: f64,
    decay: f64,
}

/// Light from `from_m` to the next interval, with `t = z - from_m`.
#[derive(Clone, Debug)]
struct Interval {
    from_m: f64,
    to_m: f64,
    /// Constant part of the backscatter.
    still: f64,
    terms: Vec<Term>,
    /// Height of the reflections and echoes that are on.
    flash: f64,
}

impl Interval {
    fn backscatter(&self, z_m: f64) -> f64 {
        let t = z_m - self.from_m;
        self.still
            + self.terms.iter().map(|term| term.height * (-term.decay * t).exp()).sum::<f64>()
    }
}

/// The light of a whole fibre before the receiver.
#[derive(Clone, Debug)]
pub(super) struct Light {
    intervals: Vec<Interval>,
}

impl Light {
    pub(super) fn new(path: &Path, flashes: &[Flash]) -> Light {
        let pulse_m = path.pulse_m;
        let borders = std::iter::once(0.0).chain(path.glass.iter().map(|glass| glass.to_m));
        let mut breaks: Vec<f64> = borders
            .chain(flashes.iter().map(|flash| flash.position_m))
            .flat_map(|place_m| [place_m, place_m + pulse_m])
            .collect();
        breaks.sort_by(f64::total_cmp);
        breaks.dedup();
        breaks.push(f64::INFINITY);

        let behind = lit_behind(path);
        let interval = |pair: &[f64]| {
            let (from_m, to_m) = (pair[0], pair[1]);
            let middle_m =
                if to_m.is_finite() { f64::midpoint(from_m, to_m) } else { from_m + 1.0 };
            let on = |f: &&Flash| f.position_m < middle_m && middle_m < f.position_m + pulse_m;
            let (still, terms) = backscatter(path, &behind, from_m, middle_m);
            let flash = flashes.iter().filter(on).map(|flash| flash.height).sum();
            Interval { from_m, to_m, still, terms, flash }
        };
        Light { intervals: breaks.windows(2).map(interval).collect() }
    }

    /// Backscatter alone, before the receiver, at each sample.
    pub(super) fn backscatter(&self, grid: &Grid) -> Vec<f64> {
        let mut levels = vec![0.0; grid.samples];
        for interval in &self.intervals {
            let range = grid.at_or_behind(interval.from_m)..grid.at_or_behind(interval.to_m);
            for k in range {
                levels[k] = interval.backscatter(grid.position_m(k));
            }
        }
        levels
    }

    /// What the receiver makes of it. The instrument's zero takes out the mean delay of its poles.
    pub(super) fn received(&self, grid: &Grid, receiver: &Receiver, pulse_m: f64) -> Vec<f64> {
        let poles = receiver.poles.min(5);
        let pole_m = receiver.pole_pulses * pulse_m;
        let mut levels = if poles == 0 {
            self.plain(grid)
        } else {
            let shifted = Grid { first_m: grid.first_m + poles as f64 * pole_m, ..*grid };
            self.through_equal_poles(&shifted, poles, pole_m)
        };
        let slow_share: f64 = receiver.slow.iter().map(|slow| slow.fraction).sum();
        for level in &mut levels {
            *level *= 1.0 - slow_share;
        }
        for slow in &receiver.slow {
            let rate = Complex64 { re: -1.0 / (slow.length_pulses * pulse_m), im: 0.0 };
            let add = |level: &mut f64, x: Complex64| *level -= slow.fraction * (x * rate).re;
            self.through_pole(grid, rate, &mut levels, add);
        }
        if let Some(Ring { fraction, period_pulses, length_pulses }) = receiver.ring {
            let rate = Complex64 {
                re: -1.0 / (length_pulses * pulse_m),
                im: std::f64::consts::TAU / (period_pulses * pulse_m),
            };
            // s/(s-q): a step is answered by exp(-z/length)·sin(2π·z/period), a level by nothing.
            let add = |level: &mut f64, x: Complex64| *level += fraction * (x * rate).im;
            self.through_pole(grid, rate, &mut levels, add);
        }
        levels
    }

    fn plain(&self, grid: &Grid) -> Vec<f64> {
        let mut levels = self.backscatter(grid);
        for interval in &self.intervals {
            let range = grid.at_or_behind(interval.from_m)..grid.at_or_behind(interval.to_m);
            for level in &mut levels[range] {
                *level += interval.flash;
            }
        }
        levels
    }

    /// A chain of equal poles of length `pole_m`: each stage follows `x' = (input - x)/pole_m`.
    /// A term `c·exp(-a·t)` is answered at stage j by `c/(1-a·pole_m)^j·exp(-a·t)`; what is left of
    /// the stages' start values dies as `exp(-τ)·τ^k/k!`, `τ = t/pole_m`.
    fn through_equal_poles(&self, grid: &Grid, poles: usize, pole_m: f64) -> Vec<f64> {
        let mut levels = vec![0.0; grid.samples];
        let mut stages = [0.0; 5];
        for interval in &self.intervals {
            let still = interval.still + interval.flash;
            let answers = answers(&interval.terms, poles, pole_m);
            let steady = |stage: usize, t: f64| {
                let at = |term: &Term| term.height * (-term.decay * t).exp();
                still + answers[stage].iter().map(at).sum::<f64>()
            };
            let mut rest = [0.0; 5];
            for (stage, rest) in rest.iter_mut().enumerate().take(poles) {
                *rest = stages[stage] - steady(stage, 0.0);
            }
            let range = grid.at_or_behind(interval.from_m)..grid.at_or_behind(interval.to_m);
            for k in range {
                let t = grid.position_m(k) - interval.from_m;
                levels[k] = steady(poles - 1, t) + dying(&rest[..poles], t / pole_m);
            }
            if interval.to_m.is_finite() {
                let t = interval.to_m - interval.from_m;
                for (stage, value) in stages.iter_mut().enumerate().take(poles) {
                    *value = steady(stage, t) + dying(&rest[..=stage], t / pole_m);
                }
            }
        }
        levels
    }

    /// One pole `x' = rate·x + light`; `add` takes its state at each sample.
    fn through_pole(
        &self,
        grid: &Grid,
        rate: Complex64,
        levels: &mut [f64],
        add: impl Fn(&mut f64, Complex64),
    ) {
        let mut state = Complex64::ZERO;
        for interval in &self.intervals {
            let still = (interval.still + interval.flash, 0.0);
            let answers: Vec<(Complex64, f64)> = std::iter::once(still)
                .chain(interval.terms.iter().map(|term| (term.height, term.decay)))
                .map(|(height, decay)| (answer(rate, height, decay), decay))
                .collect();
            let steady = |t: f64| {
                let at = |(x, decay): &(Complex64, f64)| x * (-decay * t).exp();
                answers.iter().map(at).sum::<Complex64>()
            };
            let rest = state - steady(0.0);
            let range = grid.at_or_behind(interval.from_m)..grid.at_or_behind(interval.to_m);
            for k in range {
                let t = grid.position_m(k) - interval.from_m;
                add(&mut levels[k], steady(t) + rest * (rate * t).exp());
            }
            if interval.to_m.is_finite() {
                let t = interval.to_m - interval.from_m;
                state = steady(t) + rest * (rate * t).exp();
            }
        }
    }
}

/// What each stage makes of the falling terms.
fn answers(terms: &[Term], poles: usize, pole_m: f64) -> Vec<Vec<Term>> {
    let pass = |term: &Term| Term {
        height: term.height / away_from_zero(1.0 - term.decay * pole_m),
        decay: term.decay,
    };
    let first: Vec<Term> = terms.iter().map(pass).collect();
    let next = |stage: &Vec<Term>| Some(stage.iter().map(pass).collect());
    std::iter::successors(Some(first), next).take(poles).collect()
}

/// What remains of start values after `x` pole lengths, at the last of the stages given.
fn dying(rest: &[f64], x: f64) -> f64 {
    if x > 700.0 {
        return 0.0;
    }
    let mut weight = (-x).exp();
    let mut sum = 0.0;
    for (k, rest) in rest.iter().rev().enumerate() {
        sum += rest * weight;
        weight *= x / (k + 1) as f64;
    }
    sum
}

/// The poles' answer has a removable hole where the glass decays as fast as the pole; stepping past
/// it by a millionth costs nothing that a trace could show.
fn away_from_zero(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1e-6 } else { x }
}

/// Backscatter of all glass behind each section, from its end on: sums from the far end keep their
/// last digits where the light is weak.
fn lit_behind(path: &Path) -> Vec<f64> {
    let mut behind = vec![0.0; path.glass.len()];
    for i in (1..path.glass.len()).rev() {
        let glass = &path.glass[i];
        let here =
            glass.density(glass.from_m) * -(-glass.decay * glass.length_m()).exp_m1() / glass.decay;
        behind[i - 1] = behind[i] + here;
    }
    behind
}

/// The mean of the density over the pulse behind z, for z in one interval: from the integrals of the
/// density behind z - pulse and behind z.
fn backscatter(path: &Path, behind: &[f64], from_m: f64, middle_m: f64) -> (f64, Vec<Term>) {
    let pulse_m = path.pulse_m;
    let number = |z_m: f64| path.glass.partition_point(|glass| glass.to_m <= z_m);
    let (near, far) = (number(middle_m - pulse_m), number(middle_m));
    let mut terms = Vec::new();
    if near == far && middle_m > pulse_m {
        if let Some(glass) = path.glass.get(far) {
            let density = glass.density(from_m);
            let x = glass.decay * pulse_m;
            terms.push(Term { height: density * x.exp_m1() / x, decay: glass.decay });
        }
        return (0.0, terms);
    }
    // The integral behind z in glass i is still + density(z)/decay.
    let still =
        |i: usize| path.glass.get(i).map_or(0.0, |g| behind[i] - g.density(g.to_m) / g.decay);
    let mut constant = -still(far);
    if let Some(glass) = path.glass.get(far) {
        let height = -glass.density(from_m) / (glass.decay * pulse_m);
        terms.push(Term { height, decay: glass.decay });
    }
    if middle_m < pulse_m {
        let first = |g: &super::path::Glass| still(0) + g.density(0.0) / g.decay;
        constant += path.glass.first().map_or(0.0, first);
    } else if let Some(glass) = path.glass.get(near) {
        constant += still(near);
        let height = glass.density(from_m - pulse_m) / (glass.decay * pulse_m);
        terms.push(Term { height, decay: glass.decay });
    }
    (constant / pulse_m, terms)
}

/// What the pole of `rate` makes of `height·exp(-decay·t)`: `height/(-decay-rate)`.
fn answer(rate: Complex64, height: f64, decay: f64) -> Complex64 {
    let (re, im) = (-decay - rate.re, -rate.im);
    let re = if im == 0.0 { away_from_zero(re / rate.re) * rate.re } else { re };
    let square = re * re + im * im;
    Complex64 { re: height * re / square, im: -height * im / square }
}
