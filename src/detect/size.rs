//! How large a joint is, and how sure that is.

use super::fit::{self, Fit};
use super::model::{Behind, Joint, Model};
use crate::units::DB_PER_NEPER;

/// How even an instrument's scale is from one level to the next, one sigma: half a count of 0.001 dB.
/// Steps are told from it, not from the noise alone, and no loss is known better.
pub(super) const EVEN_DB: f64 = 0.0005;

/// Loss and reflection of a joint with their sigmas, as the fit's covariance gives them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Size {
    pub loss_db: f64,
    pub loss_sigma_db: f64,
    pub height: f64,
    pub height_sigma: f64,
    /// Power of `EVEN_DB` on the line here.
    pub even_height: f64,
}

impl Size {
    /// How many sigmas its step or its reflection stands out, whichever is more.
    pub fn score(&self) -> f64 {
        self.step_score().max(self.peak_score())
    }

    /// How many sigmas its step stands out.
    pub fn step_score(&self) -> f64 {
        if self.loss_sigma_db > 0.0 { self.loss_db.abs() / self.loss_sigma_db } else { 0.0 }
    }

    /// How many sigmas its reflection stands out.
    pub fn peak_score(&self) -> f64 {
        let sigma = self.height_sigma.hypot(self.even_height);
        if self.height_sigma > 0.0 { self.height / sigma } else { 0.0 }
    }
}

/// Loss and height of joint `i`, read where both lines show the same fibre: half a pulse behind it.
pub(super) fn of(fit: &Fit, i: usize) -> Size {
    let model = &fit.model;
    let joint = &model.joints[i];
    let (height, height_sigma) = match (joint.height, fit.layout.height[i]) {
        (Some(height), Some(unknown)) => (height, fit.sigma(unknown)),
        _ => (0.0, 0.0),
    };
    let even_height =
        model.before(i).map_or(0.0, |line| line.power(joint.x) * EVEN_DB / DB_PER_NEPER);
    let mut size = Size { loss_db: 0.0, loss_sigma_db: 0.0, height, height_sigma, even_height };
    if let (Some(before), Behind::Fibre(behind)) = (model.before(i), &joint.behind) {
        let at = joint.x + 0.5 * model.receiver.pulse;
        let g = loss_gradient(fit, i);
        size.loss_db = DB_PER_NEPER * (before.log(at) - behind.log(at));
        let tail = fit::TAIL_MISFIT * tail_at(model, i, at) / before.power(at) * DB_PER_NEPER;
        size.loss_sigma_db = fit.factor.variance(g).sqrt().hypot(tail).hypot(EVEN_DB);
    }
    size
}

/// How many sigmas the slopes on both sides of joint `i` differ; 0 where one is missing.
pub(super) fn bend_score(fit: &Fit, i: usize) -> f64 {
    let lines = fit.layout.line_before(i).zip(fit.layout.line[i]);
    let (Some((left, right)), Some(before), Behind::Fibre(behind)) =
        (lines, fit.model.before(i), &fit.model.joints[i].behind)
    else {
        return 0.0;
    };
    let mut g = vec![0.0; fit.layout.len];
    (g[left + 1], g[right + 1]) = (1.0, -1.0);
    (before.fall - behind.fall).abs() / fit.factor.variance(g).sqrt()
}

/// Power at `x` of the slow tails of all joints before joint `i`. Their shape is only nearly known, and
/// its misfit is shared by all samples around a step.
fn tail_at(model: &Model, i: usize, x: f64) -> f64 {
    let of = |joint: &Joint| joint.tail.map(|t| t * model.receiver.tail_at(x - joint.x));
    model.joints[..i].iter().filter_map(of).sum()
}

/// How the loss of joint `i` in dB changes with each unknown.
pub(super) fn loss_gradient(fit: &Fit, i: usize) -> Vec<f64> {
    let model = &fit.model;
    let mut g = vec![0.0; fit.layout.len];
    let at = model.joints[i].x + 0.5 * model.receiver.pulse;
    let owner = (0..i).rev().find(|j| fit.layout.line[*j].is_some());
    for (owner, sign) in [(owner, 1.0), (Some(i), -1.0)] {
        let Some(j) = owner else { continue };
        if let (Some(unknown), Behind::Fibre(line)) = (fit.layout.line[j], &model.joints[j].behind)
        {
            g[unknown] += sign * DB_PER_NEPER;
            g[unknown + 1] -= sign * DB_PER_NEPER * (at - line.at);
            g[fit.layout.place[i]] -= sign * DB_PER_NEPER * line.fall;
        }
    }
    g
}
