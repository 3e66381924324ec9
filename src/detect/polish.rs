//! What the scan leaves undecided: pairs that are one, and steps that reflect.

use super::fit::{self, Fit, Given};
use super::model::{Behind, Joint, Line, Model};
use super::place;
use super::size;

/// Below this many pulse lengths two places are one: their losses cannot be told apart, and a strong
/// peak's misfit would breed a companion of opposite loss (docs/theory.md).
const RESOLVED_PULSES: f64 = 0.95;
/// The same behind the panel.
const PANEL_PULSES: f64 = 1.2;

/// Makes one of each pair that the receiver does not resolve. `None` where there is none. While
/// candidates still come and go, a pair is one event tried twice and no group.
pub(super) fn merged(model: &Model, groups: bool) -> Option<Model> {
    let pulse = model.receiver.pulse;
    let mut joints: Vec<Joint> = Vec::with_capacity(model.joints.len());
    let mut changed = false;
    for (i, joint) in model.joints.iter().enumerate() {
        let first = joints.len() == 1;
        let limit = if first { PANEL_PULSES } else { RESOLVED_PULSES };
        match joints.last_mut() {
            Some(last) if joint.x - last.x < limit * pulse => {
                changed = true;
                let bump = bump(model, last, i).filter(|_| !first);
                let places = match bump {
                    None if groups && !first => last.places + joint.places,
                    _ => 1,
                };
                *last = Joint { places, ..bump.unwrap_or(one_of(last, joint, first)) };
            }
            _ => joints.push(*joint),
        }
    }
    changed.then_some(Model { joints, receiver: model.receiver })
}

/// One joint for two; of a peak and a step the peak stays. The panel swallows what stands in it.
fn one_of(a: &Joint, b: &Joint, panel: bool) -> Joint {
    let (ha, hb) = (a.height.unwrap_or(0.0), b.height.unwrap_or(0.0));
    let keep = if panel || ha >= hb { a } else { b };
    let behind = match (&a.behind, &b.behind) {
        (Behind::Dark, _) | (_, Behind::Same) => a.behind, // a step that ran past the end
        _ => b.behind,
    };
    let x = match b.behind {
        _ if panel || ha.max(hb) > 0.0 => keep.x,
        Behind::Dark => b.x, // where the light stops is told by itself
        _ => 0.5 * (a.x + b.x),
    };
    let tail = if panel { a.tail } else { keep.tail.or(a.tail).or(b.tail) };
    Joint { x, behind, tail, clipped: a.clipped || b.clipped, ..*keep }
}

/// The reflection that a gain and a loss right behind it are, `a` and joint `i`: what two blends of lines `Δ` apart show
/// more than one of them in their middle is, to first order, a rectangle of `Δ/2W·(2·p_between - p_before - p_behind)`.
/// `None` where one of them reflects, or no more light is between them than on both sides.
fn bump(model: &Model, a: &Joint, i: usize) -> Option<Joint> {
    let b = &model.joints[i];
    let x = 0.5 * (a.x + b.x);
    let power = |line: Option<&Line>| line.map_or(0.0, |line| line.power(x));
    let Behind::Fibre(between) = &a.behind else { return None };
    let first = model.joints[..i].iter().rposition(|joint| joint.x == a.x)?;
    let (before, between, behind) =
        (power(model.before(first)), between.power(x), power(model.behind(i)));
    let whole = a.height.is_none() && b.height.is_none() && between > before.max(behind);
    let height = 0.5 * (b.x - a.x) / model.receiver.pulse * (2.0 * between - before - behind);
    whole.then_some(Joint { x, height: Some(height), ..*b })
}

/// How far before an end it is looked at alone, in pulse lengths: what lies before tells its line.
const END_PULSES: f64 = 30.0;

/// Puts one reflection in place of two steps with brighter light between them, where that explains more: a rise and a
/// fall of light within three pulses, and no fibre between them.
pub(super) fn without_rises(mut fit: Fit, given: &Given) -> Fit {
    let mut from = 1;
    while let Some(i) = (from..fit.model.joints.len()).find(|i| rises(&fit.model, *i)) {
        match as_reflection(&fit, given, i).filter(|one| one.chi2 < fit.chi2) {
            Some(one) => fit = one,
            None => from = i + 1,
        }
    }
    fit
}

/// Whether behind joint `i` there is light for less than three pulses that rises, or is brighter than on both sides.
fn rises(model: &Model, i: usize) -> bool {
    let [joint, next] = [i, i + 1].map(|i| model.joints.get(i));
    let Some((joint, next)) = joint.zip(next) else { return false };
    let near = next.x - joint.x < 3.0 * model.receiver.pulse;
    let steps = joint.height.is_none() && next.height.is_none();
    let middle = 0.5 * (joint.x + next.x);
    let power = |line: Option<&Line>| line.map_or(0.0, |line| line.power(middle));
    let around = power(model.before(i)).max(power(model.behind(i + 1)));
    let bright = |line: &Line| line.fall < 0.0 || line.power(middle) > around;
    near && steps && matches!(&joint.behind, Behind::Fibre(line) if bright(line))
}

