//! The main job against values from outside the project: joints from both ends, reflections, budgets,
//! decisions, limits. Ids such as F6 are those of the project's reference values; the source stands
//! beside each value. "from memory" and "common practice, no source" mean just that.
//!
//! Other ids stand where their code is: A1, A2, A6 and A7 in `signal`, A5 in `tests/odd`, B1, C1, C2, C7
//! and C8 in `units`, B2 in `grade`, D1, D2, D7 and D9 in `combine`, E1, E6 and E7 in `tests/simulate`, G6 in `judge`,
//! H in `plan::standards`, I in `job::color`, J1 and J3 in `tests/engine`. What none holds, and why: docs/accuracy.md.

mod budgets;
#[path = "../support/chance.rs"]
mod chance;
mod decisions;
mod distances;
mod draws;
mod glass;
mod joints;
mod properties;
mod reflections;
mod statistics;

fn near(found: f64, wanted: f64, tolerance: f64, source: &str) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found}, expected {wanted} ± {tolerance}: {source}"
    );
}
