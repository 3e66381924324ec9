//! The link from end connector to end connector.

use super::super::Severity;
use super::super::name::Direction;
use super::{FiberReview, LinkReview, Own};
use crate::combine;
use crate::grade::{self, Limit, Verdict};
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
            finding.evidence.insert("return_loss_db", loss.value);
            finding.evidence.insert("return_loss_sigma_db", loss.sigma);
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
        let mut failed = None;
        for link in &mut out.links {
            let (Some(loss), Some(limit)) = (link.loss_db, link.limit_db) else { continue };
            // The scale's linearity holds for each dB of the whole link.
            let with = grade::with_linearity(loss, limits.linearity_db_per_db);
            let graded = grade::judge(with, Limit::AtMost(limit), limits.confidence);
            link.verdict = Some(graded.verdict);
            if graded.verdict == Verdict::Fail {
                failed = Some((link.wavelength_nm, loss, limit));
            }
        }
        // A cause is named once, at its root.
        let explained = out.findings.iter().any(|f| f.severity == Severity::Fault);
        if let Some((wavelength, loss, limit)) = failed.filter(|_| !explained) {
            let mut finding = self.finding("link-loss", Severity::Fault, None, None);
            finding.evidence.insert("loss_db", loss.value);
            finding.evidence.insert("loss_sigma_db", loss.sigma);
            finding.evidence.insert("limit_db", limit);
            finding.says =
                format!("the link loses {loss} dB at {wavelength} nm; the limit is {limit:.2} dB");
            finding.next = "no part alone is over its limit: see which are near theirs".into();
            out.findings.push(finding);
        }
    }
}
