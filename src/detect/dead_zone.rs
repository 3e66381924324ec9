//! What a reflection hides behind itself, by the two widths that IEC 61746-1 defines (from memory).

use super::Study;
use super::fit::{Fit, TAIL_MISFIT};
use super::model::{Behind, Joint, Model};
use super::receiver::MOST_POLES;
use crate::event::{DeadZones, Event};
use crate::units::{DB_PER_NEPER, Measured};

/// The event dead zone is the peak's width this far below its top: `5·log10 2 = 1.505`, so about the
/// full width at half power. IEC 61746-1, from memory.
const BELOW_TOP_DB: f64 = 1.5;

/// The attenuation dead zone ends where the trace stays within this of the backscatter. IEC 61746-1,
/// from memory.
const OVER_LINE_DB: f64 = 0.5;

/// Where between two samples an edge lies is known no better than this, in samples: as for places.
const BETWEEN_SAMPLES: f64 = 0.02;

impl Study {
    /// The dead zones of one of this analysis's events. Both are `None` where it is no whole, single
    /// reflection on the fibre: then there is no width to speak of.
    pub fn dead_zones(&self, event: &Event) -> DeadZones {
        let Some((samples, Some(found))) = &self.0 else { return DeadZones::default() };
        let place = event.position_m.0 / samples.spacing_m;
        let own = |joint: &Joint| (joint.x - place).abs() < 1e-6;
        let i = found.fit.model.joints.iter().position(own).filter(|i| *i > 0);
        let Some(i) = i.filter(|_| event.merged == 1) else { return DeadZones::default() };
        let [event_m, attenuation_m] = measured(&found.fit, i)
            .map(|width| width.map(|samples_wide| samples_wide.times(samples.spacing_m)));
        DeadZones { event_m, attenuation_m }
    }
}

/// Both widths of joint `i` in samples: from the fit, so that noise does not widen them.
fn measured(fit: &Fit, i: usize) -> [Option<Measured>; 2] {
    let joint = &fit.model.joints[i];
    if joint.clipped || joint.height.is_none() {
        return [None; 2];
    }
    let widths = widths(&fit.model, i);
    let nearby = nearby(fit, i);
    let mut out = [None; 2];
    for which in 0..2 {
        let Some(width) = widths[which] else { continue };
        let mut gradient = vec![0.0; fit.layout.len];
        let mut model_var = 0.0_f64;
        for (what, other) in &nearby {
            let by = other[which].map_or(width, |w| w - width);
            match what {
                Change::Unknown(unknown, step) => gradient[*unknown] = by / step,
                // which of its neighbours a receiver is, nothing tells: evenly spread over them
                Change::Poles => model_var = model_var.max(by * by / 3.0),
                Change::Tail => model_var += by * by,
            }
        }
        let sigma = (fit.factor.variance(gradient) + model_var).sqrt().hypot(BETWEEN_SAMPLES);
        out[which] = Some(Measured::new(width, sigma));
    }
    out
}

/// What was changed to see how the widths move.
enum Change {
    /// One unknown of the fit, by one sigma.
    Unknown(usize, f64),
    /// One pole more or less, of the same variance.
    Poles,
    /// The tail's height by its misfit.
    Tail,
}

