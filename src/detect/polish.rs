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

/// The model with its faintly reflecting end where the light was last level: a step alone is put where
/// such a reflection is half or wholly over, and from there a fit does not find back.
fn earlier_end(model: &Model) -> Option<Model> {
    let mut next = model.clone();
    let pulse = next.receiver.pulse;
    let n = next.joints.len();
    let power = model.before(n - 1).map_or(0.0, |line| line.power(model.joints[n - 1].x));
    let before = next.joints.get(n.wrapping_sub(2)).map_or(0.0, |joint| joint.x);
    let end = next.joints.last_mut().filter(|end| matches!(end.behind, Behind::Dark))?;
    if end.clipped || end.x - before < 3.0 * pulse || end.height.is_none_or(|h| h > 2.0 * power) {
        return None;
    }
    end.x -= 0.8 * pulse;
    end.height = Some(0.3 * power);
    Some(next)
}

/// The fit of the one of two models that explains more.
fn lower(model: Model, other: Option<Model>, fit: &Fit, given: &Given) -> Option<Fit> {
    let fits = [Some(model), other].into_iter().flatten();
    fits.filter_map(|model| fit::again(model, fit, given)).min_by(|a, b| a.chi2.total_cmp(&b.chi2))
}

/// Gives a reflection to each step that is better explained with one, and tries one at the end; keeps
/// those that stand out by `limit`.
pub(super) fn with_heights(fit: Fit, given: &Given, limit: f64) -> Fit {
    let mut next = fit.model.clone();
    let mut tried: Vec<usize> = Vec::new();
    for i in 1..next.joints.len() {
        let joint = &fit.model.joints[i];
        if joint.height.is_some() {
            continue;
        }
        let alone = match joint.behind {
            Behind::Dark => None,
            _ => place::reflection(&fit, given, i),
        };
        let power = fit.model.before(i).map_or(0.0, |line| line.power(joint.x));
        (next.joints[i].x, next.joints[i].height) = match alone {
            Some(best) if best.gain > limit * limit => (best.x, Some(best.height)),
            Some(_) => continue,
            None => (joint.x, Some(0.01 * power)), // too near to others: the joint fit tells
        };
        tried.push(i);
    }
    let earlier = earlier_end(&next);
    if tried.is_empty() && earlier.is_none() {
        return fit;
    }
    let Some(with) = lower(next, earlier, &fit, given) else { return fit };
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
