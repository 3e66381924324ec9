//! The scan: where do lines on both sides of a place disagree, or a pulse stand between them?

use std::ops::Range;

use super::fit::Fit;
use super::model::{Model, Tails};
use super::noise::Noise;
use super::samples::Samples;
use crate::signal::lanes::{LANES, Lanes};
use crate::signal::line::{Ratios, Sums};
use crate::units::DB_PER_NEPER;

/// The trace as dB over a reference, in short means with their weights.
pub(super) struct View {
    /// Middle of the first mean, in samples from the panel.
    first: f64,
    /// Samples in each mean.
    step: f64,
    sums: Sums,
    /// What the slopes believed beforehand add to the sums.
    slope_weight: f64,
    /// How far slopes are from 0 at most but for rare cases, in dB per sample.
    slopes_apart: f64,
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
        // Along the means by multiplication; the tails decay, for their pulses are over.
        let x = samples.place(k) + 0.5 * (m as f64 - 1.0);
        let into = (-0.5 * (m as f64 - 1.0) / model.receiver.tail).exp();
        let tail = Tails::between(model, from, to).at(Lanes::splat(samples.place(k))).to_array()[0];
        let mut tail = Powers::of(tail * into, (-(m as f64) / model.receiver.tail).exp());
        let mut power = Powers::of(line.power(x), (-line.fall * m as f64).exp());
        let mut per_power = Powers::of(1.0 / line.power(x), (line.fall * m as f64).exp());
        let per_mean = 1.0 / m as f64;
        let count = (end - k) / m;
        let (mut over, mut weight) =
            (Vec::with_capacity(count + LANES), Vec::with_capacity(count + LANES));
        while over.len() < count {
            let mean = samples.four_means(k, m, end);
            let var = noise_var_of(samples, noise, power.here) * per_mean
                + tail.here * tail.here * 0.05_f64.powi(2)
                + samples.four_unsure(k, m, end);
            let off = ((mean - tail.here) * per_power.here - 1.0) * DB_PER_NEPER;
            let per_var = power.here * power.here / (var * DB_PER_NEPER.powi(2));
            over.extend(off.to_array());
            weight.extend(per_var.to_array());
            for series in [&mut power, &mut per_power, &mut tail] {
                series.go_on();
            }
            k += LANES * m;
        }
        let sd = slope_sd * DB_PER_NEPER;
        Some(View::new(x, m, &over[..count], &weight[..count], [sd, sd]))
    }

    /// The trace's own level in dB, before anything is known; `hidden` lists places with an event, from
    /// and to.
    pub fn of_level(levels: &Levels, hidden: &[(f64, f64)]) -> View {
        let mut weight = levels.weight.clone();
        let behind = |x: f64| mean_from(levels.first, levels.step as f64, weight.len(), x);
        let stretches: Vec<Range<usize>> =
            hidden.iter().map(|(from, to)| behind(*from)..behind(*to)).collect();
        for hidden in stretches.into_iter().filter(|stretch| !stretch.is_empty()) {
            weight[hidden].fill(0.0);
        }
        let slopes = [f64::INFINITY, levels.slopes_apart];
        View::new(levels.first, levels.step, &levels.level, &weight, slopes)
    }

    /// Means of `m` samples with their weights, the first about place `first`.
    fn new(first: f64, m: usize, over: &[f64], weight: &[f64], slopes: [f64; 2]) -> View {
        let sums = Sums::regular(first, m as f64, over, weight);
        let [slope_sd, slopes_apart] = slopes;
        let slope_weight = sums.slope_weight(slope_sd);
        View { first, step: m as f64, sums, slope_weight, slopes_apart }
    }

    /// Whether the slopes that are possible move the levels at the gap between two windows, of so many of
    /// the means `a..b`, by less than a third of what is looked for: then a first look needs none.
    fn knows_no_slope(&self, a: usize, b: usize, window: usize, loose: f64) -> bool {
        let weight = self.sums.weight(a.min(b), b) / b.saturating_sub(a).max(1) as f64;
        // The gap's middle is about as far from both windows' middles as they are long.
        let shift = self.slopes_apart * window as f64 * self.step;
        2.0 * shift * shift * weight * (window as f64) < (0.3 * loose).powi(2)
    }

    /// Place of the middle of mean `k`.
    fn place(&self, k: usize) -> f64 {
        self.first + k as f64 * self.step
    }

    /// Index of the first mean at or behind `x`.
    fn index(&self, x: f64) -> usize {
        mean_from(self.first, self.step, self.sums.len(), x)
    }
}