/// The widths of joint `i` where one thing about the model is different.
fn nearby(fit: &Fit, i: usize) -> Vec<(Change, [Option<f64>; 2])> {
    let (model, layout) = (&fit.model, &fit.layout);
    let mut out = Vec::new();
    let mut unknown = |unknown: Option<usize>, change: &dyn Fn(&mut Model, f64)| {
        let Some(unknown) = unknown else { return };
        let step = fit.sigma(unknown);
        if step > 0.0 {
            let mut other = model.clone();
            change(&mut other, step);
            out.push((Change::Unknown(unknown, step), widths(&other, i)));
        }
    };
    unknown(layout.height[i], &|m, by| add(&mut m.joints[i].height, by));
    unknown(layout.tail[i], &|m, by| add(&mut m.joints[i].tail, by));
    unknown(layout.pole, &|m, by| m.receiver.pole += by);
    unknown(layout.tail_length, &|m, by| m.receiver.tail *= by.exp());
    let owns = |j: &usize| layout.line[*j].is_some();
    for owner in [(0..i).rev().find(owns), Some(i).filter(owns)].into_iter().flatten() {
        unknown(layout.line[owner], &|m, by| {
            if let Behind::Fibre(line) = &mut m.joints[owner].behind {
                line.level += by;
            }
        });
    }
    for poles in [model.receiver.poles - 1, model.receiver.poles + 1] {
        if (1..=MOST_POLES).contains(&poles) {
            let receiver = model.receiver.with_poles(poles);
            let other = Model { receiver, ..model.clone() };
            out.push((Change::Poles, widths(&other, i)));
        }
    }
    if let Some(tail) = model.joints[i].tail {
        let mut other = model.clone();
        other.joints[i].tail = Some(tail * (1.0 + TAIL_MISFIT));
        out.push((Change::Tail, widths(&other, i)));
    }
    out
}

fn add(figure: &mut Option<f64>, by: f64) {
    if let Some(figure) = figure {
        *figure += by;
    }
}

/// Width of joint `i`'s peak below its top, and how far from its place the trace is off the line
/// behind it, in samples. `None` where the peak is too low for the one, or for the other.
fn widths(model: &Model, i: usize) -> [Option<f64>; 2] {
    let (receiver, joint) = (&model.receiver, &model.joints[i]);
    let (before, behind) = (model.before(i), model.behind(i));
    let power = |d: f64| {
        let x = joint.x + d;
        let shape = receiver.shape_at(d);
        let of = |line: Option<&super::model::Line>| line.map_or(0.0, |line| line.power(x));
        of(before) * (1.0 - shape.ramp)
            + of(behind) * shape.ramp
            + joint.height.unwrap_or(0.0) * shape.rect
            + joint.tail.unwrap_or(0.0) * receiver.tail_at(d)
    };
    let step = (receiver.pulse / 64.0).max(0.02);
    let (start, far) =
        (-receiver.lead() - 1.0, receiver.settled().max(receiver.tail_reach()) + receiver.pulse);
    let (mut top, mut top_at, mut d) = (0.0, 0.0, start);
    while d < receiver.settled() {
        if power(d) > top {
            (top, top_at) = (power(d), d);
        }
        d += step;
    }
    let level = top * 10.0_f64.powf(-BELOW_TOP_DB / 5.0);
    let high = |d: f64| power(d) > level;
    let rise = last(high, top_at, start, step);
    let fall = last(high, top_at, far, step);
    let event = rise.zip(fall).map(|(rise, fall)| fall - rise);
    let attenuation = behind.and_then(|line| {
        let off = |d: f64| {
            (DB_PER_NEPER * (power(d) / line.power(joint.x + d)).ln()).abs() > OVER_LINE_DB
        };
        let outside = |d: f64| !off(d);
        // from far behind towards the event: the first place that is off
        last(outside, far, 0.0, step)
    });
    [event, attenuation]
}

/// The last place from `from` towards `to` up to which `holds` is true, to a thousandth of a step.
/// `None` where it does not hold at `from`, or holds as far as `to`.
fn last(holds: impl Fn(f64) -> bool, from: f64, to: f64, step: f64) -> Option<f64> {
    let sign = (to - from).signum();
    let mut inside = from;
    if !holds(from) {
        return None;
    }
    loop {
        let next = inside + sign * step;
        if sign * (to - next) < 0.0 {
            return None;
        }
        if !holds(next) {
            break;
        }
        inside = next;
    }
    let mut outside = inside + sign * step;
    for _ in 0..10 {
        let middle = 0.5 * (inside + outside);
        *(if holds(middle) { &mut inside } else { &mut outside }) = middle;
    }
    Some(0.5 * (inside + outside))
}
