//! What the scan leaves undecided: pairs that are one, and steps that reflect.

use super::end_height::{at_end, with_end};
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
/// `None` where one of them reflects, or no more light stands between them than on both sides.
fn bump(model: &Model, a: &Joint, i: usize) -> Option<Joint> {
    let b = &model.joints[i];
    let x = 0.5 * (a.x + b.x);
    let power = |line: Option<&Line>| line.map_or(0.0, |line| line.power(x));
    let Behind::Fibre(between) = &a.behind else { return None };
    let first = model.joints[..i].iter().rposition(|joint| joint.x == a.x)?;
    let (before, between, behind) =
        (power(model.before(first)), between.power(x), power(model.behind(i)));
    // A fit may have led the two past each other: then what is dark between them stands for light.
    let bright =
        if b.x < a.x { between < before.min(behind) } else { between > before.max(behind) };
    let whole = a.height.is_none() && b.height.is_none() && bright;
    let height = 0.5 * (b.x - a.x) / model.receiver.pulse * (2.0 * between - before - behind);
    whole.then_some(Joint { x, height: Some(height), ..*b })
}

/// How far around events they are looked at alone, in pulse lengths: what lies beside them tells their lines.
pub(super) const AROUND_PULSES: f64 = 30.0;

/// Puts one reflection in place of two steps with brighter light between them, or in place of the fall behind a
/// reflection whose light stays, where that explains more: a rise and a fall of light within some pulses, and no fibre
/// between them.
pub(super) fn without_rises(mut fit: Fit, given: &Given) -> Fit {
    let mut from = 1;
    while let Some(i) = (from..fit.model.joints.len()).find(|i| rises(&fit.model, *i)) {
        let one = match fit.model.joints[i].height {
            None => as_reflection(&fit, given, i),
            Some(_) => as_second(&fit, given, i),
        };
        match one.filter(|one| one.chi2 < fit.chi2) {
            Some(one) => fit = one,
            None => from = i + 1,
        }
    }
    fit
}

/// A reflection three and a half pulses behind another is over one pulse later. Farther off the scan tells the two.
const RISE_PULSES: f64 = 4.5;

/// Whether behind joint `i` there is light for so short a way that rises, or is brighter than on both sides.
fn rises(model: &Model, i: usize) -> bool {
    let [joint, next] = [i, i + 1].map(|i| model.joints.get(i));
    let Some((joint, next)) = joint.zip(next) else { return false };
    let near = next.x - joint.x < RISE_PULSES * model.receiver.pulse;
    let middle = 0.5 * (joint.x + next.x);
    let power = |line: Option<&Line>| line.map_or(0.0, |line| line.power(middle));
    let around = power(model.before(i)).max(power(model.behind(i + 1)));
    let bright = |line: &Line| line.fall < 0.0 || line.power(middle) > around;
    near && next.height.is_none() && matches!(&joint.behind, Behind::Fibre(line) if bright(line))
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

/// The fit with a reflection behind reflection `i`, in place of bright light up to a fall.
fn as_second(fit: &Fit, given: &Given, i: usize) -> Option<Fit> {
    let pulse = fit.model.receiver.pulse;
    let (first, fall) = (fit.model.joints[i], fit.model.joints[i + 1]);
    let Behind::Fibre(behind) = fall.behind else { return None };
    let middle = 0.5 * (first.x + pulse + fall.x);
    let bright = fit.model.behind(i).map_or(0.0, |line| line.power(middle));
    let height = (bright - behind.power(middle)).max(0.0);
    // How far before its fall it begins hangs on how much of it was taken for a slope.
    let from = first.x + RESOLVED_PULSES * pulse;
    let places = (0..).map(|n| from + 0.4 * f64::from(n) * pulse).take_while(|x| *x <= fall.x);
    let window = Some((first.x - AROUND_PULSES * pulse, fall.x + AROUND_PULSES * pulse));
    let near = Given { window, ..*given };
    let fits = places.filter_map(|x| {
        let mut next = fit.model.clone();
        next.joints[i].behind = Behind::Fibre(behind.about(first.x));
        next.joints[i + 1] = Joint { x, height: Some(height), ..fall };
        fit::run(next, &near)
    });
    let best = fits.min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
    fit::run(best.model, given)
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
        let (joint, next) = (fit.model.joints[i], fit.model.joints[i + 1]);
        let x = 0.5 * (joint.x + next.x);
        // Either step of the two may be the one that was put elsewhere.
        let first = Some(i).filter(|_| i > 0 && joint.height.is_none());
        let second = Some(i + 1).filter(|_| matches!(next.behind, Behind::Fibre(_)));
        let fits = first.into_iter().chain(second).filter_map(|step| {
            let mut moved = fit.model.clone();
            if let Behind::Fibre(line) = &mut moved.joints[i].behind {
                *line = Line { fall: given.slopes.mean, ..line.about(joint.x) };
            }
            let other = moved.joints[step];
            moved.joints[step] = Joint { x, height: None, tail: None, ..other };
            fit::run(moved, given)
        });
        let better = fits.min_by(|a, b| a.chi2.total_cmp(&b.chi2)).filter(|b| b.chi2 < fit.chi2);
        fit = better.unwrap_or(fit);
    }
    fit
}

