//! What a joint's loss and a section's slope may owe to a joint that is too small to be found.

use super::find::Found;
use super::noise::{self, Noise};
use super::place::{self, Data, Side};
use super::rough;
use super::samples::Samples;
use super::scan;
use crate::signal::lanes::Lanes;
use crate::signal::line::Sums;
use crate::units::DB_PER_NEPER;

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
        if let Some(step) = Step::of(&side.sums, far, near, found.slope_sd_db()) {
            let read = 1.0 - step.share - step.tilt * side.sums.scaled(at);
            odds += step.odds;
            shifts += step.odds * read * read * step.square;
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

/// How often a section has a joint that is not found: as often as not. Common practice, no source.
const IN_SECTION: f64 = 0.5;

/// Places along a section at which such a one is tried, at least a pulse apart.
const PLACES: usize = 40;

/// What an unfound joint in the section behind joint `i` adds to the sigma of its slope, in dB per sample.
///
/// A step in the middle tilts a line by one and a half times its size from end to end. It is weighed as that of a
/// neighbour.
pub(super) fn slope_doubt_db(found: &Found, samples: &Samples, noise: &Noise, i: usize) -> f64 {
    let fit = &found.fit;
    // Echoes stand on one line.
    let parts = i..fit.model.next_change(i).unwrap_or(fit.model.joints.len());
    let long = |j: usize| {
        let (from, to) = rough::clear(fit, samples, noise, j);
        to.saturating_sub(from)
    };
    let block = noise::pulse_long(samples).max(parts.clone().map(long).sum::<usize>() / PLACES);
    let off: Vec<rough::Off> =
        parts.flat_map(|j| rough::off_line(fit, samples, noise, j, block)).collect();
    let x: Vec<f64> = off.iter().map(|off| off.x).collect();
    let db: Vec<f64> = off.iter().map(|off| off.relative * DB_PER_NEPER).collect();
    let weight = |off: &rough::Off| {
        let var = scan::noise_var_of(samples, noise, Lanes::splat(off.power)).to_array()[0];
        (off.power / DB_PER_NEPER).powi(2) * block as f64 / var
    };
    let sums = Sums::new(&x, &db, &off.iter().map(weight).collect::<Vec<f64>>());
    let (mut odds, mut shifts, mut tried) = (0.0, 0.0, 0);
    // The step shows over a pulse: the mean in which it stands counts on no side.
    for k in 2..x.len().saturating_sub(2) {
        let (far, near) = ((0, k), (k + 1, x.len()));
        if let Some(step) = Step::of(&sums, far, near, found.slope_sd_db()) {
            odds += step.odds;
            shifts += step.odds * step.tilt * step.tilt * step.square;
            tried += 1;
        }
    }
    let share = IN_SECTION / (1.0 - IN_SECTION) / f64::from(tried.max(1));
    sums.per_scale() * (share * shifts / (1.0 + share * odds)).sqrt()
}

/// A step between a far and a near stretch.
struct Step {
    /// How much likelier the means are with it.
    odds: f64,
    /// Square of its size in dB, its own variance included.
    square: f64,
    /// What a line alone makes of a step of 1: its value at the middle of the sums, and its slope in their scale.
    share: f64,
    tilt: f64,
}

impl Step {
    /// `None` where a stretch is empty.
    fn of(sums: &Sums, far: (usize, usize), near: (usize, usize), slope_sd: f64) -> Option<Step> {
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
        let (share, tilt) = line(wn, wxn);
        let known = (wn - share * wn - tilt * wxn).max(0.0) + 1.0 / (USUAL_DB * USUAL_DB);
        let step_db = (wyn - level * wn - slope * wxn) / known;
        Some(Step {
            odds: (0.5 * step_db * step_db * known).min(200.0).exp() / (known.sqrt() * USUAL_DB),
            square: step_db * step_db + 1.0 / known,
            share,
            tilt,
        })
    }
}
