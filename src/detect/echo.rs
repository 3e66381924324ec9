//! Light that bounced more than once, told from joints by place, height and absence of loss.

use super::fit::Fit;
use super::model::{Behind, Model};
use super::noise::Noise;
use super::samples::Samples;
use super::size;
use super::start::OPEN_END_DB;

/// Where an echo must stand, and how high.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expected {
    x: f64,
    sigma: f64,
    height: f64,
    /// Factor by which the height may be off, from the unknown sides of its joints.
    factor: f64,
}

impl Expected {
    /// Whether a reflection of `height` seen near `x` may be this echo: there, and no higher than it
    /// can be.
    pub fn explains(&self, x: f64, height: f64, pulse: f64) -> bool {
        (self.x - x).abs() < 3.0 * self.sigma + SEEN_PULSES * pulse + 1.0
            && height < self.height * self.factor
    }
}

/// How well the place of a reflection is seen that is not fitted, in pulse lengths.
pub(super) const SEEN_PULSES: f64 = 0.3;

/// Most reflections whose echoes are looked for, the strongest first: a link has fewer, and what is no
/// link, such as a file of random samples, has hundreds, whose triples would take minutes.
const MIRRORS: usize = 40;

/// An echo found in the dark behind the end.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lone {
    pub x: f64,
    pub sigma: f64,
}

/// All echoes of three bounces that can be seen at all: out to k, back to e, out to i, back.
///
/// Place `z_i + z_k - z_e`. Height from heights alone: with `C·t²` the light that reaches a place and
/// returns, and backscatter `b·C·t²` there, `A_i·A_k·A_e·b²/p_e²`; twice where i and k differ, for the
/// light goes both ways round. `b = 10^(B/10)·T` is the backscatter of the pulse. docs/theory.md.
pub(super) fn expected(fit: &Fit, scatter: Option<f64>, least: f64) -> Vec<Expected> {
    let model = &fit.model;
    let mut found = Vec::new();
    let Some(scatter) = scatter else { return found };
    let mirrors = mirrors(model);
    let place_vars: Vec<f64> = mirrors.iter().map(|i| place_var(fit, *i)).collect();
    for (n, e) in mirrors.iter().enumerate() {
        let Some(line) = model.before(*e).or(model.behind(*e)) else { continue };
        let at_e = model.joints[*e].height.unwrap_or(0.0)
            * (scatter / line.power(model.joints[*e].x)).powi(2);
        let unsure = 2.0 * size::of(fit, *e).loss_db.abs();
        for (m, i) in mirrors.iter().enumerate().skip(n + 1) {
            for (l, k) in mirrors.iter().enumerate().skip(m) {
                let both = if i == k { 1.0 } else { 2.0 };
                let (a, b) = (
                    model.joints[*i].height.unwrap_or(0.0),
                    model.joints[*k].height.unwrap_or(0.0),
                );
                let height = a * b * at_e * both;
                let cut: f64 =
                    [e, i, k].iter().map(|j| may_be_higher(model, **j, scatter)).product();
                let factor = 10.0_f64.powf((3.0 + unsure) / 5.0) * cut;
                if height * factor < least {
                    continue;
                }
                let x = model.joints[*i].x + model.joints[*k].x - model.joints[*e].x;
                let sigma = (place_vars[m] + place_vars[l] + place_vars[n]).sqrt();
                found.push(Expected { x, sigma, height, factor });
            }
        }
    }
    found
}

/// How many times higher than it is fitted a reflection may be of which the receiver saw the foot
/// alone: up to what glass against air reflects, and a hundred times where the fibre tells no more.
fn may_be_higher(model: &Model, i: usize, scatter: f64) -> f64 {
    let joint = &model.joints[i];
    let line = model.before(i).or(model.behind(i)).map_or(0.0, |line| line.power(joint.x));
    let most = 10.0_f64.powf(OPEN_END_DB / 10.0) / scatter * line;
    if joint.clipped { (most / joint.height.unwrap_or(most)).max(100.0) } else { 1.0 }
}

/// Joints that reflect and are no echoes themselves, in order.
fn mirrors(model: &Model) -> Vec<usize> {
    let height = |i: usize| model.joints[i].height.unwrap_or(0.0);
    let mut mirrors: Vec<usize> =
        (0..model.joints.len()).filter(|i| height(*i) > 0.0 && !model.joints[*i].echo).collect();
    if mirrors.len() > MIRRORS {
        mirrors.sort_by(|a, b| height(*b).total_cmp(&height(*a)));
        mirrors.truncate(MIRRORS);
        mirrors.sort_unstable();
    }
    mirrors
}

fn place_var(fit: &Fit, i: usize) -> f64 {
    let joint = &fit.model.joints[i];
    let guess = match (joint.clipped, joint.hidden) {
        (_, true) => 0.15,
        (true, _) => 0.05,
        _ => 0.0,
    };
    fit.place_sigma(i).hypot(guess * fit.model.receiver.pulse).powi(2)
}

/// Marks joints that are echoes: at an expected place, of about the expected height, without loss.
/// Their line goes on as if they were not there. Returns whether there were any.
pub(super) fn mark(fit: &Fit, model: &mut Model, scatter: Option<f64>) -> bool {
    let echoes = expected(fit, scatter, 0.0);
    let mut any = false;
    for i in 1..model.joints.len() {
        let joint = &fit.model.joints[i];
        let (Some(height), Behind::Fibre(_)) = (joint.height, &joint.behind) else { continue };
        let size = size::of(fit, i);
        if joint.clipped || size.loss_db.abs() > 3.0 * size.loss_sigma_db {
            continue;
        }
        let slack = 3.0 * fit.place_sigma(i) + 1.0 + 0.05 * fit.model.receiver.pulse;
        let explained = echoes.iter().any(|e| {
            // Only mirrors before it can have made it; its own light is not among them.
            e.x != joint.x
                && (e.x - joint.x).abs() < slack + 3.0 * e.sigma
                && (height < e.height * e.factor && height > e.height / e.factor)
        });
        if explained {
            model.joints[i].echo = true;
            model.joints[i].behind = Behind::Same;
            any = true;
        }
    }
    any
}