/// The first at or behind `x` of `count` means, `step` apart from place `first` on.
fn mean_from(first: f64, step: f64, count: usize, x: f64) -> usize {
    (((x - first) / step).ceil().max(0.0) as usize).min(count)
}

/// Four neighbouring members of a geometric series.
struct Powers {
    here: Lanes,
    ratio: f64, // of those four behind
}

impl Powers {
    fn of(first: f64, ratio: f64) -> Powers {
        let [two, three] = [ratio * ratio, ratio * ratio * ratio];
        Powers { here: Lanes::from([1.0, ratio, two, three]) * first, ratio: two * two }
    }

    fn go_on(&mut self) {
        self.here *= self.ratio;
    }
}

/// Means of half a pulse from one place to another, before anything is known: only what is beyond doubt is
/// looked for in them. What does not stand well over the noise has no weight.
pub(super) struct Levels {
    /// Middle of the first.
    first: f64,
    /// In dB over a fibre of the usual slope.
    level: Vec<f64>,
    weight: Vec<f64>,
    /// Samples in each mean.
    step: usize,
    /// How far fibre is from the usual slope at most but for rare cases, in dB per sample.
    slopes_apart: f64,
}

impl Levels {
    pub fn between(
        samples: &Samples,
        noise: &Noise,
        usual_fall: f64,
        from: f64,
        to: f64,
    ) -> Levels {
        let step = ((0.5 * samples.pulse) as usize).max(1);
        let (start, end) = (samples.index(from), samples.index(to));
        let count = end.saturating_sub(start) / step;
        let first = samples.place(start) + 0.5 * (step as f64 - 1.0);
        let (mut level, mut weight) =
            (Vec::with_capacity(count + LANES), Vec::with_capacity(count + LANES));
        let per_mean = 1.0 / step as f64;
        while level.len() < count {
            let k = level.len();
            let mean = samples.four_means(start + k * step, step, end);
            let var = noise_var_of(samples, noise, mean) * per_mean
                + samples.four_unsure(start + k * step, step, end);
            let over = mean * mean / var;
            let seen = mean.simd_gt(Lanes::ZERO) & over.simd_gt(Lanes::splat(16.0));
            let at = |i: usize| first + (k + i) as f64 * step as f64;
            let over_fibre = Lanes::from(std::array::from_fn(at)) * usual_fall;
            level.extend(
                seen.select((mean.ln() + over_fibre) * DB_PER_NEPER, Lanes::ZERO).to_array(),
            );
            weight.extend(seen.select(over * (1.0 / DB_PER_NEPER.powi(2)), Lanes::ZERO).to_array());
        }
        level.truncate(count);
        weight.truncate(count);
        let slopes_apart = SLOPES_APART * usual_fall * DB_PER_NEPER;
        Levels { first, level, weight, step, slopes_apart }
    }
}

/// The same in times the usual slope: sections that lose four times as much are no sound fibre. Common
/// practice, no source.
const SLOPES_APART: f64 = 3.0;

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
    noise_var_of(samples, noise, Lanes::splat(power)).to_array()[0] / n
}

