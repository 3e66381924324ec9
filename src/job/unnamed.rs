//! Names of the plan that no label has: a slip in the plan, or on all labels.

use std::collections::BTreeMap;

use super::Test;
use crate::plan::Plan;

/// Names of ends that no file's labels have although they name other places, one sentence each.
pub(super) fn ends(tests: &[Test], plan: &Plan) -> Vec<String> {
    let own = tests.iter().filter_map(Test::read).filter(|content| content.own_cable);
    let mut named: BTreeMap<&str, usize> = BTreeMap::new();
    for place in own.flat_map(|content| &content.places).filter(|place| !place.is_empty()) {
        *named.entry(place).or_default() += 1;
    }
    let is_named = |end: &&String| named.keys().any(|place| place.eq_ignore_ascii_case(end));
    let is_end = |place: &str| plan.cable.ends.iter().any(|end| place.eq_ignore_ascii_case(end));
    let others: Vec<String> = named
        .iter()
        .filter(|(place, _)| !is_end(place))
        .map(|(place, count)| format!("{place:?} ({count} files)"))
        .collect();
    let unnamed = plan.cable.ends.iter().filter(|end| !end.is_empty() && !is_named(end));
    let says = unnamed.map(|end| {
        format!(
            "the plan's [cable] has {end:?} among its ends, and no label does; labels have {}: correct ends, or the labels of copies (relabel)",
            others.join(", ")
        )
    });
    if others.is_empty() { Vec::new() } else { says.collect() }
}
