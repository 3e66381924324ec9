//! The normal equations about a model: what each cell shows, how that changes with each unknown, and
//! what is believed beforehand.

use super::block::{Block, Owner};
use super::cells::Cell;
use super::fit::{Given, TAIL_MISFIT, TAIL_SPREAD, TOP_RIPPLE, USUAL_TAIL};
use super::layout::Layout;
use super::model::{Behind, Model};
use crate::signal::envelope::Envelope;
use crate::signal::normal;

/// Relative misfit of the edges of several reflections in one.
const MERGED_MISFIT: f64 = 0.3;

/// What the normal equations are made from.
pub(super) struct Work<'a> {
    pub given: &'a Given<'a>,
    pub cells: &'a [Cell],
    pub blocks: &'a [Block],
    pub layout: &'a Layout,
    pub reach: &'a [f64], // of each joint's tail
}

/// The normal equations about a model.
pub(super) struct System {
    pub matrix: Envelope,
    pub gradient: Vec<f64>,
    pub chi2: f64,
    /// The same with the weights of the system before, to which it is compared.
    pub chi2_before: f64,
    /// The model's unknowns.
    values: Vec<f64>,
    parts: Vec<Part>,
}

impl System {
    /// The change of all unknowns that solves the equations, held back by `damping`. `None` where they
    /// have no solution.
    pub fn step(&self, damping: f64) -> Option<Vec<f64>> {
        let mut damped = self.matrix.clone();
        for i in 0..damped.len() {
            let more = damping * damped.diagonal(i) + 1e-300;
            damped.add(i, i, more);
        }
        let mut change = self.gradient.clone();
        damped.factor()?.solve(&mut change);
        change.iter().all(|c| c.is_finite()).then_some(change)
    }
}

/// What one block adds to the equations, dense.
#[derive(Clone, Default)]
struct Part {
    matrix: Vec<f64>, // lower triangle of full rows
    gradient: Vec<f64>,
    chi2: f64,
    chi2_before: f64,
    weight: Vec<f64>, // of each cell
}

/// A block is not evaluated anew while none of its unknowns moves by more than this many standard
/// deviations, as the block alone knows it: what its equations then leave out is of second order.
const SMALL_STEP: f64 = 0.05;

impl Part {
    fn empty(block: &Block) -> Part {
        let len = block.unknowns.len();
        Part {
            matrix: vec![0.0; len * len],
            gradient: vec![0.0; len],
            weight: Vec::with_capacity(block.cells.len()),
            ..Part::default()
        }
    }

    /// Adds a cell that changes by `by` with each unknown.
    fn add(&mut self, by: &[f64], weight: f64, residual: f64) {
        match by.len() {
            2 => self.add_row::<2>(by, weight, residual),
            3 => self.add_row::<3>(by, weight, residual),
            4 => self.add_row::<4>(by, weight, residual),
            5 => self.add_row::<5>(by, weight, residual),
            6 => self.add_row::<6>(by, weight, residual),
            7 => self.add_row::<7>(by, weight, residual),
            8 => self.add_row::<8>(by, weight, residual),
            _ => {
                let len = by.len().max(1); // cells in the dark hang on none
                for (i, row) in self.matrix.chunks_exact_mut(len).enumerate() {
                    let scaled = weight * by[i];
                    self.gradient[i] += scaled * residual;
                    for (sum, by) in row[..=i].iter_mut().zip(by) {
                        *sum += scaled * by;
                    }
                }
            }
        }
    }

    /// The same for `N` unknowns, without loops: most time goes here.
    fn add_row<const N: usize>(&mut self, by: &[f64], weight: f64, residual: f64) {
        let (matrix, _) = self.matrix.as_chunks_mut::<N>();
        let (matrix, by) = (&mut matrix[..N], &by[..N]);
        let gradient = &mut self.gradient[..N];
        for i in 0..N {
            let scaled = weight * by[i];
            gradient[i] += scaled * residual;
            for j in 0..N {
                matrix[i][j] += scaled * by[j];
            }
        }
    }