/// The same times `n` for several powers.
pub(super) fn noise_var_of(samples: &Samples, noise: &Noise, power: Lanes) -> Lanes {
    let rough = power * power * (samples.pulse * noise.speckle.powi(2));
    rough + samples.rounding_var(power, noise.sigma) + noise.kappa * noise.sigma.powi(2)
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
    let inside = (lead as usize).min(gap / 3); // where a peak stands in the gap
    let mut kept: Vec<Candidate> = Vec::new();
    let mut window = (2.0 * per_pulse).max(3.0) as usize;
    // What stands far out is seen from further off.
    let stride_pulses = if loose < 8.0 { 0.5 } else { 1.0 };
    if b < a + gap + 5 {
        return kept;
    }
    loop {
        let whole = 2 * window >= b - a;
        let look = Look { view, a, b, window: if whole { b } else { window }, gap, inside };
        let stride =
            (window as f64 / 12.0).clamp((per_pulse / 4.0).max(1.0), (per_pulse / 2.0).max(1.0));
        let stride = stride.max(window.min(b - a) as f64 / 24.0);
        let reach = if whole { to - from } else { (window + gap) as f64 * view.step };
        let known = kept.len();
        let mut found: Vec<Candidate> = Vec::new();
        // Coarse first: half a coarse step off, two thirds of a score are left.
        let fine = (stride as usize).max(1);
        let coarse = fine.max((stride_pulses * per_pulse).max(window as f64 / 4.0) as usize);
        let by_means = view.knows_no_slope(a, b, window, loose);
        look.over(a + 2..b, coarse, 0.65 * loose, by_means, &mut |k, _, _| {
            let near = k.saturating_sub(coarse / 2).max(a + 2)..k + coarse / 2 + 1;
            look.over(near, fine, loose, false, &mut |k, weighed, i| {
                let x = view.place(k) + (lead - 0.5) * view.step;
                if kept[..known].iter().all(|c| (c.x - x).abs() > reach) {
                    found.push(weighed.candidate(x, i));
                }
            });
        });
        found.sort_by(|p, q| q.score.total_cmp(&p.score));
        for candidate in found {
            if kept[known..].iter().all(|c| (c.x - candidate.x).abs() > reach) {
                kept.push(candidate);
            }
        }
        if whole {
            return kept;
        }
        window *= 3;
    }
}

/// Windows on both sides of a gap inside a stretch, all in means.
struct Look<'a> {
    view: &'a View,
    /// The stretch: `a..b`.
    a: usize,
    b: usize,
    /// Length of a window; less is left near the stretch's ends.
    window: usize,
    gap: usize,
    /// How much of either end of the gap no peak fills.
    inside: usize,
}

/// How large something is, and how sure.
#[derive(Clone, Copy)]
struct Height {
    db: f64,
    /// Square of how many standard deviations that is.
    square: f64,
}

impl Look<'_> {
    /// Calls `each` with every gap that begins at one of `places`, `step` apart, and over which a step or a
    /// peak stands out by `least` sigmas: with where it begins and which of the four it is that were weighed
    /// together.
    fn over(
        &self,
        places: Range<usize>,
        step: usize,
        least: f64,
        by_means: bool,
        each: &mut dyn FnMut(usize, &Weighed, usize),
    ) {
        let Some(last) = self.b.checked_sub(self.gap + 3) else { return };
        let end = places.end.min(last + 1);
        for from in (places.start..end).step_by(LANES * step) {
            let gaps: [usize; LANES] = std::array::from_fn(|i| (from + i * step).min(last));
            let weighed = if by_means { self.means(gaps) } else { self.lines(gaps) };
            let mut standing = weighed.standing_out(least);
            while standing != 0 {
                let i = standing.trailing_zeros() as usize;
                standing &= standing - 1;
                if from + i * step < end {
                    each(from + i * step, &weighed, i);
                }
            }
        }
    }

    /// By the lines through both windows.
    fn lines(&self, gaps: [usize; LANES]) -> Weighed {
        let view = self.view;
        let (left, behind, right) = self.borders(gaps);
        let middle = gaps.map(|k| 0.5 * (view.place(k) + view.place(k + self.gap - 1)));
        let line = |from, to| view.sums.held_lines_at(from, to, middle.into(), view.slope_weight);
        self.weigh(gaps, &line(left, gaps), &line(behind, right))
    }

    /// By the means over both windows: they are too short to know a slope.
    fn means(&self, gaps: [usize; LANES]) -> Weighed {
        let (left, behind, right) = self.borders(gaps);
        let mean = |from, to| self.view.sums.mean_ratios(from, to);
        self.weigh(gaps, &mean(left, gaps), &mean(behind, right))
    }

    /// Where the windows before the gaps begin, and those behind begin and end.
    fn borders(&self, gaps: [usize; LANES]) -> ([usize; LANES], [usize; LANES], [usize; LANES]) {
        let left = gaps.map(|k| k.saturating_sub(self.window).max(self.a));
        let behind = gaps.map(|k| k + self.gap);
        (left, behind, behind.map(|k| (k + self.window).min(self.b)))
    }

    #[inline]
    fn weigh(&self, gaps: [usize; LANES], left: &Ratios, right: &Ratios) -> Weighed {
        let over = left.over * right.over;
        let var = left.var * right.over + right.var * left.over; // over `over`, as what follows
        let (l, r) = (left.value * right.over, right.value * left.over);
        let inside = gaps.map(|k| k + self.inside);
        let (weight, sum) =
            self.view.sums.weights_and_sums(inside, gaps.map(|k| k + self.gap - self.inside));
        let step_var = over * var;
        Weighed {
            step: l - r,
            step_var,
            peak: (over * sum * 2.0 - weight * (l + r)).fast_max(Lanes::ZERO),
            peak_var: weight * (over * over * 4.0 + step_var * weight),
            over,
            weight,
        }
    }
}

