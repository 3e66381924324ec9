//! Pictures as files: which, where, and none lost.

use std::path::Path;

use super::{CLEAN, disk, err, folder, out, root, run};

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
    let figure =
        |w: &str| w.trim_start_matches('−').get(..2).is_some_and(|w| ["0.", "1."].contains(&w));
    let figures: Vec<String> =
        words(&svg).into_iter().filter(|w| figure(w)).map(|w| w.replace('−', "-")).collect();
    assert_eq!(figures.len(), expected.len());
    for (figure, (loss_db, end)) in figures.iter().zip(&expected) {
        let own: f64 = figure.trim_end_matches(['a', 'b', ' ']).parse().expect("a figure");
        assert!(
            (own - loss_db).abs() <= 0.005_001 && figure.trim_start_matches('-')[4..] == **end,
            "{figure} {loss_db}{end}"
        );
    }
    assert_eq!(drawn("spread").status.code(), Some(1));
    let svg = disk::read_text(&target).expect("drawn");
    // as planted: traces/job/expected.json; two fails of 24 splices at 1550 nm, one of them a bend
    assert!(words(&svg).iter().any(|w| w.starts_with("splices, 1550 nm: 24 measured")), "{svg}");
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

const BEND: [&str; 2] = ["traces/ferry-bend-1310.sor", "traces/ferry-bend-1550.sor"];
const ENDS: [&str; 2] = ["traces/ferry-gainer-ab.sor", "traces/ferry-gainer-ba.sor"];

