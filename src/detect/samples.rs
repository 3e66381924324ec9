//! Counts to linear power, with the running sums that every later step reads.
//!
//! Places inside `detect` are in samples from the front panel: sample `k` lies at `k + first`.

use super::ring::{Resonance, Still};
use crate::signal::lanes::{self, LANES, Lanes};
use crate::trace::Trace;
use crate::units::DB_PER_NEPER;

/// A trace in linear power, its brightest sample 1.
pub(super) struct Samples {
    /// Received power of each sample.
    pub power: Vec<f64>,
    /// Place of sample 0, in samples from the panel.
    pub first: f64,
    /// Metres between samples.
    pub spacing_m: f64,
    /// Pulse length in samples.
    pub pulse: f64,
    /// Power of the lowest level in the file.
    pub lowest: f64,
    /// The same where the file shows it for all that lies below; 0 where it has no such limit.
    pub floor: f64,
    /// Relative step of power between two neighbouring counts.
    pub quantum: f64,
    /// Samples over which usual fibre falls by one count: so many share a rounding where no noise
    /// blurs it.
    pub run: f64,
    /// Level in dB, on the trace's own scale, of power 1.
    pub top_db: f64,
    /// Of the samples before each: one longer than `power`.
    pub sums: Vec<f64>,
    /// The same of the variance that neighbours share; empty where there is none.
    unsure: Vec<f64>,
    /// What was taken out of them; `None` where the receiver does not ring.
    pub resonance: Option<Resonance>,
}

/// Share of samples at the lowest level from which that level counts as a limit of the file; a
/// level that noise reaches by itself holds a sample or two.
const FLOOR_SHARE: f64 = 0.002;

/// About what fibre loses, for the length of a count. Common practice, no source.
const USUAL_DB_PER_KM: f64 = 0.25;

/// How far off the mean of its neighbours a wrong sample lies at least, in sigmas: of a hundred thousand normal ones none
/// does, for it is 5.3 of that difference's own.
const WRONG_SIGMAS: f64 = 6.5;

/// How far apart two samples of level fibre are at most: three of the difference's own sigmas.
const LEVEL_SIGMAS: f64 = 3.0 * std::f64::consts::SQRT_2;

impl Samples {
    /// `None` where the trace has too few samples, no spacing or no pulse.
    pub fn new(trace: &Trace) -> Option<Samples> {
        let stretch = trace.stretches.first()?;
        // One pulse and one spacing at a time: what follows another pulse is another measurement.
        let same = trace.stretches.iter().take_while(|s| {
            s.pulse_ns == stretch.pulse_ns && s.spacing_1e_14_s == stretch.spacing_1e_14_s
        });
        let count = same.map(|s| s.samples).sum::<usize>().min(trace.counts.len());
        let spacing_m = trace.spacing_m();
        let pulse = trace.pulse_m() / spacing_m;
        if count < 32 || !(pulse.is_finite() && pulse > 0.0 && spacing_m > 0.0) {
            return None;
        }
        let top_db = top_db(trace, count);
        let (power, lowest) = decode(trace, count, top_db);
        let at_lowest = power.iter().filter(|p| **p <= lowest).count() as f64;
        let floor = if at_lowest >= FLOOR_SHARE * count as f64 { lowest } else { 0.0 };
        let coarsest = trace.scales.iter().map(|s| s.count_micro_db).max().unwrap_or(1000);
        let mut samples = Samples {
            first: trace.position_m(0).0 / spacing_m,
            spacing_m,
            pulse,
            lowest,
            floor,
            quantum: f64::from(coarsest) * 1e-6 / DB_PER_NEPER,
            run: (f64::from(coarsest) * 1e-6 / (USUAL_DB_PER_KM * spacing_m / 1000.0))
                .clamp(1.0, 8.0 * pulse.max(1.0)),
            top_db,
            sums: Vec::new(),
            unsure: Vec::new(),
            resonance: None,
            power,
        };
        samples.add_up();
        Some(samples)
    }

