//! Looks for events in what a fit leaves, and drops what does not stand out.

use super::companion;
use super::first;
use super::fit::{self, Fit, Given, SlopePrior, USUAL_SPREAD};
use super::model::{Behind, Joint, MOST_JOINTS, Model};
use super::polish;
use super::scan::{self, View};
use super::size;
use crate::units::DB_PER_NEPER;

/// Looks for events in what the fit leaves, and fits them, until nothing more is found.
pub(super) fn run(mut fit: Fit, given: &mut Given, usual_fall: f64, threshold: f64) -> Fit {
    let mut rejected: Vec<(f64, f64)> = Vec::new();
    let mut scanned: Vec<f64> = Vec::new(); // joints between which the last scan looked
    for round in 0..5 {
        let mut next = fit.model.clone();
        if round < 3 {
            given.memory = first::set_tails(&fit, &mut next, given.noise);
        }
        if round > 0 {
            given.slopes = own_slopes(&fit, usual_fall, 0.25, 1.0);
        }
        let added = add(&mut next, &fit, given, threshold - 1.3, &rejected, &scanned);
        if added.is_empty() && round > 0 {
            break;
        }
        scanned = fit.model.joints.iter().map(|joint| joint.x).collect();
        let again =
            |next: Model| fit::again(polish::merged(&next, false).unwrap_or(next), &fit, given);
        // Tails that ran away from what detectors do keep a fit from its way.
        let fresh = || again(first::with_usual_tails(&next, given.noise));
        let Some(better) = again(next.clone()).or_else(fresh) else { break };
        fit = better;
        fit = drop_weakest(fit, given, threshold - 1.6, usize::MAX);
        fit = companion::with_companions(fit, given, threshold);
        let near = |x: f64, joint: &Joint| (joint.x - x).abs() < given.samples.pulse;
        let kept = |new: &(f64, f64)| fit.model.joints.iter().any(|joint| near(new.0, joint));
        let (stayed, gone): (Vec<_>, Vec<_>) = added.into_iter().partition(kept);
        rejected.extend(gone);
        if stayed.is_empty() {
            break;
        }
    }
    fit
}

/// The fit with what else is found now that the fibre is known to be `times` calmer than it was fitted with; as it was
/// where that explains less, for small misfits count more as well.
pub(super) fn again(
    fit: Fit,
    times: f64,
    given: &mut Given,
    usual_fall: f64,
    threshold: f64,
) -> Fit {
    let memory = given.memory;
    // No cell's variance falls by more: a fit that leaves more is astray.
    let most = 1.1 * times * times * fit.chi2;
    let Some(rested) = at_rest(fit.model.clone(), given).filter(|rested| rested.chi2 < most) else {
        return fit;
    };
    let (chi2, model) = (rested.chi2, rested.model.clone());
    let found = run(rested, given, usual_fall, threshold);
    if found.chi2 < chi2 {
        return found;
    }
    given.memory = memory;
    fit::run(model, given).unwrap_or(found)
}

/// `model` fitted again and again while that takes a good part of what was left: one fit alone stops on a long way.
fn at_rest(model: Model, given: &Given) -> Option<Fit> {
    let mut fit = fit::run(model, given)?;
    for _ in 0..MOST_FITS {
        let Some(next) = fit::run(fit.model.clone(), given) else { break };
        let rests = next.chi2 > 0.9 * fit.chi2;
        fit = next;
        if rests {
            break;
        }
    }
    Some(fit)
}

/// No more fits one after another: each may move a place by two pulses.
const MOST_FITS: usize = 8;

/// A shorter section, in pulse lengths, says nothing of the others' slopes: what falls there may be a step that is not
/// found yet.
const TELLING_PULSES: f64 = 10.0;

/// Slopes of the trace's own sections: their mean, and `spreads` times their spread but at least `least` of the mean,
/// with what the mean is unsure by. What a section repeats of what the fit was told of slopes it does not know.
pub(super) fn own_slopes(fit: &Fit, usual_fall: f64, least: f64, spreads: f64) -> SlopePrior {
    let before = fit.slopes;
    let told = 1.0 / (before.sd * before.sd);
    // What each section's own samples say, and the variance of that; fibres of one kind differ by a fiftieth.
    let mut known: Vec<(f64, f64)> = Vec::new();
    for (i, joint) in fit.model.joints.iter().enumerate() {
        let next = fit.model.joints.get(i + 1).map_or(f64::INFINITY, |next| next.x);
        if next - joint.x < TELLING_PULSES * fit.model.receiver.pulse {
            continue;
        }
        if let (Behind::Fibre(line), Some(unknown)) = (&joint.behind, fit.layout.line[i]) {
            let all = 1.0 / fit.sigma(unknown + 1).max(1e-3 * usual_fall).powi(2);
            let own = all - told;
            if own > 0.02 * all {
                known.push(((line.fall * all - before.mean * told) / own, 1.0 / own));
            }
        }
    }
    let weight = |var: f64| 1.0 / (var + (0.02 * usual_fall).powi(2));
    let usual = 1.0 / (USUAL_SPREAD * usual_fall).powi(2);
    let total: f64 = known.iter().map(|k| weight(k.1)).sum();
    let sum: f64 = known.iter().map(|k| k.0 * weight(k.1)).sum();
    let mean = (sum + usual_fall * usual) / (total + usual);
    // Spread beyond what each slope's own variance explains.
    let sum: f64 = known.iter().map(|k| ((k.0 - mean).powi(2) - k.1) * weight(k.1)).sum();
    let spread = (sum / total.max(usual)).max(0.0).sqrt();
    let mean = mean.clamp(0.4 * usual_fall, 2.5 * usual_fall);
    // To each section the others tell the mean, not itself: where one knows all, hardly any.
    let squares: f64 = known.iter().map(|k| weight(k.1).powi(2)).sum();
    let others = total - squares / total.max(usual);
    let unsure = 1.0 / (usual + others.max(0.0)).sqrt();
    SlopePrior { mean, sd: (spreads * spread).max(least * mean).hypot(unsure) }
}

