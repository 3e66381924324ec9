//! Where the light stops: before anything is fitted, and once lines are known.

use super::echo;
use super::find::REFLECTS;
use super::fit::Fit;
use super::model::{Behind, Joint, Line, Model};
use super::noise::Noise;
use super::rises::Rise;
use super::samples::Samples;
use super::scan;
use super::size;
use super::start::Known;
use super::tails;
use crate::units::DB_PER_NEPER;

/// Ends the model in the dark: at its last reflection where nothing but decay follows, else where
/// the level falls for good. A pulse in the decay of the end's own reflection is an echo.
///
/// Returns where it is dark, which is earlier than `dark` where that was an echo's light.
pub(super) fn add(model: &mut Model, known: &Known, dark: f64) -> f64 {
    let pulse = known.samples.pulse;
    let dark = without_lone(model, known).unwrap_or(dark);
    let mut to = dark;
    for i in (0..model.joints.len()).rev() {
        let joint = model.joints[i];
        let clear = joint.x + model.receiver.settled().max(1.6 * pulse);
        let nothing = to < clear + 2.0 * pulse && to >= dark;
        if i > 0 && (nothing || only_decay(known, model, &joint, to, dark)) {
            model.joints[i].behind = Behind::Dark;
            model.joints.truncate(i + 1);
            to = joint.x - model.receiver.lead() - 1.0;
            continue;
        }
        if to >= dark {
            let x = fall_for_good(known.samples, known.noise, clear.min(dark - pulse), dark);
            model.joints.push(Joint::new(x, None, Behind::Dark));
        }
        break;
    }
    dark
}

/// Takes the last reflections out before which it is dark already, each or several near each other: they are echoes.
/// Returns from where, if there were any.
fn without_lone(model: &mut Model, known: &Known) -> Option<f64> {
    let (samples, noise) = (known.samples, known.noise);
    let receiver = model.receiver;
    let mut dark = None;
    for i in (1..model.joints.len()).rev() {
        let from = model.joints[i - 1].x + receiver.settled() + 3.0 * receiver.pulse;
        let to = model.joints[i].x - receiver.toe() - 1.0;
        if to - from < 5.0 * receiver.pulse {
            continue; // what is before the first of them tells
        }
        let (a, b) = (samples.index(from), samples.index(to));
        let sd = noise.of_mean((b - a) as f64);
        if samples.mean(a, b) - noise.clipped_mean(0.0) > 5.0 * sd {
            break;
        }
        model.joints.truncate(i);
        dark = Some(from);
    }
    dark
}

/// Whether there is nothing but one decay behind `joint`, down to far below the fibre before it.
fn only_decay(known: &Known, model: &Model, joint: &Joint, to: f64, dark: f64) -> bool {
    let (samples, noise) = (known.samples, known.noise);
    let window = (samples.pulse as usize).max(2);
    let before = samples.index(joint.x - model.receiver.lead() - 1.0);
    let level = samples.mean(before.saturating_sub(window), before.max(1));
    let receiver = &model.receiver;
    let clear = joint.x + receiver.settled().max(2.0 * receiver.pulse);
    let open = joint.height.is_some_and(|h| h > known.open_end * level);
    let within = if open { OPEN_FADES_WITHIN } else { FADES_WITHIN };
    if to - joint.x < within * receiver.pulse && fades(known, clear, to) {
        let (a, b) = (samples.index(to - 0.25 * (to - clear)), samples.index(to));
        if open || samples.mean(a, b.max(a + 1)) < 0.25 * level {
            return true;
        }
    }
    let far = samples.place(samples.len() - 1);
    let reach = if to < dark { to } else { far };
    let Some(decay) = tails::follow(known, receiver, joint, reach) else { return false };
    let last = samples.index(reach);
    // Once more as far: the decay's own end lies under what a window can tell.
    let a = samples.index(decay.until + 0.7 * (decay.until - joint.x)).min(last);
    let b = (a + 4 * window).min(last);
    let nothing = b > a + window && {
        let left = 4.0 * (noise.kappa / (b - a) as f64).sqrt().min(1.0) + 0.4;
        samples.mean(a, b) < (left * noise.sigma).max(1.3 * samples.floor)
    };
    decay.bare && (nothing || (decay.reached && samples.mean(a.min(last - 1), last) < 0.25 * level))
}

