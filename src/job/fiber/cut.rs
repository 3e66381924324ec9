//! Where a fibre is in two.

use super::super::Severity;
use super::super::name::Direction;
use super::{FiberReview, Own};
use crate::units::Measured;

impl Own<'_> {
    /// A break: the light stops early, from one end or from both; then both distances add up.
    pub(super) fn find_break(&self, out: &mut FiberReview) {
        // Index and time base are as wrong at every wavelength, so a mean of them is no surer.
        let stops = |direction| {
            let own = self.tests.iter().filter(|t| t.direction == direction).map(|t| t.content);
            // Light that reaches the far end at one wavelength passes no break at another.
            if own.clone().any(|c| c.length_m.is_some()) {
                return None;
            }
            let seen: Vec<(Measured, f64)> =
                own.filter_map(|c| c.stops_m.zip(c.stops_doubt_m)).collect();
            let doubt_m = seen.iter().map(|s| s.1).fold(0.0, f64::max);
            Measured::mean(seen.iter().map(|s| s.0)).map(|mean| Measured::new(mean.value, doubt_m))
        };
        let length = self.plan.cable.length_m;
        let from_b = stops(Direction::BToA);
        let back = from_b.zip(length).map(|(b, l)| Measured::new(l - b.value, b.sigma));
        let place = match (stops(Direction::AToB), back) {
            (Some(a), Some(b)) => {
                let together = (a.value - b.value).abs() < 0.01 * length.unwrap_or(0.0) + 20.0;
                if together || a.value < b.value { a } else { b }
            }
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => return,
        };
        let at_m = place.value;
        out.broken_m = Some(at_m);
        let section = self.section_name(at_m);
        let mut finding = self.finding("break", Severity::Fault, Some(&section), Some(at_m));
        finding.rests_on(["at_m", "at_sigma_m"], place);
        if let Some(b) = from_b {
            finding.rests_on(["from_b_m", "from_b_sigma_m"], b);
        }
        let b_words = from_b.map_or(String::new(), |b| format!(", {b:.1} m from end b"));
        finding.says = format!("the light stops {place:.1} m from end a{b_words}, in {section}");
        finding.next =
            "find the place, repair it, and measure the fibre again from both ends".into();
        out.findings.push(finding);
    }
}
