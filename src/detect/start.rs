//! A first model: strong reflections, large steps, and where the light stops.

use super::ends;
use super::limit;
use super::model::{Behind, Joint, Line, Model};
use super::noise::Noise;
use super::receiver::Receiver;
use super::rises::{self, Rise};
use super::samples::Samples;
use super::scan::{self, Levels, View};
use super::tails;
use crate::trace::Trace;
use crate::units::DB_PER_NEPER;

/// What is known of a trace before anything is fitted.
#[derive(Clone, Copy)]
pub(super) struct Known<'a> {
    pub samples: &'a Samples,
    pub noise: &'a Noise,
    /// Usual fall of fibre at this wavelength, in natural-log power per sample.
    pub usual_fall: f64,
    /// Power at which the receiver cuts off; infinite where it was never seen to.
    pub ceiling: f64,
    /// How many times the fibre before it a reflection is high that only an open end makes; infinite
    /// where the trace does not tell how much fibre scatters.
    pub open_end: f64,
}

/// What the bare samples show, and a first model of them.
pub(super) struct First {
    pub rises: Vec<Rise>,
    pub model: Model,
    /// As [`Known`] has them.
    pub usual_fall: f64,
    pub ceiling: f64,
    open_end: f64,
    /// Backscatter of a pulse of 1 ns times the pulse's length in ns; `None` where the trace does not tell.
    pub scatter: Option<f64>,
}

impl First {
    /// Of `samples`; `ceiling` is where their receiver cuts off, if that is known already.
    pub fn of(trace: &Trace, samples: &Samples, noise: &Noise, ceiling: Option<f64>) -> First {
        let usual = usual_attenuation_db_per_km(trace.settings.wavelength_nm);
        let usual_fall = usual / 1000.0 * samples.spacing_m / DB_PER_NEPER;
        let backscatter = trace.settings.backscatter_db;
        let scatter = backscatter.map(|b| 10.0_f64.powf(b / 10.0) * trace.pulse_ns());
        let open_end = scatter.map_or(f64::INFINITY, |b| 10.0_f64.powf(OPEN_END_DB / 10.0) / b);
        let rises = rises::rises(samples, noise);
        let ceiling = ceiling.unwrap_or_else(|| limit::ceiling(samples, noise, &rises));
        let known = Known { samples, noise, usual_fall, ceiling, open_end };
        let model = model(&known, &rises);
        First { rises, model, usual_fall, ceiling, open_end, scatter }
    }

    /// With the samples that it was made of.
    pub fn known<'a>(&self, samples: &'a Samples, noise: &'a Noise) -> Known<'a> {
        let First { usual_fall, ceiling, open_end, .. } = *self;
        Known { samples, noise, usual_fall, ceiling, open_end }
    }
}

/// Reflectance from which a reflection behind which light fades is an open end, in dB: glass against air
/// has -14.5 (Fresnel, n 1.468), and dirt on it takes a few dB. Common practice, no source.
pub(super) const OPEN_END_DB: f64 = -18.0;

/// What is usual for fibre at a wavelength, in dB/km: the middle of what the recommendations allow
/// and makers ship. Common practice, no source; only a weak belief is built on it.
fn usual_attenuation_db_per_km(wavelength_nm: Option<f64>) -> f64 {
    match wavelength_nm {
        Some(w) if w < 1000.0 => 2.6,
        Some(w) if w < 1450.0 => 0.35,
        Some(w) if w < 1520.0 => 0.24,
        Some(w) if w < 1590.0 => 0.20,
        Some(_) => 0.23,
        None => 0.25,
    }
}

