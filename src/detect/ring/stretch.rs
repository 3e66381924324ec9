//! What is seen behind one strong reflection: the rest of its pulse, the fibre, slow tails, and a resonance.

use num_complex::Complex64;

use super::drive::{Drive, Ring};
use crate::detect::model::{Joint, Model};
use crate::detect::receiver::Receiver;
use crate::detect::scan;
use crate::detect::start::{self, Known};
use crate::signal::envelope::{Envelope, Factor};

/// How far behind a reflection a resonance is looked for, and how far before it what drives it, in pulse lengths.
const AHEAD_PULSES: f64 = 7.0;
const BEHIND_PULSES: f64 = 8.0;

/// Means in a pulse: ten in the shortest period.
const PER_PULSE: f64 = 24.0;

/// Relative misfit of an edge's shape, and of all that lies behind in times the reflection's height: what receivers
/// leave that are none of equal poles. Common practice, no source.
const EDGE_MISFIT: f64 = 0.03;
const MISFIT: f64 = 1e-5;

/// Decay lengths, in pulse lengths, of what stands for slow tails.
const TAILS: [f64; 2] = [1.5, 5.0];

/// Means behind a reflection.
pub(super) struct Stretch<'a> {
    samples: &'a [f64],
    /// Whether it is not seen how much light drives a resonance here: cut off, or at the panel.
    pub blind: bool,
    /// Sample from which a resonance is driven, that at which the pulse is over, the first that is looked at.
    from: usize,
    pub over: usize,
    pub first: usize,
    /// Samples in each mean.
    step: usize,
    /// The receiver as the reflection shows it.
    receiver: Receiver,
    cells: Vec<Cell>,
    /// The normal equations of what the means may be made of.
    made_of: Factor,
    /// Of the samples, one for each cell.
    means: Vec<f64>,
    /// χ² without a resonance.
    pub plain: f64,
}

struct Cell {
    /// 0 where a sample is as low as the file goes.
    weight: f64,
    /// Its change with what it may be made of, times the weight.
    weighted: [f64; PARTS],
}

/// What is left of the pulse's end in three shapes, the line behind with its slope, two tails.
const PARTS: usize = 7;

/// The normal equations of a resonance's share, everything else left free.
#[derive(Default)]
pub(super) struct Shares {
    matrix: [[f64; 2]; 2],
    right: [f64; 2],
}

impl Shares {
    /// χ² that a share takes away, and the share that takes away most.
    pub fn solved(&self) -> Option<(f64, Complex64)> {
        let [[a, b], [_, d]] = self.matrix;
        let [p, q] = self.right;
        let det = a * d - b * b;
        let share = Complex64::new(p * d - q * b, q * a - p * b) / det;
        (det > 0.0).then_some((share.re * p + share.im * q, share))
    }

    pub fn add(&mut self, other: &Shares) {
        for a in 0..2 {
            self.right[a] += other.right[a];
            for b in 0..2 {
                self.matrix[a][b] += other.matrix[a][b];
            }
        }
    }
}