    fn add_to(&self, unknowns: &[usize], matrix: &mut Envelope, gradient: &mut [f64]) {
        for (i, row) in self.matrix.chunks_exact(unknowns.len().max(1)).enumerate() {
            gradient[unknowns[i]] += self.gradient[i];
            for (j, value) in row[..=i].iter().enumerate() {
                matrix.add(unknowns[i], unknowns[j], *value);
            }
        }
    }

    /// The same after its unknowns moved by `change`, in first order. `None` where that is too far.
    fn moved(&self, change: &[f64]) -> Option<Part> {
        let len = change.len();
        let near = |i: usize| change[i].powi(2) * self.matrix[i * len + i] < SMALL_STEP.powi(2);
        if !(0..len).all(near) {
            return None;
        }
        let mut next = self.clone();
        for i in 0..len {
            for j in 0..len {
                let (row, column) = (i.max(j), i.min(j));
                next.gradient[i] -= self.matrix[row * len + column] * change[j];
            }
            next.chi2 -= (self.gradient[i] + next.gradient[i]) * change[i];
        }
        next.chi2_before = next.chi2;
        Some(next)
    }
}

impl Work<'_> {
    /// Normal equations and χ² about `model`, with its own weights; χ² also with those `before`.
    pub fn assemble(&self, model: &Model, first: &[usize], before: Option<&System>) -> System {
        let values = self.layout.values(model);
        let edge = self.given.misfit / model.receiver.impulse_top();
        let mut change = Vec::new();
        let part = |(n, block): (usize, &Block)| {
            let Some(before) = before else { return self.part(model, block, edge, None) };
            change.clear();
            change.extend(block.unknowns.iter().map(|u| values[*u] - before.values[*u]));
            let before = &before.parts[n];
            before.moved(&change).unwrap_or_else(|| self.part(model, block, edge, Some(before)))
        };
        let parts: Vec<Part> = self.blocks.iter().enumerate().map(part).collect();
        let mut matrix = Envelope::new(first.to_vec());
        let mut gradient = vec![0.0; self.layout.len];
        for (block, part) in self.blocks.iter().zip(&parts) {
            part.add_to(&block.unknowns, &mut matrix, &mut gradient);
        }
        let beliefs = self.add_beliefs(model, &mut matrix, &mut gradient);
        System {
            matrix,
            gradient,
            chi2: beliefs + parts.iter().map(|part| part.chi2).sum::<f64>(),
            chi2_before: beliefs + parts.iter().map(|part| part.chi2_before).sum::<f64>(),
            values,
            parts,
        }
    }

    /// The equations of one block about `model`.
    fn part(&self, model: &Model, block: &Block, edge: f64, before: Option<&Part>) -> Part {
        let mut part = Part::empty(block);
        let mut by = vec![0.0; block.unknowns.len()];
        for (n, cell) in self.cells[block.cells.clone()].iter().enumerate() {
            let mut shown = self.predict(model, block, cell, edge, &mut by);
            let slope = self.clip(&mut shown.fitted);
            let weight = 1.0 / self.variance_of(cell, &shown);
            let residual = cell.mean - shown.fitted;
            let square = residual * residual;
            part.chi2 += weight * square;
            part.chi2_before += before.map_or(weight, |part| part.weight[n]) * square;
            part.weight.push(weight);
            if slope < 1.0 {
                for by in &mut by {
                    *by *= slope;
                }
            }
            part.add(&by, weight, residual);
        }
        part
    }

    /// A cell's variance from the model: never from the sample, which would favour upward noise.
    fn variance_of(&self, cell: &Cell, shown: &Shown) -> f64 {
        let noise = self.given.noise;
        let additive = noise.kappa * noise.sigma * noise.sigma;
        let rough = self.given.samples.pulse * noise.speckle * noise.speckle;
        let rounding = self.given.samples.rounding_var(shown.line + shown.peaks, noise.sigma);
        (additive + rough * shown.line * shown.line + rounding) / cell.n + shown.misfit
    }

    /// What is believed beforehand: slopes are alike, the pole is near what the noise shows.
    fn add_beliefs(&self, model: &Model, matrix: &mut Envelope, gradient: &mut [f64]) -> f64 {
        let mut chi2 = 0.0;
        let mut believe = |i: usize, value: f64, mean: f64, sd: f64| {
            let weight = 1.0 / (sd * sd);
            matrix.add(i, i, weight);
            gradient[i] += weight * (mean - value);
            chi2 += weight * (mean - value).powi(2);
        };
        let slopes = self.given.slopes;
        for (joint, line) in model.joints.iter().zip(&self.layout.line) {
            if let (Behind::Fibre(l), Some(i)) = (&joint.behind, line) {
                believe(i + 1, l.fall, slopes.mean, slopes.sd);
                // Without this an empty line would leave the system without an answer.
                believe(*i, l.level, l.level, 20.0);
            }
        }
        for (joint, i) in model.joints.iter().zip(&self.layout.place) {
            let (place, sd) = joint.held.unwrap_or((joint.x, 2.0 * model.receiver.pulse));
            believe(*i, joint.x, place, sd);
        }
        for (n, (joint, i)) in model.joints.iter().zip(&self.layout.height).enumerate() {
            if let (Some(height), Some(i)) = (joint.height, i) {
                let share = match (n, joint.clipped) {
                    (0, _) => 0.01,
                    (_, true) => 0.3, // the seen part of its edges says little
                    _ => 30.0,
                };
                believe(*i, height, height, share * (height.abs() + self.given.noise.sigma));
            }
        }
        for (n, (joint, i)) in model.joints.iter().zip(&self.layout.tail).enumerate() {
            let (Some(tail), Some(i)) = (joint.tail, i) else { continue };
            match self.given.tail_share {
                Some(share) if n > 0 && !joint.clipped => {
                    let usual = share * model.afterglow(n);
                    believe(*i, tail, usual, 0.2 * usual.abs() + 1e-12);
                }
                _ => believe(*i, tail, tail, 30.0 * tail.abs() + 30.0 * self.given.noise.sigma),
            }
        }
        if let (Some(i), Some(pole)) = (self.layout.pole, self.given.free_pole) {
            believe(i, model.receiver.pole, pole, 0.5 * pole);
        }
        if let Some(i) = self.layout.tail_length {
            let usual = USUAL_TAIL * model.receiver.pulse;
            believe(i, model.receiver.tail.ln(), usual.ln(), TAIL_SPREAD);
        }
        chi2
    }

    /// The model's mean over `cell` and what its variance hangs on; `by` gets its change with each of
    /// the block's unknowns. `edge` is the misfit of an edge's shape over its steepest.
    fn predict(
        &self,
        model: &Model,
        block: &Block,
        cell: &Cell,
        edge: f64,
        by: &mut [f64],
    ) -> Shown {
        let receiver = &model.receiver;
        let mut shown = Shown::default();
        // The line on which the next joint stands, and its remaining share of the light.
        let mut current = LinePower::of(model, block.base, cell);
        shown.line = current.power;
        let mut share = 1.0;
        let mut by_pole = 0.0;
        for seat in &block.joints {
            let joint = &model.joints[seat.joint];
            let shape = receiver.shape(cell.x - joint.x);
            let mut by_place = 0.0;
            if let (Some(height), Some(unknown)) = (joint.height, seat.height) {
                let peak = height * shape.rect;
                shown.fitted += peak;
                shown.peaks += peak.max(0.0);
                by_place -= height * shape.by_place;
                let off = if joint.places == 1 {
                    by_pole += height * shape.by_pole;
                    edge
                } else {
                    edge * (MERGED_MISFIT / self.given.misfit) // says nothing of the poles
                };
                shown.misfit +=
                    (off * height * shape.by_place).powi(2) + (TOP_RIPPLE * peak).powi(2);
                by[unknown] = shape.rect;
            }
            if !matches!(joint.behind, Behind::Same) {
                let next = LinePower::of(model, seat.line, cell);
                shown.line = shown.line.max(next.power);
                by_place += (current.power - next.power) * shape.rect / receiver.pulse;
                by_pole += (next.power - current.power) * shape.ramp_by_pole;
                // Second order of the blend: docs/theory.md
                let bend = current.fall * current.power - next.fall * next.power;
                shown.fitted += 0.5 * receiver.pulse * shape.ramp * (1.0 - shape.ramp) * bend;
                shown.fitted += current.add(share - shape.ramp, by);
                current = next;
                share = shape.ramp;
            }
            by[seat.place] = by_place;
        }
        shown.fitted += current.add(share, by);
        if let Some(unknown) = block.pole {
            by[unknown] = by_pole;
        }
        self.add_tails(model, block, cell, by, &mut shown);
        shown
    }

    fn add_tails(
        &self,
        model: &Model,
        block: &Block,
        cell: &Cell,
        by: &mut [f64],
        shown: &mut Shown,
    ) {
        let mut by_length = 0.0;
        for (i, unknown) in &block.tails {
            let joint = &model.joints[*i];
            let behind = cell.x - joint.x;
            if behind <= 0.0 || behind >= self.reach[*i] {
                by[*unknown] = 0.0;
                continue;
            }
            let (tail, change) = model.receiver.tail(behind);
            let bend = cell.n / model.receiver.tail;
            let tail = tail * (1.0 + bend * bend / 24.0); // mean over the cell
            let height = joint.tail.unwrap_or(0.0);
            shown.fitted += height * tail;
            shown.misfit += (TAIL_MISFIT * height * tail).powi(2);
            by_length += height * change * model.receiver.tail; // of its logarithm
            by[*unknown] = tail;
        }
        if let Some(unknown) = block.tail_length {
            by[unknown] = by_length;
        }
    }

    /// The mean of samples that the file cuts off at 0, and its change with the mean before: weak
    /// light shows brighter than it is. Exact for normal noise: `p·Φ(p/σ) + σ·φ(p/σ)`.
    fn clip(&self, fitted: &mut f64) -> f64 {
        let sigma = self.given.noise.sigma;
        let r = *fitted / sigma;
        if r > 4.0 || !self.given.noise.seen || self.given.samples.floor > 0.5 * sigma {
            return 1.0;
        }
        let below = normal::below(r);
        *fitted = *fitted * below + sigma * normal::density(r);
        below
    }
}

