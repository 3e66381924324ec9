//! The joint fit: all places, heights, levels and slopes at once, in linear power, with the
//! covariance of everything.

use super::assemble::Work;
use super::block;
use super::cells;
use super::layout::{self, Layout};
use super::model::{Behind, Line, Model};
use super::noise::Noise;
use super::samples::Samples;
use crate::signal::envelope::Factor;

/// What is believed of slopes beforehand, in natural-log power per sample.
#[derive(Clone, Copy, Debug)]
pub(super) struct SlopePrior {
    pub mean: f64,
    pub sd: f64,
}

/// What a detector does with strong light.
#[derive(Clone, Copy, Default)]
pub(super) struct Memory {
    /// Share of it that it forgets late, negative where it droops: the same for all of one detector. `None` where no
    /// whole reflection or drop shows it.
    pub share: Option<f64>,
    pub droops: bool,
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
    /// What the detector does with strong light: where it droops, tails may lie below the line.
    pub memory: Memory,
    /// The stretch that is looked at, in samples from the panel; `None` for all.
    pub window: Option<(f64, f64)>,
}

/// How far fibre is from the usual slope at its wavelength, one sigma in times that slope: what is believed before the
/// trace's own sections say more.
pub(super) const USUAL_SPREAD: f64 = 0.6;

impl<'a> Given<'a> {
    /// What a first fit is given: nothing is known of the trace but what is usual.
    pub fn usual(samples: &'a Samples, noise: &'a Noise, usual_fall: f64) -> Given<'a> {
        Given {
            samples,
            noise,
            slopes: SlopePrior { mean: usual_fall, sd: USUAL_SPREAD * usual_fall },
            ceiling: f64::INFINITY,
            free_pole: None,
            free_tail: true,
            misfit: 0.03,
            memory: Memory::default(),
            enough: SEARCH_GAIN,
            window: None,
        }
    }
}

/// A fitted model.
pub(super) struct Fit {
    pub model: Model,
    pub layout: Layout,
    /// Factor of the inverse covariance.
    pub factor: Factor,
    pub chi2: f64,
    /// Half of how χ² would fall with each unknown: 0 but for those that are held at a border.
    pub pull: Vec<f64>,
    /// How many cells were fitted.
    pub cells: usize,
    /// Of each joint: χ² of the cells in which its edges show, and how many these are.
    pub edges: Vec<(f64, usize)>,
    /// What was believed of slopes.
    pub slopes: SlopePrior,
}

/// Relative unevenness of a reflection's flat top: amplifiers settle to about this. Common practice,
/// no source.
pub(super) const TOP_RIPPLE: f64 = 0.002;

impl Fit {
    /// About 1 where the model explains everything.
    pub fn chi2_per_cell(&self) -> f64 {
        self.chi2 / self.cells.max(1) as f64
    }

    /// Standard deviation of one unknown.
    pub fn sigma(&self, unknown: usize) -> f64 {
        let mut g = vec![0.0; self.layout.len];
        g[unknown] = 1.0;
        self.factor.variance(g).sqrt()
    }

    /// χ² that would be gained, in first order, were nothing held at a border.
    pub fn held_back(&self) -> f64 {
        let mut change = self.pull.clone();
        self.factor.solve(&mut change);
        self.pull.iter().zip(&change).map(|(pull, change)| pull * change).sum()
    }

    /// Standard deviation of a joint's place in samples, as the covariance gives it.
    pub fn place_sigma(&self, i: usize) -> f64 {
        self.sigma(self.layout.place[i])
    }
}

/// Relative misfit of a slow tail's shape: one exponential stands for what may be two.
pub(super) const TAIL_MISFIT: f64 = 0.05;

/// Largest share of a reflection's height that its slow tail has. More would be a peak of its own.
const LARGEST_TAIL: f64 = 0.3;

/// Longest decay in pulse lengths: a longer one cannot be told from the fibre's own slope.
pub(super) const LONGEST_TAIL: f64 = 100.0;

