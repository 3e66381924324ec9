//! The link from end connector to end connector.

use super::super::name::Direction;
use super::super::{FarEnd, Finding, Severity};
use super::joint::is_beyond_unequal;
use super::{FiberReview, JointReview, LinkReview, Own};
use crate::combine;
use crate::grade::{self, Limit, Verdict};
use crate::plan::{JointKind, LinkLimit};
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
        let length_m = self.plan.cable.length_m.or(self.length_shown_m());
        let nm = f64::from(wavelength_nm);
        LinkReview {
            wavelength_nm,
            loss_db: both.loss_db.filter(|_| broken_m.is_none()),
            limit_db: self.plan.link_limit_of(nm, length_m),
            limit_lacks: self.plan.link_limit_lacks(nm, length_m),
            verdict: None,
            lacks_connector: !self.holds_ends(wavelength_nm),
            is_open: self
                .tests
                .iter()
                .any(|t| t.wavelength_nm == wavelength_nm && t.content.far_end == FarEnd::OpenEnd),
            return_loss_db: self.return_loss_db(wavelength_nm),
            return_loss_verdict: None,
            splice_mean_db: None,
            splice_mean_verdict: None,
            length_m: self.length_m(wavelength_nm),
            length_verdict: None,
        }
    }

    /// The length between connectors that cords show, for a plan without one.
    fn length_shown_m(&self) -> Option<f64> {
        let shown = self
            .tests
            .iter()
            .filter(|t| t.content.far_end == FarEnd::Connector)
            .filter_map(|t| t.content.length_m);
        Measured::mean(shown).map(|length| length.value)
    }

    /// Whether each trace that a link's loss comes from holds the connectors that its limit holds: of a limit
    /// in figures those of both ends, of one from parts those that the planned cords show.
    pub(in super::super) fn holds_ends(&self, wavelength_nm: u16) -> bool {
        let measure = &self.plan.measure;
        let by_parts = self.plan.limits.link_loss_db == Some(LinkLimit::FromParts);
        let holds = |shows: bool, cord_m: Option<f64>| shows || (by_parts && cord_m.is_none());
        let own = self
            .tests
            .iter()
            .filter(|t| t.wavelength_nm == wavelength_nm && t.content.length_m.is_some());
        own.map(|t| t.content).all(|content| {
            holds(content.shows_near, measure.launch_m)
                && holds(content.far_end == FarEnd::Connector, measure.tail_m)
        })
    }

    /// Judges the mean over the planned splices at each wavelength.
    pub(super) fn judge_splice_means(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        let Some(limit) = limits.splice_mean_db else { return };
        for link in &mut out.links {
            link.splice_mean_db = self.splice_mean_db(&out.joints, link.wavelength_nm);
        }
        let with = |mean| grade::with_linearity(mean, limits.linearity_db_per_db);
        let whole = out.broken_m.is_none();
        let has_splices = self.plan.joints.iter().any(|j| j.kind == JointKind::Splice);
        let failed = worst_failing(
            &mut out.links,
            (Limit::AtMost(limit), limits.confidence),
            |link| link.splice_mean_db.map(with),
            |link| &mut link.splice_mean_verdict,
            |link| whole && has_splices && self.is_measured(link.wavelength_nm),
        );
        // From one end the steps of all joints but the outermost glasses' cancel in the sum.
        let is_sure = |nm: u16, mean: Measured| {
            let splices: Vec<&JointReview> = self.splices(&out.joints, nm).collect();
            let sum_db = splices.len() as f64 * (mean.value - limit);
            splices.iter().all(|own| own.loss.step_db.is_some())
                || is_beyond_unequal(sum_db, limits)
        };
        for link in &mut out.links {
            if link.splice_mean_db.is_some_and(|mean| !is_sure(link.wavelength_nm, mean)) {
                link.splice_mean_verdict = link.splice_mean_verdict.min(Some(Verdict::Undecided));
            }
        }
        let failed = failed.filter(|(nm, mean)| is_sure(*nm, *mean));
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

    /// Mean loss over the planned splices. `None` where one of them has none.
    fn splice_mean_db(&self, joints: &[JointReview], wavelength_nm: u16) -> Option<Measured> {
        let losses: Option<Vec<Measured>> =
            self.splices(joints, wavelength_nm).map(|own| own.loss.loss_db).collect();
        let losses = losses.filter(|losses| !losses.is_empty())?;
        // A limit is of the plain mean: a splice that is known badly counts as much as any.
        let share = 1.0 / losses.len() as f64;
        losses.into_iter().reduce(Measured::plus).map(|sum| sum.times(share))
    }

    /// The planned splices at a wavelength.
    fn splices<'a>(
        &'a self,
        joints: &'a [JointReview],
        wavelength_nm: u16,
    ) -> impl Iterator<Item = &'a JointReview> {
        let is_splice = |name: &str| {
            self.plan.joints.iter().any(|j| j.kind == JointKind::Splice && j.name == name)
        };
        joints.iter().filter(move |j| j.wavelength_nm == wavelength_nm && is_splice(&j.name))
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
        let limits = &self.plan.limits;
        let Some(limit) = limits.orl_db else { return };
        let whole = out.broken_m.is_none();
        let failed = worst_failing(
            &mut out.links,
            (Limit::AtLeast(limit), limits.confidence),
            |link| {
                link.return_loss_db
                    .filter(|_| whole)
                    .map(|m| m.widened(limits.backscatter_sigma_db))
            },
            |link| &mut link.return_loss_verdict,
            |link| whole && self.is_measured(link.wavelength_nm),
        );
        // An end that hangs open reflects more than any connector will: it can pass so, and not fail.
        for link in out.links.iter_mut().filter(|link| link.is_open) {
            link.return_loss_verdict = link.return_loss_verdict.map(|v| v.min(Verdict::Undecided));
        }
        let is_open = |nm| out.links.iter().any(|link| link.wavelength_nm == nm && link.is_open);
        let failed = failed.filter(|(nm, _)| !is_open(*nm));
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

    /// Judges the length against the longest that is allowed. Index and time base are as wrong from
    /// both ends, so a mean of both is no surer.
    pub(super) fn judge_length(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        let Some(limit) = limits.max_length_m else { return };
        let whole = out.broken_m.is_none();
        let failed = worst_failing(
            &mut out.links,
            (Limit::AtMost(limit), limits.confidence),
            |link| link.length_m.filter(|_| whole),
            |link| &mut link.length_verdict,
            |link| whole && self.is_measured(link.wavelength_nm),
        );
        if let Some((wavelength, length)) = failed {
            let mut finding = self.finding("length-outlier", Severity::Fault, None, None);
            finding.rests_on(["length_m", "length_sigma_m"], length);
            finding.evidence.insert("limit_m", limit);
            finding.says = format!(
                "the link is {length} m long, measured at {wavelength} nm; it may be {limit} m"
            );
            finding.next = "plan a shorter route, or equipment that reaches farther".into();
            out.findings.push(finding);
        }
    }

    /// Its length at a wavelength, the doubt about index and time base included.
    fn length_m(&self, wavelength_nm: u16) -> Option<Measured> {
        let from = |direction| {
            let content = self.of(wavelength_nm, direction)?;
            content.length_m.zip(content.length_doubt_m)
        };
        let both = [Direction::AToB, Direction::BToA].map(from);
        let all: Vec<(Measured, f64)> = both.into_iter().flatten().collect();
        let mean = all.iter().map(|(length, _)| length.value).sum::<f64>() / all.len() as f64;
        let doubt = all.iter().map(|(_, doubt)| *doubt).fold(0.0, f64::max);
        (!all.is_empty()).then(|| Measured::new(mean, doubt))
    }

    pub(super) fn judge_links(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        let (mut failed, mut too_little) = (None, Vec::new());
        for link in &mut out.links {
            let least = self.plan.min_link_limit_db(f64::from(link.wavelength_nm));
            let Some(loss) = link.loss_db else {
                // Measured, and an end is not seen: who knows what the link loses.
                let asked = limits.link_loss_db.is_some() || least.is_some();
                link.verdict = Some(Verdict::Undecided)
                    .filter(|_| asked && self.is_measured(link.wavelength_nm));
                continue;
            };
            let is_whole = !link.lacks_connector;
            if let Some(least) = least {
                let graded = limits.judge_loss(loss, Limit::AtLeast(least));
                // With a connector's loss on top it may well lose enough.
                let is_known = is_whole || graded.verdict == Verdict::Pass;
                link.verdict = Some(if is_known { graded.verdict } else { Verdict::Undecided });
                if link.verdict == Some(Verdict::Fail) {
                    too_little.push(self.too_little(link.wavelength_nm, loss, least));
                }
            }
            let Some(limit) = link.limit_db else {
                let is_open = link.limit_lacks.is_some();
                link.verdict = link.verdict.max(is_open.then_some(Verdict::Undecided));
                continue;
            };
            let graded = limits.judge_loss(loss, Limit::AtMost(limit));
            let is_known = is_whole || graded.verdict == Verdict::Fail;
            let own = if is_known { graded.verdict } else { Verdict::Undecided };
            link.verdict = link.verdict.max(Some(own));
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

/// Judges a figure of each link, with all its uncertainty, and keeps the verdict. Returns the worst
/// that fails, with its wavelength. Where there should be a figure and none could be had it is undecided.
fn worst_failing(
    links: &mut [LinkReview],
    (limit, confidence): (Limit, f64),
    figure: impl Fn(&LinkReview) -> Option<Measured>,
    verdict: impl Fn(&mut LinkReview) -> &mut Option<Verdict>,
    should_have: impl Fn(&LinkReview) -> bool,
) -> Option<(u16, Measured)> {
    let is_worse = |new: f64, old: f64| match limit {
        Limit::AtMost(_) => new > old,
        Limit::AtLeast(_) => new < old,
    };
    let mut failed: Option<(u16, Measured)> = None;
    for link in links {
        let Some(value) = figure(link) else {
            *verdict(link) = should_have(link).then_some(Verdict::Undecided);
            continue;
        };
        let graded = grade::judge(value, limit, confidence);
        *verdict(link) = Some(graded.verdict);
        let worse = failed.is_none_or(|f| is_worse(value.value, f.1.value));
        if graded.verdict == Verdict::Fail && worse {
            failed = Some((link.wavelength_nm, value));
        }
    }
    failed
}
