//! What the uncertainty of a figure is made of.
//!
//! Source: JCGM 100:2008 (GUM), 5.1.2, for adding independent parts in squares; 4.3.7 for a limit of
//! error without a distribution, as the rounding to counts is.

use crate::event::{Analysis, Event, Section};
use crate::plan::Limits;
use crate::trace::Trace;
use crate::units::{DB_PER_NEPER, Measured, TIME_BASE_ERROR};

/// Uncertainty budget of a loss: one sigma of each cause in dB.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LossDoubt {
    /// Receiver noise, were the slopes on both sides known. Averaging reduces it.
    pub noise_db: f64,
    /// Roughness of the backscatter itself, the same. Averaging does not reduce it.
    pub roughness_db: f64,
    /// What is added by carrying both fitted lines on to the joint.
    pub extrapolation_db: f64,
    /// Of that, the share of variance that comes from noise, 0 to 1.
    pub noise_share: f64,
    /// Fibres of unequal backscatter, seen from one end.
    pub unequal_fibers_db: f64,
    /// Linearity of the instrument's scale.
    pub linearity_db: f64,
    /// Rounding to counts, as though no averaging helped against it.
    pub quantization_db: f64,
}

impl LossDoubt {
    /// All parts together.
    pub fn together_db(&self) -> f64 {
        self.averaged_db().hypot(self.fixed_db())
    }

    /// The part that averaging longer reduces.
    pub fn averaged_db(&self) -> f64 {
        self.noise_db.hypot(self.extrapolation_db * self.noise_share.sqrt())
    }

    /// The part that it does not.
    pub fn fixed_db(&self) -> f64 {
        self.instrument_db()
            .hypot(self.unequal_fibers_db)
            .hypot(self.roughness_db)
            .hypot(self.extrapolation_db * (1.0 - self.noise_share).sqrt())
    }

    fn instrument_db(&self) -> f64 {
        self.linearity_db.hypot(self.quantization_db)
    }

    /// One sigma of the mean of both ends, were the other end measured like this one: what is fitted
    /// halves in variance, unequal fibres cancel, the scale's error stays.
    pub fn from_both_ends_db(&self) -> f64 {
        let fitted = self.noise_db.hypot(self.roughness_db).hypot(self.extrapolation_db);
        (fitted / std::f64::consts::SQRT_2).hypot(self.instrument_db())
    }
}

/// Of a trace: how sure each section's level is, and the size of a count.
#[derive(Clone, Debug)]
pub struct Doubts {
    /// Begin, end and level of each section.
    sections: Vec<(Section, Option<Level>)>,
    /// Size of a count in dB.
    count_db: f64,
}

impl Doubts {
    /// Looks at all sections of `analysis`, which is that of `trace`.
    pub fn of(trace: &Trace, analysis: &Analysis) -> Doubts {
        let level = |s: &Section| Level::of(trace, analysis, s);
        Doubts {
            sections: analysis.sections.iter().map(|s| (*s, level(s))).collect(),
            count_db: trace
                .scales
                .iter()
                .map(|s| f64::from(s.count_micro_db) * 1e-6)
                .fold(0.0, f64::max),
        }
    }

    /// What the uncertainty of a joint's loss is made of; `loss`: with the sigma of noise and fit.
    pub fn of_loss(&self, event: &Event, loss: Measured, limits: &Limits) -> LossDoubt {
        let before = self.sections.iter().find(|s| s.0.to_m == event.position_m);
        let behind = self.sections.iter().find(|s| s.0.from_m.0 >= event.position_m.0);
        let levels = before.and_then(|s| s.1).zip(behind.and_then(|s| s.1));
        let whole = loss.sigma * loss.sigma;
        // Without a noise floor nothing can be parted: all of it then counts as noise.
        let (noise, roughness, share) = levels.map_or((whole, 0.0, 1.0), |(before, behind)| {
            let noise = before.noise + behind.noise;
            let roughness = before.roughness + behind.roughness;
            let both = noise + roughness;
            let scale = if both > whole { whole / both } else { 1.0 };
            (noise * scale, roughness * scale, noise / both.max(f64::MIN_POSITIVE))
        });
        LossDoubt {
            noise_db: noise.sqrt(),
            roughness_db: roughness.sqrt(),
            extrapolation_db: (whole - noise - roughness).max(0.0).sqrt(),
            noise_share: share,
            unequal_fibers_db: limits.one_way_db * (event.merged as f64).sqrt(),
            linearity_db: limits.linearity_db_per_db * loss.value.abs(),
            quantization_db: self.count_db * (2.0_f64 / 12.0).sqrt(),
        }
    }
}