/// From 10 to 90 % of the rise of the reflection at `x`, in samples. Of a jump between two of them they show 0.8, which
/// is taken off in squares: widths of what blurs one after another add so.
pub(super) fn length_of_rise(samples: &Samples, receiver: &Receiver, x: f64) -> f64 {
    let (a, b) = (samples.index(x - receiver.pulse), samples.index(x + 0.9 * receiver.pulse));
    let before = samples.mean(a, (a + b) / 2 - (b - a) / 4 + 1);
    let top = samples.power[a..=b].iter().copied().fold(0.0, f64::max);
    let crossing = |share: f64| {
        let level = before + share * (top - before);
        (a + 1..=b).find(|k| samples.power[*k] > level).map_or(0.0, |k| {
            let (low, high) = (samples.power[k - 1], samples.power[k]);
            k as f64 - (high - level) / (high - low).max(1e-300)
        })
    };
    let shown = crossing(0.9) - crossing(0.1);
    let rise = (shown * shown - 0.8 * 0.8).max(0.0).sqrt();
    rise.clamp(samples.pulse / 14.0, samples.pulse).max(0.6)
}

/// The shortest rise of the reflections on the fibre, in samples. `None` where there is none.
fn sharpest_rise(samples: &Samples, receiver: &Receiver, rises: &[Rise]) -> Option<f64> {
    let on_fibre = rises.iter().filter(|rise| rise.x > 2.0 * samples.pulse);
    on_fibre.map(|rise| length_of_rise(samples, receiver, rise.x)).min_by(f64::total_cmp)
}

/// Length of each of `poles` equal poles that rise from 10 to 90 % over `rise`: quantiles of the gamma
/// distribution of that many, docs/theory.md.
pub(super) fn pole_of_rise(rise: f64, poles: usize) -> f64 {
    rise / [2.197, 3.358, 4.220, 4.936, 5.561][poles - 1]
}

/// How many poles half height lies before the equal-area point: the median of a gamma distribution of
/// three is 2.674; 0.31 to 0.33 for one to five.
pub(super) const HALF_HEIGHT_POLES: f64 = 0.326;

/// The first model: panel, strong reflections, large steps, the end.
fn model(known: &Known, rises: &[Rise]) -> Model {
    let Known { samples, noise, ceiling, usual_fall, .. } = *known;
    let short = samples.pulse / 60.0;
    let receiver =
        Receiver { pulse: samples.pulse, poles: 3, pole: short, tail: 3.0 * samples.pulse };
    // Without noise the sharpest edge tells.
    let sharpest = || sharpest_rise(samples, &receiver, rises).map(|rise| pole_of_rise(rise, 3));
    let pole = if noise.seen { noise.pole } else { sharpest().unwrap_or(noise.pole) };
    let receiver = Receiver { pole: pole.clamp(short, samples.pulse / 5.0).max(0.15), ..receiver };
    let dark = samples.place(noise.dark_from.min(samples.len() - 1));
    let lights = noise.dark_from >= samples.len();
    let mut joints = vec![panel(samples, rises, ceiling)];
    let first_clear = joints[0].x + 1.2 * samples.pulse;
    let mut last_x = first_clear;
    for rise in rises.iter().filter(|r| r.x > first_clear) {
        // Lone pulses in the dark are looked for later, as echoes.
        if rise.x > dark + 0.5 * samples.pulse && rise.x > last_x + 3.0 * samples.pulse {
            break;
        }
        last_x = rise.x;
        joints.push(reflection(samples, &receiver, rise, ceiling));
    }
    let mut model = Model { joints, receiver };
    let dark = if lights { dark } else { ends::add(&mut model, known, dark) };
    let hidden = tails::mark(&mut model, known);
    add_large_steps(&mut model, known, dark, &hidden);
    set_lines(&mut model, samples, noise, usual_fall);
    model
}

fn panel(samples: &Samples, rises: &[Rise], ceiling: f64) -> Joint {
    let near = (1.0 * samples.pulse).max(2.0);
    let start = samples.index(-0.5 * samples.pulse);
    let end = samples.index(near).max(start + 1) + 1;
    let top = samples.power[start..end.min(samples.len())].iter().copied().fold(0.0, f64::max);
    let x = rises
        .iter()
        .find(|r| r.x.abs() < 0.5 * samples.pulse && samples.first < -1.0)
        .map_or(0.0, |r| r.x);
    let clipped = top > 0.97 * ceiling;
    // The instrument's zero is here; its own edges are not looked at.
    let held = Some((x, 0.02 * samples.pulse));
    Joint { clipped, held, ..Joint::new(x, Some(top), Behind::Fibre(flat())) }
}

