//! The normal equations about a model: what each cell shows, how that changes with each unknown, and
//! what is believed beforehand.

use super::block::{self, Block, Blocks, Owner, Row};
use super::fit::{Given, TAIL_MISFIT, TAIL_SPREAD, TOP_RIPPLE, USUAL_TAIL};
use super::layout::Layout;
use super::model::{Behind, Model};
use crate::signal::envelope::Envelope;
use crate::signal::lanes::{self, Lanes};

/// Relative misfit of the edges of several reflections in one.
const MERGED_MISFIT: f64 = 0.3;

/// What the normal equations are made from.
pub(super) struct Work<'a> {
    pub given: &'a Given<'a>,
    pub rows: &'a [Row],
    pub blocks: &'a Blocks,
    pub layout: &'a Layout,
    pub reach: &'a [f64], // of each joint's tail
}

/// The normal equations about a model.
pub(super) struct System {
    pub matrix: Envelope,
    pub gradient: Vec<f64>,
    pub chi2: f64,
    /// The same with the weights of the system before, to which it is compared; of the first system
    /// nothing.
    pub chi2_before: f64,
    /// The model's unknowns.
    values: Vec<f64>,
    /// Of all blocks, each at its `start`: a square matrix and the gradient.
    parts: Vec<f64>,
    /// Of each block, with its own weights and with those before.
    chi2_of: Vec<[f64; 2]>,
    /// Of all rows.
    weights: Vec<Lanes>,
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

    /// The equations of `block` after its unknowns moved by `change`, in first order, written to `part`;
    /// returns χ². `None` where that is too far.
    fn moved(&self, n: usize, block: &Block, change: &[f64], part: &mut [f64]) -> Option<f64> {
        let len = change.len();
        let old = &self.parts[block.start..][..block.equations()];
        let near = |i: usize| change[i].powi(2) * old[i * len + i] < SMALL_STEP.powi(2);
        if !(0..len).all(near) {
            return None;
        }
        part.copy_from_slice(old);
        let (matrix, gradient) = part.split_at_mut(len * len);
        let mut chi2 = self.chi2_of[n][0];
        for ((row, gradient), by) in matrix.chunks_exact(len.max(1)).zip(gradient).zip(change) {
            let before = *gradient;
            *gradient -= row.iter().zip(change).map(|(a, b)| a * b).sum::<f64>();
            chi2 -= (before + *gradient) * by;
        }
        Some(chi2)
    }
}

/// A block is not evaluated anew while none of its unknowns moves by more than this many standard
/// deviations, as the block alone knows it: what its equations then leave out is of second order.
const SMALL_STEP: f64 = 0.05;

/// Room that is used again for every block: what its rows show.
pub(super) struct Sheet {
    /// Of each row, its change with each of the block's unknowns.
    by: Vec<Lanes>,
    residual: Vec<Lanes>,
    /// How far its unknowns have moved.
    change: Vec<f64>,
}

impl Sheet {
    /// Matrix and gradient of `len` unknowns, dense, to `part`.
    fn sum(&self, len: usize, weights: &[Lanes], part: &mut [f64]) {
        match len {
            2 => self.sum_of::<2>(weights, part),
            3 => self.sum_of::<3>(weights, part),
            4 => self.sum_of::<4>(weights, part),
            5 => self.sum_of::<5>(weights, part),
            6 => self.sum_of::<6>(weights, part),
            7 => self.sum_of::<7>(weights, part),
            8 => self.sum_of::<8>(weights, part),
            9 => self.sum_of::<9>(weights, part),
            10 => self.sum_of::<10>(weights, part),
            11 => self.sum_of::<11>(weights, part),
            _ => self.sum_of_any(len, weights, part),
        }
    }

    /// The same for `N` unknowns, so that there are no loops but that over the rows.
    fn sum_of<const N: usize>(&self, weights: &[Lanes], part: &mut [f64]) {
        let mut matrix = [[Lanes::ZERO; N]; N];
        let mut gradient = [Lanes::ZERO; N];
        for ((by, residual), weight) in
            self.by.as_chunks::<N>().0.iter().zip(&self.residual).zip(weights)
        {
            for i in 0..N {
                let weighted = by[i] * *weight;
                gradient[i] += weighted * *residual;
                for j in 0..=i {
                    matrix[i][j] += weighted * by[j];
                }
            }
        }
        for i in 0..N {
            part[N * N + i] = gradient[i].reduce_add();
            for j in 0..=i {
                let sum = matrix[i][j].reduce_add();
                part[i * N + j] = sum;
                part[j * N + i] = sum;
            }
        }
    }

