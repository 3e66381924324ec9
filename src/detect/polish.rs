//! What the scan leaves undecided: pairs that are one, and steps that reflect.

use super::fit::{self, Fit, Given};
use super::model::{Behind, Joint, Model};
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
    for joint in &model.joints {
        let limit = if joints.len() == 1 { PANEL_PULSES } else { RESOLVED_PULSES };
        match joints.last_mut() {
            Some(last) if joint.x - last.x < limit * pulse => {
                changed = true;
                let first = joints.len() == 1;
                let last = joints.len() - 1;
                let places = if groups { joints[last].places + joint.places } else { 1 };
                joints[last] = Joint { places, ..one_of(&joints[last], joint, first) };
                if first {
                    joints[last].places = 1;
                }
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
    Joint { x, behind, clipped: a.clipped || b.clipped, ..*keep }
}

/// How far before an end it is looked at alone, in pulse lengths: what lies before tells its line.
const END_PULSES: f64 = 30.0;

/// A reflection at an end that does not reflect so far, or hardly: its place and height. It may have been put
/// where such a reflection is half or wholly over, and from there a fit does not find back, so that both are
/// tried. `None` where nothing stands out by `limit`, or nothing is better than what is there.
fn at_end(fit: &Fit, given: &Given, limit: f64) -> Option<(f64, f64)> {
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
    let earlier = (end.x - 0.8 * pulse, 0.3 * power);
    let near = Given {
        free_pole: None,
        free_tail: false,
        window: Some((end.x - END_PULSES * pulse, f64::INFINITY)),
        ..*given
    };
    let with = |(x, height): (f64, f64)| {
        let mut next = model.clone();
        next.joints[n - 1] = Joint { x, height: Some(height), ..*end };
        fit::run(next, &near)
    };
    let fits = [Some(here), Some(earlier).filter(|_| room)].into_iter().flatten().filter_map(with);
    let best = fits.min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
    let size = size::of(&best, n - 1);
    (size.height > limit * size.height_sigma).then(|| (best.model.joints[n - 1].x, size.height))
}

/// Gives the end the reflection that shows there.
pub(super) fn with_end(fit: Fit, given: &Given, limit: f64) -> Fit {
    let Some((x, height)) = at_end(&fit, given, limit) else { return fit };
    let mut next = fit.model.clone();
    if let Some(end) = next.joints.last_mut() {
        (end.x, end.height) = (x, Some(height));
    }
    fit::again(next, &fit, given).filter(|with| with.chi2 < fit.chi2).unwrap_or(fit)
}

/// Gives a reflection to each step, and to the end, that is better explained with one; keeps those that stand
/// out by `limit`.
pub(super) fn with_heights(fit: Fit, given: &Given, limit: f64) -> Fit {
    let mut next = fit.model.clone();
    let mut tried: Vec<usize> = Vec::new();
    for i in 1..next.joints.len() {
        let joint = &fit.model.joints[i];
        let found = match joint.behind {
            Behind::Dark => at_end(&fit, given, limit),
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