    /// Variance of the rounding to counts of samples of `power`, as far as a mean over many feels it:
    /// white where noise of `sigma` blurs the counts, shared by a run of samples where not.
    pub fn rounding_var(&self, power: Lanes, sigma: f64) -> Lanes {
        let step = power * self.quantum;
        let blurred = step.simd_lt(Lanes::splat(2.0 * sigma));
        step * step * blurred.select(Lanes::splat(1.0 / 12.0), Lanes::splat(self.run / 12.0))
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.power.len()
    }

    /// Place of sample `k`.
    pub fn place(&self, k: usize) -> f64 {
        k as f64 + self.first
    }

    /// The sample at or before place `x`, held inside the trace.
    pub fn index(&self, x: f64) -> usize {
        ((x - self.first).max(0.0) as usize).min(self.len() - 1)
    }

    /// The first sample at or behind place `x`; their number where there is none.
    pub fn first_from(&self, x: f64) -> usize {
        ((x - self.first).max(0.0).ceil() as usize).min(self.len())
    }

    /// Mean power of samples `a..b`, not empty.
    pub fn mean(&self, a: usize, b: usize) -> f64 {
        mean_of(&self.sums, a, b)
    }

    /// Means of `m` samples each, four neighbours from sample `k` on; what would reach behind `end` is the last
    /// before it.
    pub fn four_means(&self, k: usize, m: usize, end: usize) -> Lanes {
        four_means_of(&self.sums, k, m, end)
    }

    /// The variances that the samples of each share, likewise.
    pub fn four_unsure(&self, k: usize, m: usize, end: usize) -> Lanes {
        if self.unsure.is_empty() { Lanes::ZERO } else { four_means_of(&self.unsure, k, m, end) }
    }

    /// Takes a zero offset of the receiver out of every sample.
    pub fn shift(&mut self, offset: f64) {
        for p in &mut self.power {
            *p -= offset;
        }
        self.lowest -= offset;
        self.floor -= offset;
        self.add_up();
    }

    /// Puts samples without a resonance in place of those that were read.
    pub fn replace(&mut self, still: Still) {
        self.power = still.power;
        self.add_up();
        self.unsure = running_sums(&still.unsure);
        self.resonance = Some(still.resonance);
    }

    /// Variance that samples `a..b` share, beside noise.
    pub fn unsure(&self, a: usize, b: usize) -> f64 {
        if self.unsure.is_empty() { 0.0 } else { mean_of(&self.unsure, a, b) }
    }

    /// Replaces single wrong samples by their neighbours' mean: where the pulse is two samples long and
    /// more no light stands in one alone. `sigma` is the noise, in power; `rough` of the mean is added in squares, for
    /// roughness changes within a pulse.
    pub fn mend(&mut self, sigma: f64, rough: f64) {
        if self.pulse < 2.0 {
            return;
        }
        let mut mended = false;
        for k in self.suspects(WRONG_SIGMAS * sigma) {
            let p = &self.power;
            let mean = 0.5 * (p[k - 1] + p[k + 1]);
            let out = (p[k] - mean).abs();
            let around = (p[k - 1] - p[k + 1]).abs().max((p[k - 2] - p[k + 2]).abs());
            // Of two samples of level fibre hardly any differ by so much of it: where they do, light changes here.
            let one = sigma.hypot(rough * mean);
            let changes = (around - LEVEL_SIGMAS * one).max(0.0);
            // A pulse of two samples fills half of at least one neighbour.
            let base = 0.5 * (p[k - 2] + p[k + 2]);
            let alone = |p: f64| (p - base).abs() < 0.25 * out;
            let thin = self.pulse < 4.0;
            if out > 4.0 * changes
                && out > WRONG_SIGMAS * one
                && (!thin || (alone(p[k - 1]) && alone(p[k + 1])))
            {
                self.power[k] = mean;
                mended = true;
            }
        }
        if mended {
            self.add_up();
        }
    }