/// No more such sections are tried: each costs a fit, and what has more of them is no fibre's trace.
const MOST_CLIFFS: usize = 12;

/// Whether the section behind joint `i` is short, has a slope of its own, and begins or ends at a step.
fn is_cliff(model: &Model, given: &Given, i: usize) -> bool {
    let Some(next) = model.joints.get(i + 1) else { return false };
    let near = next.x - model.joints[i].x < CLIFF_PULSES * model.receiver.pulse;
    let odd = |line: &Line| (line.fall / given.slopes.mean - 1.0).abs() > CLIFF;
    let step = i > 0 && model.joints[i].height.is_none() || matches!(next.behind, Behind::Fibre(_));
    near && step && matches!(&model.joints[i].behind, Behind::Fibre(line) if odd(line))
}

/// Moves steps between two slopes to where their lines meet, where that explains more: at a change of slope without a
/// step every place is nearly as good with a step to match, and a fit stops on the way.
pub(super) fn to_changes_of_slope(mut fit: Fit, given: &Given) -> Fit {
    for i in 1..fit.model.joints.len() {
        let Some(x) = meeting(&fit, i) else { continue };
        let mut next = fit.model.clone();
        next.joints[i].x = x;
        fit = fit::run(next, given).filter(|other| other.chi2 < fit.chi2).unwrap_or(fit);
    }
    fit
}

/// How many sigmas two slopes differ before a step between them is tried elsewhere.
const SLOPES_DIFFER: f64 = 3.0;

/// The place of joint `i`, a step, at which it would be none: half a pulse before its lines meet. `None` where its slopes are
/// alike, that is no other place, or others are near it.
fn meeting(fit: &Fit, i: usize) -> Option<f64> {
    let (model, pulse) = (&fit.model, fit.model.receiver.pulse);
    let (joint, before) = (&model.joints[i], model.before(i)?);
    let Behind::Fibre(behind) = joint.behind else { return None };
    if joint.height.is_some() || size::bend_score(fit, i) < SLOPES_DIFFER {
        return None;
    }
    let x = (before.log(0.0) - behind.log(0.0)) / (before.fall - behind.fall) - 0.5 * pulse;
    let from = model.joints[i - 1].x + 2.0 * pulse;
    let to = model.joints.get(i + 1).map_or(f64::INFINITY, |next| next.x) - 2.0 * pulse;
    ((x - joint.x).abs() > pulse && x > from && x < to).then_some(x)
}

/// Gives a reflection to each step, and to the end, that is better explained with one; keeps those that stand
/// out by `limit`.
pub(super) fn with_heights(mut fit: Fit, given: &Given, limit: f64) -> Fit {
    let mut next = fit.model.clone();
    let mut tried: Vec<usize> = Vec::new();
    for i in 1..fit.model.joints.len() {
        let joint = fit.model.joints[i];
        let found = match joint.behind {
            Behind::Dark => at_end(&fit, given, limit).and_then(|peak| {
                if peak.told || joint.height.is_none() {
                    fit.model.joints[i].spread = Some(peak.doubt);
                }
                next.receiver = if peak.told { peak.receiver } else { next.receiver };
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
