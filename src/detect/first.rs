//! The first fit: which receiver the trace was made with, and what its detector forgets late.

use super::fit::{self, Fit, Given, Memory, TAIL_SPREAD, USUAL_TAIL};
use super::model::{Behind, Joint, Model};
use super::noise::Noise;
use super::receiver::Receiver;
use super::start::HALF_HEIGHT_POLES;

/// The first model fitted with the receiver that its strongest reflection shows, or with the usual one
/// where that explains more.
pub(super) fn fit(model: Model, receiver: Option<Receiver>, given: &Given) -> Option<Fit> {
    let fitted = |model: Model| {
        let free_pole = Some(model.receiver.pole);
        fit::run(model, &Given { free_pole, ..*given })
    };
    let Some(receiver) = receiver else { return fitted(model) };
    let mut with = model.clone();
    for joint in with.joints.iter_mut().filter(|j| j.height.is_some() && j.held.is_none()) {
        joint.x += HALF_HEIGHT_POLES * (receiver.pole - model.receiver.pole);
    }
    with.receiver = receiver;
    let shown = fitted(with);
    let per_cell = shown.as_ref().map_or(f64::MAX, Fit::chi2_per_cell);
    if per_cell < LOST {
        return shown;
    }
    [shown, fitted(model)].into_iter().flatten().min_by(|a, b| a.chi2.total_cmp(&b.chi2))
}

/// χ² per cell of a fit that has not found its way: joints that are still missing cost less.
const LOST: f64 = 100.0;

/// Gives every strong reflection and every deep drop a slow tail to begin with, so that no decay is taken
/// for steps. The fit tells how large it is, and `set_tails` whether it is there.
pub(super) fn suspect_tails(model: &mut Model, noise: &Noise) {
    let least = noise.of_mean(model.receiver.pulse);
    for i in 0..model.joints.len() {
        let x = model.joints[i].x;
        let shown = match model.joints[i].height {
            Some(_) => 0.001 * model.before(i).or(model.behind(i)).map_or(0.0, |l| l.power(x)),
            None => STEP_TAIL * model.behind(i).map_or(0.0, |l| l.power(x)),
        };
        let tail = USUAL_SHARE * model.afterglow(i);
        if model.joints[i].tail.is_none() && tail > (0.3 * least).max(shown) {
            model.joints[i].tail = Some(tail);
        }
    }
    keep_strongest(model);
}

/// The model with a slow tail of the panel's in place of the steps near it that come before anything else: they may
/// be a decay which other events hid as long as they were not fitted. `None` where there are none, or the panel has
/// its tail.
pub(super) fn with_panel_tail(model: &Model) -> Option<Model> {
    // As far as the longest of usual tails shows.
    let reach = USUAL_TAIL * TAIL_SPREAD.exp() * model.receiver.pulse;
    let near = |joint: &&Joint| {
        let step = joint.height.is_none() && matches!(joint.behind, Behind::Fibre(_));
        step && joint.x - model.joints[0].x < reach
    };
    let steps = model.joints[1..].iter().take_while(near).count();
    if steps == 0 || model.joints[0].tail.is_some() {
        return None;
    }
    let mut next = model.clone();
    next.joints.drain(1..=steps);
    next.joints[0].behind = model.joints[steps].behind;
    next.joints[0].tail = Some(USUAL_SHARE * model.afterglow(0));
    Some(next)
}

/// How odd it is, in χ², that the panel leaves so large a share of its light: detectors are alike within a factor of
/// three. Of a panel that is cut off nobody knows the share.
pub(super) fn odd_panel(model: &Model) -> f64 {
    let tail = model.joints[0].tail.filter(|_| !model.joints[0].clipped);
    let share = tail.map_or(USUAL_SHARE, |tail| tail / model.afterglow(0));
    ((share / USUAL_SHARE).max(1.0).ln() / TAIL_SPREAD).powi(2)
}

