//! From a first model to the one that the noise supports: scan, add, fit, prune.

use super::companion;
use super::echo::{self, Lone};
use super::end_height;
use super::ends;
use super::first;
use super::fit::{self, Fit, Given, LAST_GAIN, Memory, SlopePrior, USUAL_SPREAD};
use super::model::{Behind, Joint, MOST_JOINTS, Model};
use super::noise::Noise;
use super::place;
use super::polish;
use super::receiver::Receiver;
use super::samples::Samples;
use super::scan::{self, View};
use super::size;
use super::start::{First, Known};
use crate::units::DB_PER_NEPER;

/// False alarms promised per trace, docs/accuracy.md; thresholds follow from it and the noise.
const FALSE_ALARMS_PER_TRACE: f64 = 0.01;

/// How many sigmas the reflection of a step stands out that is there for other reasons: by chance, and
/// over the places tried, of ten thousand splices five look like a connector.
pub(super) const REFLECTS: f64 = 4.0;

/// What stands out by more than this is kept in the fit, though it is reported only above the
/// threshold: an event left out bends the lines of its neighbours by several of their sigmas. It is
/// the threshold at the promised rate for the ten pulses on both sides of one joint.
pub(super) const FAINT: f64 = 3.4;

/// An echo on the fibre lower than this takes nobody in: it is fitted, and not listed.
const UNSEEN_ECHO_DB: f64 = 0.05;

/// A step that may as well stand anywhere in five pulses, 95 % of the time, is no event of a place: a
/// slope that changes looks like that. It is fitted, and not listed where it is less than any limit asks
/// for (common practice, no source) and stands out by less than twice the threshold. In pulse lengths,
/// one sigma.
const NOWHERE: f64 = 2.5 / 1.96;
const UNSEEN_STEP_DB: f64 = 0.05;

/// χ² per cell up to which sigmas are what the noise says. Where a model leaves more, something in the trace
/// is not in it, and every variance grows by that. Source: Birge 1932, The calculation of errors by the
/// method of least squares.
pub(super) const WELL_FITTED: f64 = 2.0;

/// χ² per cell of a first model of very many joints from which the samples are no trace of fibre: a hundred times
/// as far off as noise.
const NO_TRACE: f64 = 1e4;

/// A last section is no fibre where a decay in its place leaves so much less of χ².
const NO_FIBRE: f64 = 0.9;

/// χ² by which a short last section must explain more than a decay to be fibre: it has three unknowns more, and
/// hardly anybody leaves so short an end behind such a loss.
const NO_LESS: f64 = 15.0;

/// Everything later steps need.
pub(super) struct Found {
    pub fit: Fit,
    /// Echoes in the dark.
    pub lone: Vec<Lone>,
    /// Power at which the receiver cuts off; infinite where it was never seen to.
    pub ceiling: f64,
    pub slopes: SlopePrior,
    pub memory: Memory,
}

/// Finds all joints of a trace. `None` where no fit can be made.
pub(super) fn joints(
    first: First,
    receiver: Option<Receiver>,
    samples: &Samples,
    noise: &Noise,
) -> Option<Found> {
    let known = first.known(samples, noise);
    let First { rises, mut model, usual_fall, ceiling, scatter, .. } = first;
    first::suspect_tails(&mut model, noise);
    let threshold = threshold(samples, noise);
    let free_pole = Some(model.receiver.pole);
    let mut given = Given { ceiling, free_pole, ..Given::usual(samples, noise, usual_fall) };
    let fit = begin(model, receiver, &mut given, &known, threshold)?;
    let mut fit = search(fit, &mut given, usual_fall, threshold);
    // Samples with more than a hundred joints are no fibre's, and not searched twice.
    let fibre = fit.model.joints.len() < MOST_JOINTS / 2;
    if let Some(next) = first::with_panel_tail(&fit.model).filter(|_| fibre) {
        // What stands out less than the threshold beside a tail is no event.
        let as_well = |other: &Fit| {
            other.chi2 + first::odd_panel(&other.model) < fit.chi2 + threshold * threshold
        };
        if let Some(other) = fit::run(next, &given).filter(as_well) {
            fit = search(other, &mut given, usual_fall, threshold);
        }
    }
    fit = polish::without_rises(fit, &given);
    fit = polish::without_cliffs(fit, &given);
    if let Some(mut next) = ends::without_short_one(&fit, &known) {
        // With all events known a decay need only explain as much.
        first::suspect_tails(&mut next, noise);
        let as_well = |other: &Fit| other.chi2 < fit.chi2 + NO_LESS;
        fit = fit::run(next, &given).filter(as_well).unwrap_or(fit);
    }
    if let Some(next) = ends::further(&fit, &known, &rises, scatter) {
        fit = fit::again(next, &fit, &given).unwrap_or(fit);
    }
    fit = settle(fit, &given, &known);
    fit = polish::with_heights(fit, &given, REFLECTS);
    fit = drop_weakest(fit, &given, FAINT, 1);
    fit = settle(fit, &given, &known);
    let mut next = fit.model.clone();
    if echo::mark(&fit, &mut next, scatter) {
        if let Some(better) = fit::again(next, &fit, &given) {
            fit = drop_weakest(better, &given, FAINT, 1);
        }
    }
    given.enough = LAST_GAIN;
    given.slopes = own_slopes(&fit, usual_fall, 0.04, 3.0);
    given.free_pole = Some(fit.model.receiver.pole);
    place_weak_steps(&mut fit, &given);
    if let Some(last) = fit::again(fit.model.clone(), &fit, &given) {
        fit = last;
    }
    mark_faint(&mut fit, threshold);
    let unexplained = fit.chi2_per_cell();
    if unexplained > WELL_FITTED {
        fit.factor.loosen(unexplained);
    }
    let lone = echo::behind_end(&fit, samples, noise, scatter);
    Some(Found { fit, lone, ceiling, slopes: given.slopes, memory: given.memory })
}

