//! What the scan leaves undecided: pairs that are one, steps that reflect, where exactly a weak step
//! and the end are.

use super::find;
use super::fit::{self, Fit, Given};
use super::model::{Behind, Joint, Line, Model};
use super::noise::Noise;
use super::samples::Samples;
use super::scan;
use crate::signal::line::Sums;
use crate::units::DB_PER_NEPER;

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

/// Tries a reflection at every step and at the end, and keeps those that stand out by `limit`.
pub(super) fn with_heights(fit: Fit, given: &Given, limit: f64) -> Fit {
    let mut tried = fit.model.clone();
    let mut any = false;
    for i in 1..tried.joints.len() {
        if tried.joints[i].height.is_none() {
            let power = tried.before(i).map_or(0.0, |line| line.power(tried.joints[i].x));
            tried.joints[i].height = Some(0.01 * power);
            any = true;
        }
    }
    if !any {
        return fit;
    }
    let Some(with) = fit::run(tried, given) else { return fit };
    let mut next = with.model.clone();
    let mut kept = false;
    for i in 1..next.joints.len() {
        if fit.model.joints[i].height.is_none() {
            let size = find::size(&with, i);
            if size.height < limit * size.height_sigma {
                next.joints[i] = Joint { behind: next.joints[i].behind, ..fit.model.joints[i] };
            } else {
                kept = true;
            }
        }
    }
    if !kept {
        return fit;
    }
    fit::run(next, given).unwrap_or(fit)
}

/// The end's place by likelihood: as far as the samples are better explained by the line before it
/// than by nothing. Looked at within ten pulses, and further where light is weaker than noise.
pub(super) fn settled_end(fit: &Fit, samples: &Samples, noise: &Noise) -> Option<f64> {
    let model = &fit.model;
    let last = model.joints.len() - 1;
    let end = &model.joints[last];
    let line = model.before(last).filter(|_| model.ends_dark() && last > 0)?;
    let power = line.power(end.x);
    if end.height.is_some_and(|height| height > 0.5 * power) || end.clipped {
        return None; // its own edges place it better
    }
    let pulse = model.receiver.pulse;
    let weak = noise.kappa * (noise.sigma / power).powi(2);
    let span = (10.0 * pulse).max(60.0 * weak);
    let from = samples.index((end.x - span).max(model.joints[last - 1].x + 2.0 * pulse));
    let to = samples.index(end.x + span + pulse);
    let (mut sum, mut best, mut at) = (0.0, 0.0, None);
    let dark = noise.clipped_mean(0.0);
    for k in from..to {
        let l = line.power(samples.place(k));
        let var = scan::noise_var(samples, noise, l, 1.0);
        let lit = noise.clipped_mean(l);
        sum += (samples.power[k] - 0.5 * (lit + dark)) * (lit - dark) / var;
        if sum > best {
            best = sum;
            at = Some(k);
        }
    }
    // Half of the light is gone half a pulse behind the end.
    let x = samples.place(at?) + 0.5 - 0.5 * pulse;
    ((x - end.x).abs() > 0.2 * pulse).then_some(x)
}

/// The model without a last section that is no fibre: what stands there is lost in the noise, or
/// fades as no fibre does – what a detector's slow tail leaves of the light before the end. `None`
/// where the last section is fibre.
pub(super) fn without_false_end(fit: &Fit, samples: &Samples, noise: &Noise) -> Option<Model> {
    let model = &fit.model;
    let last = model.joints.len().checked_sub(1).filter(|i| *i > 1 && model.ends_dark())?;
    let joint = &model.joints[last - 1];
    let Behind::Fibre(line) = &joint.behind else { return None };
    let before = model.before(last - 1)?;
    // A drop of 4 dB and more is an end, a splitter or nothing else.
    if DB_PER_NEPER * (before.log(joint.x) - line.log(joint.x)) < 4.0 {
        return None;
    }
    let receiver = &model.receiver;
    let from = samples.index(joint.x + receiver.pulse + 10.0 * receiver.pole + 1.0);
    let to = samples.index(model.joints[last].x).max(from + 4).min(samples.len());
    if to < from + 4 {
        return None;
    }
    let half = (to - from) / 2;
    let dark = noise.clipped_mean(0.0);
    let mean = |a: usize, b: usize| samples.mean(a, b) - dark;
    let (near, late) = (mean(from, from + half), mean(from + half, to));
    let sd = |n: usize| noise.sigma * (noise.kappa.min(n as f64) / n as f64).sqrt();
    let seen = mean(from, to) > 4.0 * sd(to - from);
    let fades = late * (line.fall * half as f64).exp() + 2.0 * sd(half) < 0.75 * near;
    if seen && !fades {
        return None;
    }
    let mut next = model.clone();
    next.joints.pop();
    if let Some(end) = next.joints.last_mut() {
        end.behind = Behind::Dark;
    }
    Some(next)
}

