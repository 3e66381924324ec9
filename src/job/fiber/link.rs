//! The link from end connector to end connector.

use super::super::Severity;
use super::super::name::Direction;
use super::{FiberReview, LinkReview, Own};
use crate::combine;
use crate::grade::{self, Limit, Verdict};

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