/// The first model fitted, with what must be right before events are looked for: the receiver, the end, and
/// whether light comes late or the receiver droops.
fn begin(
    model: Model,
    receiver: Option<Receiver>,
    given: &mut Given,
    known: &Known,
    threshold: f64,
) -> Option<Fit> {
    let mut fit = first::fit(model, receiver, given)?;
    if fit.model.joints.len() > MOST_JOINTS / 2 && fit.chi2_per_cell() > NO_TRACE {
        return None;
    }
    if fit.model.receiver.tail < fit.model.receiver.pulse {
        // So short a decay is what the poles leave of edges: the detector's own is looked for from the usual one.
        let other = fit::run(first::with_usual_tails(&fit.model, given.noise), given);
        fit = other.filter(|other| other.chi2 < fit.chi2).unwrap_or(fit);
    }
    given.free_pole = Some(fit.model.receiver.pole);
    if fit.chi2_per_cell() > WELL_FITTED {
        // An end that hardly reflects, taken for a step, would be explained by many events that are none.
        fit = end_height::with_end(fit, given, REFLECTS);
        given.free_pole = Some(fit.model.receiver.pole);
    }
    fit = polish::without_rises(fit, given);
    if let Some(next) = ends::without_short_one(&fit, known) {
        let better = |other: &Fit| other.chi2_per_cell() < NO_FIBRE * fit.chi2_per_cell();
        fit = first::fit(next, receiver, given).filter(better).unwrap_or(fit);
    }
    if let Some(better) = first::drooping(&fit, given) {
        fit = better; // `set_tails` sees from it that the receiver droops
    }
    fit = polish::without_cliffs(fit, given);
    fit = companion::with_companions(fit, given, threshold);
    Some(fit)
}

/// Looks for events in what the fit leaves, and fits them, until nothing more is found.
fn search(mut fit: Fit, given: &mut Given, usual_fall: f64, threshold: f64) -> Fit {
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

/// Marks what stands out too little to be reported.
fn mark_faint(fit: &mut Fit, threshold: f64) {
    for i in 1..fit.model.joints.len() {
        let joint = &fit.model.joints[i];
        if joint.clipped || matches!(joint.behind, Behind::Dark) {
            continue;
        }
        let size = size::of(fit, i);
        let line = fit.model.before(i).map_or(0.0, |line| line.power(joint.x));
        let unseen = joint.echo && size.height * DB_PER_NEPER < UNSEEN_ECHO_DB * line;
        let nowhere = joint.height.is_none()
            && joint.spread.is_some_and(|sd| sd > NOWHERE * fit.model.receiver.pulse)
            && size.loss_db.abs() < UNSEEN_STEP_DB
            && size.score() < 2.0 * threshold;
        fit.model.joints[i].faint = size.score() < threshold || unseen || nowhere;
    }
}

/// Merges what is one and moves the end to where the light stops.
fn settle(mut fit: Fit, given: &Given, known: &Known) -> Fit {
    for _ in 0..4 {
        if let Some(next) = ends::without_false_one(&fit, known) {
            match fit::again(next, &fit, given) {
                Some(better) => fit = better,
                None => break,
            }
            continue;
        }
        let merged = polish::merged(&fit.model, true);
        let end = ends::settled(&fit, given.samples, given.noise);
        if merged.is_none() && end.is_none() {
            break;
        }
        let mut next = merged.unwrap_or_else(|| fit.model.clone());
        if let (Some(x), Some(last)) = (end, next.joints.last_mut()) {
            last.x = x;
        }
        match fit::again(next, &fit, given) {
            Some(better) => fit = better,
            None => break,
        }
    }
    fit
}

/// Moves steps whose place is uncertain to their likelihood's highest peak.
fn place_weak_steps(fit: &mut Fit, given: &Given) {
    for i in 1..fit.model.joints.len() {
        let joint = &fit.model.joints[i];
        if joint.height.is_some() || matches!(joint.behind, Behind::Dark) {
            continue;
        }
        if fit.place_sigma(i) > 0.15 * given.samples.pulse {
            if let Some((x, spread)) = place::profile(fit, given, i) {
                fit.model.joints[i].x = x;
                fit.model.joints[i].spread = Some(spread);
            }
        }
    }
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
fn drop_weakest(mut fit: Fit, given: &Given, limit: f64, at_once: usize) -> Fit {
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
            } else if step.max(peak) < limit && !joint.clipped {
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