/// Echoes in the dark: pulses at expected places behind the end that stand out of the noise.
pub(super) fn behind_end(
    fit: &Fit,
    samples: &Samples,
    noise: &Noise,
    scatter: Option<f64>,
) -> Vec<Lone> {
    let model = &fit.model;
    let Some(end) = model.joints.last().filter(|_| model.ends_dark()) else { return Vec::new() };
    let receiver = &model.receiver;
    let window = receiver.pulse.round().max(1.0) as usize;
    let sd = noise.of_mean(window as f64);
    let clear = end.x + receiver.settled() + receiver.pulse;
    let last = samples.place(samples.len() - 1) - receiver.pulse - 2.0;
    let mut found: Vec<Lone> = Vec::new();
    // A pulse in the dark has no fibre under it: where it is beyond doubt its place need not be explained.
    for (x, height) in bright(samples, noise, model, clear, last, BEYOND_DOUBT * sd) {
        let sigma = (receiver.pulse * sd / height).max(0.1);
        found.push(Lone { x, sigma });
    }
    let mut echoes = expected(fit, scatter, 1.5 * sd);
    echoes.sort_by(|a, b| b.height.total_cmp(&a.height));
    for echo in echoes {
        if echo.x < clear
            || echo.x > last
            || found.iter().any(|f| (f.x - echo.x).abs() < receiver.pulse)
        {
            continue;
        }
        let slack = (3.0 * echo.sigma + 1.0 + 0.1 * receiver.pulse).min(0.5 * receiver.pulse + 1.0);
        let Some((x, mean)) = brightest(samples, window, echo.x - slack, echo.x + slack) else {
            continue;
        };
        let height = mean - rest_around(samples, window, x, noise);
        if height > AT_ITS_PLACE * sd
            && height < echo.height * echo.factor
            && height > echo.height / echo.factor
        {
            let sigma = (receiver.pulse * sd / height).max(0.1).hypot(echo.sigma);
            found.push(Lone { x, sigma });
        }
    }
    found.sort_by(|a, b| a.x.total_cmp(&b.x));
    found
}

/// Sigmas by which a pulse in the dark must stand out at any place: ten thousand places in each of a
/// hundred traces give one false one at 4.9 (normal noise), and floors, decays and spikes are not
/// normal.
const BEYOND_DOUBT: f64 = 6.5;
/// The same where an echo is expected: a thousand places in each of a hundred traces give one at 4.4.
const AT_ITS_PLACE: f64 = 5.5;

/// Lone pulses between two places: one pulse long, both halves bright, dark on both sides, by more
/// than `least`; place and height.
fn bright(
    samples: &Samples,
    noise: &Noise,
    model: &Model,
    from: f64,
    to: f64,
    least: f64,
) -> Vec<(f64, f64)> {
    let window = model.receiver.pulse.round().max(1.0) as usize;
    let half = (window / 2).max(1);
    let side = model.receiver.lead().ceil() as usize + half;
    let (a, b) = (samples.index(from) + side, samples.index(to));
    let mut found: Vec<(f64, f64)> = Vec::new();
    let mut k = a;
    while k + window + side < b.min(samples.len()) {
        let top = samples.mean(k, k + window);
        // Too low against any rest, or on the flank: the next place is better.
        if (noise.seen && top < least) || samples.mean(k + 1, k + 1 + window) > top {
            k += 1;
            continue;
        }
        let height = top - rest_around(samples, window, samples.place(k), noise);
        if height > least {
            let left = samples.mean(k, k + half);
            let right = samples.mean(k + window - half, k + window);
            let around = samples
                .mean(k - side, k - side + half)
                .max(samples.mean(k + window + side - half, k + window + side));
            let base = top - height;
            let lone = around - base < 0.25 * height;
            let sure =
                height * height > least * least + 25.0 * samples.unsure(k - side, k + window);
            if lone && sure && (left - base).min(right - base) > 0.4 * height {
                found.push((samples.place(k) - 0.5, height));
                k += window;
            }
        }
        k += 1;
    }
    found
}

/// The start of the brightest window between two places, as an event's place, and its mean.
fn brightest(samples: &Samples, window: usize, from: f64, to: f64) -> Option<(f64, f64)> {
    let (a, b) = (samples.index(from), samples.index(to));
    (a..=b)
        .filter(|k| k + window < samples.len())
        .map(|k| (samples.place(k) - 0.5, samples.mean(k, k + window)))
        .max_by(|p, q| p.1.total_cmp(&q.1))
}

/// What the dark shows without an echo: clipped noise has a mean, and a decay may lie under it.
fn rest_around(samples: &Samples, window: usize, x: f64, noise: &Noise) -> f64 {
    let far = 4 * window;
    let k = samples.index(x);
    let before = samples.mean(k.saturating_sub(far), k.saturating_sub(window / 2 + 1).max(1));
    let start = (k + window + window / 2 + 1).min(samples.len() - 1);
    let after = samples.mean(start, (start + far).min(samples.len()));
    let around = 0.5 * (before + after);
    if noise.seen { around.max(noise.clipped_mean(0.0)) } else { around }
}