/// Pulse lengths within which a decay is asked for as a whole: detectors forget in a few, and what an open
/// end leaves is seen for longer.
const FADES_WITHIN: f64 = 20.0;
const OPEN_FADES_WITHIN: f64 = 60.0;

/// Whether what stands between two places fades as no fibre does: each quarter is lower than the one
/// before, by more than twice what fibre loses, and the later half has lost a quarter of the earlier.
/// Fibre that ends on the way stays level before that; where it is bright it ends high, and a decay is
/// lost in the noise.
fn fades(known: &Known, from: f64, to: f64) -> bool {
    let (samples, noise) = (known.samples, known.noise);
    let (from, to) = (samples.index(from), samples.index(to));
    if to < from + 8 {
        return false;
    }
    let quarter = (to - from) / 4;
    let dark = noise.clipped_mean(0.0);
    let mean =
        |k: usize, n: usize| samples.mean(from + k * quarter, from + (k + n) * quarter) - dark;
    let keeps = (2.0 * known.usual_fall * quarter as f64).exp();
    let falls = (0..3).all(|k| mean(k + 1, 1) * keeps < mean(k, 1));
    let (near, late) = (mean(0, 2), mean(2, 2));
    let pulse = samples.pulse as usize;
    let (a, b) = (to.saturating_sub((to - from) / 8 + pulse), to.saturating_sub(pulse));
    let rest = samples.mean(a.min(to - 2), b.clamp(a.min(to - 2) + 1, to)) - dark;
    let lost = rest < LOST_SIGMAS * noise.sigma;
    lost && falls && late * keeps * keeps + 2.0 * noise.of_mean(2.0 * quarter as f64) < 0.75 * near
}

/// Noise, per sample, under which a decay is about to be lost: twice what `Noise::dark_from` calls light.
const LOST_SIGMAS: f64 = 6.0;

/// Place at which the mean over half a pulse falls under half the level before and stays there.
fn fall_for_good(samples: &Samples, noise: &Noise, clear: f64, dark: f64) -> f64 {
    let pulse = samples.pulse;
    let short = ((0.5 * pulse) as usize).max(2);
    let from = samples.index((dark - 40.0 * pulse).max(clear));
    let to = samples.index(dark);
    let mut k = to;
    while k > from + short {
        let back = ((3.0 * pulse) as usize).max(6).min(k - from);
        let level = samples.mean(k - back, k);
        let ahead =
            samples.mean(k.min(samples.len() - 1), (k + short).min(samples.len()).max(k + 1));
        if ahead < 0.6 * level && level > 3.0 * noise.sigma * (noise.kappa / back as f64).sqrt() {
            let clear = level > 20.0 * noise.sigma * (noise.kappa / short as f64).sqrt();
            return if clear { last_drop(samples, k) } else { samples.place(k) - 0.3 * pulse };
        }
        k -= (short / 2).max(1);
    }
    samples.place(to) - pulse
}

/// The place within four pulses before sample `k` behind which, over one pulse, most light is lost.
fn last_drop(samples: &Samples, k: usize) -> f64 {
    let pulse = samples.pulse.round().max(1.0) as usize;
    let half = (pulse / 2).max(1);
    let drop = |j: usize| {
        samples.mean(j - half, j) - samples.mean(j + pulse, (j + pulse + half).min(samples.len()))
    };
    let from = k.saturating_sub(4 * pulse).max(half);
    let to = (k + half).min(samples.len().saturating_sub(pulse + 1));
    let best = (from..to).max_by(|a, b| drop(*a).total_cmp(&drop(*b)));
    samples.place(best.unwrap_or(k)) - 0.5
}

