//! The fibre between joints, as each trace of the cable shows it, judged by its attenuation.

use std::collections::BTreeMap;

use super::super::name::Direction;
use super::super::test::Content;
use super::super::{Finding, Severity};
use super::{FiberReview, Own};
use crate::grade::{Limit, Verdict};
use crate::judge::LEAST_SECTION_PULSES;
use crate::plan::{Limits, Plan};
use crate::units::Measured;

/// A fibre is this much longer than planned at most: slack and the spread of lengths in a cable stay below.
/// Common practice, no source.
const LONGER_SHARE: f64 = 0.01;

/// A section between two events of one trace, on the cable.
#[derive(Clone, Debug, PartialEq)]
pub struct SectionReview {
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// From which end the trace was taken.
    pub direction: Direction,
    /// Its beginning in fibre metres from end a's connector. `None`: measured from end b, and nothing
    /// says how long the fibre is.
    pub from_m: Option<f64>,
    /// Its end, likewise; beyond `from_m` whatever the direction.
    pub to_m: Option<f64>,
    /// Attenuation. `None` where the section shows no line.
    pub attenuation_db_per_km: Option<Measured>,
    /// The limit at this wavelength.
    pub limit_db_per_km: Option<f64>,
    /// `None`: no limit, no figure, or too short to be judged.
    pub verdict: Option<Verdict>,
}

impl SectionReview {
    /// The middle in fibre metres from end a's connector, where that is known.
    fn middle_m(&self) -> Option<f64> {
        self.from_m.zip(self.to_m).map(|(from, to)| 0.5 * (from + to))
    }
}

/// A section that fails: its attenuation, and the limit.
type Failing<'a> = (&'a SectionReview, Measured, f64);

impl Own<'_> {
    /// Judges the attenuation of the fibre between joints: the longer sections of each trace, and
    /// their mean at each wavelength.
    pub(super) fn judge_sections(&self, out: &mut FiberReview) {
        for one in &self.tests {
            let own = of_trace(one.content, one.wavelength_nm, one.direction, self.plan);
            out.sections.extend(own);
        }
        let mut worst: Option<Failing> = None;
        let mut by_nm: BTreeMap<u16, (Vec<Measured>, f64)> = BTreeMap::new(); // slopes, limit
        for own in &out.sections {
            let (Some(verdict), Some(attenuation), Some(limit)) =
                (own.verdict, own.attenuation_db_per_km, own.limit_db_per_km)
            else {
                continue;
            };
            if attenuation.sigma > 0.0 {
                let (slopes, _) = by_nm.entry(own.wavelength_nm).or_insert((Vec::new(), limit));
                slopes.push(attenuation);
            }
            // A short section alone rarely decides; one that fails does.
            let accepted = own.middle_m().is_some_and(|m| self.is_waived(&self.section_name(m)));
            if verdict == Verdict::Fail && accepted {
                worst = worst.or(Some((own, attenuation, limit)));
            } else if verdict == Verdict::Fail {
                out.judged_sections.push((own.wavelength_nm, Verdict::Fail));
                if worst.is_none_or(|w| attenuation.value / limit > w.1.value / w.2) {
                    worst = Some((own, attenuation, limit));
                }
            }
        }
        for (wavelength_nm, (slopes, limit)) in by_nm {
            let mean = Measured::mean(slopes).map(|mean| graded(mean, limit, &self.plan.limits));
            out.judged_sections.extend(mean.map(|verdict| (wavelength_nm, verdict)));
        }
        let finding = worst.map(|failing| self.high_attenuation(failing));
        out.findings.extend(finding);
    }

    fn high_attenuation(&self, (section, attenuation, limit): Failing) -> Finding {
        let at_m = section.middle_m();
        let place = at_m.map_or("a section".to_owned(), |m| self.section_name(m));
        let mut finding = self.finding("high-attenuation", Severity::Fault, Some(&place), at_m);
        finding.rests_on(["attenuation_db_per_km", "attenuation_sigma_db_per_km"], attenuation);
        finding.evidence.insert("limit_db_per_km", limit);
        finding.says = format!(
            "{place} loses {attenuation} dB/km at {} nm; the limit is {limit} dB/km",
            section.wavelength_nm
        );
        finding.next =
            "look along this stretch for strain or bends; measure at a longer wavelength".into();
        finding
    }
}

