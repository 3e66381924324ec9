//! What a resonance answers to light, sample by sample, and light without that answer.

use num_complex::Complex64;

use crate::detect::start::Known;

/// A resonance of the receiver: light of unit height that comes on is answered by `Re(share·exp(rate·x))`
/// besides. The answer of any chain of poles is a sum of such terms, one for each pair of poles that are not
/// real: docs/theory.md.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ring {
    /// Zero where nobody knows how much light drove it.
    pub share: Complex64,
    /// Per sample.
    pub rate: Complex64,
}

impl Ring {
    /// A unit share of the resonance with this period and decay length, in samples.
    pub fn of(period: f64, length: f64) -> Ring {
        let rate = Complex64::new(-1.0 / length, std::f64::consts::TAU / period);
        Ring { share: Complex64::ONE, rate }
    }

    /// In samples.
    pub fn period(&self) -> f64 {
        std::f64::consts::TAU / self.rate.im
    }

    /// Samples in which it falls to 1/e.
    pub fn length(&self) -> f64 {
        -1.0 / self.rate.re
    }
}

/// An oscillation left alone from one sample on.
pub(super) struct Free {
    pub from: usize,
    pub amplitude: Complex64,
}

/// The resonance's state, driven by light that goes straight from sample to sample.
pub(super) struct Drive {
    ring: Ring,
    /// What is left of the state behind one sample, and what the light at its beginning and its end adds.
    kept: Complex64,
    early: Complex64,
    late: Complex64,
    state: Complex64,
    light: f64,
}

impl Drive {
    /// At rest in steady `light`.
    pub fn new(ring: Ring, light: f64) -> Drive {
        let rate = ring.rate;
        let kept = rate.exp();
        let early = (kept * (rate - 1.0) + 1.0) / (rate * rate);
        let late = (kept - 1.0) / rate - early;
        Drive { ring, kept, early, late, state: -light / rate, light }
    }

    /// Goes on by a sample to `light`; returns the answer.
    pub fn follow(&mut self, light: f64) -> Complex64 {
        self.state = self.kept * self.state + self.early * self.light + self.late * light;
        self.light = light;
        self.answer()
    }

    fn answer(&self) -> Complex64 {
        self.ring.share * (self.ring.rate * self.state + self.light)
    }

    /// What the next sample is answered if its light is none.
    fn in_the_dark(&self) -> f64 {
        let state = self.kept * self.state + self.early * self.light;
        (self.ring.share * self.ring.rate * state).re
    }

    /// Goes on by a sample that shows light and answer together as `seen`; returns the light.
    fn undo(&mut self, seen: f64) -> f64 {
        let own = (self.ring.share * (self.ring.rate * self.late + 1.0)).re;
        let light = (seen - self.in_the_dark()) / (1.0 + own);
        self.follow(light);
        light
    }
}

/// Light without a resonance's answer to it.
pub(super) struct Undone {
    pub light: Vec<f64>,
    /// How high what was taken out swings.
    pub swing: Vec<f64>,
}

/// Sigmas by which what a resonance takes away must reach below nothing for the file not to hold it.
const BELOW: f64 = 3.0;

/// The samples without `ring`'s answer, and without the oscillations in `free`. What is cut off by the receiver stays
/// as it is. Where the file holds less than nothing as its lowest level, what was there is taken for the lower of
/// what is beside it.
pub(super) fn undone(ring: Ring, known: &Known, free: &[Free]) -> Undone {
    let seen = &known.samples.power;
    let (free, swing) = oscillations(ring, free, seen.len(), 1e-3 * known.noise.sigma);
    let mut undone = Undone { light: Vec::new(), swing };
    let least = -BELOW * known.noise.sigma;
    let mut below: Vec<Option<f64>> = vec![None; seen.len()]; // the light that is taken for what was there
    for last in [false, true] {
        let mut drive = Drive::new(ring, 0.0);
        undone.light.clear();
        for (k, seen) in seen.iter().enumerate() {
            if *seen <= known.samples.lowest && drive.in_the_dark() + free[k] < least {
                below[k] = below[k].or(Some(0.0));
            } else {
                below[k] = None;
            }
            let light = match below[k] {
                Some(light) => light,
                None if *seen > known.ceiling => *seen,
                None => drive.undo(*seen - free[k]),
            };
            if below[k].is_some() || *seen > known.ceiling {
                drive.follow(light);
            }
            undone.light.push(light);
            if last {
                undone.swing[k] += drive.answer().norm();
            }
        }
        fill(&mut below, &undone.light);
    }
    undone
}