impl<'a> Stretch<'a> {
    /// What is seen behind joint `i`, which is a reflection.
    pub fn behind(model: &Model, i: usize, known: &Known<'a>) -> Option<Stretch<'a>> {
        let samples = known.samples;
        let joint = &model.joints[i];
        let height = joint.height?;
        let pulse = model.receiver.pulse;
        let receiver = receiver(model, joint, known);
        // A flank that is cut off shows lower down, and so later.
        let clear = if joint.clipped { 8.0 } else { 2.0 };
        let from = samples.index(joint.x - BEHIND_PULSES * pulse);
        let over = samples.index(joint.x + pulse) + 1;
        let first = samples.index(joint.x + pulse + clear * receiver.pole) + 1;
        let next = next_large(model, joint.x, height) - 0.7 * pulse;
        let end = samples.index(next.min(joint.x + AHEAD_PULSES * pulse));
        let step = ((pulse / PER_PULSE) as usize).max(1);
        let count = end.checked_sub(first)? / step;
        let fall = model.behind(i).map(|line| line.fall);
        let cell = |n: usize| {
            let k = first + n * step;
            let behind = samples.place(k) + 0.5 * (step as f64 - 1.0) - joint.x;
            let shape = receiver.shape_at(behind);
            let decay = |length: f64| (-(behind - pulse) / (length * pulse)).exp();
            let line = fall.map_or(0.0, |fall| (-fall * (behind - pulse)).exp());
            let edge = EDGE_MISFIT * height * shape.by_place / receiver.impulse_top();
            let noise =
                scan::noise_var(samples, known.noise, samples.mean(k, k + step), step as f64);
            let var = noise + edge * edge + (MISFIT * height).powi(2);
            let held = samples.power[k..k + step].iter().any(|p| *p <= samples.lowest);
            let weight = if held { 0.0 } else { 1.0 / var };
            let made_of = [
                height * shape.rect,
                height * shape.by_place / pulse,
                height * shape.by_pole,
                line,
                line * (behind / pulse - 1.0),
                height * decay(TAILS[0]),
                height * decay(TAILS[1]),
            ];
            (made_of, Cell { weight, weighted: made_of.map(|part| weight * part) })
        };
        let (made_of, cells): (Vec<_>, Vec<_>) = (0..count).map(cell).unzip();
        let means = means(&samples.power[first..], step).take(count).collect();
        let mut stretch = Stretch {
            samples: &samples.power,
            blind: joint.clipped || i == 0,
            from,
            over,
            first,
            step,
            receiver,
            made_of: factor(&made_of, &cells)?,
            cells,
            means,
            plain: 0.0,
        };
        stretch.plain = stretch.without(&vec![Complex64::ZERO; count]).0;
        Some(stretch)
    }

    /// χ² per mean without a resonance.
    pub fn plain_per_cell(&self) -> f64 {
        self.plain / self.cells.len().max(1) as f64
    }

    /// What `ring` answers in each mean.
    pub fn driven(&self, ring: Ring) -> Vec<Complex64> {
        let at_rest = if self.from == 0 { 0.0 } else { self.samples[self.from] };
        let mut drive = Drive::new(ring, at_rest);
        for light in &self.samples[self.from..self.first] {
            drive.follow(*light);
        }
        let cells = self.samples[self.first..].chunks_exact(self.step).take(self.cells.len());
        let sum = |some: &[f64]| some.iter().map(|light| drive.follow(*light)).sum::<Complex64>();
        cells.map(sum).map(|sum| sum / self.step as f64).collect()
    }

    /// What is left in each mean of an oscillation like `ring`'s of unit amplitude at the first sample.
    pub fn left_alone(&self, ring: Ring) -> Vec<Complex64> {
        let kept = ring.rate.exp();
        let mut now = Complex64::ONE / kept;
        let mut next = || {
            now *= kept;
            now
        };
        let mut mean = || (0..self.step).map(|_| next()).sum::<Complex64>() / self.step as f64;
        self.cells.iter().map(|_| mean()).collect()
    }

    /// χ² that the best connector behind leaves, in place of a resonance: one of any height and loss, anywhere.
    pub fn with_connector(&self) -> f64 {
        let pulse = self.receiver.pulse;
        let step = self.step as f64;
        let left = |place: f64| {
            let connector = |n: usize| {
                let behind = (self.first - self.over) as f64 + (n as f64 + 0.5) * step - place;
                let shape = self.receiver.shape_at(behind);
                Complex64::new(shape.rect, shape.ramp)
            };
            let (chi2, shares) =
                self.without(&(0..self.cells.len()).map(connector).collect::<Vec<_>>());
            chi2 - shares.solved().map_or(0.0, |(explained, _)| explained)
        };
        // Places from the pulse's end on, as far apart as means, and between the best three.
        let grid = (0..self.cells.len()).map(|n| n as f64 * step);
        let least = |places: &mut dyn Iterator<Item = f64>| {
            places.map(|x| (left(x), x)).min_by(|a, b| a.0.total_cmp(&b.0))
        };
        let Some((chi2, x)) = least(&mut grid.map(|x| x - 0.5 * pulse)) else { return self.plain };
        let near = (-8..=8).map(|n| x + f64::from(n) * step / 8.0);
        least(&mut near.into_iter()).map_or(chi2, |(chi2, _)| chi2)
    }

    /// χ² of the samples without a resonance's `answers`, and the equations for its share.
    pub fn without(&self, answers: &[Complex64]) -> (f64, Shares) {
        self.of_means(self.means.iter().copied(), answers)
    }

    /// The same of other light at the samples' places.
    pub fn of_light(&self, light: &[f64], answers: &[Complex64]) -> (f64, Shares) {
        self.of_means(means(&light[self.first..], self.step), answers)
    }

    fn of_means(&self, means: impl Iterator<Item = f64>, answers: &[Complex64]) -> (f64, Shares) {
        let mut right = [[0.0; PARTS]; 3]; // of the light and of both parts of the answers
        let mut squares = [[0.0; 3]; 3];
        for ((cell, mean), answer) in self.cells.iter().zip(means).zip(answers) {
            let values = [mean, answer.re, -answer.im];
            for (right, value) in right.iter_mut().zip(values) {
                for (right, weighted) in right.iter_mut().zip(&cell.weighted) {
                    *right += weighted * value;
                }
            }
            for (row, a) in squares.iter_mut().zip(values) {
                for (square, b) in row.iter_mut().zip(values) {
                    *square += cell.weight * a * b;
                }
            }
        }
        for right in &mut right {
            self.made_of.solve_lower(right);
        }
        for (a, row) in squares.iter_mut().enumerate() {
            for (b, square) in row.iter_mut().enumerate() {
                *square -= right[a].iter().zip(&right[b]).map(|(a, b)| a * b).sum::<f64>();
            }
        }
        let [[chi2, p, q], [_, a, b], [_, c, d]] = squares;
        (chi2, Shares { matrix: [[a, b], [c, d]], right: [p, q] })
    }
}

/// Means of `step` neighbouring samples each.
fn means(samples: &[f64], step: usize) -> impl Iterator<Item = f64> + '_ {
    samples.chunks_exact(step).map(move |some| some.iter().sum::<f64>() / step as f64)
}

