//! The joint losses of a review, as pictures of a cable take them.

use super::{CAUTION, escape};
use crate::job::{JointReview, Review};
use crate::plan::{JointKind, Plan};
use crate::plot::{CableLosses, Ends, FiberLosses, JointLoss, LossColumn};

/// Every joint and end connector of the plan at every wavelength, and what each fibre loses there.
pub fn of(review: &Review, plan: &Plan) -> CableLosses {
    let columns = columns(plan);
    let fibers = review
        .fibers
        .iter()
        .map(|fiber| FiberLosses {
            name: format!("{} {}", fiber.fiber, plan.cable.colors.fiber(fiber.fiber)),
            tube: format!("{} tube", plan.cable.colors.tube(fiber.fiber)),
            verdict: fiber.verdict.word().to_owned(),
            losses: columns
                .iter()
                .map(|column| {
                    let own = |joint: &&JointReview| {
                        escape::terminal(&joint.name) == column.joint
                            && joint.wavelength_nm == column.wavelength_nm
                    };
                    fiber.joints.iter().find(own).and_then(loss)
                })
                .collect(),
        })
        .collect();
    let [a, b] = &plan.cable.ends;
    let title = format!("{}, {a} to {b}: loss of every joint", plan.cable.id);
    CableLosses { title: escape::terminal(&title), caution: CAUTION.to_owned(), columns, fibers }
}

fn columns(plan: &Plan) -> Vec<LossColumn> {
    let connector =
        |name: &str, at_m| (name.to_owned(), JointKind::Connector, at_m, plan.limits.connector_db);
    let mut joints = vec![connector("end a", Some(0.0))];
    let planned = plan.joints.iter();
    joints.extend(planned.map(|own| {
        (escape::terminal(&own.name), own.kind, Some(own.at_m), plan.allowance_db(own))
    }));
    joints.push(connector("end b", plan.cable.length_m));
    let mut columns = Vec::new();
    for (joint, kind, at_m, limit_db) in joints {
        for wavelength_nm in &plan.measure.wavelengths_nm {
            columns.push(LossColumn {
                joint: joint.clone(),
                kind: kind_word(kind).to_owned(),
                at_m,
                wavelength_nm: *wavelength_nm,
                limit_db,
            });
        }
    }
    columns
}

fn kind_word(kind: JointKind) -> &'static str {
    match kind {
        JointKind::Splice => "splices",
        JointKind::Connector => "connectors",
        JointKind::Splitter => "splitters",
    }
}

fn loss(joint: &JointReview) -> Option<JointLoss> {
    let ends = match (joint.loss.from_a_db, joint.loss.from_b_db) {
        (Some(_), Some(_)) => Ends::Both,
        (Some(_), None) => Ends::A,
        _ => Ends::B,
    };
    Some(JointLoss { loss_db: joint.loss.loss_db?, ends, verdict: joint.verdict })
}
