//! `diagnose` and `compare` as processes: exit statuses, documents, what is said of wrong use.

use serde_json::Value;

use super::{err, folder, out, run};

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
fn two_rounds_end_with_1_where_something_is_worse_or_missing() {
    let same = run(&["compare", "traces/job", "traces/job", "--plan", PLAN]);
    assert_eq!(same.status.code(), Some(0));
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