/// Share of its light that a detector forgets late, within a factor of three. Common practice, no source.
pub(super) const USUAL_SHARE: f64 = 0.002;

/// Most tails that are followed. Each shows in all that lies behind it, so that time grows with their square; no
/// link has as many strong reflections (common practice, no source).
const MOST_TAILS: usize = 40;

/// Takes away all tails but the strongest.
fn keep_strongest(model: &mut Model) {
    let strength = |i: &usize| model.joints[*i].tail.map_or(0.0, f64::abs);
    let mut tailed: Vec<usize> =
        (0..model.joints.len()).filter(|i| model.joints[*i].tail.is_some()).collect();
    if tailed.len() > MOST_TAILS {
        tailed.sort_by(|a, b| strength(b).total_cmp(&strength(a)));
        for i in &tailed[MOST_TAILS..] {
            model.joints[*i].tail = None;
        }
    }
}

/// The model with the tails that are suspected before anything is known.
pub(super) fn with_usual_tails(model: &Model, noise: &Noise) -> Model {
    let mut next = model.clone();
    next.receiver.tail = USUAL_TAIL * next.receiver.pulse;
    for joint in &mut next.joints {
        joint.tail = None;
    }
    suspect_tails(&mut next, noise);
    next
}

/// Share of the light behind a drop from which its slow tail is reckoned with: 0.02 dB.
const STEP_TAIL: f64 = 0.01;

/// Share of its light that each whole reflection and deep drop shows to be forgotten late, and the
/// standard deviation of that.
fn shares(fit: &Fit) -> Vec<(f64, f64)> {
    let share = |i: usize| {
        let joint = &fit.model.joints[i];
        let (tail, unknown) = joint.tail.zip(fit.layout.tail[i])?;
        let (light, sigma) = (fit.model.afterglow(i), fit.sigma(unknown));
        (!joint.clipped && light > 0.0 && sigma > 0.0).then(|| (tail / light, sigma / light))
    };
    (1..fit.model.joints.len()).filter_map(share).collect()
}

/// Share of its light that a detector forgets late, from the whole reflections and drops that show it;
/// negative for one that droops. `None` where none shows it.
fn tail_share(shares: &[(f64, f64)]) -> Option<f64> {
    let most = most_share(shares);
    let all = shares.iter().copied();
    let shown: Vec<(f64, f64)> =
        all.filter(|(share, sigma)| share.abs() > 4.0 * sigma && *share < most).collect();
    // A slope's change may look like one droop: all say so, and one beyond doubt.
    let droops = shown.iter().all(|(share, _)| *share < 0.0)
        && shown.iter().any(|(share, sigma)| *share < -DROOP_SIGMAS * sigma);
    let of_one_sign = shown.iter().filter(|(share, _)| droops || *share > 0.0);
    let weight = |sigma: f64| 1.0 / (sigma * sigma);
    let total: f64 = of_one_sign.clone().map(|(_, sigma)| weight(*sigma)).sum();
    let sum: f64 = of_one_sign.map(|(share, sigma)| share * weight(*sigma)).sum();
    (total > 0.0).then(|| sum / total)
}

/// Largest share that all of a trace's reflections and drops allow: it is the detector's, and so the same
/// for all of them. What shows several times more behind one of them is an event not yet found.
/// Infinite where there is only one.
fn most_share(shares: &[(f64, f64)]) -> f64 {
    let upper = |(share, sigma): &(f64, f64)| share.max(0.0) + 5.0 * sigma;
    let least = shares.iter().map(upper).fold(f64::INFINITY, f64::min);
    if shares.len() < 2 { f64::INFINITY } else { SHARES_DIFFER * least }
}

/// How many times larger the share of one reflection may look than that of another: one exponential
/// stands for what may be two, and its length is one for all. Common practice, no source.
const SHARES_DIFFER: f64 = 3.0;

/// Share of χ² that tails must gain by a first step below their lines: with the right decay length the whole way
/// gains several times as much.
const LEAST_HELD_BACK: f64 = 0.02;