/// The end's place by likelihood: as far as the samples are better explained by the line before it
/// than by nothing. Looked at within ten pulses, and further where light is weaker than noise.
pub(super) fn settled(fit: &Fit, samples: &Samples, noise: &Noise) -> Option<f64> {
    let model = &fit.model;
    let last = model.joints.len() - 1;
    let end = &model.joints[last];
    let line = model.before(last).filter(|_| model.ends_dark() && last > 0)?;
    let power = line.power(end.x);
    let size = size::of(fit, last);
    let reflects = size.height > 0.2 * power || size.height > REFLECTS * size.height_sigma;
    if end.height.is_some() && reflects || end.clipped {
        return None; // its own edges place it better
    }
    let pulse = model.receiver.pulse;
    let weak = noise.kappa * (noise.sigma / power).powi(2);
    let span = (10.0 * pulse).max(60.0 * weak);
    let from = samples.index((end.x - span).max(model.joints[last - 1].x + 2.0 * pulse));
    let to = samples.index(end.x + span + pulse);
    let (mut sum, mut best, mut at) = (0.0, 0.0, None);
    let dark = noise.clipped_mean(0.0);
    for k in from..to {
        let l = line.power(samples.place(k));
        let var = scan::noise_var(samples, noise, l, 1.0);
        let lit = noise.clipped_mean(l);
        sum += (samples.power[k] - 0.5 * (lit + dark)) * (lit - dark) / var;
        if sum > best {
            best = sum;
            at = Some(k);
        }
    }
    // Half of the light is gone half a pulse behind the end.
    let x = samples.place(at?) + 0.5 - 0.5 * pulse;
    ((x - end.x).abs() > 0.2 * pulse).then_some(x)
}

/// The model up to the last reflection behind its end that no echo explains: there is light where it
/// comes from. `None` where there is none, where the end is a reflection itself, or where the trace
/// does not tell how much fibre scatters.
pub(super) fn further(
    fit: &Fit,
    known: &Known,
    rises: &[Rise],
    scatter: Option<f64>,
) -> Option<Model> {
    let model = &fit.model;
    let pulse = model.receiver.pulse;
    let end = model.joints.last().filter(|end| model.ends_dark() && end.height.is_none())?;
    let line = *model.before(model.joints.len() - 1)?;
    // One sample alone may be wrong where the pulse is hardly longer.
    let least = if pulse < 4.0 { 100.0 } else { 10.0 } * known.noise.sigma;
    let behind = |rise: &&Rise| rise.x > end.x + pulse && rise.top - rise.before > least;
    let lone: Vec<&Rise> = rises.iter().filter(behind).collect();
    if lone.is_empty() {
        return None;
    }
    let echoes = echo::expected(fit, Some(scatter?), 0.0);
    let mut next = model.clone();
    next.joints.pop();
    for rise in lone {
        let height = rise.top - rise.before;
        let old = echoes.iter().any(|e| e.explains(rise.x, height, pulse));
        if !old && !is_between(&next.joints, model.joints.len() - 1, rise.x, pulse) {
            next.joints.push(Joint::new(rise.x, Some(height), Behind::Fibre(line)));
        }
    }
    if next.joints.len() < model.joints.len() {
        return None;
    }
    if let Some(last) = next.joints.last_mut() {
        last.clipped = last.height.is_some_and(|h| h > known.ceiling);
        last.behind = Behind::Dark;
    }
    Some(next)
}

