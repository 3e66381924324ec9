//! The connectors at both ends judged by loss, and every joint by its reflectance.

use std::collections::BTreeMap;

use super::super::name::Direction;
use super::super::{Finding, Severity};
use super::{CLEAN, FiberReview, Own, highest, joint};
use crate::grade::{self, Limit, Verdict};
use crate::plan::JointKind;
use crate::units::Measured;

const SEAT: &str = "clean it, check that it is seated, and measure again";

impl Own<'_> {
    /// Judges the losses of both end connectors.
    pub(super) fn judge_ends(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        for name in ["end a", "end b"] {
            let mut worst_loss: Option<Measured> = None;
            let mut at_m = 0.0;
            let is_bend = joint::grows(name, out);
            for own in out.joints.iter_mut().filter(|j| j.name == name) {
                at_m = own.at_m;
                let mut verdicts = Vec::new();
                if own.loss.loss_db.is_none() && self.must_see(name, own.wavelength_nm) {
                    verdicts.push(Verdict::Undecided);
                }
                let judge = |limit| joint::verdict_of(&own.loss, limit, is_bend, limits);
                if let Some(verdict) = limits.connector_db.and_then(judge) {
                    verdicts.push(verdict);
                    if verdict == Verdict::Fail {
                        worst_loss = highest(worst_loss, own.loss.loss_db);
                    }
                }
                own.verdict = grade::worst(verdicts);
            }
            let Some(limit) = limits.connector_db else { continue };
            let Some(loss) = worst_loss else {
                self.say_unsure((name, JointKind::Connector), limit, out);
                continue;
            };
            let mut finding =
                self.finding("high-connector", Severity::Fault, Some(name), Some(at_m));
            finding.rests_on(["loss_db", "loss_sigma_db"], loss);
            finding.evidence.insert("limit_db", limit);
            finding.says =
                format!("the connector at {name} loses {loss} dB; the limit is {limit} dB");
            finding.next = CLEAN.into();
            out.findings.push(finding);
        }
    }

    /// Judges the reflectance of the end connectors, and of every joint that reflects.
    pub(super) fn judge_reflectances(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        let Some(limit) = limits.reflectance_db else { return };
        let mut worst: BTreeMap<&str, (f64, Measured, bool)> = BTreeMap::new();
        for own in &mut out.joints {
            let Some(peak) = own.reflectance_db else { continue };
            let with = peak.widened(limits.backscatter_sigma_db);
            let is_whole = peak.sigma > 0.0;
            let verdict = if is_whole {
                grade::judge(with, Limit::AtMost(limit), limits.confidence).verdict
            } else {
                // The least that a saturated receiver saw.
                let sure = grade::sure_at_least(peak.value, with.sigma, limits.confidence);
                grade::judge_at_least(sure, Limit::AtMost(limit))
            };
            own.verdict = own.verdict.max(Some(verdict));
            if verdict == Verdict::Fail {
                let known = worst.get(own.name.as_str()).map(|w| w.1);
                if known.is_none_or(|known| with.value > known.value) {
                    worst.insert(&own.name, (own.at_m, with, is_whole));
                }
            }
        }
        let said: Vec<Finding> = worst
            .into_iter()
            .map(|(name, peak)| self.high_reflectance(name, peak, limit))
            .collect();
        out.findings.extend(said);
    }

    /// Of a cut-off peak what was seen is the least that it reflects.
    fn high_reflectance(
        &self,
        name: &str,
        (at_m, peak, is_whole): (f64, Measured, bool),
        limit: f64,
    ) -> Finding {
        let mut finding = self.finding("high-reflectance", Severity::Fault, Some(name), Some(at_m));
        finding.rests_on(["reflectance_db", "reflectance_sigma_db"], peak);
        finding.evidence.insert("limit_db", limit);
        let is_splice =
            self.plan.joints.iter().any(|j| j.name == name && j.kind == JointKind::Splice);
        let (what, next) = if is_splice {
            (name.to_owned(), "splice again: a sound splice does not reflect")
        } else if name.starts_with("end ") {
            (format!("the connector at {name}"), SEAT)
        } else {
            (format!("the connector {name}"), SEAT)
        };
        let least = if is_whole { "" } else { ", or more: the receiver was at its limit" };
        finding.says = format!("{what} reflects {peak:.1} dB{least}; the limit is {limit} dB");
        finding.next = next.into();
        finding
    }

    /// Whether a trace was taken at this wavelength that shows an end's connector, by the planned
    /// cords, and the plan limits its loss or what it reflects.
    fn must_see(&self, end: &str, wavelength_nm: u16) -> bool {
        let [near, far] = match end {
            "end a" => [Direction::AToB, Direction::BToA],
            _ => [Direction::BToA, Direction::AToB],
        };
        let measure = &self.plan.measure;
        let shown = |cord_m: Option<f64>, direction| {
            cord_m.is_some() && self.of(wavelength_nm, direction).is_some()
        };
        let limits = &self.plan.limits;
        (limits.connector_db.is_some() || limits.reflectance_db.is_some())
            && (shown(measure.launch_m, near) || shown(measure.tail_m, far))
    }
}
