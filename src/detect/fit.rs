//! The joint fit: all places, heights, levels and slopes at once, in linear power, with the
//! covariance of everything.

use super::cells::{self, Cell};
use super::layout::{self, Layout};
use super::model::{Behind, Line, Model};
use super::noise::Noise;
use super::samples::Samples;
use crate::signal::envelope::{Envelope, Factor};
use crate::signal::normal;

/// What is believed of slopes beforehand, in natural-log power per sample.
#[derive(Clone, Copy, Debug)]
pub(super) struct SlopePrior {
    pub mean: f64,
    pub sd: f64,
}

/// What the fit is given beside the model.
#[derive(Clone, Copy)]
pub(super) struct Given<'a> {
    pub samples: &'a Samples,
    pub noise: &'a Noise,
    pub slopes: SlopePrior,
    /// Power at which the receiver cuts off; infinite where it was never seen to.
    pub ceiling: f64,
    /// Whether the receiver's pole is fitted, and about which value (log sd 0.5).
    pub free_pole: Option<f64>,
    /// Whether the tail's length is fitted.
    pub free_tail: bool,
    /// Relative misfit of an edge's shape: what a receiver of other poles leaves.
    pub misfit: f64,
    /// A fit stops where a step gains less χ² than this, and a thousandth of it.
    pub enough: f64,
    /// Share of a whole reflection's height that its slow tail has, where known.
    pub tail_share: Option<f64>,
    /// Whether tails may lie below the line: a receiver that droops.
    pub may_droop: bool,
    /// The stretch that is looked at, in samples from the panel; `None` for all.
    pub window: Option<(f64, f64)>,
}

/// A fitted model.
pub(super) struct Fit {
    pub model: Model,
    pub layout: Layout,
    /// Factor of the inverse covariance.
    pub factor: Factor,
    pub chi2: f64,
    /// How many cells were fitted.
    pub cells: usize,
}

/// Relative unevenness of a reflection's flat top: amplifiers settle to about this. Common practice,
/// no source.
pub(super) const TOP_RIPPLE: f64 = 0.002;

impl Fit {
    /// Standard deviation of one unknown.
    pub fn sigma(&self, unknown: usize) -> f64 {
        let mut g = vec![0.0; self.layout.len];
        g[unknown] = 1.0;
        self.factor.variance(&g).sqrt()
    }

    /// Standard deviation of a joint's place in samples, as the covariance gives it.
    pub fn place_sigma(&self, i: usize) -> f64 {
        self.sigma(self.layout.place[i])
    }
}

/// Relative misfit of the edges of several reflections in one.
const MERGED_MISFIT: f64 = 0.3;

/// Relative misfit of a slow tail's shape: one exponential stands for what may be two.
pub(super) const TAIL_MISFIT: f64 = 0.05;

/// Largest share of a reflection's height that its slow tail has. More would be a peak of its own.
const LARGEST_TAIL: f64 = 0.3;

/// Longest decay in pulse lengths: a longer one cannot be told from the fibre's own slope.
pub(super) const LONGEST_TAIL: f64 = 100.0;

/// Usual decay length of a tail in pulse lengths, and the standard deviation of its logarithm: a
/// factor of three. A much longer one is believed where it is seen, and not where a section's slope
/// explains as much. Common practice, no source.
const USUAL_TAIL: f64 = 5.0;
const TAIL_SPREAD: f64 = 1.1;

/// Slopes that a fit may try: no fibre rises, nor loses as much. A slope that ends at one of them was not
/// measured.
pub(super) const SLOPES_DB_PER_KM: [f64; 2] = [-1.0, 5.0];

/// Gain in χ² below which a fit is done: while events still come and go nothing is gained by their
/// last digits.
pub(super) const SEARCH_GAIN: f64 = 1.0;
pub(super) const LAST_GAIN: f64 = 0.01;

/// Most steps of one fit; it stops earlier where nothing moves any more.
const STEPS: usize = 8;

