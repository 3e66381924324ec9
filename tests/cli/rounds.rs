//! `diagnose` and `compare` as processes: exit statuses, documents, what is said of wrong use.

use std::path::Path;

use serde_json::Value;

use super::{disk, err, folder, out, run};

const PLAN: &str = "traces/job/plan.toml";

#[test]
fn a_diagnosis_objects_only_against_a_plan_or_a_baseline() {
    // arguments, exit status
    let cases: [(&[&str], i32); 6] = [
        (&["traces/ferry-bend-1310.sor", "traces/ferry-bend-1550.sor"], 0),
        (&["traces/job/HFL-44_003_1310_AB.sor", "traces/job/HFL-44_003_1550_AB.sor"], 0),
        (&["traces/ferry-break.sor", "--baseline", "traces/ferry-clean-1550.sor"], 1),
        (&["traces/job", "--plan", PLAN], 1),
        (&["no-such-file.sor"], 2),
        (&["traces/job", "--json", "--geojson"], 2),
    ];
    for (arguments, status) in cases {
        let done = run(&[&["diagnose"], arguments].concat());
        assert_eq!(done.status.code(), Some(status), "{arguments:?}");
    }
}

#[test]
fn traces_of_nobody_knows_which_fibre_are_no_link_and_pass_nothing() {
    // eight fibres, three of them bad (traces/job/expected.json); of each wavelength and end one would count
    let [unlabelled, nameless] = [folder("cli-unlabelled"), folder("cli-nameless")];
    let text = |path: &Path| path.to_str().expect("UTF-8").to_owned();
    let copied = run(&["relabel", "traces/job", "--set", "fiber=", "-o", &text(&unlabelled)]);
    assert_eq!(copied.status.code(), Some(0), "{}", err(&copied));
    for (n, file) in disk::traces_in(&unlabelled).expect("just made").iter().enumerate() {
        // a file's name may give its fibre as well, so it gets one of letters alone
        let name = "x".repeat(n + 1) + ".sor";
        let bytes = disk::read(file).expect("just made");
        disk::write_new(&nameless.join(name), &bytes).expect("writable");
    }
    let dir = &*text(&nameless);
    for arguments in [&["diagnose", dir][..], &["compare", dir, "traces/job"]] {
        let done = run(arguments);
        assert_eq!(done.status.code(), Some(2), "{arguments:?}");
        assert_eq!(out(&done), "", "{arguments:?}");
        assert!(err(&done).contains("which fibre these 31 traces are of"), "{}", err(&done));
    }
}

#[test]
fn a_diagnosis_says_what_it_leaves_out_and_whose_cable_it_is_not() {
    // fibre 1 of two cables, once from each at 1550 nm
    let [ferry, job] = ["traces/ferry-clean-1550.sor", "traces/job/HFL-44_001_1550_AB.sor"];
    let answer = out(&run(&["diagnose", ferry, job])).replace("\n    ", " ");
    assert!(answer.contains(&format!("{job}: the label names another cable")), "{answer}");
    let twice = folder("cli-twice");
    let dir = twice.to_str().expect("UTF-8");
    let copied = run(&["relabel", ferry, "--set", "comment=again", "-o", dir]);
    assert_eq!(copied.status.code(), Some(0), "{}", err(&copied));
    let answer = out(&run(&["diagnose", ferry, dir]));
    assert!(answer.contains("1 of 2 traces are left out"), "{answer}");
}

#[test]
fn the_document_of_a_diagnosis_names_the_planted_bend_first() {
    let done = run(&["diagnose", "--json", "traces/job", "--plan", PLAN]);
    let document: Value = serde_json::from_str(&out(&done)).expect("JSON");
    assert_eq!(document["schema"], "strandline.diagnosis/1");
    let links = document["links"].as_array().expect("a list");
    // traces/job/expected.json: a bend in fibre 3, a bad splice in fibre 4, both at C2
    for (fiber, kind) in [(3, "bend"), (4, "splice")] {
        let link = links.iter().find(|l| l["fiber"] == fiber).expect("diagnosed");
        assert_eq!(link["excesses"][0]["part"], "C2");
        assert_eq!(link["excesses"][0]["causes"][0]["kind"], kind);
    }
}

