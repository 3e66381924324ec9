//! Where a fibre is in two.

use super::super::Severity;
use super::super::name::Direction;
use super::{FiberReview, Own};

impl Own<'_> {
    /// A break: the light stops early, from one end or from both; then both distances add up.
    pub(super) fn find_break(&self, out: &mut FiberReview) {
        let stops = |direction| {
            let all: Vec<f64> = self
                .tests
                .iter()
                .filter(|t| t.1 == direction)
                .filter_map(|t| t.3.stops_m)
                .map(|m| m.value)
                .collect();
            (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
        };
        let length = self.plan.cable.length_m;
        let from_b = stops(Direction::BToA);
        let at_m = match (stops(Direction::AToB), from_b.zip(length).map(|(b, l)| l - b)) {
            (Some(a), Some(b)) => {
                let together = (a - b).abs() < 0.01 * length.unwrap_or(0.0) + 20.0;
                if together { a } else { a.min(b) }
            }
            (Some(a), None) => a,
            (None, Some(b)) => b,
            (None, None) => return,
        };
        out.broken_m = Some(at_m);
        let section = self.section_name(at_m);
        let mut finding = self.finding("break", Severity::Fault, Some(&section), Some(at_m));
        finding.evidence.insert("at_m", at_m);
        if let Some(b) = from_b {
            finding.evidence.insert("from_b_m", b);
        }
        let b_words = from_b.map_or(String::new(), |b| format!(", {b:.1} m from end b"));
        finding.says = format!("the light stops {at_m:.1} m from end a{b_words}, in {section}");
        finding.next =
            "find the place, repair it, and measure the fibre again from both ends".into();
        out.findings.push(finding);
    }
}