/// The first fit again with tails that lie below their lines, where that explains far more.
pub(super) fn drooping(fit: &Fit, given: &Given) -> Option<Fit> {
    if fit.chi2_per_cell() < 1.5 || tail_share(&shares(fit)).is_some() {
        return None; // nothing to explain, or it lags
    }
    if fit.chi2_per_cell() < LOST && fit.held_back() < LEAST_HELD_BACK * fit.chi2 {
        return None; // no tail is pressed against nothing
    }
    let mut model = fit.model.clone();
    model.receiver.tail = model.receiver.tail.max(USUAL_TAIL * model.receiver.pulse);
    for i in 0..model.joints.len() {
        let tail = -USUAL_SHARE * model.afterglow(i);
        if model.joints[i].tail.is_some() {
            model.joints[i].tail = Some(tail);
        }
    }
    let memory_droops = Memory { droops: true, ..given.memory };
    let droops = fit::run(model, &Given { memory: memory_droops, ..*given })
        .filter(|droops| droops.chi2 < 0.8 * fit.chi2)?;
    let memory = memory(&droops);
    let usual = memory.share.is_none_or(|share| share.abs() < MOST_SHARE);
    (memory.droops && usual).then_some(droops)
}

/// Share of its light that hardly any detector forgets late or droops by: twice the spread over the usual one. More
/// below a line is a bend of that line.
pub(super) const MOST_SHARE: f64 = 0.018;

/// Sigmas from which a tail below the line is a droop of the receiver.
const DROOP_SIGMAS: f64 = 15.0;

fn memory(fit: &Fit) -> Memory {
    let share = tail_share(&shares(fit));
    // Of what is cut off nobody knows the share, but below the line is below the line.
    let below = |(joint, unknown): (&Joint, &Option<usize>)| {
        let (tail, unknown) = joint.tail.zip(*unknown)?;
        Some(tail < -DROOP_SIGMAS * fit.sigma(unknown))
    };
    let any_below = || fit.model.joints.iter().zip(&fit.layout.tail).filter_map(below).any(|b| b);
    Memory { share, droops: share.map_or_else(any_below, |share| share < 0.0) }
}

/// Decides which joints have a slow tail.
pub(super) fn set_tails(fit: &Fit, model: &mut Model, noise: &Noise) -> Memory {
    let memory = memory(fit);
    let (share, most) = (memory.share, most_share(&shares(fit)));
    let sign = if memory.droops { -1.0 } else { 1.0 }; // one detector lags or droops, and does not do both
    let pulse = model.receiver.pulse;
    for i in 0..model.joints.len() {
        let behind = model.behind(i).map_or(0.0, |line| line.power(model.joints[i].x));
        let (light, deep) = (model.afterglow(i), model.is_deep(i));
        let joint = &mut model.joints[i];
        // What the mean over one pulse can show, or a hundredth of a dB.
        let least = noise.of_mean(pulse).min(0.005 * behind + 1e-12);
        let expected = share.unwrap_or(0.003 * sign) * light;
        if joint.height.is_none() && (i == 0 || expected.abs() < STEP_TAIL * behind) {
            joint.tail = None;
            continue;
        }
        let shown = match (joint.tail, fit.layout.tail.get(i).copied().flatten()) {
            (Some(tail), Some(unknown)) => {
                let own = joint.clipped || deep || tail < most * light;
                own && tail * sign > 3.0 * fit.sigma(unknown)
            }
            _ => false,
        };
        joint.tail = match (joint.tail, share) {
            (Some(tail), _) if shown => Some(tail),
            (_, Some(_)) if i > 0 && expected.abs() > 0.2 * least => Some(expected),
            _ if joint.clipped && i > 0 => Some(expected.min(0.5 * joint.height.unwrap_or(0.0))),
            _ => None,
        };
    }
    keep_strongest(model);
    memory
}
