//! What single files do not tell and all together do: the usual index, and the cable's length where the
//! plan has none. The files that were measured without are measured once more.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::ends;
use super::settings;
use super::test::{self, Content, Test};
use crate::findings::LEAST_VALUES;
use crate::plan::Plan;
use crate::signal::order;
use crate::source;

/// Measures those files again whose own index is not that of the others, with that of the others: at
/// one scale their joints lie where they are. Then those that do not show the usual length, where the plan
/// has none: its joints and its breaks are looked for in a cable of that length. Without such files
/// nothing is read again. Returns the plan with that length.
pub fn measure(tests: &mut [Test], plan: &Plan, options: &source::Options) -> Plan {
    let mut with_usual = plan.clone();
    with_usual.measure.group_index.extend(settings::usual_index(tests, plan));
    let is_other_scale = |content: &Content| {
        let usual = content.wavelength_nm.and_then(|nm| with_usual.measure.group_index.get(&nm));
        usual.is_some_and(|n| !settings::is_same_index(*n, content.used_index))
    };
    again(tests, is_other_scale, &with_usual, options);
    let mut plan = plan.clone();
    if let Some(usual_m) = usual_length_m(tests, &plan) {
        plan.cable.length_m = Some(usual_m);
        with_usual.cable.length_m = Some(usual_m);
        again(tests, |content| !is_near(content, usual_m), &with_usual, options);
    }
    plan
}

/// The note that says which length was taken.
pub fn words(length_m: f64) -> String {
    format!("the plan has no length_m; {length_m:.1} m is taken, which most of these fibres have")
}

fn again(
    tests: &mut [Test],
    is_other: impl Fn(&Content) -> bool,
    plan: &Plan,
    options: &source::Options,
) {
    let others: Vec<&mut Test> =
        tests.iter_mut().filter(|test| test.read().is_some_and(&is_other)).collect();
    others.into_par_iter().for_each(|test| {
        let again = test::read(&test.path, plan, options);
        if again.sha256 == test.sha256 {
            *test = again;
        }
    });
}

/// The share of fibres that must be as long as each other before theirs is the cable's length: what is
/// broken besides may be a third.
const MOST: f64 = 0.66;

/// How long the fibres of the cable usually are, where the plan does not say it and most agree.
fn usual_length_m(tests: &[Test], plan: &Plan) -> Option<f64> {
    if plan.cable.length_m.is_some() {
        return None;
    }
    let mut by_fiber: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for content in tests.iter().filter_map(Test::read).filter(|c| c.own_cable) {
        if let (Some(fiber), Some(length)) = (content.fiber, content.length_m) {
            by_fiber.entry(fiber).or_default().push(length.value);
        }
    }
    let mut lengths: Vec<f64> =
        by_fiber.into_values().filter_map(|mut own| order::median(&mut own)).collect();
    let count = lengths.len();
    let usual_m = order::median(&mut lengths).filter(|_| count >= LEAST_VALUES)?;
    let near = lengths.iter().filter(|m| (*m - usual_m).abs() < ends::early_m(usual_m)).count();
    (near as f64 >= MOST * count as f64).then_some(usual_m)
}

fn is_near(content: &Content, usual_m: f64) -> bool {
    content.length_m.is_some_and(|m| (m.value - usual_m).abs() < ends::early_m(usual_m))
}
