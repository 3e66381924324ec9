//! The scan: where do lines on both sides of a place disagree, or a pulse stand between them?

use super::fit::Fit;
use super::model::{Model, Tails};
use super::noise::Noise;
use super::samples::Samples;
use crate::signal::line::Sums;
use crate::units::DB_PER_NEPER;

/// The trace as dB over a reference, in short means with their weights.
pub(super) struct View {
    /// Middle of each mean, in samples from the panel.
    pub x: Vec<f64>,
    /// Samples in each mean.
    pub step: f64,
    pub sums: Sums,
    /// Standard deviation of slopes believed beforehand, in dB per sample.
    pub slope_sd: f64,
    /// What that adds to the sums.
    slope_weight: f64,
}

/// A place that looks like an event.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    /// Place of the event in samples from the panel.
    pub x: f64,
    /// How many standard deviations its step, or its peak, stands out.
    pub score: f64,
    /// The step in dB, positive for a loss; of a peak its height.
    pub size_db: f64,
    pub is_peak: bool,
}

impl View {
    /// The fibre behind joint `i` of a fitted model, up to the next joint or to where it is dark:
    /// `v = K·(p/p̂ - 1)`. `None` where no fibre is, or none is left between the edges.
    pub fn of_residual(
        fit: &Fit,
        samples: &Samples,
        noise: &Noise,
        slope_sd: f64,
        i: usize,
    ) -> Option<View> {
        let model = &fit.model;
        let line = model.behind(i)?;
        let from = match i {
            0 => model.joints[0].x + model.receiver.settled() + 1.0,
            _ => model.clear_behind(&model.joints[i]),
        };
        let to = if i + 1 < model.joints.len() {
            model.onset(i + 1) - 1.0
        } else {
            samples.place(noise.dark_from.min(samples.len() - 1))
        };
        let m = means(samples);
        let (mut k, end) = (samples.index(from) + 1, samples.index(to));
        if end < k + 8 * m {
            return None;
        }
        let tails = Tails::between(model, from, to);
        let mut power = line.power(samples.place(k) + 0.5 * (m as f64 - 1.0));
        let ratio = (-line.fall * m as f64).exp();
        let mut raw = Raw::between(samples.place(k), samples.place(end), m);
        while k + m <= end {
            let x = samples.place(k) + 0.5 * (m as f64 - 1.0);
            let tail = tails.at(x);
            let mean = samples.mean(k, k + m);
            let var = noise_var(samples, noise, power, m as f64) + (0.05 * tail).powi(2);
            let weight = power * power / (DB_PER_NEPER.powi(2) * var);
            raw.push(x, DB_PER_NEPER * (mean - tail - power) / power, weight);
            power *= ratio;
            k += m;
        }
        Some(raw.view(slope_sd * DB_PER_NEPER))
    }

    /// The trace's own level in dB, before anything is known; `hidden` lists places with an event,
    /// from and to. Only what stands well over the noise has weight.
    pub fn of_level(
        samples: &Samples,
        noise: &Noise,
        hidden: &[(f64, f64)],
        from: f64,
        to: f64,
    ) -> View {
        // Only what is beyond doubt is looked for: half a pulse is fine enough.
        let m = ((0.5 * samples.pulse) as usize).max(1);
        let (mut k, end) = (samples.index(from), samples.index(to));
        let mut raw = Raw::between(samples.place(k), samples.place(end), m);
        while k + m <= end {
            let x = samples.place(k) + 0.5 * (m as f64 - 1.0);
            let mean = samples.mean(k, k + m);
            let var = noise_var(samples, noise, mean, m as f64);
            let over = if mean > 0.0 { mean * mean / var } else { 0.0 };
            let seen = over > 16.0 && !hidden.iter().any(|(a, b)| *a < x && x < *b);
            if seen {
                raw.push(x, DB_PER_NEPER * mean.ln(), over / DB_PER_NEPER.powi(2));
            } else {
                raw.push(x, 0.0, 0.0);
            }
            k += m;
        }
        raw.view(f64::INFINITY)
    }

