//! What a reader of a diagnosis should know.

use super::{Link, Reference, superseded};
use crate::event::Likely;
use crate::job::{self, Direction, Test};
use crate::units::Measured;

/// What it means that both rounds have recordings in common.
pub fn copied(count: usize) -> String {
    let are = if count == 1 { "recording is one" } else { "recordings are" };
    format!("{count} {are} of the earlier round, noise and all; measure again")
}

/// Of files: what is left out, and what is read otherwise than it is labelled.
pub(super) fn of_files(tests: &[Test], baseline: &[Test], reference: Reference) -> Vec<String> {
    let mut notes = Vec::new();
    let silent = |test: &&Test| test.read().is_some_and(|c| c.wavelength_nm.is_none());
    for test in tests.iter().chain(baseline).filter(silent) {
        notes.push(format!("{}: it says no wavelength, so it is left out", test.path.display()));
    }
    let left_out = superseded(tests);
    if left_out > 0 {
        notes.push(format!(
            "{left_out} of {} traces are left out: of several at one wavelength from one end the latest counts",
            tests.len()
        ));
    }
    let other = |test: &&Test| test.read().is_some_and(|c| !c.own_cable);
    let than = if reference == Reference::Plan { "the plan" } else { "the first trace" };
    let others: Vec<&Test> = tests.iter().chain(baseline).filter(other).collect();
    if let [first, rest @ ..] = &others[..] {
        let and = if rest.is_empty() { String::new() } else { format!(" and {} more", rest.len()) };
        let path = first.path.display();
        notes.push(format!("{path}{and}: the label names another cable than {than} does"));
    }
    notes.extend(unplaced(tests.iter().chain(baseline)));
    notes
}

/// Traces of which nothing says where they were taken from.
fn unplaced<'a>(tests: impl Iterator<Item = &'a Test>) -> Vec<String> {
    let is_unplaced = |test: &&Test| test.read().is_some_and(|c| c.direction.is_none());
    let says = |test: &Test| {
        let path = test.path.display();
        format!(
            "{path}: neither its labels nor its name say from which end it was taken: read as from end a"
        )
    };
    tests.filter(is_unplaced).map(says).collect()
}

/// Of the link as a whole.
pub(super) fn of_link(link: &Link, before: &Link, reference: Reference) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(at) = link.splitter_m {
        notes.push(format!(
            "a splitter at {at:.1} m is seen from the head end: events behind it come from all branches at once, so none of them is graded; measure each branch from its far end"
        ));
    }
    for (nm, end, content) in &link.tests {
        if let Some(m) = content.fades_m {
            notes.push(format!(
                "at {nm} nm {} the light is lost in the noise after {m:.0} m: what lies beyond is not seen; average longer, or use a longer pulse",
                end.word()
            ));
        }
    }
    let ends = |end| link.tests.iter().any(|t| t.1 == end);
    if link.length_m.is_none() && ends(Direction::BToA) && ends(Direction::AToB) {
        notes.push(
            "nothing says how long the link is, so traces from end b are left out: give a plan with length_m, or a baseline".into(),
        );
    }
    if !(ends(Direction::AToB) && ends(Direction::BToA)) {
        notes.push(
            "measured from one end alone: unequal glass at a splice shows as loss or gain, which the other end would tell".into(),
        );
    }
    if reference == Reference::Preset {
        let mut ends = link.tests.iter().filter_map(|t| Some((t.2, t.2.analysis.events.last()?)));
        let stops = ends.rfind(|(_, e)| e.likely == Some(Likely::Break));
        if let Some((content, end)) = stops {
            notes.push(format!(
                "the light stops at {:.1} m without a reflection: a break, or an angled end; only a plan with length_m or a baseline tells how long the link is",
                Measured::new(
                    end.position_m.0 - content.near_m.unwrap_or(0.0),
                    end.position_sigma_m
                )
            ));
        }
    }
    if reference == Reference::Plan {
        notes.extend(job::unseen_ends(link.plan));
    }
    if link.wavelengths_nm().len() < 2 {
        notes
            .push("measured at one wavelength alone: a bend and a bad splice look the same".into());
    }
    let known = before.wavelengths_nm();
    if reference == Reference::Baseline {
        for nm in link.wavelengths_nm().iter().filter(|nm| !known.contains(nm)) {
            notes.push(format!("the baseline has no trace at {nm} nm: nothing there is compared"));
        }
    }
    notes
}
