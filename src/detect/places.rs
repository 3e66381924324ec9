//! Losses at places that are known beforehand, whether an event was found there or not.

use super::find::Found;
use super::fit::{self, Fit, Given, LAST_GAIN};
use super::model::{Behind, Joint, Model};
use super::noise::Noise;
use super::samples::Samples;
use super::size;
use crate::units::{DB_PER_NEPER, Measured};

/// What is not listed for want of size makes room, as far as this, for a joint that is known to be there. In
/// pulse lengths: a weak step's place has a likelihood of several peaks, and they lie within ten.
const SLIGHT_PULSES: f64 = 10.0;

/// What stands out too little to be listed, and so lies where the noise lets it look largest: beside a place that is
/// known it would take what belongs there.
fn slight(joint: &Joint) -> bool {
    joint.faint && joint.height.is_none() && matches!(joint.behind, Behind::Fibre(_))
}

impl Found {
    /// Loss at each of `places` (samples from the panel), found there or not; places in order.
    /// `None` where the fibre on one side is hidden, dark, or the place lies in another's edge.
    pub fn losses_at(
        &self,
        samples: &Samples,
        noise: &Noise,
        places: &[f64],
    ) -> Vec<Option<Measured>> {
        let own: Vec<Option<usize>> = places.iter().map(|x| self.at(*x)).collect();
        let with = self.with(places, self.lit_to(samples, noise));
        let given = Given {
            samples,
            noise,
            slopes: self.slopes,
            ceiling: self.ceiling,
            free_pole: None,
            free_tail: false,
            misfit: 0.03,
            memory: self.memory,
            enough: LAST_GAIN,
            window: None,
        };
        let pinned = fit::run(with, &given);
        let pulse = self.fit.model.receiver.pulse;
        let loss = |x: &f64, own: Option<usize>| {
            if let Some(i) = own {
                return measured(&self.fit, i);
            }
            let fit = pinned.as_ref()?;
            let at = |j: &Joint| j.held.is_some() && (j.x - x).abs() < 0.5 * pulse;
            measured(fit, fit.model.joints.iter().position(at)?)
        };
        places.iter().zip(own).map(|(x, own)| loss(x, own)).collect()
    }

    /// The joint nearest to `x` that is listed, and how far off it is.
    fn near(&self, x: f64) -> Option<(usize, f64)> {
        let joints = &self.fit.model.joints;
        let off = |i: &usize| (joints[*i].x - x).abs();
        let seen = (1..joints.len()).filter(|i| !slight(&joints[*i]));
        seen.min_by(|a, b| off(a).total_cmp(&off(b))).map(|i| (i, off(&i)))
    }

    /// The joint that was found at `x`.
    fn at(&self, x: f64) -> Option<usize> {
        let (i, off) = self.near(x)?;
        let reach = 0.7 * self.fit.model.receiver.pulse + 3.0 * self.fit.place_sigma(i);
        (off < reach).then_some(i)
    }

    /// The model with a joint at each of `places` where none was found, in place of what is slight beside it.
    fn with(&self, places: &[f64], lit_to: f64) -> Model {
        let model = &self.fit.model;
        let pulse = model.receiver.pulse;
        let mut with = model.clone();
        let mut pinned: Vec<f64> = Vec::new();
        for x in places {
            let inside = *x > model.joints[0].x + 2.0 * pulse && *x < lit_to - 2.0 * pulse;
            let apart = self.near(*x).is_none_or(|(_, off)| off > 1.3 * pulse);
            if !(inside && apart && self.at(*x).is_none()) {
                continue;
            }
            let behind = (0..model.joints.len()).rev().find(|i| model.joints[*i].x < *x);
            if let Some(line) = behind.and_then(|i| model.behind(i)) {
                pinned.push(*x);
                with.joints.push(Joint {
                    held: Some((*x, 0.02 * pulse)),
                    ..Joint::new(*x, None, Behind::Fibre(*line))
                });
            }
        }
        let beside = |x: f64| pinned.iter().any(|at| (at - x).abs() < SLIGHT_PULSES * pulse);
        with.joints.retain(|joint| !(slight(joint) && beside(joint.x)));
        with.sort();
        with
    }

    /// Standard deviation of the slopes believed beforehand, in dB per sample.
    pub fn slope_sd_db(&self) -> f64 {
        self.slopes.sd * DB_PER_NEPER
    }

    /// Where the light ends, in samples from the panel.
    fn lit_to(&self, samples: &Samples, noise: &Noise) -> f64 {
        let model = &self.fit.model;
        let dark = samples.place(noise.dark_from.min(samples.len() - 1));
        model.joints.last().filter(|_| model.ends_dark()).map_or(dark, |end| end.x)
    }
}

fn measured(fit: &Fit, i: usize) -> Option<Measured> {
    let size = size::of(fit, i);
    (size.loss_sigma_db > 0.0).then(|| Measured::new(size.loss_db, size.loss_sigma_db))
}