/// An attenuation against its limit, with the scale's linearity on it as a loss has.
fn graded(attenuation: Measured, limit: f64, limits: &Limits) -> Verdict {
    limits.judge_loss(attenuation, Limit::AtMost(limit)).verdict
}

/// What a planned joint loses before it is measured, and one sigma of that, in dB. Common practice, no
/// source.
const USUAL_JOINT: Measured = Measured { value: 0.05, sigma: 0.05 };

/// What planned joints within a section, too small to be listed, may tilt its line: one sigma.
///
/// A step `d` at the share `f` of a line's length tilts its least-squares slope by `6f(1-f)·d/length`
/// (covariance of a step with the place over the place's variance). Joints all lose, so their tilts add
/// up; and where noise hides what they lose, a line through them has taken it for attenuation, so
/// that what is usual speaks for them. How much of it the engine took for steps, it does not say: all
/// of it counts as doubt.
fn hidden_tilt_db_per_km(content: &Content, (from_m, to_m): (f64, f64)) -> f64 {
    let length_m = to_m - from_m;
    let (mut sum_db, mut variance) = (0.0, 0.0);
    for (at_m, loss) in &content.joints {
        let share = (at_m - from_m) / length_m;
        if share > 0.0 && share < 1.0 {
            let likely = Measured::mean([Some(USUAL_JOINT), *loss].into_iter().flatten());
            let tilt = likely.unwrap_or(USUAL_JOINT).times(6.0 * share * (1.0 - share));
            sum_db += tilt.value;
            variance += tilt.sigma * tilt.sigma;
        }
    }
    sum_db.hypot(variance.sqrt()) / (length_m / 1e3)
}

/// The sections of one trace between the end connectors; none where the near connector is not seen.
fn of_trace(
    content: &Content,
    wavelength_nm: u16,
    direction: Direction,
    plan: &Plan,
) -> Vec<SectionReview> {
    let Some(near_m) = content.near_m else { return Vec::new() };
    let seen_m = content.length_m.map(|l| l.value);
    // Where the end is not seen the plan says how far the cable reaches, but for a share of surplus.
    let planned_m = plan.cable.length_m.map(|m| m + LONGER_SHARE * m);
    let last_m = seen_m.or(planned_m).unwrap_or(f64::INFINITY) + 1.0;
    let limit_db_per_km = plan.attenuation_limit_db_per_km(f64::from(wavelength_nm));
    let mut sections = Vec::new();
    for section in &content.analysis.sections {
        let (from, to) = (section.from_m.0 - near_m, section.to_m.0 - near_m);
        if from <= -1.0 || to >= last_m {
            continue; // in a cord
        }
        let (from_m, to_m) = match direction {
            Direction::AToB => (Some(from), Some(to)),
            Direction::BToA => {
                let length = seen_m.or(plan.cable.length_m);
                (length.map(|l| l - to), length.map(|l| l - from))
            }
        };
        let hidden = from_m.zip(to_m).map_or(0.0, |ends| hidden_tilt_db_per_km(content, ends));
        let attenuation = section.attenuation_db_per_km.map(|slope| slope.widened(hidden));
        // Where the light is lost in the noise the line bends before it ends.
        let fades = content.fades_m.is_some_and(|m| to >= m - 1.0);
        let judged =
            attenuation.filter(|_| to - from > LEAST_SECTION_PULSES * content.pulse_m && !fades);
        let verdict = judged
            .zip(limit_db_per_km)
            .map(|(attenuation, limit)| graded(attenuation, limit, &plan.limits));
        sections.push(SectionReview {
            wavelength_nm,
            direction,
            from_m,
            to_m,
            attenuation_db_per_km: attenuation,
            limit_db_per_km,
            verdict,
        });
    }
    sections
}
