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

/// The words of an SVG, in their order.
fn words(svg: &str) -> Vec<&str> {
    svg.split("<text")
        .skip(1)
        .filter_map(|text| text.split(['>', '<']).nth(1))
        .map(str::trim)
        .collect()
}

#[test]
fn a_map_of_a_cable_shows_the_figures_of_its_review() {
    let folder = folder("cli-map");
    let target = folder.join("map.svg");
    let plan = ["--plan", "traces/job/plan.toml"];
    let drawn = |shown| {
        let args = [&["plot", "traces/job", "--cable", shown, "-o", text(&target)][..], &plan];
        run(&args.concat())
    };
    let output = drawn("map");
    assert_eq!(output.status.code(), Some(1), "there is something to object to: {}", err(&output));
    let json = run(&[&["review", "traces/job", "--json"][..], &plan].concat());
    let review: serde_json::Value = serde_json::from_slice(&json.stdout).expect("JSON");
    let mut expected = Vec::new();
    for fiber in review["fibers"].as_array().expect("fibres") {
        for name in ["end a", "C1", "C2", "C3", "end b"] {
            for wavelength in [1310, 1550] {
                let joints = fiber["joints"].as_array().expect("joints");
                let own = joints
                    .iter()
                    .find(|j| j["name"] == name && j["wavelength_nm"] == wavelength)
                    .expect("every joint is in the review");
                let end = match (&own["loss_from_a_db"], &own["loss_from_b_db"]) {
                    (a, b) if a.is_number() && b.is_number() => "",
                    (a, _) if a.is_number() => " a",
                    _ => " b",
                };
                expected.push((own["loss_db"].as_f64().expect("measured"), end));
            }
        }
    }
    let svg = disk::read_text(&target).expect("drawn");
    let figures = words(&svg).into_iter().filter(|w| w.starts_with("0.") || w.starts_with("1."));
    let figures: Vec<&str> = figures.collect();
    assert_eq!(figures.len(), expected.len());
    for (figure, (loss_db, end)) in figures.iter().zip(&expected) {
        let own: f64 = figure.trim_end_matches(['a', 'b', ' ']).parse().expect("a figure");
        assert!(
            (own - loss_db).abs() <= 0.005_001 && figure[4..] == **end,
            "{figure} {loss_db}{end}"
        );
    }
    assert_eq!(drawn("spread").status.code(), Some(1));
    let svg = disk::read_text(&target).expect("drawn");
    // as planted: traces/job/expected.json; two fails of 18 splices at 1550 nm, one of them a bend
    assert!(words(&svg).iter().any(|w| w.starts_with("splices, 1550 nm: 18 measured")), "{svg}");
}

#[test]
fn a_cable_needs_a_plan_and_one_picture() {
    let folder = folder("cli-map-wrong");
    let file = folder.join("x.svg");
    let without = run(&["plot", "traces/job", "--cable", "map", "-o", text(&file)]);
    assert_eq!(without.status.code(), Some(2));
    let plan = ["--cable", "map", "--plan", "traces/job/plan.toml"];
    let into = run(&[&["plot", "traces/job", "-o", text(&folder)][..], &plan].concat());
    assert_eq!(into.status.code(), Some(2));
    assert!(err(&into).contains("one picture"), "{}", err(&into));
    assert!(!disk::exists(&folder));
}
