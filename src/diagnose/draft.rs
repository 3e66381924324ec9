//! What a link is held against where nobody has a plan: a preset's limits, or its own past.

use super::part::{self, PartKind};
use super::{Link, Reference};
use crate::job::Test;
use crate::plan::{self, JointKind, Plan, PlanError, PlannedJoint};

/// A plan that says no more than which limits are usual: those of `preset`, as [`plan::usual_preset`] names
/// it. Its length and joints are not known.
///
/// `cable`, `ends`: what the labels call the cable, its end a and end b. Cords in metres.
///
/// # Errors
/// Where a wavelength or a cord is impossible, in a plan's words.
pub fn without_plan(
    cable: String,
    ends: [String; 2],
    wavelengths_nm: &[u16],
    preset: &str,
    launch_m: Option<f64>,
    tail_m: Option<f64>,
) -> Result<Plan, PlanError> {
    let cord = |key: &str, m: Option<f64>| m.map_or(String::new(), |m| format!("{key} = {m:?}\n"));
    let text = format!(
        "schema = \"strandline.plan/1\"\n[cable]\nid = \"\"\nfibers = \"1\"\nends = [\"a\", \"b\"]\n[measure]\nwavelengths_nm = {wavelengths_nm:?}\n{}{}[limits]\npreset = \"{preset}\"\n",
        cord("launch_m", launch_m),
        cord("tail_m", tail_m),
    );
    let mut plan = plan::read(&text)?;
    plan.cable.id = cable;
    plan.cable.ends = ends;
    Ok(plan)
}

/// The plan with the length, the joints and the index that a baseline shows, where it had none of its
/// own: places are compared in one index. `baseline`: read against `plan`.
pub fn with_baseline(mut plan: Plan, baseline: &[Test]) -> Plan {
    let link = Link::of(baseline, &plan, Reference::Baseline);
    let length_m = link.length_m;
    let indices: Vec<(u16, f64)> = link.tests.iter().map(|t| (t.0, t.2.index)).collect();
    let joints: Vec<PlannedJoint> = part::of(&link)
        .into_iter()
        .filter(|p| p.kind == PartKind::Unplanned)
        .map(|p| PlannedJoint {
            name: format!("joint at {:.0} m", p.from_m),
            at_m: p.from_m,
            kind: match p.reflectance_db {
                Some(_) => JointKind::Connector,
                None => JointKind::Splice,
            },
            ways: None,
        })
        .collect();
    if plan.joints.is_empty() {
        plan.joints = joints;
    }
    for (nm, index) in indices {
        plan.measure.group_index.entry(nm).or_insert(index);
    }
    plan.cable.length_m = plan.cable.length_m.or(length_m);
    plan
}