/// Place of a weak step by the profile of its likelihood, and one standard deviation of it.
///
/// The likelihood of a weak step's place has several peaks: all places within four pulses are tried,
/// with both lines free at each. The sigma is the half width of the 95 % interval over 1.96.
pub(super) fn profile(
    fit: &Fit,
    samples: &Samples,
    noise: &Noise,
    slope_sd: f64,
    i: usize,
) -> Option<(f64, f64)> {
    let model = &fit.model;
    let pulse = model.receiver.pulse;
    let joint = &model.joints[i];
    let line = *model.before(i)?;
    let from = hidden_behind(model, i - 1).max(joint.x - 120.0 * pulse);
    let next = model.joints.get(i + 1).map_or(samples.place(noise.dark_from), |n| n.x);
    let to = (next - model.receiver.lead() - 1.0).min(joint.x + 120.0 * pulse);
    let data = Data::cut(fit, samples, noise, &line, from, to);
    let (low, high) =
        ((joint.x - 4.0 * pulse).max(from + pulse), (joint.x + 4.0 * pulse).min(to - 2.0 * pulse));
    let step = pulse / 8.0;
    let mut tried: Vec<(f64, f64)> = Vec::new();
    let mut x = low;
    while x <= high {
        tried.extend(data.gain(model, x, slope_sd).map(|gain| (x, gain)));
        x += step;
    }
    let best = tried.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let inside = tried.iter().filter(|t| best.1 - t.1 < 3.84).map(|t| t.0);
    let (first, last) = inside.fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(x), b.max(x)));
    let width = 0.5 * (last - first) + 0.5 * step;
    Some((best.0, width / 1.96))
}

fn hidden_behind(model: &Model, i: usize) -> f64 {
    let joint = &model.joints[i];
    let poles = if joint.height.is_some() { 15.0 } else { 6.0 };
    joint.x + model.receiver.pulse + poles * model.receiver.pole + 1.0
}

/// Means of the trace over a reference line, in dB.
struct Data {
    x: Vec<f64>,
    v: Vec<f64>,
    w: Vec<f64>,
    sums: Sums,
}

impl Data {
    fn cut(fit: &Fit, samples: &Samples, noise: &Noise, line: &Line, from: f64, to: f64) -> Data {
        let m = ((samples.pulse / 6.0) as usize).max(1);
        let (mut x, mut v, mut w) = (Vec::new(), Vec::new(), Vec::new());
        let (mut k, end) = (samples.index(from), samples.index(to));
        let reach = fit.model.receiver.tail_reach();
        while k + m <= end {
            let at = samples.place(k) + 0.5 * (m as f64 - 1.0);
            let power = line.power(at);
            let mut mean = samples.mean(k, k + m);
            for joint in fit.model.joints.iter().filter(|j| j.x < at && at < j.x + reach) {
                if let Some(tail) = joint.tail {
                    mean -= tail * fit.model.receiver.tail(at - joint.x).0;
                }
            }
            let var = scan::noise_var(samples, noise, power, m as f64);
            x.push(at);
            v.push(DB_PER_NEPER * (mean / power - 1.0));
            w.push(power * power / (DB_PER_NEPER.powi(2) * var));
            k += m;
        }
        let sums = Sums::new(&x, &v, &w);
        Data { x, v, w, sums }
    }

    /// How much a step at `place` with free lines on both sides explains: `bᵀN⁻¹b` of the four
    /// unknowns. `None` where a side is too short.
    fn gain(&self, model: &Model, place: f64, slope_sd: f64) -> Option<f64> {
        let receiver = &model.receiver;
        let a = self.x.partition_point(|x| *x < place - receiver.lead());
        let b = self.x.partition_point(|x| *x < place + receiver.pulse + 6.0 * receiver.pole);
        let end = self.x.len();
        if a < 3 || end < b + 3 {
            return None;
        }
        let mut n = [[0.0; 4]; 4];
        let mut r = [0.0; 4];
        for (half, [w, wx, wxx, wy, wxy]) in
            [(0, self.sums.moments(0, a)), (2, self.sums.moments(b, end))]
        {
            n[half][half] += w;
            n[half][half + 1] += wx;
            n[half + 1][half] += wx;
            n[half + 1][half + 1] += wxx;
            r[half] += wy;
            r[half + 1] += wxy;
        }
        for k in a..b {
            let u = receiver.shape(self.x[k] - place).ramp;
            let x = self.sums.scaled(self.x[k]);
            let row = [1.0 - u, (1.0 - u) * x, u, u * x];
            for i in 0..4 {
                r[i] += self.w[k] * row[i] * self.v[k];
                for j in 0..4 {
                    n[i][j] += self.w[k] * row[i] * row[j];
                }
            }
        }
        // Slopes differ from the line before by no more than fibres of one trace do.
        let held = self.sums.slope_weight(slope_sd * DB_PER_NEPER);
        n[1][1] += held;
        n[3][3] += held;
        explained(n, r)
    }
}

/// `bᵀN⁻¹b` by elimination. `None` where N is not positive.
fn explained(mut n: [[f64; 4]; 4], mut r: [f64; 4]) -> Option<f64> {
    let mut sum = 0.0;
    for i in 0..4 {
        let pivot = n[i][i];
        if pivot <= 0.0 || !pivot.is_finite() {
            return None;
        }
        sum += r[i] * r[i] / pivot;
        for j in i + 1..4 {
            let share = n[j][i] / pivot;
            r[j] -= share * r[i];
            for k in i..4 {
                n[j][k] -= share * n[i][k];
            }
        }
    }
    Some(sum)
}