/// Samples of a section that are looked at.
const SAMPLES_PER_LEVEL: usize = 100;

/// Variances of a section's level in dB², were its slope known.
#[derive(Clone, Copy, Debug)]
struct Level {
    noise: f64,
    roughness: f64,
}

impl Level {
    /// `None` without a noise floor, or where no fibre of the section is clear of its event.
    fn of(trace: &Trace, analysis: &Analysis, section: &Section) -> Option<Level> {
        let floor_db = analysis.noise.floor_db?;
        let event = analysis.events.iter().find(|e| e.position_m == section.from_m);
        let from_m = section.from_m.0 + event.map_or(0.0, |e| e.extent_m);
        let (first_m, spacing_m) = (trace.position_m(0).0, trace.spacing_m());
        let index = |m: f64| ((m - first_m) / spacing_m).max(0.0) as usize;
        let end = index(section.to_m.0).min(trace.counts.len());
        let (mut weight, mut noise_weight) = (0.0, 0.0);
        let start = index(from_m).min(end);
        // Fibre is straight: a hundred of its samples tell its level's variance as well as all.
        let stride = ((end - start) / SAMPLES_PER_LEVEL).max(1);
        for i in (start..end).step_by(stride) {
            // Relative noise where signal and noise would be equal at the floor.
            let Some(level_db) = trace.level_db(i) else { break };
            let noise = ((floor_db - level_db) / DB_PER_NEPER).exp();
            let rough = analysis.noise.speckle;
            let variance = (noise * noise + rough * rough) * DB_PER_NEPER * DB_PER_NEPER;
            // Far below the floor the noise has no bound, and the sample no weight.
            if variance > 0.0 && variance.is_finite() {
                weight += 1.0 / variance;
                noise_weight += noise * noise * DB_PER_NEPER * DB_PER_NEPER / (variance * variance);
            }
        }
        (weight > 0.0).then(|| {
            let both = analysis.noise.correlated_samples / (weight * stride as f64);
            let share = (noise_weight / weight).min(1.0);
            Level { noise: both * share, roughness: both * (1.0 - share) }
        })
    }
}

/// Uncertainty budget of a place: one sigma of each cause in metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceDoubt {
    /// Noise and fit.
    pub fit_m: f64,
    /// The group index that is set, against the fibre's own.
    pub index_m: f64,
    /// The instrument's time base.
    pub time_base_m: f64,
    /// Distance between samples.
    pub sampling_m: f64,
}

/// Largest error of a group index from a data sheet: common practice, no source. Rectangular.
pub const INDEX_ERROR: f64 = 0.0005;

impl PlaceDoubt {
    /// All parts together.
    pub fn together_m(&self) -> f64 {
        self.fit_m.hypot(self.index_m).hypot(self.time_base_m).hypot(self.sampling_m)
    }
}

/// What the uncertainty of a distance is made of; `distance_m`: with the sigma of noise and fit.
pub fn place_doubt(trace: &Trace, distance_m: Measured) -> PlaceDoubt {
    let index = trace.settings.index.value();
    let rectangular = 3.0_f64.sqrt();
    PlaceDoubt {
        fit_m: distance_m.sigma,
        index_m: distance_m.value.abs() * INDEX_ERROR / index / rectangular,
        time_base_m: distance_m.value.abs() * TIME_BASE_ERROR,
        sampling_m: trace.spacing_m() / (2.0 * rectangular),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn parts_of_a_loss_add_in_squares_and_both_ends_cancel_unequal_fibres() {
        let doubt = LossDoubt {
            noise_db: 0.03,
            roughness_db: 0.0,
            extrapolation_db: 0.04,
            noise_share: 1.0,
            unequal_fibers_db: 0.12,
            linearity_db: 0.0,
            quantization_db: 0.0,
        };
        // by hand: 3-4-5 and 5-12-13; D7: the mean of two equal readings has 1/√2 of their sigma
        assert_abs_diff_eq!(doubt.averaged_db(), 0.05, epsilon = 1e-12);
        assert_abs_diff_eq!(doubt.together_db(), 0.13, epsilon = 1e-12);
        assert_abs_diff_eq!(doubt.from_both_ends_db(), 0.035_355, epsilon = 1e-6);
    }
}
