//! Where exactly a step is, and whether it reflects: its likelihood over all places nearby, with both
//! lines free at each.

use super::fit::{Fit, Given};
use super::model::{Model, Tails};
use super::noise::Noise;
use super::samples::Samples;
use super::scan;
use crate::signal::lanes::{self, LANES, Lanes};
use crate::signal::line::Sums;
use crate::units::DB_PER_NEPER;

/// Where a weak step is.
pub(super) struct Place {
    /// Where it explains most.
    pub likeliest: f64,
    /// Where it is told to be: the likelihood of so little has several peaks, and the highest of them may be a narrow
    /// one far from most of it. `None` where another event is so near that places within reach cannot be tried alone:
    /// there the joint fit tells.
    pub told: Option<f64>,
    /// Half the width about it that holds 95 % of the likelihood, over 1.96.
    pub spread: f64,
}

/// Places that are tried on both sides of a joint, in pulse lengths.
#[derive(Clone, Copy)]
pub(super) struct Tried {
    pub reach: f64,
    step: f64,
}

/// A weak step's place is looked for so near first, and so far where that is not all of it.
pub(super) const NEAR: Tried = Tried { reach: 4.0, step: 0.125 };
const FAR: Tried = Tried { reach: 24.0, step: 0.25 };

/// A reflection is looked for where a step was taken for it.
const REFLECTION: Tried = Tried { reach: 1.5, step: 0.125 };

/// χ² below the highest peak down to which places matter: one so far down has a thirtieth of its likelihood.
const MATTERS: f64 = 6.6;

/// The place of a weak step by its likelihood over all places nearby, both lines free at each.
///
/// What is told costs least where an error costs its square up to `reach`, and one beyond it no more: with as much
/// of it as there is nearby it is the middle, as of any measured figure, and between peaks it is the one with most
/// around it. Source: Bayes estimation under a truncated quadratic loss (Berger 1985, Statistical decision theory,
/// section 2.4, from memory); all places are alike beforehand.
pub(super) fn of_weak(fit: &Fit, given: &Given, i: usize) -> Option<Place> {
    let (pulse, x) = (fit.model.receiver.pulse, fit.model.joints[i].x);
    // Three of the sigmas that its edge would allow were the right peak known.
    let reach = (3.0 * fit.place_sigma(i)).clamp(0.5 * pulse, 2.0 * pulse);
    let near = gains(fit, given, i, NEAR)?;
    let tried_over =
        |at: Option<&(f64, Gain)>, side: f64| at.is_some_and(|(at, _)| side * (at - x) > reach);
    let hemmed_in = !tried_over(near.first(), -1.0) || !tried_over(near.last(), 1.0);
    let (tried, step) = if hemmed_in || is_all(&near) {
        (near, NEAR.step)
    } else {
        (gains(fit, given, i, FAR)?, FAR.step)
    };
    let best = tried.iter().max_by(|a, b| a.1.step.total_cmp(&b.1.step))?;
    let weight = |gain: &Gain| (0.5 * (gain.step - best.1.step)).exp();
    let places: Vec<(f64, f64)> = tried.iter().map(|(x, gain)| (*x, weight(gain))).collect();
    let told = if hemmed_in { None } else { Some(cheapest(&places, reach)?) };
    let likeliest = if hemmed_in { x } else { best.0 };
    let spread = (half_width(&places, told.unwrap_or(likeliest)) + 0.5 * step * pulse) / 1.96;
    Some(Place { likeliest, told, spread })
}

/// The one of `places`, in order and with their weights, that costs least.
fn cheapest(places: &[(f64, f64)], reach: f64) -> Option<f64> {
    let saved = |x: f64| -> f64 {
        let from = places.partition_point(|place| place.0 < x - reach);
        let near = places[from..].iter().take_while(|place| place.0 < x + reach);
        near.map(|(at, weight)| weight * (1.0 - ((at - x) / reach).powi(2))).sum()
    };
    let all = places.iter().map(|(x, _)| (*x, saved(*x)));
    all.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(x, _)| x)
}

/// Whether no place at the border of those that were tried matters.
fn is_all(tried: &[(f64, Gain)]) -> bool {
    let best = tried.iter().map(|(_, gain)| gain.step).fold(f64::NEG_INFINITY, f64::max);
    let borders = tried.first().into_iter().chain(tried.last());
    borders.into_iter().all(|(_, gain)| best - gain.step > MATTERS)
}

