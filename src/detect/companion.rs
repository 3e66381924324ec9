//! Events so near to another that the scan takes both for one: what the fit leaves at its edges shows them.

use super::find::{FAINT, WELL_FITTED};
use super::first::{MOST_SHARE, USUAL_SHARE};
use super::fit::{self, Fit, Given, USUAL_TAIL};
use super::model::{Behind, Joint, Line, Model};
use super::polish::{self, AROUND_PULSES};
use super::size;

/// Puts a second event beside each joint whose edges show more than noise, where that explains what was left.
///
/// A companion that explains only a part is none: what is left behind a strong reflection may be the receiver's.
pub(super) fn with_companions(mut fit: Fit, given: &Given, threshold: f64) -> Fit {
    let (mut i, mut tried) = (1, 0);
    while i < fit.model.joints.len() && tried < MOST_ODD {
        let odd_tail = lags_oddly(&fit.model, i);
        if odd_tail || is_odd(&fit, i, threshold) {
            // A tail that hardly any detector has needs no gain to be given up for an event.
            let start = if odd_tail { with_usual_tail(&fit.model, i) } else { fit.model.clone() };
            let least = if odd_tail { 0.0 } else { threshold * threshold };
            fit = beside(&fit, &start, given, i, least).unwrap_or(fit);
            tried += 1;
        }
        i += 1;
    }
    fit
}

/// No more joints are tried: each costs a dozen small fits, and what has more of them is no fibre's trace.
const MOST_ODD: usize = 12;

/// Whether the edges of joint `i` leave so much more than noise, and than the rest of the trace, that an event may be
/// missing there: while others are missing elsewhere, they bend its lines.
fn is_odd(fit: &Fit, i: usize, threshold: f64) -> bool {
    let joint = &fit.model.joints[i];
    let (chi2, cells) = fit.edges[i];
    let rest = (fit.chi2 - chi2) / fit.cells.saturating_sub(cells).max(1) as f64;
    let expected = WELL_FITTED * rest.max(1.0) * cells as f64;
    joint.places == 1 && !joint.clipped && chi2 > expected.max(cells as f64 + threshold * threshold)
}

/// Whether so much of whole reflection `i` seems to be forgotten late as hardly any detector does: a step right behind it
/// may stand in that decay.
fn lags_oddly(model: &Model, i: usize) -> bool {
    let joint = &model.joints[i];
    let Some((tail, height)) = joint.tail.zip(joint.height) else { return false };
    let fibre = matches!(joint.behind, Behind::Fibre(_));
    fibre && !joint.clipped && joint.places == 1 && tail > MOST_SHARE * height
}

/// The model with what detectors usually forget late behind joint `i`.
fn with_usual_tail(model: &Model, i: usize) -> Model {
    let mut next = model.clone();
    next.receiver.tail = USUAL_TAIL * model.receiver.pulse;
    next.joints[i].tail = model.joints[i].height.map(|height| USUAL_SHARE * height);
    next
}

/// The fit with another event beside joint `i`, found from `start`, that leaves no more than noise there, and explains
/// `least` more of χ². `None` where none does.
fn beside(fit: &Fit, start: &Model, given: &Given, i: usize, least: f64) -> Option<Fit> {
    let pulse = fit.model.receiver.pulse;
    let x = fit.model.joints[i].x;
    let window = Some((x - AROUND_PULSES * pulse, x + AROUND_PULSES * pulse));
    let near = Given { window, ..*given };
    let fits = trials(start, i).into_iter().filter_map(|joints| {
        let mut next = start.clone();
        next.joints.splice(i..=i, joints);
        fit::run(next, &near)
    });
    let best = fits.min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
    let explains = |other: &Fit| {
        let both = [i, i + 1];
        let apart = polish::merged(&other.model, false).is_none();
        let stands = |i: usize| {
            matches!(other.model.joints[i].behind, Behind::Dark)
                || size::of(other, i).score() > FAINT
        };
        let left: (f64, usize) = both
            .iter()
            .fold((0.0, 0), |sum, i| (sum.0 + other.edges[*i].0, sum.1 + other.edges[*i].1));
        // Behind a drop there may be no fibre, but what the detector forgets late.
        apart
            && !other.model.is_deep(i)
            && both.iter().all(|i| stands(*i))
            && left.0 < WELL_FITTED * left.1 as f64
            && other.chi2 < fit.chi2 - least
    };
    // Only the two: of everything else the stretch around them knows less than the whole.
    let [first, mut second] = [i, i + 1].map(|i| best.model.joints[i]);
    let mut next = Model { receiver: best.model.receiver, ..fit.model.clone() };
    second.behind = next.joints[i].behind;
    next.joints.splice(i..=i, [first, second]);
    fit::again(next, fit, given).filter(explains)
}

/// Pairs that may stand in place of joint `i`.
fn trials(model: &Model, i: usize) -> Vec<[Joint; 2]> {
    let pulse = model.receiver.pulse;
    let joint = model.joints[i];
    let (Some(before), behind) = (model.before(i), model.behind(i)) else {
        return Vec::new();
    };
    let [earliest, latest] =
        [i - 1, i + 1].map(|i| model.joints.get(i).map_or(f64::INFINITY, |j| j.x));
    let inside = |x: f64| x > earliest + pulse && x < latest - pulse;
    let low = Some(0.01 * before.power(joint.x));
    let mut pairs = Vec::new();
    for off in [1.2, 2.0, 2.8] {
        // Beside a step there is none: the scan shows reflections there.
        for height in [None, low.filter(|_| joint.height.is_some())] {
            let new = |x: f64, line| Joint::new(x, height, Behind::Fibre(line));
            if inside(joint.x - off * pulse) {
                pairs.push([new(joint.x - off * pulse, *before), joint]);
            }
            if let (Some(behind), true) = (behind, inside(joint.x + off * pulse)) {
                pairs.push([joint, new(joint.x + off * pulse, *behind)]);
            }
        }
    }
    if joint.height.is_none() {
        if let Some(behind) = behind {
            // One step in the middle of two.
            for off in [0.6, 1.2] {
                let first = Joint {
                    x: joint.x - off * pulse,
                    behind: Behind::Fibre(halfway(before, behind)),
                    ..joint
                };
                pairs.push([first, Joint { x: joint.x + off * pulse, ..joint }]);
            }
        }
    }
    pairs
}

/// A line between two.
fn halfway(a: &Line, b: &Line) -> Line {
    let other = b.about(a.at);
    Line { at: a.at, level: 0.5 * (a.level + other.level), fall: 0.5 * (a.fall + other.fall) }
}