/// A cell's fitted mean, and what its variance hangs on.
#[derive(Clone, Copy, Default)]
struct Shown {
    fitted: f64,
    line: f64,   // backscatter
    peaks: f64,  // reflections
    misfit: f64, // square of what the model may be wrong by
}

/// A line's mean over a cell; no power where it is dark.
#[derive(Clone, Copy, Default)]
struct LinePower {
    level: Option<usize>, // slot; the slope's is the next
    power: f64,
    off: f64,
    fall: f64,
}

impl LinePower {
    fn of(model: &Model, owner: Option<Owner>, cell: &Cell) -> LinePower {
        let Some(owner) = owner else { return LinePower::default() };
        let Behind::Fibre(line) = &model.joints[owner.joint].behind else {
            return LinePower::default();
        };
        let bend = line.fall * cell.n;
        LinePower {
            level: Some(owner.level),
            power: line.power(cell.x) * (1.0 + bend * bend / 24.0), // mean over the cell
            off: cell.x - line.at,
            fall: line.fall,
        }
    }

    /// Its share of the light, whose changes with level and slope are added.
    fn add(&self, share: f64, by: &mut [f64]) -> f64 {
        let power = share * self.power;
        if let Some(level) = self.level {
            by[level] = power;
            by[level + 1] = -self.off * power;
        }
        power
    }
}
