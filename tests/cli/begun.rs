//! Jobs that have begun: what may be closed, and what is missing yet.

use strandline::disk;

use super::walk::copy;
use super::{folder, out, root, run, run_wide};

#[test]
fn a_tray_may_be_closed_where_every_fibre_was_measured_as_planned_and_is_good() {
    let folder = folder("cli-tray");
    let whole = disk::read_text(&root().join("traces/job/plan.toml")).expect("demo data");
    // by traces/job/expected.json these three have no fault
    let planned = |directions: &str| {
        let text = whole.replace("fibers = \"1-8\"", "fibers = \"6-8\"");
        let text = text.replace("directions = \"both\"", &format!("directions = \"{directions}\""));
        disk::write_whole(&folder.join("plan.toml"), text.as_bytes()).expect("writable");
        let output = run(&["tray", folder.to_str().expect("UTF-8"), "--joint", "C2"]);
        (output.status.code(), out(&output))
    };
    let file = |fiber: u32, nm: u32, way: &str| format!("HFL-44_{fiber:03}_{nm}_{way}.sor");
    for (fiber, nm) in [6, 7, 8].into_iter().flat_map(|fiber| [(fiber, 1310), (fiber, 1550)]) {
        let name = file(fiber, nm, "AB");
        copy(&format!("traces/job/{name}"), &folder.join(&name));
    }
    let (exit, text) = planned("both");
    assert_eq!(text.matches("measure from end b first").count(), 6, "{text}");
    assert_eq!(exit, Some(1));
    // Whoever plans one end alone is not sent to the other.
    let (exit, text) = planned("a-to-b");
    assert_eq!((exit, text.matches("fine to close").count()), (Some(0), 6), "{text}");
    let (exit, text) = planned("b-to-a");
    assert_eq!(text.matches("measure from end b first").count(), 6, "{text}");
    assert_eq!(exit, Some(1));
    for (fiber, nm) in [(6, 1310), (6, 1550), (7, 1310), (7, 1550), (8, 1310)] {
        let name = file(fiber, nm, "BA");
        copy(&format!("traces/job/{name}"), &folder.join(&name));
    }
    let (exit, text) = planned("both");
    assert_eq!(exit, Some(1), "one is not measured: {text}");
    let name = file(8, 1550, "BA");
    copy(&format!("traces/job/{name}"), &folder.join(&name));
    let (exit, text) = planned("both");
    assert_eq!((exit, text.matches("fine to close").count()), (Some(0), 6), "{text}");
}

#[test]
fn what_is_missing_of_a_fibre_is_one_line_and_fibres_that_nobody_measured_are_one_together() {
    let folder = folder("cli-begun");
    for name in ["HFL-44_002_1310_AB.sor", "HFL-44_004_1310_AB.sor", "HFL-44_004_1310_BA.sor"] {
        copy(&format!("traces/job/{name}"), &folder.join(name));
    }
    let dir = folder.to_str().expect("UTF-8");
    let output = run_wide("120", &["review", dir, "--plan", "traces/job/plan.toml"]);
    let text = out(&output);
    let missing: Vec<&str> = text.lines().filter(|line| line.contains(": missing: ")).collect();
    assert_eq!(
        missing,
        [
            "  fibres 1, 3, 5-8: missing: none of their measurements is there",
            "  fibre 2: missing: the measurements at 1310 and 1550 nm b-to-a and at 1550 nm a-to-b are missing",
            "  fibre 4: missing: the measurements at 1550 nm a-to-b and b-to-a are missing",
        ],
        "{text}"
    );
    assert_eq!(output.status.code(), Some(1));
}
