//! The connectors at both ends, judged by loss and reflectance.

use super::super::Severity;
use super::{FiberReview, Own, highest};
use crate::grade::{self, Limit, Verdict};
use crate::units::Measured;

impl Own<'_> {
    /// Judges both end connectors: loss and reflectance.
    pub(super) fn judge_ends(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        for name in ["end a", "end b"] {
            let mut worst_loss: Option<Measured> = None;
            let mut worst_peak: Option<Measured> = None;
            let mut at_m = 0.0;
            for own in out.joints.iter_mut().filter(|j| j.name == name) {
                at_m = own.at_m;
                let mut verdicts = Vec::new();
                if let (Some(loss), Some(limit)) = (own.loss.loss_db, limits.connector_db) {
                    let with = grade::with_linearity(loss, limits.linearity_db_per_db);
                    let graded = grade::judge(with, Limit::AtMost(limit), limits.confidence);
                    verdicts.push(graded.verdict);
                    if graded.verdict == Verdict::Fail {
                        worst_loss = highest(worst_loss, Some(loss));
                    }
                }
                if let (Some(peak), Some(limit)) = (own.reflectance_db, limits.reflectance_db) {
                    let graded = grade::judge(peak, Limit::AtMost(limit), limits.confidence);
                    verdicts.push(graded.verdict);
                    if graded.verdict == Verdict::Fail {
                        worst_peak = highest(worst_peak, Some(peak));
                    }
                }
                own.verdict = grade::worst(verdicts);
            }
            if let (Some(loss), Some(limit)) = (worst_loss, limits.connector_db) {
                let mut finding =
                    self.finding("high-connector", Severity::Fault, Some(name), Some(at_m));
                finding.rests_on(["loss_db", "loss_sigma_db"], loss);
                finding.evidence.insert("limit_db", limit);
                finding.says =
                    format!("the connector at {name} loses {loss} dB; the limit is {limit} dB");
                finding.next =
                    "clean it, look at both end faces with a camera scope, and measure again"
                        .into();
                out.findings.push(finding);
            }
            if let (Some(peak), Some(limit)) = (worst_peak, limits.reflectance_db) {
                let mut finding =
                    self.finding("high-reflectance", Severity::Fault, Some(name), Some(at_m));
                finding.rests_on(["reflectance_db", "reflectance_sigma_db"], peak);
                finding.evidence.insert("limit_db", limit);
                finding.says = format!(
                    "the connector at {name} reflects {:.1} dB; the limit is {limit} dB",
                    peak.value
                );
                finding.next = "clean it, check that it is seated, and measure again".into();
                out.findings.push(finding);
            }
        }
    }
}
