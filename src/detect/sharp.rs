//! The receiver as the strongest reflection shows it, by fits that allow next to no misfit; and whether that reflection
//! was cut off.

use super::cells::LIMITED;
use super::first::USUAL_SHARE;
use super::fit::{self, Fit, Given};
use super::limit;
use super::model::{Behind, Joint, Model};
use super::receiver::Receiver;
use super::samples::Samples;
use super::start::{self, HALF_HEIGHT_POLES};
use crate::units::Measured;

/// What the strongest reflection shows.
#[derive(Clone, Copy, Default)]
pub(super) struct Shown {
    /// `None` where no strong reflection is whole and stands alone.
    pub receiver: Option<Receiver>,
    /// Power at which the receiver cut it off, where it did.
    pub ceiling: Option<f64>,
    /// Where it is, in samples, if it may as well have been cut off.
    pub doubtful: Option<f64>,
}

/// Misfit of an edge's shape where the number of poles is asked for.
const SHARP: f64 = 0.003;

/// Length in pulses from which a tail is fitted where an edge's own decay must not be taken for it: half of a usual
/// one, so that it shows in a few pulses.
const STEEP_TAIL: f64 = 2.0;

/// The receiver's poles: as many as the strongest whole reflection that stands alone is fitted best with.
pub(super) fn shown(model: &Model, given: &Given) -> Shown {
    let Some((i, window)) = strongest(model, given) else { return Shown::default() };
    // To the end: a fit that stops on the way tells the wrong number.
    let near = Given { window: Some(window), enough: 0.5, ..*given };
    let Some(rough) = rough(model, i, &near) else { return Shown::default() };
    let Some(best) = best_poles(&rough.model, &near) else { return Shown::default() };
    let receiver = Some(Receiver { tail: model.receiver.tail, ..best.model.receiver });
    let shown = Shown { receiver, ..Shown::default() };
    match top(&rough, &best, &near) {
        Top::Whole => shown,
        Top::CutAt(level) => Shown { ceiling: Some(level), ..shown },
        Top::Doubtful => Shown { doubtful: best.model.joints.last().map(|joint| joint.x), ..shown },
    }
}

/// The strongest reflection that is whole, and the stretch in which it stands alone.
fn strongest(model: &Model, given: &Given) -> Option<(usize, (f64, f64))> {
    let strong = |i: &usize| {
        let joint = &model.joints[*i];
        let line = model.before(*i).map_or(0.0, |line| line.power(joint.x));
        let least = (30.0 * given.noise.sigma).max(3.0 * line);
        !joint.clipped && joint.places == 1 && joint.height.is_some_and(|h| h > least)
    };
    let height = |i: usize| model.joints[i].height.unwrap_or(0.0);
    let among = |stretch: fn(&Model, usize) -> Option<(f64, f64)>| {
        let seen = |i: usize| Some((i, stretch(model, i).filter(|_| strong(&i))?));
        let all = (1..model.joints.len()).filter_map(seen);
        all.max_by(|a, b| height(a.0).total_cmp(&height(b.0)))
    };
    among(alone).or_else(|| among(nearly_alone))
}

/// The stretch in which joint `i` and its fibre are looked at alone. `None` where another is near.
fn alone(model: &Model, i: usize) -> Option<(f64, f64)> {
    let pulse = model.receiver.pulse;
    let x = model.joints[i].x;
    let next = model.joints.get(i + 1).map_or(f64::MAX, |next| next.x - x);
    let far = x - model.joints[i - 1].x > 6.0 * pulse && next > 4.0 * pulse;
    far.then_some((x - 3.0 * pulse, x + 3.5 * pulse))
}

/// The same where others are near, but leave some fibre before it and its whole pulse.
fn nearly_alone(model: &Model, i: usize) -> Option<(f64, f64)> {
    let pulse = model.receiver.pulse;
    let x = model.joints[i].x;
    let from = model.clear_behind(&model.joints[i - 1]).max(x - 3.0 * pulse);
    let next = model.joints.get(i + 1).map_or(f64::MAX, |_| model.onset(i + 1));
    let to = next.min(x + 3.5 * pulse);
    (x - from > 0.8 * pulse && to - x > 1.6 * pulse).then_some((from, to))
}

/// Joint `i` alone on its fibre, fitted with three poles and the usual misfit.
fn rough(model: &Model, i: usize, near: &Given) -> Option<Fit> {
    let pulse = model.receiver.pulse;
    let joint = &model.joints[i];
    let rise = start::length_of_rise(near.samples, &model.receiver, joint.x);
    let before = Joint::new(joint.x - 5.5 * pulse, None, Behind::Fibre(*model.before(i)?));
    let (poles, tail) = (3, STEEP_TAIL * pulse);
    let receiver =
        Receiver { poles, pole: start::pole_of_rise(rise, poles), tail, ..model.receiver };
    // Half height lies a third of a pole before the place, however many there are.
    let x = joint.x + HALF_HEIGHT_POLES * (receiver.pole - model.receiver.pole);
    // Not what was followed behind it: that may be the edge's own decay, and would stand for poles.
    let tail = Some(USUAL_SHARE * joint.height.unwrap_or(0.0));
    let alone = Model { joints: vec![before, Joint { x, tail, ..*joint }], receiver };
    fit::with_poles(&alone, poles, near)
}

