//! Where a section's line lies: its slope is measured elsewhere, here it only gets its height.

use crate::event::{Analysis, Section};
use crate::signal::order;
use crate::trace::Trace;
use crate::units::Measured;

/// Most samples that a line's height is taken from: a picture needs no more.
const MOST_SAMPLES: usize = 2000;

/// A section's line, placed on the trace.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fitted {
    /// Where clean fibre begins and ends, in metres from the panel.
    pub from_m: f64,
    pub to_m: f64,
    /// Its place in [`Analysis::sections`].
    pub section: usize,
    /// Level at `from_m` in dB, on the trace's own scale.
    pub level_db: f64,
    pub attenuation_db_per_km: Measured,
}

impl Fitted {
    pub(super) fn level_at(&self, position_m: f64) -> f64 {
        self.level_db - self.attenuation_db_per_km.value * (position_m - self.from_m) / 1000.0
    }
}

/// The lines of all sections whose attenuation could be measured, in order.
pub(super) fn sections(trace: &Trace, levels: &[f64], analysis: &Analysis) -> Vec<Fitted> {
    let own = |(i, section)| fitted(trace, levels, analysis, i, section);
    analysis.sections.iter().enumerate().filter_map(own).collect()
}

fn fitted(
    trace: &Trace,
    levels: &[f64],
    analysis: &Analysis,
    index: usize,
    section: &Section,
) -> Option<Fitted> {
    let attenuation = section.attenuation_db_per_km?;
    let first = analysis.events.iter().find(|e| e.position_m == section.from_m);
    let (from_m, to_m) =
        (section.from_m.0 + first.map_or(0.0, |event| event.extent_m), section.to_m.0);
    let (from, to) = (sample_at(trace, from_m), sample_at(trace, to_m));
    let step = to.saturating_sub(from).div_ceil(MOST_SAMPLES).max(1);
    let mut heights: Vec<f64> = (from..to.min(levels.len()))
        .step_by(step)
        .map(|i| levels[i] + attenuation.value * (trace.position_m(i).0 - from_m) / 1000.0)
        .collect();
    // noise in dB has a long tail downwards, and its median is that of the light
    let level_db = order::median(&mut heights)?;
    Some(Fitted { section: index, from_m, to_m, level_db, attenuation_db_per_km: attenuation })
}

/// The first sample at or behind a place.
pub(super) fn sample_at(trace: &Trace, position_m: f64) -> usize {
    let (mut low, mut high) = (0, trace.counts.len());
    while low < high {
        let middle = (low + high) / 2;
        if trace.position_m(middle).0 < position_m {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plot::made;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_line_lies_in_the_middle_of_its_samples_whatever_one_of_them_does() {
        // 0.3 dB/km from -10 dB on; a step of 1 dB at 2,000 m; every tenth sample far off
        let truth = |m: f64| -10.0 - 0.0003 * m - if m < 2000.0 { 0.0 } else { 1.0 };
        let levels: Vec<f64> =
            (0..5000).map(|m| truth(f64::from(m)) - if m % 10 == 3 { 8.0 } else { 0.0 }).collect();
        let trace = made::trace(&levels);
        let joints = vec![made::joint(2, 2000.0, Some(Measured::new(1.0, 0.01)))];
        let lines = sections(&trace, &levels, &made::analysis(joints, 4900.0, 0.3));
        assert_eq!(lines.len(), 2);
        for (line, (from_m, to_m)) in lines.iter().zip([(10.0, 2000.0), (2010.0, 4900.0)]) {
            assert_eq!((line.from_m, line.to_m), (from_m, to_m));
            for m in [from_m, to_m - 1.0] {
                assert_abs_diff_eq!(line.level_at(m), truth(m), epsilon = 0.001);
            }
        }
    }

    #[test]
    fn what_has_no_attenuation_has_no_line() {
        let levels = vec![-10.0; 500];
        let mut analysis = made::analysis(Vec::new(), 400.0, 0.3);
        analysis.sections[0].attenuation_db_per_km = None;
        assert!(sections(&made::trace(&levels), &levels, &analysis).is_empty());
    }
}
