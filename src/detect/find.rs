//! From a first model to the one that the noise supports: scan, add, fit, prune.

use super::fit::{self, Fit, Given, SlopePrior};
use super::model::{Behind, Joint, Model};
use super::noise::Noise;
use super::samples::Samples;
use super::scan::{self, View};
use super::start::{self, Rise};
use crate::trace::Trace;
use crate::units::DB_PER_NEPER;

/// False alarms promised per trace, docs/accuracy.md; thresholds follow from it and the noise.
const FALSE_ALARMS_PER_TRACE: f64 = 0.01;

/// Loss and reflection of a joint with their sigmas, as the fit's covariance gives them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Size {
    pub loss_db: f64,
    pub loss_sigma_db: f64,
    pub height: f64,
    pub height_sigma: f64,
}

/// Everything later steps need.
pub(super) struct Found {
    pub fit: Fit,
    pub threshold: f64,
    pub ceiling: f64,
    pub slopes: SlopePrior,
}

/// Finds all joints of a trace. `None` where no fit can be made.
pub(super) fn joints(trace: &Trace, samples: &Samples, noise: &Noise) -> Option<Found> {
    let usual = start::usual_attenuation_db_per_km(trace.settings.wavelength_nm);
    let usual_fall = usual / 1000.0 * samples.spacing_m / DB_PER_NEPER;
    let rises: Vec<Rise> = start::rises(samples, noise);
    let ceiling = start::ceiling(samples, noise, &rises);
    let mut model = start::model(samples, noise, &rises, ceiling, usual_fall);
    mark_tails(&mut model, samples);
    let threshold = threshold(samples, noise);
    let mut given = Given {
        samples,
        noise,
        slopes: SlopePrior { mean: usual_fall, sd: 0.6 * usual_fall },
        ceiling,
        free_pole: Some(model.receiver.pole),
        free_tail: true,
        misfit: 0.03,
    };
    let mut fit = fit::run(model, &given)?;
    for round in 0..5 {
        let mut next = fit.model.clone();
        drop_empty_tails(&fit, &mut next);
        if round > 0 {
            given.slopes = own_slopes(&fit, usual_fall, 0.25, 1.0);
        }
        let view = View::of_residual(&fit, samples, noise);
        let added = add(&mut next, &view, samples, noise, threshold - 0.8);
        let Some(better) = fit::run(next, &given) else { break };
        fit = better;
        fit = drop_weakest(fit, &given, threshold - 1.2, usize::MAX);
        if added == 0 {
            break;
        }
    }
    fit = drop_weakest(fit, &given, threshold, 1);
    given.slopes = own_slopes(&fit, usual_fall, 0.04, 3.0);
    given.free_pole = Some(fit.model.receiver.pole);
    if let Some(last) = fit::run(fit.model.clone(), &given) {
        fit = last;
    }
    Some(Found { fit, threshold, ceiling, slopes: given.slopes })
}

/// The score above which one false event in `1/FALSE_ALARMS_PER_TRACE` traces is expected.
///
/// Source: Pickands 1969 with Siegmund's correction for discrete steps, docs/theory.md:
/// `E = Σ_scales 2·N·c·τ·φ(τ)·exp(-0.583·τ·√(2cδ))`, `c = 2.5/n`.
fn threshold(samples: &Samples, noise: &Noise) -> f64 {
    let lit = noise.dark_from as f64;
    let delta = noise.kappa.max(samples.pulse / 4.0).max(1.0);
    let expected = |t: f64| {
        let mut sum = 0.0;
        let mut n = 3.0 * samples.pulse;
        while 2.0 * n < lit {
            let c = 2.5 / n;
            let density = (-0.5 * t * t).exp() / 2.506_628;
            sum += 2.0
                * (lit - 2.0 * n)
                * c
                * t
                * density
                * (-0.583 * t * (2.0 * c * delta).sqrt()).exp();
            n *= 2.0;
        }
        sum
    };
    let (mut low, mut high) = (3.5, 6.5);
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if expected(middle) > FALSE_ALARMS_PER_TRACE { low = middle } else { high = middle }
    }
    high
}

/// Gives strong reflections a slow tail each.
fn mark_tails(model: &mut Model, samples: &Samples) {
    for i in 0..model.joints.len() {
        let end = model.joints.get(i + 1).map_or(f64::INFINITY, |next| next.x);
        let behind = model.behind(i).map_or(0.0, |line| line.power(model.joints[i].x));
        let joint = &mut model.joints[i];
        let height = joint.height.unwrap_or(0.0);
        let room = end - joint.x > 3.0 * samples.pulse;
        if (joint.clipped || height > 20.0 * behind) && room {
            joint.tail = Some(0.003 * height);
        }
    }
}

/// Takes tails away that the samples do not show.
fn drop_empty_tails(fit: &Fit, model: &mut Model) {
    for (i, joint) in model.joints.iter_mut().enumerate() {
        if let (Some(tail), Some(unknown)) = (joint.tail, fit.layout.tail[i]) {
            if tail < 3.0 * sigma_of(fit, unknown) {
                joint.tail = None;
            }
        }
    }
}

fn sigma_of(fit: &Fit, unknown: usize) -> f64 {
    let mut g = vec![0.0; fit.layout.len];
    g[unknown] = 1.0;
    fit.factor.variance(&g).sqrt()
}