/// How far from `middle` 95 % of the weight of `places` lies.
fn half_width(places: &[(f64, f64)], middle: f64) -> f64 {
    let total: f64 = places.iter().map(|place| place.1).sum();
    let mut off: Vec<(f64, f64)> = places.iter().map(|(x, w)| ((x - middle).abs(), *w)).collect();
    off.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut inside = 0.0;
    let holds = |(_, weight): &(f64, f64)| {
        inside += weight;
        inside >= 0.95 * total
    };
    off.into_iter().find(holds).map_or(0.0, |(off, _)| off)
}

/// A reflection where a step was.
pub(super) struct Reflection {
    pub x: f64,
    pub height: f64,
    /// How much more of χ² it explains, with its step, than the best step alone.
    pub gain: f64,
}

/// The reflection that best explains joint `i`, taken for a step so far. Where a connector hardly
/// reflects its loss shows where its reflection ends, a pulse behind it. `None` where its neighbours
/// are too near to tell.
pub(super) fn reflection(fit: &Fit, given: &Given, i: usize) -> Option<Reflection> {
    let joints = &fit.model.joints;
    let pulse = fit.model.receiver.pulse;
    let near = |a: usize, b: usize| b < joints.len() && joints[b].x - joints[a].x < 3.0 * pulse;
    if near(i - 1, i) || near(i, i + 1) {
        return None; // a gain and a loss may be both edges of one reflection
    }
    let tried = gains(fit, given, i, REFLECTION)?;
    let step = tried.iter().map(|(_, gain)| gain.step).fold(f64::NEG_INFINITY, f64::max);
    let best = tried.iter().max_by(|a, b| a.1.both().total_cmp(&b.1.both()))?;
    let power = fit.model.before(i)?.power(best.0);
    Some(Reflection {
        x: best.0,
        height: best.1.height_db * power / DB_PER_NEPER,
        gain: best.1.both() - step,
    })
}

/// What a step at each place around joint `i` explains.
fn gains(fit: &Fit, given: &Given, i: usize, places: Tried) -> Option<Vec<(f64, Gain)>> {
    let (samples, noise) = (given.samples, given.noise);
    let model = &fit.model;
    let pulse = model.receiver.pulse;
    let joint = &model.joints[i];
    let (from, to) = around(fit, samples, noise, i)?;
    let data = Data::cut(fit, samples, noise, i, (from, to), places.reach)?;
    let reach = places.reach * pulse;
    let (low, high) =
        ((joint.x - reach).max(from + pulse), (joint.x + reach).min(to - 2.0 * pulse));
    let mut tried = Vec::new();
    let mut x = low;
    while x <= high {
        tried.extend(data.gain(model, x, given.slopes.sd).map(|gain| (x, gain)));
        x += places.step * pulse;
    }
    Some(tried)
}

/// The stretch of fibre around joint `i` on which nothing else shows. `None` at the panel.
pub(super) fn around(fit: &Fit, samples: &Samples, noise: &Noise, i: usize) -> Option<(f64, f64)> {
    let model = &fit.model;
    let (x, reach) = (model.joints[i].x, AROUND_PULSES * model.receiver.pulse);
    let from = model.clear_behind(&model.joints[i.checked_sub(1)?]).max(x - reach);
    let dark = samples.place(noise.dark_from.min(samples.len() - 1));
    let next = model.joints.get(i + 1).map_or(dark, |next| next.x);
    Some((from, (next - model.receiver.lead() - 1.0).min(x + reach)))
}

/// Fibre that is looked at on both sides of a step, in pulse lengths: lines through so much know their
/// level at its middle several times better than a weak step tells its place.
const AROUND_PULSES: f64 = 60.0;

/// Within this many pulse lengths beyond the places tried means are as fine as an edge wants, and within the others as
/// those of neighbours want: there of a line no more than its moments is asked.
const FINE_PULSES: f64 = 2.5;
const MIDDLING_PULSES: f64 = 8.0;