fn reflection(samples: &Samples, receiver: &Receiver, rise: &Rise, ceiling: f64) -> Joint {
    let behind = Behind::Fibre(flat());
    if rise.top > ceiling {
        let (x, height) = limit::before_cut(samples, receiver, rise);
        // Of a reflection far over the limit no more than the feet of its edges are seen.
        let hidden = height > HIDDEN_HEIGHT * ceiling;
        let sd = if hidden { 0.02 } else { 0.1 } * receiver.pulse;
        let joint = Joint::new(x, Some(height), behind);
        return Joint { clipped: true, hidden, held: Some((x, sd)), ..joint };
    }
    let x = rise.x + HALF_HEIGHT_POLES * receiver.pole;
    let whole = Joint::new(x, Some(rise.top - rise.before), behind);
    // Of several the first is where the group begins.
    match first_of_wide(samples, receiver, rise) {
        Some(x) => Joint { x, places: 2, ..whole },
        None => whole,
    }
}

/// A reflection that stands wider at a fifth of its height than one pulse makes it: two that the
/// receiver does not resolve. Three poles make it wider by 2.75 of them; pulse lengths are off by 3 % and
/// less (common practice, no source), and samples by one at either side.
///
/// Returns the place of the first. A fifth of an edge is there 1.47 of its poles before that.
fn first_of_wide(samples: &Samples, receiver: &Receiver, rise: &Rise) -> Option<f64> {
    let low = rise.before + 0.2 * (rise.top - rise.before);
    let k = samples.index(rise.x + 0.5 * samples.pulse);
    let high = |p: &&f64| **p > low;
    let before = samples.power[..k].iter().rev().take_while(high).count();
    let wide = before + samples.power[k..].iter().take_while(high).count();
    (wide as f64 > 1.1 * samples.pulse + 2.75 * receiver.pole + 1.5)
        .then(|| samples.place(k - before) - 0.5 + 1.47 * receiver.pole)
}

/// How many times over the receiver's limit a reflection is no longer fitted: its place and height
/// hang on the feet of its edges alone, whose shape is only nearly known.
const HIDDEN_HEIGHT: f64 = 4.0;

fn flat() -> Line {
    Line { at: 0.0, level: 0.0, fall: 0.0 }
}

/// Steps and peaks that a scan of the bare level shows beyond doubt; several rounds, because a
/// large one hides what stands near it.
fn add_large_steps(model: &mut Model, known: &Known, dark: f64, decays: &[f64]) {
    let (samples, noise) = (known.samples, known.noise);
    let mut decays: Vec<(f64, f64)> =
        model.joints.iter().map(|j| j.x).zip(decays.iter().copied()).collect();
    let mut scanned: Vec<f64> = Vec::new();
    let from = hidden_by(model, &model.joints[0]).1.max(decays[0].1);
    let levels = Levels::between(samples, noise, known.usual_fall, from, dark);
    for _ in 0..4 {
        let mut hidden: Vec<(f64, f64)> =
            model.joints.iter().map(|joint| hidden_by(model, joint)).collect();
        for (stretch, joint) in hidden.iter_mut().zip(&model.joints) {
            for (x, until) in &decays {
                if *x == joint.x {
                    stretch.1 = stretch.1.max(*until);
                }
            }
        }
        let view = View::of_level(&levels, &hidden);
        let mut new: Vec<(Joint, f64)> = Vec::new();
        for i in 0..model.joints.len() {
            let to = match model.joints.get(i + 1) {
                Some(_) => hidden[i + 1].0,
                None if model.ends_dark() => continue,
                None => dark,
            };
            let next = model.joints.get(i + 1).map(|next| next.x);
            if scan::seen_between(&scanned, model.joints[i].x, next, 0.3 * samples.pulse) {
                continue;
            }
            new.extend(clear_steps(&view, model, samples, hidden[i].1, to));
        }
        if new.is_empty() {
            return;
        }
        scanned = model.joints.iter().map(|joint| joint.x).collect();
        for (joint, loss_db) in &new {
            if *loss_db > DEEP_DROP_DB {
                let to = model.joints.iter().map(|j| j.x).find(|x| *x > joint.x).unwrap_or(dark);
                let to = to - model.receiver.lead() - 1.0;
                let decay = tails::follow(known, &model.receiver, joint, to);
                decays.extend(decay.map(|decay| (joint.x, decay.until)));
            }
        }
        model.joints.extend(new.iter().map(|(joint, _)| *joint));
        model.sort();
    }
}