/// Steps and peaks over four gaps. Squares over common denominators: nearly every place is turned down, and
/// divisions are dear.
struct Weighed {
    step: Lanes,
    step_var: Lanes,
    peak: Lanes,
    peak_var: Lanes,
    /// Of `step`; of `peak` twice that times the weight. 0 where a window has no weight.
    over: Lanes,
    weight: Lanes,
}

impl Weighed {
    /// Over which gaps a step or a peak is more than `least` sigmas, a bit for each.
    #[inline]
    fn standing_out(&self, least: f64) -> u32 {
        let least = least * least;
        let step = (self.step * self.step).simd_gt(self.step_var * least);
        let peak = (self.peak * self.peak).simd_gt(self.peak_var * least);
        let known = self.over.simd_gt(Lanes::ZERO);
        ((step | peak) & known).to_bitmask()
    }

    /// Step and peak over gap `i`.
    fn heights(&self, i: usize) -> (Height, Height) {
        let [step, step_var, peak, peak_var, over, weight] =
            [self.step, self.step_var, self.peak, self.peak_var, self.over, self.weight]
                .map(|lanes| lanes.as_array()[i]);
        let height = |value: f64, var: f64, over: f64| {
            if over > 0.0 {
                Height { db: value / over, square: value * value / var }
            } else {
                Height { db: 0.0, square: 0.0 }
            }
        };
        (height(step, step_var, over), height(peak, peak_var, 2.0 * over * weight))
    }

    /// What stands over gap `i`, put at place `x`.
    fn candidate(&self, x: f64, i: usize) -> Candidate {
        let (step, peak) = self.heights(i);
        let is_peak = peak.square > step.square;
        let larger = if is_peak { peak } else { step };
        Candidate { x, score: larger.square.sqrt(), size_db: larger.db, is_peak }
    }
}

/// Refines a step's place inside its section: the largest step of the lines over all of
/// `from..to`, tried at every mean within two pulses of `x`; and how many sigmas that is.
pub(super) fn refine(view: &View, model: &Model, x: f64, from: f64, to: f64) -> Option<(f64, f64)> {
    let pulse = model.receiver.pulse;
    let lead = model.receiver.lead() / view.step;
    let gap = (pulse / view.step + 2.0 * lead).ceil().max(1.0) as usize;
    let (a, b) = (view.index(from), view.index(to));
    let start = view.index(x - model.receiver.lead());
    let span = (2.0 * pulse / view.step).ceil() as usize;
    let mut best: Option<(f64, f64)> = None;
    let look = Look { view, a, b, window: b, gap, inside: 0 };
    let places = start.saturating_sub(span).max(a + 2)..start + span + 1;
    look.over(places, 1, 0.0, false, &mut |k, weighed, i| {
        let (step, _) = weighed.heights(i);
        if best.is_none_or(|(square, _)| step.square > square) {
            best = Some((step.square, view.place(k) + (lead - 0.5) * view.step));
        }
    });
    best.map(|(square, x)| (x, square.sqrt()))
}