/// Samples in the mean that begins `off` samples behind a joint of which places `tried` pulses off are tried.
fn mean_at(off: f64, pulse: f64, tried: f64) -> usize {
    let (fine, middling) = ((tried + FINE_PULSES) * pulse, (tried + MIDDLING_PULSES) * pulse);
    let longest = 0.15 * off.abs();
    // One that begins before a finer stretch does not reach into it.
    let before = |border: f64| if off < 0.0 { -off - border } else { f64::INFINITY };
    let m = if off.abs() < fine {
        pulse / 6.0
    } else if off.abs() < middling {
        (pulse / 2.0).min(before(fine)).max(pulse / 6.0)
    } else {
        longest.max(pulse).min(before(middling)).max(pulse / 2.0)
    };
    (m as usize).max(1)
}

/// How much of χ² a place explains.
#[derive(Clone, Copy)]
struct Gain {
    /// By a step with free lines on both sides; less what it does not, so that places compare.
    step: f64,
    /// What a reflection adds to that; 0 where it would be negative.
    peak: f64,
    height_db: f64,
}

impl Gain {
    fn both(&self) -> f64 {
        self.step + self.peak
    }
}

/// Means of the trace over the fitted lines, in dB, and what is known of them.
pub(super) struct Data {
    pub x: Vec<f64>,
    /// Over the line before the joint: how far each mean lies over it, and its weight.
    pub before: Side,
    /// The same over the line behind.
    pub behind: Side,
    /// Of each mean, the line behind over the line before.
    ratio: Vec<f64>,
    /// Second order of the blend of two lines of different slope, docs/theory.md: four times what it
    /// adds at half of it, in dB.
    bend: f64,
}

pub(super) struct Side {
    over_db: Vec<f64>,
    weight: Vec<f64>,
    pub sums: Sums,
    /// Running sum of weight·over².
    squares: Vec<f64>,
}

impl Side {
    fn new(x: &[f64], over_db: Vec<f64>, weight: Vec<f64>) -> Side {
        let mut squares = Vec::with_capacity(x.len() + 1);
        let mut sum = 0.0;
        squares.push(sum);
        squares.extend(over_db.iter().zip(&weight).map(|(v, w)| {
            sum += w * v * v;
            sum
        }));
        Side { sums: Sums::new(x, &over_db, &weight), over_db, weight, squares }
    }
}

/// Means of the samples around a joint, long ones far from it.
struct Means {
    x: Vec<f64>,
    /// Samples in each.
    n: Vec<f64>,
    mean: Vec<f64>,
}

impl Means {
    fn cut(samples: &Samples, middle: f64, (from, to): (f64, f64), tried: f64) -> Means {
        let room = || Vec::with_capacity(160);
        let mut means = Means { x: room(), n: room(), mean: room() };
        let (mut k, end) = (samples.index(from), samples.index(to));
        loop {
            let m = mean_at(samples.place(k) - middle, samples.pulse, tried);
            if k + m > end {
                return means;
            }
            means.x.push(samples.place(k) - 0.5 + 0.5 * m as f64);
            means.n.push(m as f64);
            means.mean.push(samples.mean(k, k + m));
            k += m;
        }
    }
}

impl Data {
    /// What stands between two places around joint `i`, fine enough for steps `tried` pulse lengths from it.
    pub fn cut(
        fit: &Fit,
        samples: &Samples,
        noise: &Noise,
        i: usize,
        (from, to): (f64, f64),
        tried: f64,
    ) -> Option<Data> {
        let (before, behind) = (fit.model.before(i)?, fit.model.behind(i)?);
        let means = Means::cut(samples, fit.model.joints[i].x, (from, to), tried);
        let tails = Tails::between(&fit.model, from, to);
        let room = || Vec::with_capacity(means.x.len() + LANES);
        let mut ratio = room();
        let (mut over, mut weight) = ([room(), room()], [room(), room()]);
        for k in (0..means.x.len()).step_by(LANES) {
            let of = |values: &[f64]| lanes::last_repeated(&values[k..]);
            let (x, n) = (of(&means.x), of(&means.n));
            let mean = of(&means.mean) - tails.at(x);
            let power =
                [before, behind].map(|line| lanes::exp((x - line.at) * -line.fall + line.level));
            ratio.extend((power[1] / power[0]).to_array());
            for side in [0, 1] {
                let var = scan::noise_var_of(samples, noise, power[side]) / n;
                over[side].extend(((mean / power[side] - 1.0) * DB_PER_NEPER).to_array());
                let per_var = power[side] * power[side] / (var * DB_PER_NEPER.powi(2));
                weight[side].extend(per_var.to_array());
            }
        }
        for filled_up in over.iter_mut().chain(&mut weight) {
            filled_up.truncate(means.x.len());
        }
        let [over_before, over_behind] = over;
        let [weight_before, weight_behind] = weight;
        Some(Data {
            before: Side::new(&means.x, over_before, weight_before),
            behind: Side::new(&means.x, over_behind, weight_behind),
            ratio,
            bend: 0.5 * DB_PER_NEPER * samples.pulse * (before.fall - behind.fall),
            x: means.x,
        })
    }