#[test]
fn a_note_that_does_not_hold_of_all_fibres_says_of_which() {
    let [then, now] = [folder("cli-notes-then"), folder("cli-notes-now")];
    for path in disk::traces_in(&super::root().join("traces/job")).expect("demo data") {
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        if name.contains("_002_") || name.contains("_003_") {
            let bytes = disk::read(&path).expect("demo data");
            disk::write_new(&then.join(&name), &bytes).expect("writable");
            // Fibre 3 was not measured from end b at 1550 nm the second time.
            if !name.contains("_003_1550_BA") {
                disk::write_new(&now.join(&name), &bytes).expect("writable");
            }
        }
    }
    let compared = |now: &Path| {
        let text = |path: &Path| path.to_str().expect("UTF-8").to_owned();
        out(&run(&["compare", &text(&then), &text(now)]))
    };
    let notes = compared(&now);
    assert!(notes.contains("  fibre 2: both rounds from the same ends"), "{notes}");
    assert!(notes.contains("  fibre 3: the rounds differ"), "{notes}");
    let notes = compared(&then);
    assert!(notes.contains("\n  both rounds from the same ends"), "{notes}");
}

#[test]
fn two_rounds_end_with_1_where_something_is_worse_or_missing() {
    // The same glass with other noise: nothing of it has changed.
    let rounds = folder("cli-rounds");
    let scenario = disk::read_text(Path::new("traces/ferry-clean.toml")).expect("demo data");
    let again = rounds.join("again.toml");
    let scenario = scenario.replacen("noise = 1 }", "noise = 4711 }", 1);
    disk::write_new(&again, scenario.as_bytes()).expect("writable");
    let [toml, dir] = [&again, &rounds].map(|path| path.to_str().expect("UTF-8"));
    assert_eq!(run(&["simulate", toml, "-o", dir]).status.code(), Some(0));
    let new = format!("{dir}/ferry-clean-1550.sor");
    let same = run(&["compare", "traces/ferry-clean-1550.sor", &new]);
    assert_eq!(same.status.code(), Some(0), "{}", out(&same));
    let broken = ["traces/ferry-clean-1550.sor", "traces/ferry-break.sor"];
    let worse = run(&[&["compare"], &broken[..]].concat());
    assert_eq!(worse.status.code(), Some(1));
    assert!(out(&worse).contains("the light stops at 425"), "{}", out(&worse));
    // one wavelength then, another now: of the first nobody knows what changed
    let other = ["traces/ferry-bend-1310.sor", "traces/ferry-bend-1550.sor"];
    let unmatched = run(&[&["compare"], &other[..]].concat());
    assert_eq!(unmatched.status.code(), Some(1), "{}", out(&unmatched));
    assert!(out(&unmatched).contains("later round: 1310 nm"), "{}", out(&unmatched));
    let missing = run(&["compare", "traces/job", broken[1], "--json"]);
    assert_eq!(missing.status.code(), Some(1));
    let document: Value = serde_json::from_str(&out(&missing)).expect("JSON");
    assert_eq!(document["fibers"][0]["missing"], "not in the later round");
}

#[test]
fn a_recording_in_both_rounds_was_not_measured_again() {
    // the same files as both rounds: what they show cannot have changed, and nobody knows what did
    let same = run(&["compare", "traces/job", "traces/job", "--plan", PLAN]);
    assert_eq!(same.status.code(), Some(1));
    // fibre 1 has three of four measurements (traces/job/expected.json)
    assert!(
        out(&same).contains("not measured again: 3 recordings are of the earlier"),
        "{}",
        out(&same)
    );
    let clean = "traces/ferry-clean-1550.sor";
    let own = run(&["diagnose", clean, "--baseline", clean]);
    assert_eq!(own.status.code(), Some(1));
    assert!(out(&own).contains("not seen: what changed since the baseline"), "{}", out(&own));
    let other = run(&["diagnose", clean, "--baseline", "traces/ferry-clean-1310.sor"]);
    assert!(!out(&other).contains("earlier round"), "{}", out(&other));
}

#[test]
fn the_places_go_to_stdout_or_into_a_file_beside_the_answer() {
    let folder = folder("diagnose-map");
    let path = folder.join("places.geojson");
    let map = path.to_str().expect("UTF-8");
    let args = ["diagnose", "traces/job", "--plan", PLAN, "--geojson"];
    let alone = run(&args);
    let document: Value = serde_json::from_str(&out(&alone)).expect("GeoJSON and nothing else");
    assert_eq!(document["type"], "FeatureCollection");
    let with_file = [&args[..], &["--output", map]].concat();
    let beside = run(&with_file);
    assert_eq!(beside.status.code(), Some(1), "{}", err(&beside));
    assert!(out(&beside).contains("never look into one"), "the answer: {}", out(&beside));
    let written = std::fs::read_to_string(map).expect("written");
    assert_eq!(written, out(&alone));
    // never over a file, and a map's name is not taken for a trace
    assert_eq!(run(&with_file).status.code(), Some(2));
    let named = run(&[&args[..], &["places.geojson"]].concat());
    assert_eq!(named.status.code(), Some(2));
    assert!(err(&named).contains("--output places.geojson"), "{}", err(&named));
    assert_eq!(run(&["diagnose", "traces/job", "--output", map]).status.code(), Some(2));
}