    /// Index of the first mean at or behind `x`.
    pub fn index(&self, x: f64) -> usize {
        self.x.partition_point(|at| *at < x)
    }
}

/// Where means lie and what they say, while they come in.
struct Raw {
    x: Vec<f64>,
    sums: Sums,
    step: f64,
}

impl Raw {
    /// For means of `m` samples from place `from` on, up to `to`.
    fn between(from: f64, to: f64, m: usize) -> Raw {
        let count = ((to - from) / m as f64).max(0.0) as usize + 1;
        let x = Vec::with_capacity(count);
        Raw { x, sums: Sums::empty(from, to, count), step: m as f64 }
    }

    #[inline]
    fn push(&mut self, x: f64, v: f64, w: f64) {
        self.x.push(x);
        self.sums.push(x, v, w);
    }

    fn view(self, slope_sd: f64) -> View {
        let slope_weight = self.sums.slope_weight(slope_sd);
        View { x: self.x, step: self.step, sums: self.sums, slope_sd, slope_weight }
    }
}

/// Samples in one mean: a quarter of a pulse loses nothing to the scan, the noise is coloured.
fn means(samples: &Samples) -> usize {
    ((samples.pulse / 4.0) as usize).max(1)
}

/// Whether the joints of the last scan hold these two as neighbours.
pub(super) fn seen_between(scanned: &[f64], from: f64, to: Option<f64>, near: f64) -> bool {
    let i = scanned.partition_point(|x| *x < from - near);
    let same = |i: usize, x: f64| scanned.get(i).is_some_and(|s| (s - x).abs() < near);
    same(i, from) && to.map_or(i + 1 == scanned.len(), |to| same(i + 1, to))
}

/// Variance of the mean of `n` samples of backscatter `power`.
pub(super) fn noise_var(samples: &Samples, noise: &Noise, power: f64, n: f64) -> f64 {
    let rough = samples.pulse * noise.speckle.powi(2) * power * power;
    (noise.kappa * noise.sigma.powi(2) + rough + samples.rounding_var(power, noise.sigma)) / n
}

/// Places in `view` between `from` and `to` that look like events, in order of window and score.
///
/// Windows grow threefold from two pulse lengths to the whole stretch. The step is the difference of
/// the two lines at the middle of the gap; the peak the gap's mean over both. The smallest window
/// that shows an event is believed first: it bends the lines of every longer one.
pub(super) fn candidates(
    view: &View,
    model: &Model,
    from: f64,
    to: f64,
    loose: f64,
) -> Vec<Candidate> {
    let per_pulse = model.receiver.pulse / view.step;
    let lead = model.receiver.lead() / view.step;
    let gap = (per_pulse + 2.0 * lead).ceil().max(1.0) as usize;
    let (a, b) = (view.index(from), view.index(to));
    let mut kept: Vec<Candidate> = Vec::new();
    let mut window = (2.0 * per_pulse).max(3.0) as usize;
    // What stands far out is seen from further off.
    let stride_pulses = if loose < 8.0 { 0.5 } else { 1.0 };
    loop {
        let whole = 2 * window >= b.saturating_sub(a);
        let stride =
            (window as f64 / 12.0).clamp((per_pulse / 4.0).max(1.0), (per_pulse / 2.0).max(1.0));
        let stride = stride.max(window.min(b.saturating_sub(a)) as f64 / 24.0);
        let reach = if whole { to - from } else { (window + gap) as f64 * view.step };
        let known = kept.len();
        let mut found: Vec<Candidate> = Vec::new();
        let at = |k: usize, least: f64| {
            let left = if whole { a } else { k.saturating_sub(window).max(a) };
            let right = if whole { b } else { (k + gap + window).min(b) };
            weigh(view, left, k, k + gap, right, lead, least)
        };
        // Coarse first: half a coarse step off, two thirds of a score are left.
        let fine = (stride as usize).max(1);
        let coarse = fine.max((stride_pulses * per_pulse).max(window as f64 / 4.0) as usize);
        let mut k = a + 2;
        while k + gap + 2 < b {
            if at(k, 0.65 * loose).is_some() {
                let near = (k.saturating_sub(coarse / 2).max(a + 2)..=k + coarse / 2).step_by(fine);
                let near = near.filter(|k| k + gap + 2 < b).filter_map(|k| at(k, loose));
                found.extend(near.filter(|candidate| {
                    kept[..known].iter().all(|c| (c.x - candidate.x).abs() > reach)
                }));
            }
            k += coarse;
        }
        found.sort_by(|p, q| q.score.total_cmp(&p.score));
        for candidate in found {
            if kept[known..].iter().all(|c| (c.x - candidate.x).abs() > reach) {
                kept.push(candidate);
            }
        }
        if whole || a >= b {
            return kept;
        }
        window *= 3;
    }
}