/// The sum of all free oscillations in each of so many samples, and of how high they swing.
fn oscillations(ring: Ring, free: &[Free], samples: usize, least: f64) -> (Vec<f64>, Vec<f64>) {
    let (mut sum, mut swing) = (vec![0.0; samples], vec![0.0; samples]);
    let kept = ring.rate.exp();
    for Free { from, amplitude } in free {
        let decay = std::iter::successors(Some(*amplitude), |now| Some(now * kept));
        let behind = sum[*from..].iter_mut().zip(&mut swing[*from..]);
        for ((sum, swing), now) in behind.zip(decay.take_while(|now| now.norm() > least)) {
            *sum += now.re;
            *swing += now.norm();
        }
    }
    (sum, swing)
}

/// Puts the lower of what is beside it, and no less than nothing, in each run of `below`.
fn fill(below: &mut [Option<f64>], light: &[f64]) {
    let mut k = 0;
    while let Some(from) = (k..below.len()).find(|k| below[*k].is_some()) {
        let to = (from..below.len()).find(|k| below[*k].is_none()).unwrap_or(below.len());
        let left = from.checked_sub(1).map_or(0.0, |k| light[k]);
        let right = light.get(to).copied().unwrap_or(0.0);
        below[from..to].fill(Some(left.min(right).max(0.0)));
        k = to;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const RING: Ring =
        Ring { share: Complex64::new(0.01, -0.03), rate: Complex64::new(-0.05, 0.4) };

    #[test]
    fn light_that_comes_on_is_answered_by_a_decaying_oscillation() {
        // A ramp over one sample is half a sample late and a little smoothed: s = (e^q - 1)/q of a step.
        let mut drive = Drive::new(RING, 0.0);
        drive.follow(0.0);
        let answers: Vec<Complex64> = (0..60).map(|_| drive.follow(1.0)).collect();
        let ramp = (RING.rate.exp() - 1.0) / RING.rate;
        for (k, answer) in answers.iter().enumerate() {
            let step = RING.share * (RING.rate * k as f64).exp() * ramp;
            assert_abs_diff_eq!(answer.re, step.re, epsilon = 1e-12);
        }
    }

    #[test]
    fn steady_light_is_answered_by_nothing() {
        let mut drive = Drive::new(RING, 3.0);
        for _ in 0..100 {
            assert_abs_diff_eq!(drive.follow(3.0).norm(), 0.0, epsilon = 1e-12);
        }
    }

    #[test]
    fn what_was_answered_can_be_undone() {
        let light: Vec<f64> =
            (0..200).map(|k| f64::from(u8::from((40..60).contains(&k)))).collect();
        let mut forth = Drive::new(RING, 0.0);
        let seen: Vec<f64> = light.iter().map(|light| light + forth.follow(*light).re).collect();
        let mut back = Drive::new(RING, 0.0);
        for (seen, light) in seen.iter().zip(&light) {
            assert_abs_diff_eq!(back.undo(*seen), *light, epsilon = 1e-12);
        }
    }

    #[test]
    fn what_the_file_does_not_hold_is_taken_for_the_lower_of_what_is_beside_it() {
        let mut below = [None, Some(0.0), Some(0.0), None, Some(0.0)];
        fill(&mut below, &[3.0, 0.0, 0.0, 2.0, 0.0]);
        assert_eq!(below, [None, Some(2.0), Some(2.0), None, Some(0.0)]);
    }
}