/// Whether `x` lies as far behind one of the joints from `new` on as two others that reflect lie apart:
/// its light may have gone to and fro between these.
fn is_between(joints: &[Joint], new: usize, x: f64, pulse: f64) -> bool {
    let slack = 2.0 * echo::SEEN_PULSES * pulse + 2.0;
    let mirrors: Vec<f64> = joints.iter().filter(|j| j.height.is_some()).map(|j| j.x).collect();
    joints[new..].iter().any(|joint| {
        let apart = |i: &f64, e: &f64| (joint.x + i - e - x).abs() < slack;
        mirrors.iter().any(|i| mirrors.iter().any(|e| i > e && apart(i, e)))
    })
}

/// The model without a last section that is no fibre: what stands there is lost in the noise, or
/// fades as no fibre does – what a detector's slow tail leaves of the light before the end. `None`
/// where the last section is fibre.
pub(super) fn without_false_one(fit: &Fit, known: &Known) -> Option<Model> {
    let (samples, noise) = (known.samples, known.noise);
    let model = &fit.model;
    let last = model.joints.len().checked_sub(1).filter(|i| *i > 1 && model.ends_dark())?;
    let joint = &model.joints[last - 1];
    let Behind::Fibre(line) = &joint.behind else { return None };
    let before = model.before(last - 1)?;
    let drop = is_end_sized(before, line, joint.x);
    // Behind a reflection that stands alone in the noise nothing tells of fibre but what is seen.
    let bare = model.joints[last].height.is_none()
        && joint.height.is_some_and(|h| h > 10.0 * noise.sigma.max(before.power(joint.x)));
    if !drop && !bare {
        return None;
    }
    let receiver = &model.receiver;
    let from = joint.x + receiver.pulse + 10.0 * receiver.pole + 1.0;
    let to = model.joints[last].x;
    let (a, b) = (samples.index(from), samples.index(to));
    if b < a + 4 {
        return None;
    }
    let sd = noise.of_mean((b - a) as f64).hypot(samples.unsure(a, b).sqrt());
    // What the line shows itself: the rest may be the slow tails' light.
    let shown = line.power(0.5 * (from + to)).min(samples.mean(a, b) - noise.clipped_mean(0.0));
    let seen = shown > 4.0 * sd;
    if seen && !(drop && fades(known, from, to)) {
        return None;
    }
    Some(ending_at(model, last - 1, samples))
}

/// The model without its last section, which is short and lies behind a drop or a reflection of an end's
/// size: it may be what the detector forgets late, down to the noise or to the last sample. `None`
/// where there is no such section.
pub(super) fn without_short_one(fit: &Fit, known: &Known) -> Option<Model> {
    let (model, samples) = (&fit.model, known.samples);
    let behind = usize::from(model.ends_dark());
    let i = model.joints.len().checked_sub(1 + behind).filter(|i| *i > 0)?;
    let joint = &model.joints[i];
    let Behind::Fibre(line) = &joint.behind else { return None };
    let to = if behind > 0 { model.joints[i + 1].x } else { samples.place(samples.len() - 1) };
    let before = model.before(i)?;
    let open = joint.height.is_some_and(|h| h > known.open_end * before.power(joint.x));
    let short = to - joint.x < OPEN_FADES_WITHIN * samples.pulse;
    (short && (open || is_end_sized(before, line, joint.x))).then(|| ending_at(model, i, samples))
}

fn ending_at(model: &Model, i: usize, samples: &Samples) -> Model {
    let mut next = model.clone();
    next.joints.truncate(i + 1);
    let end = &mut next.joints[i];
    end.behind = Behind::Dark;
    if end.height.is_none() {
        // Its decay, taken for fibre, has drawn it off.
        end.x = last_drop(samples, samples.index(end.x + 3.0 * samples.pulse));
    }
    next
}

/// Whether the drop between two lines at `x` is one of an end, a splitter or nothing else.
fn is_end_sized(before: &Line, behind: &Line, x: f64) -> bool {
    DB_PER_NEPER * (before.log(x) - behind.log(x)) >= END_DB
}

/// Least such drop, in dB.
const END_DB: f64 = 4.0;