/// Step and peak over the gap `k..end` between windows `left..k` and `end..right`.
fn weigh(
    view: &View,
    left: usize,
    k: usize,
    end: usize,
    right: usize,
    lead: f64,
    loose: f64,
) -> Option<Candidate> {
    let middle = 0.5 * (view.x[k] + view.x[end - 1]);
    let l = view.sums.held_ratio_at(left, k, middle, view.slope_weight)?;
    let r = view.sums.held_ratio_at(end, right, middle, view.slope_weight)?;
    // Squares over common denominators: nearly every place is turned down, and divisions are dear.
    let both = l.over * r.over;
    let var = l.var * r.over + r.var * l.over; // over `both`, as what follows
    let (lv, rv) = (l.value * r.over, r.value * l.over);
    let inside = (lead as usize).min((end - k) / 3);
    let [weight, _, _, sum, _] = view.sums.moments(k + inside, end - inside);
    let step = lv - rv;
    let peak = (2.0 * both * sum - weight * (lv + rv)).max(0.0); // over 2·both·weight
    let step_var = both * var;
    let peak_var = weight * (4.0 * both * both + step_var * weight);
    let least = loose * loose;
    if step * step <= least * step_var && peak * peak <= least * peak_var {
        return None;
    }
    let step_score = step * step / step_var;
    let peak_score = if weight > 0.0 { peak * peak / peak_var } else { 0.0 };
    let is_peak = peak_score > step_score;
    Some(Candidate {
        x: view.x[k] + lead * view.step - 0.5 * view.step,
        score: step_score.max(peak_score).sqrt(),
        size_db: if is_peak { peak / (2.0 * both * weight) } else { step / both },
        is_peak,
    })
}

/// Refines a step's place inside its section: the largest step of the lines over all of
/// `from..to`, tried at every mean within two pulses of `x`. Also the places at which a step is no
/// more than 3.84 below the best in squared score: the 95 % interval of its profile.
pub(super) fn refine(view: &View, model: &Model, x: f64, from: f64, to: f64) -> Option<(f64, f64)> {
    let pulse = model.receiver.pulse;
    let lead = model.receiver.lead() / view.step;
    let gap = (pulse / view.step + 2.0 * lead).ceil().max(1.0) as usize;
    let (a, b) = (view.index(from), view.index(to));
    let start = view.index(x - model.receiver.lead()) as isize;
    let span = (2.0 * pulse / view.step).ceil() as isize;
    let mut best: Option<(f64, f64)> = None;
    for k in start - span..=start + span {
        let k = k.max(0) as usize;
        if k < a + 2 || k + gap + 2 >= b {
            continue;
        }
        let middle = 0.5 * (view.x[k] + view.x[k + gap - 1]);
        let lines = view
            .sums
            .held_value_at(a, k, middle, view.slope_sd)
            .zip(view.sums.held_value_at(k + gap, b, middle, view.slope_sd));
        let Some(((l, vl), (r, vr))) = lines else { continue };
        let score = (l - r).powi(2) / (vl + vr);
        if best.is_none_or(|(s, _)| score > s) {
            best = Some((score, view.x[k] + (lead - 0.5) * view.step));
        }
    }
    best.map(|(score, x)| (x, score.sqrt()))
}
