//! The link without its cords: length, loss, return loss.

use super::Cords;
use super::find::Found;
use super::fit::Fit;
use super::measure;
use super::model::{Behind, Line};
use super::samples::Samples;
use crate::event::{Event, Span};
use crate::trace::Trace;
use crate::units::{self, DB_PER_NEPER, Measured};

/// The span between the launch cord's connector, else the panel, and the tail cord's, else the end.
/// `events` and the fit's joints stand in one order. `None` without an end.
pub(super) fn span(
    trace: &Trace,
    cords: &Cords,
    samples: &Samples,
    found: &Found,
    events: &[Event],
) -> Option<Span> {
    let fit = &found.fit;
    let model = &fit.model;
    let end = model.joints.len().checked_sub(1).filter(|i| *i > 0)?;
    let offset = trace.settings.user_offset_100_ps;
    let launch = cords.launch_m.or((offset > 0).then(|| trace.metres_100_ps(offset).0));
    let start = launch.and_then(|m| joint_near(samples, fit, m)).unwrap_or(0);
    let end_m = events[end].position_m.0;
    let tail = cords.tail_m.filter(|m| *m > 0.0).and_then(|m| joint_near(samples, fit, end_m - m));
    let stop = tail.filter(|i| *i > start).unwrap_or(end);
    let (from, to) = (&events[start], &events[stop]);
    let length_m = Measured::new(
        to.position_m.0 - from.position_m.0,
        from.position_sigma_m.hypot(to.position_sigma_m),
    );
    Some(Span {
        start_m: from.position_m,
        end_m: to.position_m,
        length_m,
        loss_db: loss(fit, start, stop),
        orl_db: return_loss(trace, found, start, stop),
    })
}

/// The joint nearest to `place_m`, if one lies within two pulse lengths or 2 % of it: cords are cut
/// to a rounded length.
fn joint_near(samples: &Samples, fit: &Fit, place_m: f64) -> Option<usize> {
    let off = |i: &usize| (fit.model.joints[*i].x * samples.spacing_m - place_m).abs();
    let nearest = (1..fit.model.joints.len()).min_by(|a, b| off(a).total_cmp(&off(b)))?;
    let allowed = (2.0 * samples.pulse * samples.spacing_m).max(0.02 * place_m).max(3.0);
    (off(&nearest) < allowed).then_some(nearest)
}

/// The line on which the fibre before joint `i` lies, with the joint that owns it.
fn line_before(fit: &Fit, i: usize) -> Option<(usize, Line)> {
    (0..i).rev().find_map(|j| match &fit.model.joints[j].behind {
        Behind::Fibre(line) => Some((j, *line)),
        _ => None,
    })
}

/// From just before joint `start` to just behind joint `stop`, or to it where it is the end. A
/// trace at z shows the fibre at z minus half a pulse.
fn loss(fit: &Fit, start: usize, stop: usize) -> Option<Measured> {
    let model = &fit.model;
    let half = 0.5 * model.receiver.pulse;
    let first = if start == 0 { line_of(fit, 0) } else { line_before(fit, start) }?;
    let last = line_of(fit, stop).or_else(|| line_before(fit, stop))?;
    let (a, b) = (model.joints[start].x + half, model.joints[stop].x + half);
    let mut g = vec![0.0; fit.layout.len];
    for ((owner, line), at, sign) in [(first, a, 1.0), (last, b, -1.0)] {
        let unknown = fit.layout.line[owner]?;
        g[unknown] += sign * DB_PER_NEPER;
        g[unknown + 1] -= sign * DB_PER_NEPER * (at - line.at);
    }
    let value = DB_PER_NEPER * (first.1.log(a) - last.1.log(b));
    Measured::new(value, fit.factor.variance(g).sqrt()).finite().filter(measure::is_measured)
}

fn line_of(fit: &Fit, i: usize) -> Option<(usize, Line)> {
    match &fit.model.joints[i].behind {
        Behind::Fibre(line) => Some((i, *line)),
        _ => None,
    }
}

/// Optical return loss of everything from joint `start` on to `stop`, referred to the start, in dB.
///
/// All light that comes back over the light sent in: backscatter is the integral of its line, a
/// reflection its height times the pulse. Source: IEC 61746-1's integral of the trace (from memory),
/// docs/theory.md.
fn return_loss(trace: &Trace, found: &Found, start: usize, stop: usize) -> Option<Measured> {
    let fit = &found.fit;
    let backscatter_db = trace.settings.backscatter_db?;
    let model = &fit.model;
    let pulse = model.receiver.pulse;
    let (owner, reference) = if start == 0 { line_of(fit, 0) } else { line_before(fit, start) }?;
    let at = model.joints[start].x + 0.5 * pulse;
    let mut g = vec![0.0; fit.layout.len];
    let (mut sum, mut maybe_more) = (0.0, 0.0);
    for i in start..=stop {
        let joint = &model.joints[i];
        let inside = i == 0; // the panel reflects inside the instrument: no part of any link
        if let (Some(height), Some(unknown), false) = (joint.height, fit.layout.height[i], inside) {
            sum += height.max(0.0) * pulse;
            if let Some(line) = model.before(i) {
                let ratio = height / line.power(joint.x);
                let own_db = units::reflectance_db(ratio, backscatter_db, trace.pulse_ns());
                maybe_more += height.max(0.0) * pulse * measure::may_be_more_db(found, i, own_db);
            }
            g[unknown] += pulse;
        }
        if let (Behind::Fibre(line), Some(unknown)) = (&joint.behind, fit.layout.line[i]) {
            if i < stop {
                let to = model.next_change(i).map_or(joint.x, |j| model.joints[j].x);
                let middle = 0.5 * (joint.x + to) + 0.5 * pulse;
                let bend = line.fall * (to - joint.x);
                // the mean of an exponential about its middle, to fourth order
                let part = line.power(middle)
                    * (to - joint.x)
                    * (1.0 + bend * bend / 24.0 + bend.powi(4) / 1920.0);
                sum += part;
                g[unknown] += part;
                g[unknown + 1] -= part * (middle - line.at);
            }
        }
    }
    let incident = reference.power(at) * pulse;
    if sum <= 0.0 {
        return None;
    }
    for value in &mut g {
        *value /= sum;
    }
    let unknown = fit.layout.line[owner]?;
    g[unknown] -= 1.0;
    g[unknown + 1] += at - reference.at;
    let per_neper = 10.0 / std::f64::consts::LN_10;
    let value = -units::reflectance_db(sum / incident, backscatter_db, trace.pulse_ns());
    // The file states its backscatter to 0.1 dB: a rectangle of that width.
    let sigma = (per_neper * fit.factor.variance(g).sqrt()).hypot(0.1 / 12.0_f64.sqrt());
    // What may be more of one reflection is so in its share of all.
    Measured::new(value, sigma.hypot(maybe_more / sum)).finite()
}
