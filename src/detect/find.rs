//! From a first model to the one that the noise supports: scan, add, fit, prune.

use super::companion;
use super::echo::{self, Lone};
use super::end_height;
use super::ends;
use super::first;
use super::fit::{self, Fit, Given, LAST_GAIN, Memory, SlopePrior};
use super::model::{Behind, Joint, MOST_JOINTS, Model};
use super::noise::Noise;
use super::place;
use super::polish;
use super::receiver::Receiver;
use super::rough;
use super::samples::Samples;
use super::search;
use super::sharp::Shown;
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

/// How many times rougher a fibre must have seemed to be searched again: a tenth moves no event by much of its sigma.
const CALMER: f64 = 1.1;

/// Everything later steps need.
pub(super) struct Found {
    pub fit: Fit,
    /// As the fit leaves it.
    pub noise: Noise,
    /// Echoes in the dark.
    pub lone: Vec<Lone>,
    /// Power at which the receiver cuts off; infinite where it was never seen to.
    pub ceiling: f64,
    /// The reflection that may have been cut off, though nothing shows it.
    pub doubtful: Option<usize>,
    pub slopes: SlopePrior,
    pub memory: Memory,
}

/// Finds all joints of a trace. `None` where no fit can be made.
pub(super) fn joints(
    first: First,
    shown: &Shown,
    samples: &Samples,
    noise: &Noise,
) -> Option<Found> {
    let known = first.known(samples, noise);
    let First { rises, mut model, usual_fall, ceiling, scatter, .. } = first;
    first::suspect_tails(&mut model, noise);
    let threshold = threshold(samples, noise);
    let free_pole = Some(model.receiver.pole);
    let mut given = Given { ceiling, free_pole, ..Given::usual(samples, noise, usual_fall) };
    let fit = begin(model, shown.receiver, &mut given, &known, threshold)?;
    let mut fit = search::run(fit, &mut given, usual_fall, threshold);
    // With its events known the fibre is calmer, and more may stand out.
    let noise = rough::reread(&fit, samples, noise);
    let times_calmer = given.noise.speckle / noise.speckle.max(1e-12);
    let mut given = Given { noise: &noise, ..given };
    // Samples with more than a hundred joints are no fibre's, and not searched twice.
    if fit.model.joints.len() < MOST_JOINTS / 2 {
        if times_calmer > CALMER {
            fit = search::again(fit, times_calmer, &mut given, usual_fall, threshold);
        }
        fit = with_panel_tail(fit, &mut given, usual_fall, threshold);
    }
    fit = polish::without_rises(fit, &given);
    fit = polish::without_cliffs(fit, &given);
    if let Some(mut next) = ends::without_short_one(&fit, &known) {
        // With all events known a decay need only explain as much.
        first::suspect_tails(&mut next, &noise);
        let as_well = |other: &Fit| other.chi2 < fit.chi2 + NO_LESS;
        fit = fit::run(next, &given).filter(as_well).unwrap_or(fit);
    }
    if let Some(next) = ends::further(&fit, &known, &rises, scatter) {
        fit = fit::again(next, &fit, &given).unwrap_or(fit);
    }
    fit = settle(fit, &given, &known);
    fit = polish::to_changes_of_slope(fit, &given);
    fit = polish::with_heights(fit, &given, REFLECTS);
    fit = search::drop_weakest(fit, &given, FAINT, 1);
    fit = settle(fit, &given, &known);
    let mut next = fit.model.clone();
    if echo::mark(&fit, &mut next, scatter) {
        if let Some(better) = fit::again(next, &fit, &given) {
            fit = search::drop_weakest(better, &given, FAINT, 1);
        }
    }
    given.enough = LAST_GAIN;
    given.slopes = search::own_slopes(&fit, usual_fall, 0.04, 3.0);
    given.free_pole = Some(fit.model.receiver.pole);
    fit = with_weak_steps_placed(fit, &given);
    mark_faint(&mut fit, threshold);
    let unexplained = fit.chi2_per_cell();
    if unexplained > WELL_FITTED {
        fit.factor.loosen(unexplained);
    }
    let lone = echo::behind_end(&fit, samples, &noise, scatter);
    let doubtful = shown.doubtful.and_then(|x| reflection_at(&fit.model, x));
    let (slopes, memory) = (given.slopes, given.memory);
    Some(Found { fit, noise, lone, ceiling, doubtful, slopes, memory })
}

/// The whole reflection within half a pulse of `x`.
fn reflection_at(model: &Model, x: f64) -> Option<usize> {
    let here = |joint: &Joint| (joint.x - x).abs() < 0.5 * model.receiver.pulse;
    let whole = |joint: &Joint| joint.height.is_some() && !joint.clipped;
    model.joints.iter().position(|joint| here(joint) && whole(joint))
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

/// The fit with a decay of the panel's in place of steps near it, where that explains as much.
fn with_panel_tail(fit: Fit, given: &mut Given, usual_fall: f64, threshold: f64) -> Fit {
    let Some(next) = first::with_panel_tail(&fit.model) else { return fit };
    // What stands out less than the threshold beside a tail is no event.
    let as_well = |other: &Fit| {
        other.chi2 + first::odd_panel(&other.model) < fit.chi2 + threshold * threshold
    };
    match fit::run(next, given).filter(as_well) {
        Some(other) => search::run(other, given, usual_fall, threshold),
        None => fit,
    }
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

/// The last fit, from where steps whose place is uncertain explain most, and these then put to where they are told to be.
fn with_weak_steps_placed(fit: Fit, given: &Given) -> Fit {
    let mut next = fit.model.clone();
    let mut told = Vec::new();
    for i in 1..next.joints.len() {
        let joint = &mut next.joints[i];
        let step = joint.height.is_none() && !matches!(joint.behind, Behind::Dark);
        if step && fit.place_sigma(i) > 0.15 * given.samples.pulse {
            if let Some(place) = place::of_weak(&fit, given, i) {
                (joint.x, joint.spread) = (place.likeliest, Some(place.spread));
                told.extend(place.told.map(|x| (i, x)));
            }
        }
    }
    let Some(mut last) = fit::again(next, &fit, given) else { return fit };
    for (i, x) in told {
        tell(&mut last.model, i, x);
    }
    last
}

/// Puts joint `i` to `x`; where another has come there it stays, and its place is as unsure as it is far off.
fn tell(model: &mut Model, i: usize, x: f64) {
    let pulse = model.receiver.pulse;
    let after = model.joints[i - 1].x + pulse;
    let before = model.joints.get(i + 1).map_or(f64::INFINITY, |next| next.x - pulse);
    let joint = &mut model.joints[i];
    if x > after && x < before {
        joint.x = x;
    } else {
        joint.spread = joint.spread.map(|spread| spread.hypot(x - joint.x));
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