/// The best of sharp fits, of each number of poles, from the usual one on: the misfit of a wrong number is what tells,
/// and what it leaves is no bowl in which one could go downhill.
fn best_poles(rough: &Model, near: &Given) -> Option<Fit> {
    let sharp = Given { misfit: SHARP, ..*near };
    let mut best: Option<Fit> = None;
    for poles in [3, 2, 4, 1, 5] {
        let one = fit::with_poles(rough, poles, &sharp);
        let one = one.filter(|fit| fit.cells > fit.layout.len + 3);
        let than = best.as_ref().map_or(f64::INFINITY, |best| best.chi2);
        best = one.filter(|fit| fit.chi2 < than).or(best);
        if best.as_ref().is_some_and(|best| best.chi2_per_cell() < 0.2) {
            break; // far less than `SHARP` allows: nothing is left to explain
        }
    }
    best
}

/// What the highest reflection's top is.
enum Top {
    Whole,
    /// Cut off at this power.
    CutAt(f64),
    /// Either: too few samples show its edges.
    Doubtful,
}

/// χ² per cell from which no receiver makes such a reflection: 3 sigmas of a misfit of 0.003 in every cell.
const NOT_WHOLE: f64 = 10.0;

/// χ² per cell up to which a reflection that was cut off explains everything.
const EXPLAINED: f64 = 1.0;

/// χ² by which one that was cut off explains more where neither is far off: of a misfit of 0.003 as of noise, e^15 times as
/// likely.
const FAR_BETTER: f64 = 30.0;

/// How much higher than what is seen one that was cut off is at least: amplifiers are linear to a hundredth (common
/// practice, no source). And how much, where it only explains more.
const HIGHER: f64 = 1.01;
const FAR_HIGHER: f64 = 1.1;

/// How many times as high as what is seen a reflection is tried that was cut off: from there a fit finds the height
/// that its edges show, and stays where they show none.
const TRIED: f64 = 4.0;

/// Samples in a pulse up to which edges may show nothing: twice what a pulse has whose edges fill it.
const FEW_SAMPLES: f64 = 8.0;

/// Share of itself to which a height is known where the edges say something of it: half of what is believed of one that
/// is cut off before anything is seen (`assemble.rs`).
const SAID: f64 = 0.15;

/// Whether the receiver cut the highest reflection off. `whole` is its best fit.
fn top(rough: &Fit, whole: &Fit, near: &Given) -> Top {
    let (highest, level) = limit::highest(near.samples, near.noise);
    let flat = rough.model.joints.last().is_some_and(|joint| is_flat(near.samples, joint, level));
    let told = whole.chi2 < FAR_BETTER && near.samples.pulse > FEW_SAMPLES;
    if !flat || told {
        return Top::Whole; // nothing is left to explain, and its edges would show it
    }
    let Some((cut, height)) = higher(rough, level, near) else {
        return Top::Whole;
    };
    let shown = height.sigma < SAID * height.value;
    let stands_over = |times: f64| !shown || height.value > times * highest;
    let far_better = whole.chi2 - cut.chi2 > FAR_BETTER && stands_over(FAR_HIGHER);
    if whole.chi2_per_cell() > NOT_WHOLE && stands_over(HIGHER) || far_better {
        Top::CutAt(level)
    } else if shown {
        Top::Whole
    } else {
        Top::Doubtful
    }
}

/// The best fit of a higher reflection of which what is over `level` is not looked at, and its height. `None` where it
/// leaves something unexplained.
fn higher(rough: &Fit, level: f64, near: &Given) -> Option<(Fit, Measured)> {
    let mut model = rough.model.clone();
    let joint = model.joints.last_mut()?;
    (joint.clipped, joint.height) = (true, joint.height.map(|height| TRIED * height));
    // No more is hidden than the flat top: of short pulses little else is seen.
    let fit = best_poles(&model, &Given { ceiling: level / LIMITED, ..*near })?;
    let n = fit.model.joints.len() - 1;
    let (height, unknown) = fit.model.joints[n].height.zip(fit.layout.height[n])?;
    let height = Measured::new(height, fit.sigma(unknown));
    (fit.chi2_per_cell() < EXPLAINED).then_some((fit, height))
}

/// Whether two neighbouring samples of `joint` lie over `level`.
fn is_flat(samples: &Samples, joint: &Joint, level: f64) -> bool {
    let [from, to] = [-1.0, 3.0].map(|pulses| samples.index(joint.x + pulses * samples.pulse));
    samples.power[from..=to].windows(2).any(|both| both.iter().all(|p| *p > level))
}
