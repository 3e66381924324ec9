//! How rough the backscatter is once its events are known: what a fit leaves between their edges.

use super::fit::Fit;
use super::model::Tails;
use super::noise::{self, Difference, Noise, Roughness};
use super::samples::Samples;
use crate::signal::lanes::Lanes;

/// `noise` with the roughness that `fit` leaves. A trace has some hundred long pulses: before its events are known, what
/// they show hangs on the events more than on the fibre. What too little fibre says is not believed: by chance it may seem
/// calmer than it is, and all that stands out then is false.
pub(super) fn reread(fit: &Fit, samples: &Samples, noise: &Noise) -> Noise {
    if samples.resonance.is_some() {
        return *noise; // what is left of waves is no noise, and grows where there is light
    }
    let joints = 0..fit.model.joints.len();
    let differences: Vec<Difference> =
        joints.flat_map(|i| behind(fit, samples, noise, i)).collect();
    let rough = Roughness::of(samples, noise, &differences);
    let most = rough.map_or(f64::INFINITY, |rough| rough.at_most());
    Noise { speckle: noise.speckle.min(most), ..*noise }
}

/// The second differences of what the fibre behind joint `i` is off its line.
fn behind(fit: &Fit, samples: &Samples, noise: &Noise, i: usize) -> Vec<Difference> {
    let off = off_line(fit, samples, noise, i, noise::pulse_long(samples));
    let second = |d: &[Off]| Difference {
        relative: noise::second_difference(&[d[0].relative, d[1].relative, d[2].relative]),
        power: d[1].power,
    };
    off.windows(3).map(second).collect()
}

/// The mean of some samples of a fibre.
pub(super) struct Off {
    /// Their middle.
    pub x: f64,
    /// How far it is off the line, over that.
    pub relative: f64,
    /// The line's.
    pub power: f64,
}

/// How far the fibre behind joint `i` is off its line, in means over `block` samples between the edges of its joints.
pub(super) fn off_line(
    fit: &Fit,
    samples: &Samples,
    noise: &Noise,
    i: usize,
    block: usize,
) -> Vec<Off> {
    let model = &fit.model;
    let Some(line) = model.behind(i) else { return Vec::new() };
    let (from, to) = clear(fit, samples, noise, i);
    let tails = Tails::between(model, samples.place(from), samples.place(to));
    let off = |k: usize| {
        let x = samples.place(k) + 0.5 * (block as f64 - 1.0);
        let tail = tails.at(Lanes::splat(x)).to_array()[0];
        let power = line.power(x);
        let shown = noise.clipped_mean(power + tail);
        Off { x, relative: (samples.mean(k, k + block) - shown) / power, power }
    };
    let count = to.saturating_sub(from) / block;
    (0..count).map(|n| off(from + n * block)).collect()
}

/// The samples between the edges of joint `i` and of the next: from and to.
pub(super) fn clear(fit: &Fit, samples: &Samples, noise: &Noise, i: usize) -> (usize, usize) {
    let model = &fit.model;
    let from = samples.index(model.clear_behind(&model.joints[i])) + 1;
    let to = match model.joints.get(i + 1) {
        Some(_) => samples.index(model.onset(i + 1)),
        None => noise.dark_from,
    };
    (from, to)
}
