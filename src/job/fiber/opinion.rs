//! What the instruments' own event tables say otherwise.

use super::super::Severity;
use super::super::name::Direction;
use super::super::test::Content;
use super::{Counted, FiberReview, Own};
use crate::event::{Event, Opinion};

impl Own<'_> {
    /// A remark where the tables in the files and this analysis differ.
    pub(super) fn say_second_opinion(&self, out: &mut FiberReview) {
        let mut most: Option<(f64, String, Option<f64>)> = None;
        let (mut losses, mut only_there, mut only_here) = (0, 0, 0);
        let mut files = Vec::new();
        for Counted { wavelength_nm: nm, direction, test, content } in &self.tests {
            for opinion in &content.analysis.opinions {
                match opinion {
                    Opinion::OnlyInstrument { .. } => only_there += 1,
                    Opinion::OnlyHere { .. } => only_here += 1,
                    Opinion::Loss { number, instrument_db, here_db } => {
                        losses += 1;
                        let off = (instrument_db - here_db.value).abs();
                        if most.as_ref().is_none_or(|m| off > m.0) {
                            let event =
                                content.analysis.events.iter().find(|e| e.number == *number);
                            let at_m = event.and_then(|e| on_cable(e, *direction, content));
                            let says = format!(
                                "{instrument_db:.3} dB there, {here_db} dB here at {nm} nm"
                            );
                            most = Some((off, says, at_m));
                        }
                    }
                }
            }
            if !content.analysis.opinions.is_empty() {
                files.push(test.path.clone());
            }
        }
        if files.is_empty() {
            return;
        }
        let at_m = most.as_ref().and_then(|m| m.2);
        let place = at_m.map(|m| self.joint_or_section(m));
        let mut finding = self.finding("second-opinion", Severity::Remark, place.as_deref(), at_m);
        finding.files = files;
        let count = |n: i32| f64::from(n);
        finding.evidence.insert("losses_differ", count(losses));
        finding.evidence.insert("only_in_table", count(only_there));
        finding.evidence.insert("only_here", count(only_here));
        finding.says = format!(
            "the instruments' own tables differ: {losses} losses, {only_there} events that are not found here, {only_here} that they do not list"
        );
        if let Some((off, says, _)) = most {
            finding.evidence.insert("largest_difference_db", off);
            finding.says.push_str(&format!("; the largest: {says}"));
        }
        finding.next = "nothing, unless a verdict hangs on it: then look at the trace".into();
        out.findings.push(finding);
    }

    fn joint_or_section(&self, at_m: f64) -> String {
        let off = |m: f64| (m - at_m).abs();
        let joint = self.plan.joints.iter().min_by(|a, b| off(a.at_m).total_cmp(&off(b.at_m)));
        match joint.filter(|j| off(j.at_m) < 30.0) {
            Some(joint) => joint.name.clone(),
            None => self.section_name(at_m),
        }
    }
}

fn on_cable(event: &Event, direction: Direction, content: &Content) -> Option<f64> {
    let from_near = event.position_m.0 - content.near_m?;
    match direction {
        Direction::AToB => Some(from_near),
        Direction::BToA => Some(content.length_m?.value - from_near),
    }
}