/// Slopes of the trace's own sections: their mean, and `spreads` times their spread but at least
/// `least` of the mean.
pub(super) fn own_slopes(fit: &Fit, usual_fall: f64, least: f64, spreads: f64) -> SlopePrior {
    let mut known: Vec<(f64, f64)> = Vec::new();
    for (i, joint) in fit.model.joints.iter().enumerate() {
        if let (Behind::Fibre(line), Some(unknown)) = (&joint.behind, fit.layout.line[i]) {
            known.push((line.fall, sigma_of(fit, unknown + 1).max(1e-3 * usual_fall)));
        }
    }
    let weight = |s: f64| 1.0 / (s * s + (0.02 * usual_fall).powi(2));
    let total: f64 = known.iter().map(|k| weight(k.1)).sum();
    if known.is_empty() || total <= 0.0 {
        return SlopePrior { mean: usual_fall, sd: 0.6 * usual_fall };
    }
    let mean = known.iter().map(|k| k.0 * weight(k.1)).sum::<f64>() / total;
    // Spread beyond what each slope's own sigma explains.
    let sum: f64 = known.iter().map(|k| ((k.0 - mean).powi(2) - k.1 * k.1) * weight(k.1)).sum();
    let spread = (sum / total).max(0.0).sqrt();
    let mean = mean.clamp(0.4 * usual_fall, 2.5 * usual_fall);
    SlopePrior { mean, sd: (spreads * spread).max(least * mean) }
}

/// Adds what the scan shows in each section. Returns how many.
fn add(model: &mut Model, view: &View, samples: &Samples, noise: &Noise, loose: f64) -> usize {
    let pulse = samples.pulse;
    let receiver = model.receiver;
    let mut new = Vec::new();
    for i in 0..model.joints.len() {
        let Some(line) = model.behind(i).copied() else { continue };
        let from = model.joints[i].x;
        let to = model
            .joints
            .get(i + 1)
            .map_or(samples.place(noise.dark_from.min(samples.len() - 1)), |next| next.x);
        let inside = (from + receiver.pulse, to - receiver.lead());
        let mut places = scan::candidates(view, model, inside.0, inside.1, loose);
        places.truncate(12);
        places.sort_by(|a, b| a.x.total_cmp(&b.x));
        let mut last_x = from;
        for (n, candidate) in places.iter().enumerate() {
            // Between its neighbours: lines through them would be bent.
            let left = if n == 0 { inside.0 } else { places[n - 1].x + pulse };
            let right = places.get(n + 1).map_or(inside.1, |next| next.x - receiver.lead());
            let refined = scan::refine(view, model, candidate.x, left, right);
            let x = match refined {
                Some((x, _)) if !candidate.is_peak => x,
                _ => candidate.x,
            };
            if x < last_x + 0.5 * pulse || x > to - 0.5 * pulse {
                continue;
            }
            last_x = x + pulse;
            let step = if candidate.is_peak { 0.0 } else { candidate.size_db };
            let power = line.power(x);
            let mut behind = line;
            behind.level -= step / DB_PER_NEPER;
            let height = candidate.is_peak.then(|| power * candidate.size_db / DB_PER_NEPER);
            new.push(Joint {
                x,
                height,
                tail: None,
                clipped: false,
                behind: Behind::Fibre(behind),
            });
        }
    }
    let count = new.len();
    model.joints.extend(new);
    model.sort();
    count
}

/// Loss and height of joint `i`, read where both lines show the same fibre: half a pulse behind it.
pub(super) fn size(fit: &Fit, i: usize) -> Size {
    let model = &fit.model;
    let joint = &model.joints[i];
    let (height, height_sigma) = match (joint.height, fit.layout.height[i]) {
        (Some(height), Some(unknown)) => (height, sigma_of(fit, unknown)),
        _ => (0.0, 0.0),
    };
    let mut size = Size { loss_db: 0.0, loss_sigma_db: 0.0, height, height_sigma };
    if let (Some(before), Behind::Fibre(behind)) = (model.before(i), &joint.behind) {
        let at = joint.x + 0.5 * model.receiver.pulse;
        let g = loss_gradient(fit, i);
        size.loss_db = DB_PER_NEPER * (before.log(at) - behind.log(at));
        size.loss_sigma_db = fit.factor.variance(&g).sqrt();
    }
    size
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

/// Drops the joint that stands out least, refits, and so on until all stand out by `limit`;
/// `at_once` of them per fit.
fn drop_weakest(mut fit: Fit, given: &Given, limit: f64, at_once: usize) -> Fit {
    for _ in 0..40 {
        let model = &fit.model;
        let mut weak: Vec<(f64, usize, bool)> = Vec::new();
        for i in 1..model.joints.len() {
            let joint = &model.joints[i];
            if matches!(joint.behind, Behind::Dark) {
                continue;
            }
            let size = size(&fit, i);
            let step = if size.loss_sigma_db > 0.0 {
                size.loss_db.abs() / size.loss_sigma_db
            } else {
                0.0
            };
            let peak = if size.height_sigma > 0.0 { size.height / size.height_sigma } else { 0.0 };
            if joint.height.is_some() && peak < limit && step >= limit {
                weak.push((peak, i, true)); // only its reflection is nothing
            } else if step.max(peak) < limit {
                weak.push((step.max(peak), i, false));
            }
        }
        if weak.is_empty() {
            return fit;
        }
        weak.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Neighbours share their loss: of two weak ones next to each other the better may stay.
        let mut chosen: Vec<(f64, usize, bool)> = Vec::new();
        for w in weak {
            if chosen.len() < at_once && chosen.iter().all(|c| c.1.abs_diff(w.1) > 1) {
                chosen.push(w);
            }
        }
        let mut weak = chosen;
        let mut next = model.clone();
        weak.sort_by_key(|w| std::cmp::Reverse(w.1));
        for (_, i, only_peak) in weak {
            if only_peak {
                next.joints[i].height = None;
                next.joints[i].tail = None;
            } else {
                next.joints.remove(i);
            }
        }
        match fit::run(next, given) {
            Some(next) => fit = next,
            None => return fit,
        }
    }
    fit
}
