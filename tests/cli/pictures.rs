//! Pictures as files: which, where, and none lost.

use std::path::Path;

use super::{CLEAN, disk, err, folder, root, run};

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

#[test]
fn a_folder_gets_a_picture_for_each_file() {
    let folder = folder("cli-pictures");
    let args = ["plot", CLEAN, "traces/ferry-break.sor", "-o", text(&folder), "--format", "png"];
    let output = run(&args);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    for name in ["ferry-clean-1550.png", "ferry-break.png"] {
        let bytes = disk::read(&folder.join(name)).expect("drawn");
        // the signature of PNG, and its last chunk. Source: W3C PNG, 5.2 and 11.2.5
        assert!(bytes.starts_with(b"\x89PNG\r\n\x1a\n"));
        assert!(bytes.ends_with(b"IEND\xae\x42\x60\x82"));
    }
}

#[test]
fn two_traces_of_one_name_do_not_share_a_picture_in_silence() {
    let folder = folder("cli-same-name");
    for (own, from) in [("a/x.sor", CLEAN), ("b/X.sor", "traces/ferry-break.sor")] {
        let bytes = disk::read(&root().join(from)).expect("demo data");
        disk::write_new(&folder.join(own), &bytes).expect("writable");
    }
    let pictures = folder.join("pictures");
    let output = run(&["plot", text(&folder), "-o", text(&pictures)]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("same name"), "{}", err(&output));
    assert!(err(&output).contains("1 picture written"), "{}", err(&output));
    let svg = disk::read_text(&pictures.join("x.svg")).expect("the first is drawn");
    assert!(svg.contains("fibre 001") && !svg.contains("fibre 004"), "of a/x.sor");
}

#[test]
fn several_files_are_no_single_picture_and_nothing_is_drawn_then() {
    let folder = folder("cli-single");
    let target = folder.join("one.svg");
    let output = run(&["plot", CLEAN, "traces/ferry-break.sor", "-o", text(&target)]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).lines().count() == 2 && err(&output).contains("hint: give a folder"));
    assert!(!disk::exists(&folder));
}

#[test]
fn a_picture_never_takes_the_place_of_a_trace() {
    let folder = folder("cli-over");
    let trace = folder.join("own.sor");
    let bytes = disk::read(&root().join(CLEAN)).expect("demo data");
    disk::write_new(&trace, &bytes).expect("writable");
    // the output names the trace itself
    assert_eq!(run(&["plot", text(&trace), "-o", text(&trace)]).status.code(), Some(2));
    assert_eq!(disk::read(&trace).expect("still there"), bytes);
}

#[test]
fn a_cord_that_no_cord_can_be_is_wrong_usage() {
    let folder = folder("cli-cord");
    for cord in ["NaN", "inf", "-5", "1e7", "long"] {
        let launch = format!("--launch={cord}");
        let output = run(&["plot", CLEAN, "-o", text(&folder.join("x.svg")), &launch]);
        assert_eq!(output.status.code(), Some(2), "{cord}");
        assert_eq!(run(&["events", CLEAN, &launch]).status.code(), Some(2), "{cord}");
    }
    assert!(!disk::exists(&folder));
}
