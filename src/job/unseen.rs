//! What a plan's measurements cannot show, whatever they find.

use super::Test;
use super::ends::early_m;
use super::fiber::unseen_m;
use crate::plan::Plan;

/// Planned joints that lie behind the end of the longest fibre, one sentence each: no trace can show them. Where the
/// plan has a length its joints lie before that.
pub(super) fn joints(tests: &[Test], plan: &Plan) -> Vec<String> {
    let lengths = tests.iter().filter_map(|test| test.read()?.length_m);
    let Some(longest_m) = lengths.map(|length| length.value).max_by(f64::total_cmp) else {
        return Vec::new();
    };
    let behind = plan.joints.iter().filter(|joint| joint.at_m > longest_m + early_m(longest_m));
    let says = behind.map(|joint| {
        format!(
            "the plan has {} at {} m, and the longest fibre ends at {longest_m:.1} m: correct at_m",
            joint.name, joint.at_m
        )
    });
    says.collect()
}

/// Connectors at the ends that no planned cord shows, one sentence each: they are not judged, and what lies
/// beside them may be hidden. Empty where cords show both.
pub fn ends(plan: &Plan) -> Vec<String> {
    let measure = &plan.measure;
    let [from_a, from_b] = measure.directions.ends();
    let (launch, tail) = (measure.launch_m.is_some(), measure.tail_m.is_some());
    let of_end = |name: &str, other: &str, is_near: bool, is_far: bool| {
        if (is_near && launch) || (is_far && tail) {
            return None;
        }
        let beside = match (is_near, plan.cable.length_m) {
            (true, _) => String::from("nor are the first metres of fibre behind it"),
            (false, Some(m)) => {
                format!("and a break less than {:.0} m before it looks like it", unseen_m(m))
            }
            (false, None) => "and a break shortly before it looks like it".to_owned(),
        };
        let cord = if is_near { "a launch cord" } else { "a tail cord" };
        let or = if is_far && is_near {
            String::new()
        } else {
            format!(", or measurements from {other}")
        };
        Some(format!(
            "{name}: no cord shows its connector, which is not judged, {beside}; {cord} would show it{or}"
        ))
    };
    let ends = [of_end("end a", "end b", from_a, from_b), of_end("end b", "end a", from_b, from_a)];
    ends.into_iter().flatten().collect()
}