    /// Samples of which one of four lies farther than `off` from its neighbours' mean, as hardly any does; none
    /// of the two first and last.
    fn suspects(&self, off: f64) -> Vec<usize> {
        let inner = self.len() - 4;
        let [before, here, behind] =
            [1, 2, 3].map(|from| lanes::blocks(&self.power[from..][..inner]));
        let off = Lanes::splat(off);
        let far = before.zip(here).zip(behind).map(|((before, here), behind)| {
            (here - (before + behind) * 0.5).abs().simd_gt(off).any()
        });
        let mut suspects: Vec<usize> = Vec::new();
        for (four, _) in far.enumerate().filter(|(_, far)| *far) {
            suspects.extend((2 + four * LANES..).take(LANES));
        }
        suspects.extend((2 + inner / LANES * LANES)..2 + inner);
        suspects
    }

    fn add_up(&mut self) {
        self.sums = running_sums(&self.power);
    }
}

/// The sums of the values before each, and of all.
pub(super) fn running_sums(values: &[f64]) -> Vec<f64> {
    running_sums_of(values, |value| value)
}

/// The same of what each value counts. In fours, so that no addition waits for more than every fourth before it.
pub(super) fn running_sums_of(values: &[f64], counts: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    let (fours, rest) = values.as_chunks::<4>();
    sums.extend(fours.iter().flat_map(|four| {
        let [a, b, c, d] = four.map(&counts);
        let before = sum;
        let two = a + b;
        sum += two + (c + d);
        [before + a, before + two, before + (two + c), sum]
    }));
    sums.extend(rest.iter().map(|value| {
        sum += counts(*value);
        sum
    }));
    sums
}

/// Mean of the values `a..b`, not none, from their running sums.
fn mean_of(sums: &[f64], a: usize, b: usize) -> f64 {
    (sums[b] - sums[a]) / (b - a) as f64
}

/// The means of `m` values each, four neighbours from value `k` on, held before `end`.
fn four_means_of(sums: &[f64], k: usize, m: usize, end: usize) -> Lanes {
    let sum = |i: usize| {
        let next = (k + (i + 1) * m).min(end);
        sums[next] - sums[next - m]
    };
    Lanes::from(std::array::from_fn(sum)) * (1.0 / m as f64)
}

fn top_db(trace: &Trace, count: usize) -> f64 {
    let mut top = f64::NEG_INFINITY;
    let mut rest = &trace.counts[..count];
    for scale in &trace.scales {
        let (here, behind) = rest.split_at(scale.samples.min(rest.len()));
        if let Some(least) = here.iter().copied().reduce(u16::min) {
            top = top.max(-f64::from(least) * f64::from(scale.count_micro_db) * 1e-6);
        }
        rest = behind;
    }
    top
}

/// Powers relative to `top_db`, and the power of the lowest level in the file.
fn decode(trace: &Trace, count: usize, top_db: f64) -> (Vec<f64>, f64) {
    let mut power = Vec::with_capacity(count);
    let mut lowest = f64::INFINITY;
    let mut rest = &trace.counts[..count];
    for scale in &trace.scales {
        let (here, behind) = rest.split_at(scale.samples.min(rest.len()));
        rest = behind;
        let Some(largest) = here.iter().copied().reduce(u16::max) else { continue };
        // Two tables of 256 in place of one exponential a sample.
        let neper = f64::from(scale.count_micro_db) * 1e-6 / DB_PER_NEPER;
        let top = top_db / DB_PER_NEPER;
        let high: [f64; 256] = std::array::from_fn(|i| (-(256.0 * i as f64) * neper - top).exp());
        let low: [f64; 256] = std::array::from_fn(|i| (-(i as f64) * neper).exp());
        let of = |count: u16| {
            let [first, second] = count.to_be_bytes();
            high[usize::from(first)] * low[usize::from(second)]
        };
        power.extend(here.iter().map(|count| of(*count)));
        lowest = lowest.min(of(largest));
    }
    (power, lowest)
}