/// The fit with one reflection in place of joint `i` and the next.
fn as_reflection(fit: &Fit, given: &Given, i: usize) -> Option<Fit> {
    let mut next = fit.model.clone();
    next.joints.remove(i);
    if matches!(next.joints[i].behind, Behind::Dark) {
        return fit::run(next, given).map(|bare| with_end(bare, given, 0.0));
    }
    let bare = fit::run(next, given)?;
    let best = place::reflection(&bare, given, i)?;
    let mut next = bare.model;
    (next.joints[i].x, next.joints[i].height) = (best.x, Some(best.height));
    fit::run(next, given)
}

/// Shortest sections, in pulse lengths, whose slope tells of fibre and not of a step nearby that was put elsewhere.
const CLIFF_PULSES: f64 = 6.0;

/// Share by which such a section's slope differs from the others' before it is tried without: fibres of one trace
/// differ by less (common practice, no source), and a trial that explains less changes nothing.
const CLIFF: f64 = 0.2;

/// Moves steps into the short sections before them whose slopes are not the others', where that explains more: a splice
/// right behind a connector may have been taken for its section's slope and a step where that ends, and from there a
/// fit does not find back.
pub(super) fn without_cliffs(mut fit: Fit, given: &Given) -> Fit {
    let cliffs: Vec<usize> =
        (0..fit.model.joints.len()).filter(|i| is_cliff(&fit.model, given, *i)).collect();
    for i in cliffs.into_iter().take(MOST_CLIFFS) {
        let mut moved = fit.model.clone();
        let (joint, next) = (moved.joints[i], moved.joints[i + 1]);
        if let Behind::Fibre(line) = &mut moved.joints[i].behind {
            *line = Line { fall: given.slopes.mean, ..line.about(joint.x) };
        }
        let x = 0.5 * (joint.x + next.x);
        moved.joints[i + 1] = Joint { x, height: None, tail: None, ..next };
        let better = |other: &Fit| other.chi2 < fit.chi2;
        fit = fit::run(moved, given).filter(better).unwrap_or(fit);
    }
    fit
}

/// No more such sections are tried: each costs a fit, and what has more of them is no fibre's trace.
const MOST_CLIFFS: usize = 12;

/// Whether the section behind joint `i` is short, ends at a step, and has a slope of its own.
fn is_cliff(model: &Model, given: &Given, i: usize) -> bool {
    let Some(next) = model.joints.get(i + 1) else { return false };
    let near = next.x - model.joints[i].x < CLIFF_PULSES * model.receiver.pulse;
    let odd = |line: &Line| (line.fall / given.slopes.mean - 1.0).abs() > CLIFF;
    near && matches!(next.behind, Behind::Fibre(_))
        && matches!(&model.joints[i].behind, Behind::Fibre(line) if odd(line))
}

/// What a low reflection at the end would explain.
struct AtEnd {
    x: f64,
    height: f64,
    /// The receiver's pole with it.
    pole: f64,
    /// It stands out, and what it explains makes it likelier by far.
    told: bool,
    /// Root mean square of what the end's place is off if it is left out, in samples.
    doubt: f64,
}

/// Of the pole that colours the noise: a receiver's edges are about as slow (common practice, no source).
const LOST_POLE: f64 = 0.6;

/// Gain in χ² from which an end reflects: that is 20 times likelier than that it does not.
const TOLD: f64 = 6.0;