    /// What a step at `place` leaves unexplained, both lines free about the fitted ones, and what a
    /// reflection would explain of that. `None` where a side is too short.
    fn gain(&self, model: &Model, place: f64, slope_sd: f64) -> Option<Gain> {
        let receiver = &model.receiver;
        let a = self.x.partition_point(|x| *x < place - receiver.lead());
        let b = self.x.partition_point(|x| *x < place + receiver.pulse + 6.0 * receiver.pole);
        let end = self.x.len();
        if a < 3 || end < b + 3 {
            return None;
        }
        let mut n = [[0.0; 5]; 5];
        let mut r = [0.0; 5];
        let mut left = self.before.squares[a] + self.behind.squares[end] - self.behind.squares[b];
        for (half, [w, wx, wxx, wy, wxy]) in
            [(0, self.before.sums.moments(0, a)), (2, self.behind.sums.moments(b, end))]
        {
            n[half][half] += w;
            n[half][half + 1] += wx;
            n[half + 1][half] += wx;
            n[half + 1][half + 1] += wxx;
            r[half] += wy;
            r[half + 1] += wxy;
        }
        // The edge itself, several means at a time.
        let mut edge = [[Lanes::ZERO; 6]; 5]; // as `n`, and `r` last
        let mut squares = Lanes::ZERO;
        for k in (a..b).step_by(LANES) {
            let of = |values: &[f64]| lanes::first_of(&values[k..b.min(k + LANES)]);
            let (at, ratio) = (of(&self.x), of(&self.ratio));
            let shape = receiver.shape(at - place);
            let (u, rest) = (shape.ramp, Lanes::ONE - shape.ramp);
            let behind = u * ratio;
            let x = self.before.sums.scaled_lanes(at);
            let row = [rest, rest * x, behind, behind * x, shape.rect];
            let blend = u * (ratio - 1.0) * DB_PER_NEPER + u * rest * self.bend;
            let (over, weight) = (of(&self.before.over_db) - blend, of(&self.before.weight));
            squares += weight * over * over;
            for i in 0..5 {
                let weighted = weight * row[i];
                edge[i][5] += weighted * over;
                for j in 0..=i {
                    edge[i][j] += weighted * row[j];
                }
            }
        }
        left += squares.reduce_add();
        for i in 0..5 {
            r[i] += edge[i][5].reduce_add();
            for j in 0..=i {
                let sum = edge[i][j].reduce_add();
                n[i][j] += sum;
                if j < i {
                    n[j][i] += sum;
                }
            }
        }
        // Slopes differ from the fitted ones by no more than fibres of one trace do.
        let held = self.before.sums.slope_weight(slope_sd * DB_PER_NEPER);
        n[1][1] += held;
        n[3][3] += held;
        let explained = explained(n, r)?;
        Some(Gain { step: explained.step - left, ..explained })
    }
}

/// `bᵀN⁻¹b` by elimination, of the first four unknowns and of the fifth. `None` where N is not positive.
fn explained(mut n: [[f64; 5]; 5], mut r: [f64; 5]) -> Option<Gain> {
    let mut step = 0.0;
    for i in 0..4 {
        let pivot = n[i][i];
        if pivot <= 0.0 || !pivot.is_finite() {
            return None;
        }
        step += r[i] * r[i] / pivot;
        for j in i + 1..5 {
            let share = n[j][i] / pivot;
            r[j] -= share * r[i];
            for k in i..5 {
                n[j][k] -= share * n[i][k];
            }
        }
    }
    let height_db = if n[4][4] > 0.0 { (r[4] / n[4][4]).max(0.0) } else { 0.0 };
    Some(Gain { step, peak: height_db * height_db * n[4][4], height_db })
}
