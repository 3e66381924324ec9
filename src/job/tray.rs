//! One joint over all fibres: what to do before its tray is closed.

use super::fiber::{FiberReview, JointReview};
use super::{Direction, Review, remedy};
use crate::grade::Verdict;
use crate::plan::{Directions, JointKind, Plan, PlannedJoint};

/// A joint and the plan that it stands in.
#[derive(Clone, Debug)]
pub struct Tray {
    /// The plan, as far as the cable is built.
    pub plan: Plan,
    /// The joint.
    pub joint: PlannedJoint,
}

/// A joint of one fibre at one wavelength, and what to do with it.
#[derive(Debug)]
pub struct Instruction<'a> {
    /// What was measured.
    pub joint: &'a JointReview,
    /// What to do, in words.
    pub says: String,
}

const FINE: &str = "fine to close";

/// Where both ends are measured and do not decide.
const AVERAGE: &str = "average longer";

/// Where the plan says so, with its reason.
const ACCEPTED: &str = "accepted: see the plan's waiver";

/// Where another wavelength of the same fibre asks for more.
const ONE_ALONE: &str = "not yet: good at this wavelength alone";

impl Tray {
    /// The tray of a joint by its name. `built_to`: the cable is built from end a to that joint so far.
    ///
    /// # Errors
    /// Names the joints that the plan has, where one of both is none of them.
    pub fn new(plan: Plan, joint: &str, built_to: Option<&str>) -> Result<Tray, String> {
        let joint = named(&plan, joint)?.clone();
        let plan = built(plan, built_to)?;
        if let Some(to) = built_to.filter(|_| !plan.joints.contains(&joint)) {
            return Err(format!(
                "the cable is built to {to} so far, so {} cannot be spliced yet",
                joint.name
            ));
        }
        Ok(Tray { plan, joint })
    }

    /// What the joint may lose.
    pub fn limit_db(&self) -> Option<f64> {
        self.plan.allowance_db(&self.joint)
    }