    fn sum_of_any(&self, len: usize, weights: &[Lanes], part: &mut [f64]) {
        let rows = || self.by.chunks_exact(len.max(1)).zip(weights).zip(&self.residual);
        for i in 0..len {
            let of_one = rows().map(|((by, weight), residual)| by[i] * *weight * *residual);
            part[len * len + i] = of_one.fold(Lanes::ZERO, |a, b| a + b).reduce_add();
            for j in 0..=i {
                let of_two = rows().map(|((by, weight), _)| by[i] * *weight * by[j]);
                let sum = of_two.fold(Lanes::ZERO, |a, b| a + b).reduce_add();
                part[i * len + j] = sum;
                part[j * len + i] = sum;
            }
        }
    }
}

/// Adds a block's equations to those of the model.
fn add_part(part: &[f64], unknowns: &[usize], matrix: &mut Envelope, gradient: &mut [f64]) {
    let (own, own_gradient) = part.split_at(unknowns.len() * unknowns.len());
    for (i, row) in own.chunks_exact(unknowns.len().max(1)).enumerate() {
        gradient[unknowns[i]] += own_gradient[i];
        matrix.add_row(unknowns[i], unknowns, &row[..=i]);
    }
}

impl Work<'_> {
    /// Room for the equations, with nothing in them.
    pub fn system(&self) -> System {
        System {
            matrix: Envelope::new(block::first_columns(self.blocks, self.layout)),
            gradient: vec![0.0; self.layout.len],
            chi2: 0.0,
            chi2_before: 0.0,
            values: vec![0.0; self.layout.len],
            parts: vec![0.0; self.blocks.equations()],
            chi2_of: Vec::with_capacity(self.blocks.all.len()),
            weights: vec![Lanes::ZERO; self.rows.len()],
        }
    }

    /// Room for the largest block.
    pub fn sheet(&self) -> Sheet {
        let most = |of: fn(&Block) -> usize| self.blocks.all.iter().map(of).max().unwrap_or(0);
        Sheet {
            by: vec![Lanes::ZERO; most(|block| block.rows.len() * block.len())],
            residual: vec![Lanes::ZERO; most(|block| block.rows.len())],
            change: Vec::with_capacity(most(Block::len)),
        }
    }

    /// Normal equations and χ² about `model`, with its own weights, to `system`; χ² also with those `before`.
    pub fn assemble(
        &self,
        model: &Model,
        before: Option<&System>,
        system: &mut System,
        sheet: &mut Sheet,
    ) {
        let edge = self.given.misfit / model.receiver.impulse_top();
        system.matrix.clear();
        system.gradient.fill(0.0);
        system.chi2_of.clear();
        self.layout.set_values(model, &mut system.values);
        if let Some(before) = before {
            system.weights.copy_from_slice(&before.weights);
        }
        for (n, block) in self.blocks.all.iter().enumerate() {
            let unknowns = self.blocks.unknowns(block);
            let part = &mut system.parts[block.start..][..block.equations()];
            let moved = before.and_then(|before| {
                sheet.change.clear();
                sheet.change.extend(unknowns.iter().map(|u| system.values[*u] - before.values[*u]));
                before.moved(n, block, &sheet.change, part)
            });
            let weights = &mut system.weights[block.rows.clone()];
            system.chi2_of.push(match moved {
                Some(chi2) => [chi2, chi2],
                None => self.evaluate(model, block, edge, part, weights, sheet),
            });
            add_part(part, unknowns, &mut system.matrix, &mut system.gradient);
        }
        let beliefs = self.add_beliefs(model, &mut system.matrix, &mut system.gradient);
        let sum = |i: usize| beliefs + system.chi2_of.iter().map(|chi2| chi2[i]).sum::<f64>();
        (system.chi2, system.chi2_before) = (sum(0), sum(1));
    }

    /// Of each joint of `model`: χ² of the cells in which its edges show, and how many these are.
    pub fn edges(&self, model: &Model, system: &System) -> Vec<(f64, usize)> {
        let mut edges = vec![(0.0, 0); model.joints.len()];
        for (block, [chi2, _]) in self.blocks.all.iter().zip(&system.chi2_of) {
            for seat in self.blocks.seats(block) {
                edges[seat.joint].0 += chi2;
                edges[seat.joint].1 += block.cells.len();
            }
        }
        edges
    }

    /// The equations of one block about `model`, to `part`, and its new weights; returns χ² with these and
    /// with those before.
    fn evaluate(
        &self,
        model: &Model,
        block: &Block,
        edge: f64,
        part: &mut [f64],
        weights: &mut [Lanes],
        sheet: &mut Sheet,
    ) -> [f64; 2] {
        let len = block.len();
        // What another block left there is written over: each of this one's unknowns has its share in every row.
        let (by, residuals) = (&mut sheet.by[..weights.len() * len], &mut sheet.residual);
        let mut chi2 = [Lanes::ZERO; 2];
        for (k, row) in self.rows[block.rows.clone()].iter().enumerate() {
            let by = &mut by[k * len..][..len];
            let mut shown = self.predict(model, block, row, edge, by);
            self.clip(&mut shown.fitted, by);
            let residual = row.mean - shown.fitted;
            let weight = row.full / self.variance_of(row, &shown);
            chi2[0] += weight * residual * residual;
            chi2[1] += weights[k] * residual * residual;
            weights[k] = weight;
            residuals[k] = residual;
        }
        sheet.sum(len, weights, part);
        chi2.map(Lanes::reduce_add)
    }

    /// Each cell's variance from the model: never from the sample, which would favour upward noise.
    fn variance_of(&self, row: &Row, shown: &Shown) -> Lanes {
        let noise = self.given.noise;
        let additive = noise.kappa * noise.sigma * noise.sigma;
        let rough = self.given.samples.pulse * noise.speckle * noise.speckle;
        let rounding = self.given.samples.rounding_var(shown.line + shown.peaks, noise.sigma);
        (shown.line * shown.line * rough + rounding + additive) / row.n + shown.misfit + row.unsure
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
            match self.given.memory.share {
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

    /// The model's mean over each cell and what its variance hangs on; `by` gets its change with each of
    /// the block's unknowns. `edge` is the misfit of an edge's shape over its steepest.
    fn predict(
        &self,
        model: &Model,
        block: &Block,
        row: &Row,
        edge: f64,
        by: &mut [Lanes],
    ) -> Shown {
        let receiver = &model.receiver;
        let mut shown = Shown::default();
        let ramp = RAMP_MISFIT * receiver.pole / receiver.pulse;
        // The line on which the next joint stands, and its remaining share of the light.
        let mut current = LinePower::of(model, block.base, row);
        shown.line = current.power;
        let mut share = Lanes::ONE;
        let mut by_pole = Lanes::ZERO;
        for seat in self.blocks.seats(block) {
            let joint = &model.joints[seat.joint];
            let shape = receiver.shape(row.x - joint.x);
            let mut by_place = Lanes::ZERO;
            if let (Some(height), Some(unknown)) = (joint.height, seat.height) {
                let peak = shape.rect * height;
                let slope = shape.by_place * height;
                shown.fitted += peak;
                shown.peaks += peak.fast_max(Lanes::ZERO);
                by_place -= slope;
                let off = if joint.places == 1 {
                    by_pole += shape.by_pole * height;
                    edge
                } else {
                    edge * (MERGED_MISFIT / self.given.misfit) // says nothing of the poles
                };
                shown.misfit += slope * slope * (off * off) + peak * peak * TOP_RIPPLE.powi(2);
                by[unknown] = shape.rect;
            }
            if !matches!(joint.behind, Behind::Same) {
                let next = LinePower::of(model, seat.line, row);
                shown.line = shown.line.fast_max(next.power);
                by_place += (current.power - next.power) * shape.rect * (1.0 / receiver.pulse);
                by_pole += (next.power - current.power) * shape.ramp_by_pole;
                let off = shape.by_place * ((current.power - next.power) * (edge * ramp));
                shown.misfit += off * off;
                // Second order of the blend: docs/theory.md
                let bend = current.power * current.fall - next.power * next.fall;
                let blend = shape.ramp * (Lanes::ONE - shape.ramp) * (0.5 * receiver.pulse);
                let by_ramp = (Lanes::ONE - shape.ramp * 2.0) * bend * 0.5;
                by_place -= by_ramp * shape.rect;
                by_pole += by_ramp * shape.ramp_by_pole * receiver.pulse;
                shown.fitted += blend * bend + current.add(share - shape.ramp, by);
                current = next;
                share = shape.ramp;
            }
            by[seat.place] = by_place;
        }
        shown.fitted += current.add(share, by);
        if let Some(unknown) = block.pole {
            by[unknown] = by_pole;
        }
        self.add_tails(model, block, row, by, &mut shown);
        shown
    }

    fn add_tails(
        &self,
        model: &Model,
        block: &Block,
        row: &Row,
        by: &mut [Lanes],
        shown: &mut Shown,
    ) {
        let receiver = &model.receiver;
        let mut by_length = Lanes::ZERO;
        let bend = row.n * (1.0 / receiver.tail);
        let mean_over_cell = bend * bend * (1.0 / 24.0) + 1.0;
        for seat in self.blocks.tails(block) {
            let joint = &model.joints[seat.joint];
            let behind = row.x - joint.x;
            let (tail, change) = receiver.tail(behind);
            let reached = behind.simd_lt(Lanes::splat(self.reach[seat.joint]));
            let tail = reached.select(tail * mean_over_cell, Lanes::ZERO);
            let change = reached.select(change, Lanes::ZERO);
            let height = joint.tail.unwrap_or(0.0);
            shown.fitted += tail * height;
            shown.misfit += tail * tail * (TAIL_MISFIT * height).powi(2);
            by_length += change * (height * receiver.tail); // of its logarithm
            by[seat.slot] = tail;
        }
        if let Some(unknown) = block.tail_length {
            by[unknown] = by_length;
        }
    }

    /// The mean of samples that the file cuts off at its floor, and its change with the mean before: weak
    /// light shows brighter than it is.
    fn clip(&self, fitted: &mut Lanes, by: &mut [Lanes]) {
        let noise = self.given.noise;
        if !noise.seen || fitted.simd_gt(Lanes::splat(noise.floor + 4.0 * noise.sigma)).all() {
            return;
        }
        let (mean, slope) = noise.clipped(*fitted);
        *fitted = mean;
        for by in by {
            *by *= slope;
        }
    }
}

/// What a receiver of other poles leaves of a ramp over what it leaves of an edge, in poles over the pulse: ramps through
/// two, four and five poles are off three of the same variance by up to 0.015 of its root, edges by 0.03.
const RAMP_MISFIT: f64 = 0.87;

/// The fitted means of a row, and what their variance hangs on.
#[derive(Clone, Copy, Default)]
struct Shown {
    fitted: Lanes,
    line: Lanes,   // backscatter
    peaks: Lanes,  // reflections
    misfit: Lanes, // square of what the model may be wrong by
}

/// A line's means over a row; no power where it is dark.
#[derive(Clone, Copy, Default)]
struct LinePower {
    level: Option<usize>, // slot; the slope's is the next
    power: Lanes,
    off: Lanes,
    fall: f64,
}

impl LinePower {
    fn of(model: &Model, owner: Option<Owner>, row: &Row) -> LinePower {
        let Some(owner) = owner else { return LinePower::default() };
        let Behind::Fibre(line) = &model.joints[owner.joint].behind else {
            return LinePower::default();
        };
        let off = row.x - line.at;
        let bend = row.n * line.fall;
        let mean_over_cell = bend * bend * (1.0 / 24.0) + 1.0;
        let power = lanes::exp(off * -line.fall + line.level) * mean_over_cell;
        LinePower { level: Some(owner.level), power, off, fall: line.fall }
    }

    /// Its share of the light, whose changes with level and slope are added.
    fn add(&self, share: Lanes, by: &mut [Lanes]) -> Lanes {
        let power = share * self.power;
        if let Some(level) = self.level {
            by[level] = power;
            by[level + 1] = -self.off * power;
        }
        power
    }
}