/// A drop from which its detector's decay hides the fibre behind: there is 16 times less light.
const DEEP_DROP_DB: f64 = 6.0;

/// The stretch that a joint's edges hide.
fn hidden_by(model: &Model, joint: &Joint) -> (f64, f64) {
    let receiver = &model.receiver;
    // The place of a cut-off reflection is not yet known to better than a pulse.
    let before = match (joint.clipped, joint.height) {
        (true, _) => receiver.toe().max(receiver.pulse),
        // A mean of the levels, half a pulse long, reaches half of that beyond its middle.
        (_, Some(_)) => receiver.toe() + 0.25 * receiver.pulse,
        _ => receiver.lead(),
    };
    (joint.x - before - 1.0, model.clear_behind(joint))
}

fn clear_steps(
    view: &View,
    model: &Model,
    samples: &Samples,
    from: f64,
    to: f64,
) -> Vec<(Joint, f64)> {
    let pulse = samples.pulse;
    let mut steps = Vec::new();
    for best in scan::candidates(view, model, from, to, 10.0) {
        if best.size_db.abs() < 0.04 {
            continue;
        }
        let near = (from.max(best.x - 4.0 * pulse), to.min(best.x + 5.0 * pulse));
        let x = match scan::refine(view, model, best.x, near.0, near.1) {
            _ if best.is_peak => best.x,
            Some((x, score)) if score > 6.0 => x,
            _ => continue,
        };
        if x - from > 0.2 * pulse && to - x > 1.2 * pulse {
            let level = samples.mean(samples.index(x), samples.index(x) + 1);
            let share = (1.0 - (-best.size_db / DB_PER_NEPER).exp()).max(0.1);
            let height = best.is_peak.then_some(level * share);
            let loss_db = if best.is_peak { 0.0 } else { best.size_db };
            steps.push((Joint::new(x, height, Behind::Fibre(flat())), loss_db));
        }
    }
    steps
}

/// Gives each stretch of fibre a line through its own samples.
pub(super) fn set_lines(model: &mut Model, samples: &Samples, noise: &Noise, usual_fall: f64) {
    for i in 0..model.joints.len() {
        if matches!(model.joints[i].behind, Behind::Fibre(_)) {
            let to = model
                .joints
                .get(i + 1)
                .map_or(samples.place(noise.dark_from.min(samples.len() - 1)), |next| {
                    next.x - model.receiver.lead()
                });
            let from = model.joints[i].x + model.receiver.settled();
            model.joints[i].behind =
                Behind::Fibre(line_between(samples, noise, from, to, usual_fall));
        }
    }
}

/// A line through the samples between two places, from the means of both halves; of the usual slope
/// where they are few.
pub(super) fn line_between(
    samples: &Samples,
    noise: &Noise,
    from: f64,
    to: f64,
    usual_fall: f64,
) -> Line {
    let from = from.min(to - 2.0);
    let (a, b) = (samples.index(from), samples.index(to).max(samples.index(from) + 1));
    let least = 0.3 * noise.sigma.max(1e-12);
    let level = samples.mean(a, b).max(least).ln();
    let at = samples.place(a) + 0.5 * (b - a) as f64;
    let half = (b - a) / 2;
    let mut fall = usual_fall;
    if half as f64 > 10.0 * samples.pulse {
        let (early, late) = (samples.mean(a, a + half), samples.mean(a + half, b));
        if late > 5.0 * noise.sigma {
            fall = ((early / late).ln() / half as f64).clamp(0.3 * usual_fall, 3.0 * usual_fall);
        }
    }
    Line { at, level, fall }
}
