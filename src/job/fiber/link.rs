//! The link from end connector to end connector.

use super::super::name::Direction;
use super::super::{Finding, Severity};
use super::{FiberReview, LinkReview, Own};
use crate::combine;
use crate::grade::{self, Limit, Verdict};
use crate::plan::JointKind;
use crate::units::Measured;

impl Own<'_> {
    pub(super) fn link(&self, wavelength_nm: u16, broken_m: Option<f64>) -> LinkReview {
        let loss = |direction| {
            let content = self.of(wavelength_nm, direction)?;
            content.length_m?; // both end connectors are in it only where both are seen
            content.analysis.span.as_ref()?.loss_db
        };
        let both = combine::two_way(
            loss(Direction::AToB),
            loss(Direction::BToA),
            self.plan.limits.one_way_db,
        );
        LinkReview {
            wavelength_nm,
            loss_db: both.loss_db.filter(|_| broken_m.is_none()),
            limit_db: self.plan.link_limit_db(f64::from(wavelength_nm)),
            verdict: None,
            return_loss_db: self.return_loss_db(wavelength_nm),
            return_loss_verdict: None,
            splice_mean_db: None,
            splice_mean_verdict: None,
        }
    }

    /// Judges the mean over the planned splices at each wavelength.
    pub(super) fn judge_splice_means(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        let Some(limit) = limits.splice_mean_db else { return };
        let is_splice = |name: &str| {
            self.plan.joints.iter().any(|j| j.kind == JointKind::Splice && j.name == name)
        };
        let mut failed: Option<(u16, Measured)> = None;
        for link in &mut out.links {
            let own = out
                .joints
                .iter()
                .filter(|j| j.wavelength_nm == link.wavelength_nm && is_splice(&j.name));
            let losses: Option<Vec<Measured>> = own.map(|j| j.loss.loss_db).collect();
            let Some(mean) = losses.and_then(Measured::mean) else { continue };
            let with = grade::with_linearity(mean, limits.linearity_db_per_db);
            let graded = grade::judge(with, Limit::AtMost(limit), limits.confidence);
            (link.splice_mean_db, link.splice_mean_verdict) = (Some(mean), Some(graded.verdict));
            if graded.verdict == Verdict::Fail && failed.is_none_or(|f| mean.value > f.1.value) {
                failed = Some((link.wavelength_nm, mean));
            }
        }
        // One bad splice lifts the mean: it is named at its place.
        let explained = out
            .findings
            .iter()
            .any(|f| f.severity == Severity::Fault && matches!(f.kind, "high-splice" | "bend"));
        if let Some((wavelength, mean)) = failed.filter(|_| !explained) {
            let mut finding = self.finding("high-splice", Severity::Fault, None, None);
            finding.rests_on(["mean_loss_db", "mean_loss_sigma_db"], mean);
            finding.evidence.insert("limit_db", limit);
            finding.says = format!(
                "its splices lose {mean} dB on average at {wavelength} nm; the mean may be {limit} dB"
            );
            finding.next = "splice the worst of them again: none alone is over its limit".into();
            out.findings.push(finding);
        }
    }

    /// The lower of both ends' return losses; each is of the whole link, seen from its end.
    fn return_loss_db(&self, wavelength_nm: u16) -> Option<Measured> {
        let from = |direction| {
            let content = self.of(wavelength_nm, direction)?;
            content.length_m?;
            content.analysis.span.as_ref()?.orl_db
        };
        let both = [Direction::AToB, Direction::BToA].map(from).into_iter().flatten();
        both.min_by(|a, b| a.value.total_cmp(&b.value))
    }

    /// Judges the return loss of the links.
    pub(super) fn judge_return_loss(&self, out: &mut FiberReview) {
        let Some(limit) = self.plan.limits.orl_db else { return };
        let mut failed: Option<(u16, Measured)> = None;
        for link in &mut out.links {
            let Some(loss) = link.return_loss_db.filter(|_| out.broken_m.is_none()) else {
                continue;
            };
            let graded = grade::judge(loss, Limit::AtLeast(limit), self.plan.limits.confidence);
            link.return_loss_verdict = Some(graded.verdict);
            if graded.verdict == Verdict::Fail && failed.is_none_or(|f| loss.value < f.1.value) {
                failed = Some((link.wavelength_nm, loss));
            }
        }
        // A connector that reflects too much is named at its place.
        let explained = out.findings.iter().any(|f| f.kind == "high-reflectance");
        if let Some((wavelength, loss)) = failed.filter(|_| !explained) {
            let mut finding = self.finding("low-return-loss", Severity::Fault, None, None);
            finding.rests_on(["return_loss_db", "return_loss_sigma_db"], loss);
            finding.evidence.insert("limit_db", limit);
            finding.says = format!(
                "the return loss of the link is {loss} dB at {wavelength} nm; it must be {limit} dB at least"
            );
            finding.next = "see which connector reflects most; clean it and look at it".into();
            out.findings.push(finding);
        }
    }

    pub(super) fn judge_links(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        let (mut failed, mut too_little) = (None, Vec::new());
        for link in &mut out.links {
            let Some(loss) = link.loss_db else { continue };
            // The scale's linearity holds for each dB of the whole link.
            let with = grade::with_linearity(loss, limits.linearity_db_per_db);
            if let Some(least) = self.plan.min_link_limit_db(f64::from(link.wavelength_nm)) {
                let graded = grade::judge(with, Limit::AtLeast(least), limits.confidence);
                link.verdict = Some(graded.verdict);
                if graded.verdict == Verdict::Fail {
                    too_little.push(self.too_little(link.wavelength_nm, loss, least));
                }
            }
            let Some(limit) = link.limit_db else { continue };
            let graded = grade::judge(with, Limit::AtMost(limit), limits.confidence);
            link.verdict = link.verdict.max(Some(graded.verdict));
            if graded.verdict == Verdict::Fail {
                failed = Some((link.wavelength_nm, loss, limit));
            }
        }
        // A cause is named once, at its root.
        let explained = out.findings.iter().any(|f| f.severity == Severity::Fault);
        out.findings.extend(too_little);
        if let Some((wavelength, loss, limit)) = failed.filter(|_| !explained) {
            let mut finding = self.finding("link-loss", Severity::Fault, None, None);
            finding.rests_on(["loss_db", "loss_sigma_db"], loss);
            finding.evidence.insert("limit_db", limit);
            finding.says =
                format!("the link loses {loss} dB at {wavelength} nm; the limit is {limit:.2} dB");
            finding.next = "no part alone is over its limit: see which are near theirs".into();
            out.findings.push(finding);
        }
    }

    /// A link that loses so little that its receiver is overloaded.
    fn too_little(&self, wavelength_nm: u16, loss: Measured, least_db: f64) -> Finding {
        let mut finding = self.finding("link-loss", Severity::Fault, None, None);
        finding.rests_on(["loss_db", "loss_sigma_db"], loss);
        finding.evidence.insert("least_db", least_db);
        finding.says = format!(
            "the link loses {loss} dB at {wavelength_nm} nm; with less than {least_db:.2} dB its receiver is overloaded"
        );
        finding.next = "put an attenuator in".into();
        finding
    }
}