/// The words of the picture that the arguments make, and what was said beside it.
fn drawn(name: &str, args: &[&str]) -> (Vec<String>, String) {
    let target = folder(name).join("x.svg");
    let output = run(&[&["plot"][..], args, &["-o", text(&target)]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let svg = disk::read_text(&target).expect("drawn");
    (words(&svg).into_iter().map(str::to_owned).collect(), err(&output))
}

/// A figure of the truth beside a demo trace: the loss of the event nearest to a place.
fn truth(file: &str, at_m: f64) -> f64 {
    let path = root().join(file.replace(".sor", ".truth.json"));
    let document: serde_json::Value =
        serde_json::from_str(&disk::read_text(&path).expect("demo data")).expect("JSON");
    let off = |e: &serde_json::Value| (e["position_m"].as_f64().expect("a place") - at_m).abs();
    let events = document["events"].as_array().expect("events");
    let own = events.iter().min_by(|a, b| off(a).total_cmp(&off(b))).expect("an event");
    own["loss_db"].as_f64().expect("a loss")
}

#[test]
fn a_bend_opens_between_two_wavelengths() {
    let (words, _) = drawn("cli-together", &[BEND[0], BEND[1], "--together"]);
    let own = words.iter().find(|w| w.contains("likely a bend")).expect("said of the bend");
    let figures: Vec<f64> = own.split(' ').filter_map(|word| word.parse().ok()).collect();
    let [at_m, short_db, long_db] = figures[..] else { panic!("{own}") };
    for (file, loss_db) in BEND.iter().zip([short_db, long_db]) {
        assert!((loss_db - truth(file, at_m)).abs() < 0.02, "{own}");
    }
    assert_eq!(words.iter().filter(|w| w.contains("likely a bend")).count(), 1);
}

#[test]
fn a_gainer_is_no_gain_from_both_ends() {
    let (words, said) = drawn("cli-ends", &[ENDS[0], ENDS[1], "--both-ends"]);
    let own = words.iter().find(|w| w.contains("m: −0.")).expect("a gain from end a");
    let mean: f64 = own
        .split_once("= ")
        .expect("a mean")
        .1
        .split(' ')
        .next()
        .expect("a figure")
        .parse()
        .expect("a figure");
    let at_m: f64 = own.split(' ').next().expect("a place").parse().expect("a place");
    // the mean of what both ends truly show is what the splice loses; docs/theory.md
    let span_m = 7202.1;
    let both = (truth(ENDS[0], at_m) + truth(ENDS[1], span_m - at_m)) / 2.0;
    assert!((mean - both).abs() < 0.02, "{own}: {both}");
    assert!(!said.contains("note:"), "{said}");
    let (_, said) = drawn("cli-ends-twice", &[ENDS[0], CLEAN, "--both-ends"]);
    assert!(said.contains("both traces say that they were taken from LANTERN PIER"), "{said}");
}

#[test]
fn a_joint_seen_faintly_from_one_end_is_the_same_joint_from_the_other() {
    let files = ["traces/job/HFL-44_004_1550_AB.sor", "traces/job/HFL-44_004_1550_BA.sor"];
    let cords = ["--launch", "300", "--tail", "300"];
    let args = [&files[..], &["--both-ends"], &cords].concat();
    let (words, _) = drawn("cli-faint", &args);
    let joints: Vec<&String> = words.iter().filter(|w| w.contains(" m: ")).collect();
    // end a, C1, C2, C3, end b: traces/job/plan.toml. C1 is seen to 2 and 4 m; C3 loses some 0.02 dB, and
    // from end a its place is too vague to list it: it stands once, with one figure
    let both = joints.iter().filter(|w| w.contains(" = ")).count();
    assert!(joints.len() == 5 && both >= 4, "{joints:?}");
}

#[test]
fn a_change_is_the_second_less_the_first() {
    let (words, _) = drawn("cli-change", &[CLEAN, "traces/ferry-high-splice.sor", "--change"]);
    let own =
        words.iter().find(|w| w.starts_with("360") || w.starts_with("3599")).expect("the splice");
    let more: f64 = own
        .split_once("dB, +")
        .expect("more")
        .1
        .split(' ')
        .next()
        .expect("a figure")
        .parse()
        .expect("a figure");
    let expected = truth("traces/ferry-high-splice.sor", 3600.0) - truth(CLEAN, 3600.0);
    assert!((more - expected).abs() < 0.02, "{own}: {expected}");
}

#[test]
fn near_by_an_event_shows_its_loss_to_scale() {
    let (words, _) = drawn("cli-around", &["traces/ferry-high-splice.sor", "--around", "3.58km"]);
    assert!(words.iter().any(|w| w.starts_with("event 4")), "{words:?}");
    assert!(words.iter().any(|w| w.starts_with("loss 0.596")), "{words:?}");
    for place in ["x", "3.6 parsec", "NaN", ""] {
        let output = run(&["plot", CLEAN, "--around", place, "-o", "target/never.svg"]);
        assert_eq!(output.status.code(), Some(2), "{place}");
    }
}

#[test]
fn traces_that_cannot_stand_together_are_no_picture() {
    let folder = folder("cli-apart");
    let target = folder.join("x.svg");
    for (args, says) in [
        (&[CLEAN, "--together"][..], "1 traces"),
        (&[CLEAN, CLEAN, "--change"], "1 traces"),
        (&[BEND[0], BEND[1], CLEAN, "--both-ends"], "3 traces"),
        (&[BEND[0], "nowhere.sor", "--together"], "nowhere.sor"),
    ] {
        let output = run(&[&["plot"][..], args, &["-o", text(&target)]].concat());
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(err(&output).contains(says), "{args:?}: {}", err(&output));
    }
    assert!(!disk::exists(&folder));
}

#[test]
fn a_drawing_in_the_terminal_fits_its_width() {
    let output = run(&["events", "traces/ferry-break.sor", "--draw"]);
    assert_eq!(output.status.code(), Some(0));
    assert!(out(&output).lines().all(|line| line.chars().count() <= 80), "{}", out(&output));
    assert!(out(&output).contains('⣿'), "noise fills whole letters");
}

#[test]
fn a_picture_with_a_plan_says_what_its_table_says() {
    let target = folder("cli-judged").join("x.svg");
    let trace = "traces/job/HFL-44_004_1550_AB.sor"; // a high splice at C2, as planted
    let plan = ["--plan", "traces/job/plan.toml"];
    let output = run(&[&["plot", trace, "-o", text(&target)][..], &plan].concat());
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    let json = run(&[&["events", trace, "--json"][..], &plan].concat());
    let document: serde_json::Value = serde_json::from_slice(&json.stdout).expect("JSON");
    let svg = disk::read_text(&target).expect("drawn");
    let words = words(&svg);
    let whole = document["traces"][0]["judgement"]["verdict"].as_str().expect("a verdict");
    assert!(words.iter().any(|w| w.starts_with(&format!("{whole}:"))), "{whole}: {words:?}");
    assert!(
        words.iter().any(|w| w.starts_with("link loss: ") && w.contains("allowed")),
        "{words:?}"
    );
    let failed: Vec<&&str> = words.iter().filter(|w| w.ends_with(", fail")).collect();
    // event 4 is C2; from end a alone it shows what the table says
    let loss_db = document["traces"][0]["events"][3]["loss_db"].as_f64().expect("a loss");
    let figure = format!("4: {loss_db:.3} ± ");
    assert!(failed.len() == 1 && failed[0].starts_with(&figure), "{figure}: {words:?}");
    assert!(words.contains(&"fail"), "the frame is explained: {words:?}");
}