/// Usual decay length of a tail in pulse lengths, and the standard deviation of its logarithm: a
/// factor of three. A much longer one is believed where it is seen, and not where a section's slope
/// explains as much. Common practice, no source.
pub(super) const USUAL_TAIL: f64 = 5.0;
pub(super) const TAIL_SPREAD: f64 = 1.1;

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
    let reach = layout::tail_reaches(&model, given.noise);
    let blocks = block::cut(&model, &cells, &layout, &reach);
    let rows = block::rows(&blocks, &cells);
    let work = Work { given, rows: &rows, blocks: &blocks, layout: &layout, reach: &reach };
    let (mut at, mut next, mut sheet) = (work.system(), work.system(), work.sheet());
    work.assemble(&model, None, &mut at, &mut sheet);
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
        work.assemble(&trial, Some(&at), &mut next, &mut sheet);
        if next.chi2_before.is_nan() || next.chi2_before > at.chi2 + 1e-9 {
            damping = (damping * 30.0).max(1e-3);
            continue;
        }
        let gained = at.chi2 - next.chi2_before;
        model = trial;
        damping = (damping * 0.1).max(1e-9);
        let still = gained < given.enough * (1.0 + 1e-3 * at.chi2.min(next.chi2));
        std::mem::swap(&mut at, &mut next);
        if still && (settled || given.enough > 0.5) {
            break;
        }
        settled = gained < 0.05 * at.chi2;
    }
    let edges = work.edges(&model, &at);
    let factor = at.matrix.factor()?;
    Some(Fit {
        edges,
        model,
        layout,
        factor,
        chi2: at.chi2,
        pull: at.gradient,
        cells: cells.len(),
        slopes: given.slopes,
    })
}

/// Fits `from` through a receiver of so many poles, which are free.
pub(super) fn with_poles(from: &Model, poles: usize, given: &Given) -> Option<Fit> {
    let receiver = from.receiver.with_poles(poles);
    let model = Model { receiver, ..from.clone() };
    run(model, &Given { free_pole: Some(receiver.pole), ..*given })
}

/// Fits `next`, which came from `fit`; where that leads astray – it explains far less than `fit` did –
/// again with the receiver's pole as it was, for peaks drag it along. `None` where neither explains as much.
pub(super) fn again(next: Model, fit: &Fit, given: &Given) -> Option<Fit> {
    let most = ASTRAY * fit.chi2_per_cell().max(1.0);
    let on_its_way = |other: &Fit| other.chi2_per_cell() < most;
    let held = Given { free_pole: None, ..*given };
    run(next.clone(), given).filter(on_its_way).or_else(|| run(next, &held).filter(on_its_way))
}

/// How many times more of χ² a fit may leave than the one before: more joints explain more, and tails
/// taken away a little less.
const ASTRAY: f64 = 10.0;

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

/// The model after one step, held to what is physical and to a quarter of a pulse.
fn moved(model: &Model, layout: &Layout, change: &[f64], given: &Given) -> Model {
    let mut next = model.clone();
    let reach = 0.25 * model.receiver.pulse;
    let [flattest, steepest] = SLOPES_DB_PER_KM
        .map(|slope| slope / 1000.0 * given.samples.spacing_m / crate::units::DB_PER_NEPER);
    for (i, joint) in next.joints.iter_mut().enumerate() {
        joint.x += change[layout.place[i]].clamp(-reach, reach);
        if let (Some(height), Some(unknown)) = (&mut joint.height, layout.height[i]) {
            // No more at a time than it is high itself, or the fibre before it.
            let line = model.before(i).or(model.behind(i)).map_or(0.0, |line| line.power(joint.x));
            let most = 2.0 * height.abs() + line;
            // An end lets nothing through that could show less light than none.
            let least = if matches!(joint.behind, Behind::Dark) { 0.0 } else { -line };
            *height = (*height + change[unknown].clamp(-most, most)).max(least);
            if joint.clipped {
                *height = height.max(0.8 * given.ceiling); // no lower than what was seen
            }
        }
        if let (Some(tail), Some(unknown)) = (&mut joint.tail, layout.tail[i]) {
            // A detector keeps a small share of what it saw; of a cut-off peak that is not known.
            let most = if joint.clipped { f64::MAX } else { LARGEST_TAIL * model.afterglow(i) };
            let least = if given.memory.droops { -most } else { 0.0 };
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