/// The normal equations of the parts, solved as far as that needs no light.
fn factor(made_of: &[[f64; PARTS]], cells: &[Cell]) -> Option<Factor> {
    let mut matrix = Envelope::new(vec![0; PARTS]);
    for (made_of, cell) in made_of.iter().zip(cells) {
        for (i, weighted) in cell.weighted.iter().enumerate() {
            for (j, part) in made_of.iter().enumerate().take(i + 1) {
                matrix.add(i, j, weighted * part);
            }
        }
    }
    // Parts that do not show here are held.
    for i in 0..PARTS {
        let more = 1e-9 * matrix.diagonal(i) + 1e-300;
        matrix.add(i, i, more);
    }
    matrix.factor()
}

/// The receiver as the reflection at `joint` shows it.
fn receiver(model: &Model, joint: &Joint, known: &Known) -> Receiver {
    if joint.clipped {
        return model.receiver;
    }
    let rise = start::length_of_rise(known.samples, &model.receiver, joint.x);
    let pole = start::pole_of_rise(rise, model.receiver.poles);
    Receiver { pole, ..model.receiver }
}

/// Place of the next reflection behind `x` that is a fifth as high: a resonance's own waves are not.
fn next_large(model: &Model, x: f64, height: f64) -> f64 {
    let large = |joint: &&Joint| {
        joint.x > x + 2.0 * model.receiver.pulse
            && joint.height.is_some_and(|other| other > super::NEARLY_ALONE * height)
    };
    model.joints.iter().find(large).map_or(f64::INFINITY, |joint| joint.x)
}