    /// Of a fibre, at each wavelength, and whether its tray may be closed.
    pub fn instructions<'a>(&self, fiber: &'a FiberReview) -> (Vec<Instruction<'a>>, bool) {
        let measured: Vec<(&JointReview, &str)> = fiber
            .joints
            .iter()
            .filter(|own| own.name == self.joint.name)
            .map(|own| (own, self.advice(fiber, own)))
            .collect();
        // A tray is closed over a fibre, not over one of its wavelengths.
        let fine = !measured.is_empty()
            && measured.iter().all(|(_, advice)| [FINE, ACCEPTED].contains(advice));
        let in_words = |(joint, advice): (&'a JointReview, &str)| {
            let says = match advice {
                FINE if !fine => ONE_ALONE.to_owned(),
                FINE if gains(joint) => format!("{FINE}: the gain from one end is unequal glass"),
                AVERAGE => self.longer(joint),
                advice => advice.to_owned(),
            };
            Instruction { joint, says }
        };
        (measured.into_iter().map(in_words).collect(), fine)
    }

    /// One of four instructions, with its reason. It names no end that cannot be measured from.
    fn advice(&self, fiber: &FiberReview, own: &JointReview) -> &'static str {
        let bend = fiber
            .findings
            .iter()
            .any(|f| f.kind == "bend" && f.place.as_deref() == Some(own.name.as_str()));
        let copied = fiber.findings.iter().any(|f| matches!(f.kind, "copy" | "swapped"));
        let (from_a, from_b) = (own.loss.from_a_db.is_some(), own.loss.from_b_db.is_some());
        let [wants_a, wants_b] = self.plan.measure.directions.ends();
        let enough = (from_a || !wants_a) && (from_b || !wants_b);
        let one_end = !(wants_a && wants_b);
        // Where an end's light has stopped before, that end has nothing more to say. Seen from end a alone a
        // break may be where the cable is built to.
        let broken_m = fiber.findings.iter().find(|f| f.kind == "break").and_then(|f| f.at_m);
        let is_behind_break = broken_m.is_some_and(|m| m < own.at_m);
        let seen_from = |end| fiber.sections.iter().any(|s| s.direction == end);
        let is_before_break = broken_m.is_some_and(|m| m > own.at_m) && seen_from(Direction::BToA);
        match own.verdict {
            _ if copied => "measure again: nobody knows which fibre this is",
            _ if own.waived.is_some() => ACCEPTED,
            // Its reflection may be judged, and pass.
            None | Some(Verdict::Pass) if enough && self.limit_db().is_none() => {
                "nothing: the plan has no limit to judge its loss by"
            }
            Some(Verdict::Pass) if enough => FINE,
            Some(Verdict::Fail) if enough && bend => {
                "free the bend in the tray, then measure again"
            }
            Some(Verdict::Fail) if enough && self.joint.kind == JointKind::Connector => {
                "clean the connector and look at it, then measure again"
            }
            Some(Verdict::Fail) if enough && known_at(fiber, own) < 2 => {
                "splice again, if no bend is in the tray: one wavelength cannot tell"
            }
            Some(Verdict::Fail) if enough => "splice again",
            Some(Verdict::Undecided) if enough && one_end && remedy::unequal_rules(own) => {
                "leave it open: one end alone cannot tell it from unequal glass"
            }
            _ if enough => AVERAGE,
            _ if !from_a && is_behind_break && (from_b || seen_from(Direction::AToB)) => {
                "repair the break first: end a's light stops on the way"
            }
            _ if from_a && !from_b && is_before_break => {
                "repair the break first: end b's light stops on the way"
            }
            _ if from_a || !wants_a => "measure from end b first",
            _ if from_b || !wants_b => "measure from end a first",
            _ => "not measured yet",
        }
    }

    /// Of an undecided joint: how much longer to average, or that it is in vain.
    fn longer(&self, own: &JointReview) -> String {
        match self.limit_db().and_then(|limit| remedy::times_longer(own, limit, &self.plan.limits))
        {
            Some(times) => format!("{AVERAGE}: {times:.1} times as long would decide it"),
            None => "too near its limit for any OTDR: splice again, or accept it".to_owned(),
        }
    }

    /// The joint at which every measured fibre stops, where two or more do: the cable may be built to
    /// there so far.
    pub fn all_stop_at(&self, answer: &Review) -> Option<&str> {
        const TRAY_M: f64 = 20.0; // loops of fibre that wait for their splice
        let stop = |fiber: &FiberReview| fiber.findings.iter().find(|f| f.kind == "break")?.at_m;
        let measured = |fiber: &&FiberReview| {
            answer.rows.iter().any(|row| row.fiber == Some(fiber.fiber) && row.counts)
        };
        let stops: Option<Vec<f64>> = answer.fibers.iter().filter(measured).map(stop).collect();
        let stops = stops.filter(|stops| stops.len() >= 2)?;
        let at = |joint: &&PlannedJoint| {
            stops.iter().all(|m| (m - joint.at_m).abs() < TRAY_M + 2e-3 * joint.at_m)
        };
        self.plan.joints.iter().find(at).map(|joint| joint.name.as_str())
    }
}

/// At how many wavelengths a joint's loss is known.
fn known_at(fiber: &FiberReview, own: &JointReview) -> usize {
    let is_known = |other: &&JointReview| other.name == own.name && other.loss.loss_db.is_some();
    fiber.joints.iter().filter(is_known).count()
}

/// Whether one end alone shows more light behind the joint than before it.
fn gains(own: &JointReview) -> bool {
    let ends = [own.loss.from_a_db, own.loss.from_b_db];
    ends.into_iter().flatten().any(|m| m.value < -3.0 * m.sigma)
}

/// The plan as far as the cable is built: it ends at the joint `to`, and is measured from end a alone.
///
/// # Errors
/// Names the joints that the plan has, where `to` is none of them.
pub fn built(mut plan: Plan, to: Option<&str>) -> Result<Plan, String> {
    let Some(name) = to else { return Ok(plan) };
    let at_m = named(&plan, name)?.at_m;
    plan.cable.length_m = Some(at_m);
    plan.joints.retain(|joint| joint.at_m < at_m);
    plan.measure.directions = Directions::AToB;
    plan.measure.tail_m = None; // nothing is connected to fibres that are not spliced yet
    Ok(plan)
}

fn named<'a>(plan: &'a Plan, name: &str) -> Result<&'a PlannedJoint, String> {
    plan.joints.iter().find(|joint| joint.name.eq_ignore_ascii_case(name)).ok_or_else(|| {
        let names: Vec<&str> = plan.joints.iter().map(|joint| joint.name.as_str()).collect();
        match names.as_slice() {
            [] => format!("the plan has no joint {name:?}: it names none at all"),
            names => {
                format!("the plan has no joint {name:?}, it has: {}", names.join(", "))
            }
        }
    })
}