/// Fits `model`, starting where it stands. `None` where the system cannot be solved.
pub(super) fn run(mut model: Model, given: &Given) -> Option<Fit> {
    center_lines(&mut model, given.samples);
    let cells = cells::cut(given, &model);
    let layout = Layout::new(&model, given);
    let lines = layout::line_before(&layout);
    let reach = layout::tail_reaches(&model, given.noise);
    let first = layout::first_columns(&model, &cells, &layout, &lines, &reach);
    let work = Work {
        given,
        cells: &cells,
        layout: &layout,
        line_before: &lines,
        tails: (0..model.joints.len()).filter(|i| model.joints[*i].tail.is_some()).collect(),
        reach,
    };
    let mut at = work.assemble(&model, &first, None);
    let mut damping = 1e-6;
    let mut settled = false; // whether the weights are those of a model that hardly moves
    for _ in 0..STEPS {
        let Some(change) = at.step(damping) else {
            damping = (damping * 100.0).max(1e-3);
            if damping > 1e6 {
                return None;
            }
            continue;
        };
        let trial = moved(&model, &layout, &change, given);
        let next = work.assemble(&trial, &first, Some(&at.variance));
        if next.chi2_before.is_nan() || next.chi2_before > at.chi2 + 1e-9 {
            damping = (damping * 30.0).max(1e-3);
            continue;
        }
        let gained = at.chi2 - next.chi2_before;
        model = trial;
        damping = (damping * 0.1).max(1e-9);
        let still = gained < given.enough * (1.0 + 1e-3 * next.chi2);
        at = next;
        if still && (settled || given.enough > 0.5) {
            break;
        }
        settled = gained < 0.05 * at.chi2;
    }
    let factor = at.matrix.factor()?;
    Some(Fit { model, layout, factor, chi2: at.chi2, cells: cells.len() })
}

/// Puts each line's reference place to the middle of its fibre, where level and slope hardly
/// correlate.
fn center_lines(model: &mut Model, samples: &Samples) {
    for i in 0..model.joints.len() {
        let end =
            model.next_change(i).map_or(samples.place(samples.len() - 1), |j| model.joints[j].x);
        let at = 0.5 * (model.joints[i].x + end);
        if let Behind::Fibre(line) = &mut model.joints[i].behind {
            *line = line.about(at);
        }
    }
}

/// The fit's arrays and what they are made from.
struct Work<'a> {
    given: &'a Given<'a>,
    cells: &'a [Cell],
    layout: &'a Layout,
    line_before: &'a [Option<usize>],
    tails: Vec<usize>,
    reach: Vec<f64>, // of each joint's tail, kept while its length is fitted: the envelope was cut for it
}

/// The normal equations about a model.
struct System {
    matrix: Envelope,
    gradient: Vec<f64>,
    chi2: f64,
    /// The same with the weights of the system before, to which it is compared.
    chi2_before: f64,
    /// Of each cell; infinite where it says nothing.
    variance: Vec<f64>,
}