/// A reflection at an end that does not reflect so far, or hardly. It may have been put where such a reflection
/// is half or wholly over, and from there a fit does not find back, so that several places are tried. `None` where
/// no fit can be made, or what reflects there is beyond doubt.
///
/// Place and height change for each other at hardly any cost: half a pulse of light more is a reflection half as high
/// as the fibre, an end that much earlier. So a low one is believed by what it explains, and not by its height alone.
fn at_end(fit: &Fit, given: &Given, limit: f64) -> Option<AtEnd> {
    let model = &fit.model;
    let n = model.joints.len();
    let pulse = model.receiver.pulse;
    let end = model.joints.last().filter(|end| matches!(end.behind, Behind::Dark))?;
    let power = model.before(n - 1).map_or(0.0, |line| line.power(end.x));
    if end.clipped || end.height.is_some_and(|height| height > 2.0 * power) {
        return None;
    }
    let before = model.joints.get(n.wrapping_sub(2)).map_or(0.0, |joint| joint.x);
    let room = end.x - before > 3.0 * pulse;
    let here = (end.x, end.height.unwrap_or(0.01 * power));
    let low = (end.x - 0.2 * pulse, 0.2 * power);
    let earlier = (end.x - 0.8 * pulse, 0.3 * power);
    // Where no other reflection tells the pole and it is much shorter than what colours the noise, this end has made it so.
    let pole = model.receiver.pole;
    let alone = model.joints[1..n - 1].iter().all(|joint| joint.height.is_none());
    let usual = given.noise.pole;
    let lost = alone && given.noise.seen && pole < LOST_POLE * usual;
    let near = Given {
        free_pole: Some(usual).filter(|_| lost),
        free_tail: false,
        window: Some((end.x - END_PULSES * pulse, f64::INFINITY)),
        ..*given
    };
    let with = |x: f64, height: Option<f64>| {
        let mut next = model.clone();
        next.joints[n - 1] = Joint { x, height, ..*end };
        next.receiver.pole =
            near.free_pole.filter(|_| height.is_some()).unwrap_or(next.receiver.pole);
        fit::run(next, &near)
    };
    let starts = [Some(here), Some(low), Some(earlier).filter(|_| room)];
    let fits = starts.into_iter().flatten().filter_map(|(x, height)| with(x, Some(height)));
    let best = fits.min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
    let size = size::of(&best, n - 1);
    let bare = with(end.x, None)?;
    let (gain, x) = (bare.chi2 - best.chi2, best.model.joints[n - 1].x);
    // Bayes factor of heights up to the fibre's own, and what the place is off if there is one.
    let odds = (0.5 * gain).exp() * (2.507 * size.height_sigma / power).min(1.0);
    let off = (bare.model.joints[n - 1].x - x).hypot(best.place_sigma(n - 1));
    Some(AtEnd {
        x,
        height: size.height,
        pole: best.model.receiver.pole,
        told: size.height > limit * size.height_sigma && gain > TOLD,
        doubt: (odds / (1.0 + odds)).sqrt() * off,
    })
}

/// Gives the end the reflection that shows there.
pub(super) fn with_end(fit: Fit, given: &Given, limit: f64) -> Fit {
    let Some(peak) = at_end(&fit, given, limit).filter(|peak| peak.told) else { return fit };
    let mut next = fit.model.clone();
    if let Some(end) = next.joints.last_mut() {
        (end.x, end.height) = (peak.x, Some(peak.height));
    }
    next.receiver.pole = peak.pole;
    fit::again(next, &fit, given)
        .filter(|with| with.chi2 < WORSE_ELSEWHERE * fit.chi2)
        .unwrap_or(fit)
}

/// How much more of χ² a fit may leave that explains the end better: while events are missing the lines between them wander.
const WORSE_ELSEWHERE: f64 = 1.05;

/// Gives a reflection to each step, and to the end, that is better explained with one; keeps those that stand
/// out by `limit`.
pub(super) fn with_heights(mut fit: Fit, given: &Given, limit: f64) -> Fit {
    let mut next = fit.model.clone();
    let mut tried: Vec<usize> = Vec::new();
    for i in 1..fit.model.joints.len() {
        let joint = fit.model.joints[i];
        let found = match joint.behind {
            Behind::Dark => at_end(&fit, given, limit).and_then(|peak| {
                if joint.height.is_none() {
                    fit.model.joints[i].spread = Some(peak.doubt).filter(|_| !peak.told);
                }
                next.receiver.pole = if peak.told { peak.pole } else { next.receiver.pole };
                peak.told.then_some((peak.x, peak.height))
            }),
            _ if joint.height.is_some() => None,
            _ => {
                let power = fit.model.before(i).map_or(0.0, |line| line.power(joint.x));
                let near = Some((joint.x, 0.01 * power)); // too near to others: the joint fit tells
                place::reflection(&fit, given, i).map_or(near, |best| {
                    (best.gain > limit * limit).then_some((best.x, best.height))
                })
            }
        };
        if let Some((x, height)) = found {
            (next.joints[i].x, next.joints[i].height) = (x, Some(height));
            tried.push(i);
        }
    }
    if tried.is_empty() {
        return fit;
    }
    for (joint, doubted) in next.joints.iter_mut().zip(&fit.model.joints) {
        joint.spread = doubted.spread;
    }
    let Some(with) = fit::again(next, &fit, given) else { return fit };
    let stands = |i: &usize| {
        let size = size::of(&with, *i);
        size.height > limit * size.height_sigma
    };
    if tried.iter().all(stands) {
        return with; // no worse than before
    }
    let mut next = with.model.clone();
    for i in tried.iter().filter(|i| !stands(i)) {
        next.joints[*i] = Joint { behind: next.joints[*i].behind, ..fit.model.joints[*i] };
    }
    if tried.iter().any(stands) { fit::again(next, &with, given).unwrap_or(with) } else { fit }
}
