//! The main job against values from outside the project: joints from both ends, reflections, budgets,
//! decisions, limits. Ids such as F6 are those of the project's reference values; the source stands
//! beside each value. "from memory" and "common practice, no source" mean just that.
//!
//! Other ids stand where their code is: A in `signal`, B and C in `units`, E1, E6 and E7 in
//! `tests/simulate`, H in `plan::standards`.

mod budgets;
mod decisions;
mod draws;
mod joints;
mod properties;
mod reflections;

fn near(found: f64, wanted: f64, tolerance: f64, source: &str) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found}, expected {wanted} ± {tolerance}: {source}"
    );
}