/// Adds what the scan shows in each section, but for places that were tried in vain and sections
/// that the last scan saw between the same joints. Returns where, and how much each stood out.
fn add(
    model: &mut Model,
    fit: &Fit,
    given: &Given,
    loose: f64,
    rejected: &[(f64, f64)],
    scanned: &[f64],
) -> Vec<(f64, f64)> {
    let (samples, noise) = (given.samples, given.noise);
    let pulse = samples.pulse;
    let receiver = model.receiver;
    let mut new: Vec<(Joint, f64)> = Vec::new();
    for i in 0..model.joints.len() {
        let Some(line) = model.behind(i).copied() else { continue };
        let from = model.joints[i].x;
        let next = model.joints.get(i + 1).map(|next| next.x);
        if scan::seen_between(scanned, from, next, 0.3 * pulse) {
            continue;
        }
        let Some(view) = View::of_residual(fit, samples, noise, given.slopes.sd, i) else {
            continue;
        };
        let to = next.unwrap_or(samples.place(noise.dark_from.min(samples.len() - 1)));
        let inside = (from + receiver.pulse, to - receiver.lead());
        let mut places = scan::candidates(&view, model, inside.0, inside.1, loose);
        places.truncate(12);
        places.sort_by(|a, b| a.x.total_cmp(&b.x));
        let mut last_x = from;
        for (n, candidate) in places.iter().enumerate() {
            // Between its neighbours: lines through them would be bent.
            let left = if n == 0 { inside.0 } else { places[n - 1].x + pulse };
            let right = places.get(n + 1).map_or(inside.1, |next| next.x - receiver.lead());
            let refined = scan::refine(&view, model, candidate.x, left, right);
            let x = match refined {
                Some((x, _)) if !candidate.is_peak => x,
                _ => candidate.x,
            };
            // Tried in vain: once more only if it now stands out much more.
            let known =
                rejected.iter().any(|r| (r.0 - x).abs() < pulse && candidate.score < 1.5 * r.1);
            if known || x < last_x + 0.5 * pulse || x > to - 0.5 * pulse {
                continue;
            }
            last_x = x + pulse;
            let step = if candidate.is_peak { 0.0 } else { candidate.size_db };
            let power = line.power(x);
            let mut behind = line;
            behind.level -= step / DB_PER_NEPER;
            let height = candidate.is_peak.then(|| power * candidate.size_db / DB_PER_NEPER);
            new.push((Joint::new(x, height, Behind::Fibre(behind)), candidate.score));
        }
    }
    let room = MOST_JOINTS.saturating_sub(model.joints.len());
    if new.len() > room {
        new.sort_by(|a, b| b.1.total_cmp(&a.1));
        new.truncate(room);
    }
    model.uncross();
    model.joints.extend(new.iter().map(|(joint, _)| *joint));
    model.sort();
    new.iter().map(|(joint, score)| (joint.x, *score)).collect()
}

/// Drops the joint that stands out least, refits, and so on until all stand out by `limit`;
/// `at_once` of them per fit.
pub(super) fn drop_weakest(mut fit: Fit, given: &Given, limit: f64, at_once: usize) -> Fit {
    for _ in 0..40 {
        let model = &fit.model;
        let mut weak: Vec<(f64, usize, bool)> = Vec::new();
        for i in 1..model.joints.len() {
            let joint = &model.joints[i];
            if matches!(joint.behind, Behind::Dark) {
                continue;
            }
            let size = size::of(&fit, i);
            let (step, peak) = (size.step_score(), size.peak_score());
            let whole = joint.height.is_some() && !joint.clipped;
            if whole && peak < limit && step >= limit {
                weak.push((peak, i, true)); // only its reflection is nothing
            } else if step.max(peak) < limit && !joint.clipped && size::bend_score(&fit, i) < limit
            {
                weak.push((step.max(peak), i, false));
            }
        }
        if weak.is_empty() {
            return fit;
        }
        weak.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Neighbours share their loss: of two weak ones next to each other the better may stay. Where
        // there are very many the trace is no fibre's, and each is not worth a fit of its own.
        let at_once = at_once.max(weak.len() / 8).max(model.joints.len() / 64);
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
                if !model.is_deep(i) {
                    next.joints[i].tail = None; // what a drop leaves is not its reflection's
                }
            } else {
                next.joints.remove(i);
            }
        }
        match fit::again(next, &fit, given) {
            Some(next) => fit = next,
            None => return fit,
        }
    }
    fit
}
