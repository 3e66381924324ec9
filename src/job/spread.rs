//! What unequal fibres do to a splice read from one end, as the cable's own joints show it.

use std::collections::BTreeSet;

use super::FiberReview;
use crate::findings;
use crate::plan::Plan;
use crate::signal::normal;

/// One sigma of what unequal fibres fake at a splice that is read from one end alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OneWay {
    /// In dB.
    pub sigma_db: f64,
    /// Joints of the job that were measured from both ends.
    pub joints: usize,
    /// Whether it is the spread of those joints; else it is the plan's.
    pub is_own: bool,
}

/// From so many joints on the cable speaks for itself: the spread of eight is known within a quarter
/// (`1/√(2·8)`, JCGM 100:2008, E.4.3), and widened for that.
const LEAST_JOINTS: usize = 8;

impl OneWay {
    /// The root mean square of the steps of all planned joints measured from both ends, noise
    /// included, widened as Student's t of their number is over the normal distribution; the plan's
    /// figure where they are too few. Wavelengths of one joint show the same two fibres, so they count
    /// once.
    pub(super) fn of(fibers: &[FiberReview], plan: &Plan) -> OneWay {
        let planned: BTreeSet<&str> = plan.joints.iter().map(|j| j.name.as_str()).collect();
        let mut joints = BTreeSet::new();
        let (mut sum, mut count) = (0.0, 0.0);
        for fiber in fibers {
            for joint in fiber.joints.iter().filter(|j| planned.contains(j.name.as_str())) {
                let Some(step) = joint.loss.step_db else { continue };
                joints.insert((fiber.fiber, joint.name.as_str()));
                sum += step.value * step.value;
                count += 1.0;
            }
        }
        let joints = joints.len();
        if joints < LEAST_JOINTS {
            return OneWay { sigma_db: plan.limits.one_way_db, joints, is_own: false };
        }
        let confidence = plan.limits.confidence;
        let widened =
            findings::student(1.0 - confidence, joints as f64) / normal::quantile(confidence);
        OneWay { sigma_db: f64::sqrt(sum / count) * widened, joints, is_own: true }
    }

    /// What it is, and where it comes from, in words.
    pub fn words(&self) -> String {
        let source = if self.is_own {
            format!(
                "the spread of the {} joints of this cable measured from both, widened for their number",
                self.joints
            )
        } else {
            format!(
                "the plan's, else common practice without a source; {} joints are measured from both, {LEAST_JOINTS} would tell it",
                self.joints
            )
        };
        format!(
            "a joint read from one end alone carries ± {:.3} dB for unequal fibres: {source}",
            self.sigma_db
        )
    }
}
