//! Whether an end reflects that reflects hardly, and how sure its place is.

use super::fit::{self, Fit, Given};
use super::model::{Behind, Joint, Model};
use super::polish::AROUND_PULSES;
use super::receiver::{MOST_POLES, Receiver};
use super::size;

/// What a low reflection at the end would explain.
pub(super) struct AtEnd {
    pub x: f64,
    pub height: f64,
    /// The receiver with it.
    pub receiver: Receiver,
    /// It stands out, and what it explains makes it likelier by far.
    pub told: bool,
    /// Root mean square of what the end's place is off where the other answer is right, in samples.
    pub doubt: f64,
}

/// Of the pole that colours the noise: a receiver's edges are about as slow (common practice, no source).
const LOST_POLE: f64 = 0.6;

/// Gain in χ² from which an end reflects: that is 20 times likelier than that it does not.
const TOLD: f64 = 6.0;

/// An end fitted with and without a reflection.
struct Tried {
    with: Fit,
    bare: Fit,
}

impl Tried {
    /// The same through a receiver of so many poles.
    fn of_poles(&self, poles: usize, near: &Given) -> Option<Tried> {
        let run = |from: &Fit| fit::with_poles(&from.model, poles, near);
        Some(Tried { with: run(&self.with)?, bare: run(&self.bare)? })
    }
}

/// A reflection at an end that does not reflect so far, or hardly. It may have been put where such a reflection
/// is half or wholly over, and from there a fit does not find back, so that several places are tried. `None` where
/// no fit can be made, or what reflects there is beyond doubt.
///
/// Place and height change for each other at hardly any cost: half a pulse of light more is a reflection half as high
/// as the fibre, an end that much earlier. So a low one is believed by what it explains, and not by its height alone.
/// A receiver of fewer poles explains as much as well: where no other reflection tells it, all are asked.
pub(super) fn at_end(fit: &Fit, given: &Given, limit: f64) -> Option<AtEnd> {
    let model = &fit.model;
    let last = model.joints.len() - 1;
    let end = model.joints.last().filter(|end| matches!(end.behind, Behind::Dark))?;
    let power = model.before(last).map_or(0.0, |line| line.power(end.x));
    if end.clipped || end.height.is_some_and(|height| height > 2.0 * power) {
        return None;
    }
    let alone = (1..last).all(|i| !tells_receiver(model, i));
    let near = Given {
        free_tail: false,
        window: Some((end.x - AROUND_PULSES * model.receiver.pulse, f64::INFINITY)),
        ..*given
    };
    let mut all = vec![tried(model, &near, alone, power)?];
    if alone {
        let others = (1..=MOST_POLES).filter(|poles| *poles != model.receiver.poles);
        let others: Vec<Tried> = others.filter_map(|poles| all[0].of_poles(poles, &near)).collect();
        all.extend(others);
    }
    weighed(&all, last, power, limit)
}

/// The end of `model` with a reflection, from several places, and without.
fn tried(model: &Model, near: &Given, alone: bool, power: f64) -> Option<Tried> {
    let last = model.joints.len() - 1;
    let pulse = model.receiver.pulse;
    let end = model.joints[last];
    let before = model.joints.get(last.wrapping_sub(1)).map_or(0.0, |joint| joint.x);
    let room = end.x - before > 3.0 * pulse;
    let here = (end.x, end.height.unwrap_or(0.01 * power));
    let low = (end.x - 0.2 * pulse, 0.2 * power);
    let earlier = (end.x - 0.8 * pulse, 0.3 * power);
    // Where the pole is much shorter than what colours the noise, this end has made it so.
    let usual = near.noise.pole;
    let lost = alone && near.noise.seen && model.receiver.pole < LOST_POLE * usual;
    let pole = if lost { usual } else { model.receiver.pole };
    let near = Given { free_pole: Some(pole).filter(|_| alone), ..*near };
    let with = |x: f64, height: Option<f64>| {
        let mut next = model.clone();
        next.joints[last] = Joint { x, height, ..end };
        next.receiver.pole = if height.is_some() { pole } else { next.receiver.pole };
        fit::run(next, &near)
    };
    let starts = [Some(here), Some(low), Some(earlier).filter(|_| room)];
    let fits = starts.into_iter().flatten().filter_map(|(x, height)| with(x, Some(height)));
    let best = fits.min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
    Some(Tried { with: best, bare: with(end.x, None)? })
}

/// What all fits say together, each as likely as its χ² is.
fn weighed(tried: &[Tried], last: usize, power: f64, limit: f64) -> Option<AtEnd> {
    let best =
        |of: fn(&Tried) -> &Fit| tried.iter().map(of).min_by(|a, b| a.chi2.total_cmp(&b.chi2));
    let (with, bare) = (best(|both| &both.with)?, best(|both| &both.bare)?);
    let size = size::of(with, last);
    let gain = bare.chi2 - with.chi2;
    let told = size.height > limit * size.height_sigma && gain > TOLD;
    let x = if told { with } else { bare }.model.joints[last].x;
    let (mut sum, mut off) = (0.0, 0.0);
    let mut weigh = |fit: &Fit, share: f64, sigma: f64| {
        let weight = share * (-0.5 * (fit.chi2 - with.chi2.min(bare.chi2))).exp();
        sum += weight;
        off += weight * ((fit.model.joints[last].x - x).powi(2) + sigma * sigma);
    };
    for both in tried {
        // Of heights up to the fibre's own: Bayes factor.
        let share = (2.507 * size::of(&both.with, last).height_sigma / power).min(1.0);
        weigh(&both.with, share, if told { 0.0 } else { both.with.place_sigma(last) });
        if !told {
            weigh(&both.bare, 1.0, 0.0);
        }
    }
    Some(AtEnd {
        x: with.model.joints[last].x,
        height: size.height,
        receiver: with.model.receiver,
        told,
        doubt: (off / sum).sqrt(),
    })
}

/// Whether joint `i` reflects so strongly that it tells the receiver better than an end's edge.
fn tells_receiver(model: &Model, i: usize) -> bool {
    let joint = &model.joints[i];
    let line = model.before(i).map_or(0.0, |line| line.power(joint.x));
    joint.height.is_some_and(|height| height > line)
}

/// Gives the end the reflection that shows there.
pub(super) fn with_end(fit: Fit, given: &Given, limit: f64) -> Fit {
    let Some(peak) = at_end(&fit, given, limit).filter(|peak| peak.told) else { return fit };
    let mut next = fit.model.clone();
    if let Some(end) = next.joints.last_mut() {
        (end.x, end.height) = (peak.x, Some(peak.height));
    }
    next.receiver = peak.receiver;
    // What the pole was without the reflection says nothing of it.
    let told = Given { free_pole: given.free_pole.map(|_| peak.receiver.pole), ..*given };
    fit::again(next, &fit, &told)
        .filter(|with| with.chi2 < WORSE_ELSEWHERE * fit.chi2)
        .unwrap_or(fit)
}

/// How much more of χ² a fit may leave that explains the end better: while events are missing the lines between them wander.
const WORSE_ELSEWHERE: f64 = 1.05;