impl System {
    fn step(&self, damping: f64) -> Option<Vec<f64>> {
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

impl Work<'_> {
    /// A cell's variance from the model: never from the sample, which would favour upward noise.
    fn variance_of(&self, cell: &Cell, parts: &Parts) -> f64 {
        let noise = self.given.noise;
        let additive = noise.kappa * noise.sigma * noise.sigma;
        let rough = self.given.samples.pulse * noise.speckle * noise.speckle;
        let rounding = self.given.samples.rounding_var(parts.line + parts.peaks, noise.sigma);
        (additive + rough * parts.line * parts.line + rounding) / cell.n + parts.misfit
    }

    /// Normal equations and χ² about `model`, with its own weights; χ² also with those `before`.
    fn assemble(&self, model: &Model, first: &[usize], before: Option<&[f64]>) -> System {
        let mut matrix = Envelope::new(first.to_vec());
        let mut gradient = vec![0.0; self.layout.len];
        let mut variance = Vec::with_capacity(self.cells.len());
        let (mut chi2, mut chi2_before) = (0.0, 0.0);
        let edge = self.given.misfit / model.receiver.impulse_top();
        let mut row: Vec<(usize, f64)> = Vec::with_capacity(32);
        for (c, cell) in self.cells.iter().enumerate() {
            if cell.blind {
                variance.push(f64::INFINITY);
                continue;
            }
            row.clear();
            let mut parts = self.predict(model, cell, edge, &mut row);
            let slope = self.clip(&mut parts.fitted);
            let own = self.variance_of(cell, &parts);
            variance.push(own);
            let weight = 1.0 / own;
            let residual = cell.mean - parts.fitted;
            chi2 += weight * residual * residual;
            chi2_before += residual * residual / before.map_or(own, |v| v[c]);
            if slope < 1.0 {
                for (_, d) in &mut row {
                    *d *= slope;
                }
            }
            sort(&mut row);
            for (unknown, d) in &row {
                gradient[*unknown] += weight * d * residual;
            }
            matrix.add_product(&row, weight);
        }
        let beliefs = self.add_beliefs(model, &mut matrix, &mut gradient);
        System {
            matrix,
            gradient,
            chi2: chi2 + beliefs,
            chi2_before: chi2_before + beliefs,
            variance,
        }
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

    /// The model's mean over `cell` and what its variance hangs on; `row` gets its change with each
    /// unknown. `edge` is the misfit of an edge's shape over its steepest.
    fn predict(&self, model: &Model, cell: &Cell, edge: f64, row: &mut Vec<(usize, f64)>) -> Parts {
        let layout = self.layout;
        let receiver = &model.receiver;
        let base = layout::base_line(cell, self.line_before, layout);
        let base = base.filter(|_| cell.lo < model.joints.len() || !model.ends_dark());
        let mut parts = Parts::default();
        // The line on which the next joint stands: its unknowns, power and remaining share.
        let mut current = base.and_then(|i| self.line_power(model, i, cell));
        parts.line = current.map_or(0.0, |c| c.power);
        let mut share = 1.0;
        let mut by_pole = 0.0;
        let ripple = TOP_RIPPLE;
        for i in cell.lo..cell.hi {
            let joint = &model.joints[i];
            let shape = receiver.shape(cell.x - joint.x);
            let mut by_place = 0.0;
            if let Some(height) = joint.height {
                let peak = height * shape.rect;
                parts.fitted += peak;
                parts.peaks += peak.max(0.0);
                by_place -= height * shape.by_place;
                let off = if joint.places == 1 {
                    by_pole += height * shape.by_pole;
                    edge
                } else {
                    edge * (MERGED_MISFIT / self.given.misfit) // says nothing of the poles
                };
                parts.misfit += (off * height * shape.by_place).powi(2) + (ripple * peak).powi(2);
                if let Some(unknown) = layout.height[i] {
                    row.push((unknown, shape.rect));
                }
            }
            if !matches!(joint.behind, Behind::Same) {
                let next =
                    if layout.line[i].is_some() { self.line_power(model, i, cell) } else { None };
                let (left, right) =
                    (current.map_or(0.0, |c| c.power), next.map_or(0.0, |c| c.power));
                parts.line = parts.line.max(right);
                by_place += (left - right) * shape.rect / receiver.pulse;
                by_pole += (right - left) * shape.ramp_by_pole;
                // Second order of the blend: docs/theory.md
                let fall = |line: Option<LinePower>| line.map_or(0.0, |c| c.fall * c.power);
                parts.fitted += 0.5
                    * receiver.pulse
                    * shape.ramp
                    * (1.0 - shape.ramp)
                    * (fall(current) - fall(next));
                parts.fitted += push_line(current, share - shape.ramp, row);
                current = next;
                share = shape.ramp;
            }
            row.push((layout.place[i], by_place));
        }
        parts.fitted += push_line(current, share, row);
        if let Some(unknown) = layout.pole.filter(|_| by_pole != 0.0) {
            row.push((unknown, by_pole));
        }
        if !self.tails.is_empty() {
            self.add_tails(model, cell, row, &mut parts);
        }
        parts
    }

    fn add_tails(
        &self,
        model: &Model,
        cell: &Cell,
        row: &mut Vec<(usize, f64)>,
        parts: &mut Parts,
    ) {
        let mut by_length = 0.0;
        for i in &self.tails {
            let joint = &model.joints[*i];
            if joint.x >= cell.x {
                break;
            }
            if joint.x + self.reach[*i] <= cell.x {
                continue;
            }
            let (tail, change) = model.receiver.tail(cell.x - joint.x);
            let bend = cell.n / model.receiver.tail;
            let tail = tail * (1.0 + bend * bend / 24.0); // mean over the cell
            let height = joint.tail.unwrap_or(0.0);
            parts.fitted += height * tail;
            parts.misfit += (TAIL_MISFIT * height * tail).powi(2);
            by_length += height * change * model.receiver.tail; // of its logarithm
            if let Some(unknown) = self.layout.tail[*i] {
                row.push((unknown, tail));
            }
        }
        if let Some(unknown) = self.layout.tail_length.filter(|_| by_length != 0.0) {
            row.push((unknown, by_length));
        }
    }

    fn line_power(&self, model: &Model, i: usize, cell: &Cell) -> Option<LinePower> {
        let Behind::Fibre(line) = &model.joints[i].behind else { return None };
        let bend = line.fall * cell.n;
        Some(LinePower {
            level: self.layout.line[i]?,
            power: line.power(cell.x) * (1.0 + bend * bend / 24.0), // mean over the cell
            off: cell.x - line.at,
            fall: line.fall,
        })
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

/// By unknown; rows are short and nearly in order.
fn sort(row: &mut [(usize, f64)]) {
    for i in 1..row.len() {
        let mut j = i;
        while j > 0 && row[j - 1].0 > row[j].0 {
            row.swap(j - 1, j);
            j -= 1;
        }
    }
}

/// A cell's fitted mean, and what its variance hangs on.
#[derive(Clone, Copy, Default)]
struct Parts {
    fitted: f64,
    line: f64,   // backscatter
    peaks: f64,  // reflections
    misfit: f64, // square of what the model may be wrong by
}

#[derive(Clone, Copy)]
struct LinePower {
    level: usize, // unknown; the slope is the next
    power: f64,
    off: f64,
    fall: f64,
}

fn push_line(line: Option<LinePower>, share: f64, row: &mut Vec<(usize, f64)>) -> f64 {
    let Some(line) = line else { return 0.0 };
    let power = share * line.power;
    row.push((line.level, power));
    row.push((line.level + 1, -line.off * power));
    power
}

/// The model after one step, held to what is physical and to a quarter of a pulse.
fn moved(model: &Model, layout: &Layout, change: &[f64], given: &Given) -> Model {
    let mut next = model.clone();
    let reach = 0.25 * model.receiver.pulse;
    let [flattest, steepest] = SLOPES_DB_PER_KM
        .map(|slope| slope / 1000.0 * given.samples.spacing_m / crate::units::DB_PER_NEPER);
    for (i, joint) in next.joints.iter_mut().enumerate() {
        joint.x += change[layout.place[i]].clamp(-reach, reach);
        if let (Some(height), Some(unknown)) = (&mut joint.height, layout.height[i]) {
            *height += change[unknown];
            if joint.clipped {
                *height = height.max(0.8 * given.ceiling); // no lower than what was seen
            }
        }
        if let (Some(tail), Some(unknown)) = (&mut joint.tail, layout.tail[i]) {
            // A detector keeps a small share of what it saw; of a cut-off peak that is not known.
            let most = if joint.clipped { f64::MAX } else { LARGEST_TAIL * model.afterglow(i) };
            let least = if given.may_droop && !joint.clipped { -most } else { 0.0 };
            *tail = (*tail + change[unknown]).clamp(least, most.max(0.0));
        }
        if let (Behind::Fibre(line), Some(unknown)) = (&mut joint.behind, layout.line[i]) {
            *line = Line {
                at: line.at,
                level: line.level + change[unknown].clamp(-3.0, 3.0),
                fall: (line.fall + change[unknown + 1]).clamp(flattest, steepest),
            };
        }
    }
    if let Some(unknown) = layout.pole {
        let pole = model.receiver.pole;
        next.receiver.pole = (pole + change[unknown]).clamp(0.6 * pole, 1.6 * pole);
    }
    if let Some(unknown) = layout.tail_length {
        let tail = model.receiver.tail * change[unknown].clamp(-0.5, 0.5).exp();
        next.receiver.tail = tail.min(LONGEST_TAIL * model.receiver.pulse);
    }
    next
}
