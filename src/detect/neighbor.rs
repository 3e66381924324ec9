//! What a joint's loss may owe to another one nearby that is too small to be found.

use super::find::Found;
use super::noise::Noise;
use super::place::{self, Data, Side};
use super::samples::Samples;
use crate::signal::line::Sums;

/// How often a joint has another within ten pulses on one side: trays hold pigtails, and closures more
/// than one splice. Common practice, no source.
const NEIGHBOR: f64 = 0.1;
/// Usual size of such a one, one sigma. Common practice, no source.
const USUAL_DB: f64 = 0.05;
/// As far as that, in pulse lengths: a loss is read from longer stretches than these.
const REACH_PULSES: f64 = 10.0;

/// What an unfound neighbour adds to the sigma of the loss of joint `i`, in dB.
///
/// At each place of a neighbour the lines with and without it are weighed by their evidence (Bayes
/// factor of a step of normal size, docs/theory.md), and the loss's shift and variance by that.
pub(super) fn doubt_db(found: &Found, samples: &Samples, noise: &Noise, i: usize) -> f64 {
    let fit = &found.fit;
    let pulse = fit.model.receiver.pulse;
    let Some((from, to)) = place::around(fit, samples, noise, i) else { return 0.0 };
    let Some(data) = Data::cut(fit, samples, noise, i, (from, to), place::NEAR.reach) else {
        return 0.0;
    };
    let index = |x: f64| data.x.partition_point(|at| *at < x);
    let x = fit.model.joints[i].x;
    let (a, b) =
        (index(fit.model.onset(i) - 1.0), index(fit.model.clear_behind(&fit.model.joints[i])));
    let end = data.x.len();
    let at = x + 0.5 * pulse;
    let (mut odds, mut shifts) = (0.0, 0.0);
    let mut weigh = |side: &Side, all: [(usize, usize); 2]| {
        let [far, near] = all;
        if let Some(step) = Step::of(&side.sums, far, near, at, found.slope_sd_db()) {
            odds += step.odds;
            shifts += step.odds * step.square;
        }
    };
    let places = (2.0 * (REACH_PULSES - 1.0)) as usize;
    for n in 0..=places {
        // The place of the step, and the pulse behind it over which it shows.
        let apart = (1.0 + 0.5 * n as f64) * pulse;
        let (before, behind) = (x - apart, x + apart);
        weigh(&data.before, [(0, index(before)), (index(before + pulse), a)]);
        weigh(&data.behind, [(index(behind + pulse), end), (b, index(behind))]);
    }
    let share = NEIGHBOR / (1.0 - NEIGHBOR) / (places + 1) as f64;
    (share * shifts / (1.0 + share * odds)).sqrt()
}

/// A step between a far and a near stretch of one side.
struct Step {
    /// How much likelier the means are with it.
    odds: f64,
    /// Square of what it shifts the side's line by where the loss is read, its own variance included.
    square: f64,
}

impl Step {
    /// `None` where a stretch is empty.
    fn of(
        sums: &Sums,
        far: (usize, usize),
        near: (usize, usize),
        at: f64,
        slope_sd: f64,
    ) -> Option<Step> {
        if far.1 < far.0 + 2 || near.1 < near.0 + 2 {
            return None;
        }
        let [wf, wxf, wxxf, wyf, wxyf] = sums.moments(far.0, far.1);
        let [wn, wxn, wxxn, wyn, wxyn] = sums.moments(near.0, near.1);
        let (w, wx, wxx) = (wf + wn, wxf + wxn, wxxf + wxxn + sums.slope_weight(slope_sd));
        let det = w * wxx - wx * wx;
        if wf <= 0.0 || wn <= 0.0 || det <= 1e-12 * w * wxx {
            return None;
        }
        let line = |y: f64, xy: f64| ((wxx * y - wx * xy) / det, (w * xy - wx * y) / det);
        let (level, slope) = line(wyf + wyn, wxyf + wxyn);
        let (share, tilt) = line(wn, wxn); // what the line alone makes of a step
        let known = (wn - share * wn - tilt * wxn).max(0.0) + 1.0 / (USUAL_DB * USUAL_DB);
        let step_db = (wyn - level * wn - slope * wxn) / known;
        let read = 1.0 - share - tilt * sums.scaled(at);
        Some(Step {
            odds: (0.5 * step_db * step_db * known).min(200.0).exp() / (known.sqrt() * USUAL_DB),
            square: read * read * (step_db * step_db + 1.0 / known),
        })
    }
}
