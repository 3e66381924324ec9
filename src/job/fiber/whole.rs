//! Whether the traces show the fibre from end to end. What passes was seen: a trace without an end, and an
//! end that may as well be a break, leave it undecided.

use super::super::name::Direction;
use super::super::test::Content;
use super::super::{FarEnd, Finding, Row, Test};
use super::{Counted, FiberReview, Own};
use crate::plan::Plan;

/// What leaves a measurement undecided although no figure of it is.
#[derive(Clone, Debug, PartialEq)]
pub(in super::super) struct Doubt {
    pub wavelength_nm: u16,
    pub direction: Direction,
    /// Why, and what to do.
    pub says: String,
}

impl Doubt {
    pub(in super::super) fn is_of(&self, row: &Row) -> bool {
        (row.wavelength_nm, row.direction) == (Some(self.wavelength_nm), Some(self.direction))
    }
}

/// Fibres of one cable differ by no more than this share of its length: tubes lie in layers. Common practice,
/// no source.
const UNEQUAL_SHARE: f64 = 3e-3;
const UNEQUAL_LEAST_M: f64 = 5.0;

/// What an end that no cord's connector shows may hide: a break so near to it is taken for it.
pub(in super::super) fn unseen_m(length_m: f64) -> f64 {
    UNEQUAL_LEAST_M.max(UNEQUAL_SHARE * length_m)
}

impl FiberReview {
    /// Leaves undecided what the files show of which nobody knows whether they are this fibre's.
    pub(in super::super) fn doubt_labels(
        &mut self,
        rows: &[Row],
        tests: &[Test],
        found: Option<&Finding>,
    ) {
        let Some(found) = found else { return };
        let is_named = |row: &&Row| {
            row.counts && row.test.is_some_and(|i| found.files.contains(&tests[i].path))
        };
        let of = |row: &Row| {
            let (wavelength_nm, direction) = row.wavelength_nm.zip(row.direction)?;
            Some(Doubt { wavelength_nm, direction, says: found.says.clone() })
        };
        self.doubts.extend(rows.iter().filter(is_named).filter_map(of));
    }
}

impl Own<'_> {
    /// Says which traces do not show that the fibre reaches its end. A break is said as such.
    pub(super) fn doubt_ends(&self, out: &mut FiberReview) {
        if out.broken_m.is_some() {
            return;
        }
        for Counted { wavelength_nm, direction, content, .. } in &self.tests {
            let others = self.tests.iter().map(|t| (t.direction, t.content));
            if let Some(says) = not_whole(self.plan, (*direction, content), others) {
                let (wavelength_nm, direction) = (*wavelength_nm, *direction);
                out.doubts.push(Doubt { wavelength_nm, direction, says });
            }
        }
    }
}

/// Why a trace does not show that a fibre which `plan` describes reaches its end, and what would. `all`: every
/// trace of the fibre. `None` where it does, and where it shows a break.
pub fn not_whole<'a>(
    plan: &Plan,
    (direction, content): (Direction, &Content),
    mut all: impl Iterator<Item = (Direction, &'a Content)>,
) -> Option<String> {
    let [own, other] = match direction {
        Direction::AToB => ["end a", "end b"],
        Direction::BToA => ["end b", "end a"],
    };
    if content.stops_m.is_some() || content.far_end == FarEnd::Connector {
        return None;
    }
    if content.far_end == FarEnd::Unseen {
        return Some(match content.fades_m {
            Some(m) => format!(
                "seen from {own} the light is lost in the noise after {m:.0} m: average longer, or use a longer pulse"
            ),
            None => format!(
                "the trace from {own} does not show where the fibre ends: measure again, with a launch cord and a pulse that suits"
            ),
        });
    }
    let Some(planned_m) = plan.cable.length_m else {
        return Some(format!(
            "nobody knows whether the fibre ends or breaks where the light from {own} stops: say its length in the plan (length_m), or measure with a tail cord"
        ));
    };
    // Seen from the other end as well it is whole: of a broken one both ends see but a part.
    let is_seen_from_both =
        all.any(|(end, content)| end != direction && content.far_end != FarEnd::Unseen);
    if plan.measure.tail_m.is_some() && !is_seen_from_both {
        return Some(format!(
            "seen from {own} no tail cord follows where the light stops: {other} without its cord, or a break near it; measure with the tail cord"
        ));
    }
    let short_m = planned_m - content.length_m?.value;
    (!is_seen_from_both && short_m > unseen_m(planned_m)).then(|| {
        format!(
            "the light from {own} stops {short_m:.0} m before the plan's length: {other}, or a break near it; measure with a tail cord or from {other}, or correct length_m in the plan"
        )
    })
}
