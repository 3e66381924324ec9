//! Deviations that were accepted: shown as such, and no reason to fail.

use super::super::Severity;
use super::{FiberReview, Own};
use crate::grade::Verdict;

/// What can be accepted by its place. A break, a copy or a missing measurement cannot: there nobody
/// knows what is accepted.
const CAN_BE_WAIVED: [&str; 6] = [
    "bend",
    "high-attenuation",
    "high-connector",
    "high-reflectance",
    "high-splice",
    "unplanned-event",
];

impl Own<'_> {
    /// Turns the accepted findings into remarks, with the reason; keeps what meets nothing.
    pub(super) fn waive(&self, out: &mut FiberReview) {
        for waiver in self.plan.waivers.iter().filter(|waiver| waiver.fiber == self.fiber) {
            let is_here = |place: &str| waiver.is_at(place);
            let words = waiver.words();
            let mut met = false;
            for joint in out.joints.iter_mut().filter(|joint| is_here(&joint.name)) {
                if joint.verdict.is_some_and(|verdict| verdict != Verdict::Pass) {
                    joint.waived = Some(words.clone());
                    met = true;
                }
            }
            for finding in &mut out.findings {
                let here = finding.place.as_deref().is_some_and(is_here);
                if here
                    && CAN_BE_WAIVED.contains(&finding.kind)
                    && finding.severity == Severity::Fault
                {
                    finding.severity = Severity::Remark;
                    finding.says = format!("{}; {words}", finding.says);
                    finding.next = "nothing".into();
                    met = true;
                }
            }
            if !met {
                out.unmet_waivers.push(waiver.place.clone());
            }
        }
    }

    /// Whether a section's attenuation was accepted.
    pub(super) fn is_waived(&self, place: &str) -> bool {
        let own = |waiver: &&crate::plan::Waiver| waiver.fiber == self.fiber;
        self.plan.waivers.iter().filter(own).any(|waiver| waiver.is_at(place))
    }
}
