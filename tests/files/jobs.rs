//! Several jobs, the worklist, and a cable under construction.

use std::path::{Path, PathBuf};

use super::{err, folder, out, root, run, text};
use strandline::disk;

/// A folder with some of the demo job's traces and its plan under another name.
fn job(folder: &Path, name: &str, wanted: &str) -> PathBuf {
    let folder = folder.join(name);
    let demo = root().join("traces/job");
    for file in disk::traces_in(&demo).expect("readable") {
        let own = file.file_name().expect("named").to_string_lossy().into_owned();
        if own.contains(wanted) {
            disk::write_new(&folder.join(&own), &disk::read(&file).expect("demo data"))
                .expect("writable");
        }
    }
    let plan = disk::read_text(&demo.join("plan.toml")).expect("demo data");
    let plan = plan.replace("HFL-44 hand-over", name);
    disk::write_new(&folder.join("plan.toml"), plan.as_bytes()).expect("writable");
    folder
}

#[test]
fn several_jobs_are_a_line_each_in_the_order_that_is_asked_for() {
    let folder = folder("jobs");
    let quay = job(&folder, "quay", ""); // all 31 of 32
    let bay = job(&folder, "bay", "_002_"); // one fibre: 4
    let (quay, bay) = (text(&quay), text(&bay));
    let names = |output: &std::process::Output| -> Vec<String> {
        let text = out(output);
        let rows = text.lines().skip(1).take_while(|line| !line.is_empty());
        rows.map(|line| line.split_whitespace().next().unwrap_or_default().to_owned()).collect()
    };
    let output = run(&["review", quay, bay]);
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    assert_eq!(names(&output), ["bay", "quay"], "{}", out(&output));
    assert_eq!(out(&output), out(&run(&["review", bay, quay])), "whatever the order of folders");
    assert_eq!(names(&run(&["review", quay, bay, "--sort", "open"])), ["bay", "quay"]);
    assert_eq!(names(&run(&["review", quay, bay, "--sort", "date"])), ["quay", "bay"]);
    let json = run(&["review", quay, bay, "--json"]);
    let document: serde_json::Value = serde_json::from_slice(&json.stdout).expect("JSON");
    assert_eq!(document["schema"], "strandline.jobs/1");
    let lines = document["jobs"].as_array().expect("a list");
    // each line says what the review of that job says
    for (line, folder) in lines.iter().zip([bay, quay]) {
        let alone = run(&["review", folder, "--json"]);
        let alone: serde_json::Value = serde_json::from_slice(&alone.stdout).expect("JSON");
        for key in ["planned", "passed", "failed"] {
            assert_eq!(line[key], alone["counts"][key], "{folder} {key}");
        }
        let number = |key: &str| line[key].as_u64().expect("a count");
        assert_eq!(number("planned"), 32);
        assert_eq!(number("open"), 32 - number("passed") - number("failed"));
        let times = alone["tests"].as_array().expect("a list").iter();
        let last = times.filter_map(|test| test["measured_at"].as_str()).max();
        assert_eq!(line["last_measured_at"].as_str(), last);
    }
    // as planted, traces/job/expected.json: one measurement is missing; of bay's, 28
    assert!(lines[0]["open"].as_u64() >= Some(28));
}

#[test]
fn a_job_without_a_plan_is_said_and_the_others_are_done() {
    let folder = folder("jobs-without");
    let quay = job(&folder, "quay", "_002_");
    let bare = folder.join("bare");
    std::fs::create_dir_all(&bare).expect("writable");
    let output = run(&["review", text(&quay), text(&bare)]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("bare/plan.toml") && err(&output).contains("hint:"));
    assert!(out(&output).contains("quay"), "{}", out(&output));
    // a plan for each, or one for all
    let plan = quay.join("plan.toml");
    let plans = ["--plan", text(&plan), "--plan", "traces/job/plan.toml"];
    let both = run(&[&["review", text(&quay), "traces/job"][..], &plans].concat());
    assert_eq!(both.status.code(), Some(1), "{}", err(&both));
    assert!(out(&both).contains("HFL-44 hand-over"), "{}", out(&both));
    let three = run(&[&["review", text(&quay), "traces/job", "traces"][..], &plans].concat());
    assert_eq!(three.status.code(), Some(2));
    // one folder with its own plan is one job
    let one = run(&["review", text(&quay)]);
    assert_eq!(out(&one), out(&run(&["review", text(&quay), "--plan", text(&plan)])));
    // what is for one job alone
    assert_eq!(run(&["review", text(&quay), "traces/job", "--todo"]).status.code(), Some(2));
}

#[test]
fn the_worklist_goes_from_end_a_to_end_b() {
    let output = run(&["review", "traces/job", "--todo"]);
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    let text = out(&output);
    let at = |words: &str| text.find(words).unwrap_or_else(|| panic!("no {words:?} in {text}"));
    // as planted: traces/job/expected.json
    let high = at("fibre 4 (brown): high-splice");
    let missing = at("fibre 1 (blue): measure 1550 nm");
    let (c2, end_b) = (at("at C2"), at("at LANTERN PIER (end b)"));
    assert!(c2 < high && high < end_b && end_b < missing, "{text}");
    let places: Vec<f64> = text
        .lines()
        .filter_map(|line| line.split(" m from end a").next()?.split([' ', ',']).next_back())
        .filter_map(|word| word.parse().ok())
        .collect();
    assert!(places.is_sorted() && !places.is_empty(), "{places:?}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

/// Two fibres of one cable that end 3758.0 m from end a, and the plan of the whole cable.
fn under_construction(folder: &Path) -> [PathBuf; 2] {
    let scenario = disk::read_text(&root().join("traces/ferry-break.toml")).expect("demo data");
    for (fiber, seed) in [("004", 104), ("005", 205)] {
        let own = scenario
            .replace("fiber = \"004\"", &format!("fiber = \"{fiber}\""))
            .replace("fiber = 104", &format!("fiber = {seed}"))
            .replace("noise = 4", &format!("noise = {seed}"))
            .replace("name = \"ferry-break\"", &format!("name = \"built-{fiber}\""));
        let path = folder.join(format!("{fiber}.toml"));
        disk::write_new(&path, own.as_bytes()).expect("writable");
        let output = run(&["simulate", text(&path), "-o", text(&folder.join("traces"))]);
        assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    }
    // places as in the scenario: sums of its sections
    let joint = |name: &str, at_m: f64| {
        format!("[[joint]]\nname = \"{name}\"\nat_m = {at_m:.1}\nkind = \"splice\"\n")
    };
    let plan = format!(
        "schema = \"strandline.plan/1\"\n[cable]\nid = \"HFL-27\"\nfibers = \"4-5\"\n\
         ends = [\"LANTERN PIER\", \"TIDE HOUSE\"]\nlength_m = 6203.9\n[measure]\n\
         wavelengths_nm = [1550]\nlaunch_m = 500.0\ntail_m = 500.0\n{}{}{}{}[limits]\nsplice_db = 0.30\n",
        joint("C1", 1612.9),
        joint("C2", 3102.2),
        joint("C3", 3758.0),
        joint("C4", 4805.9)
    );
    let path = folder.join("plan.toml");
    disk::write_new(&path, plan.as_bytes()).expect("writable");
    [folder.join("traces"), path]
}

#[test]
fn a_cable_that_is_built_so_far_ends_there_and_is_not_broken() {
    let [traces, plan] = under_construction(&folder("built"));
    let tray = |plan: &Path, built: &[&str]| {
        let args = ["tray", text(&traces), "--plan", text(plan), "--joint", "C2"];
        run(&[&args[..], built].concat())
    };
    let whole = tray(&plan, &[]);
    assert!(out(&whole).contains("measure from end b first"), "{}", out(&whole));
    assert!(err(&whole).contains("every fibre stops at C3"), "{}", err(&whole));
    let built = tray(&plan, &["--built-to", "c3"]);
    assert_eq!(out(&built).matches("fine to close").count(), 2, "{}", out(&built));
    assert!(!out(&built).contains("end b"), "nobody can measure from there: {}", out(&built));
    assert_eq!(built.status.code(), Some(0), "{}", err(&built));
    // 0.06 dB from one end is 0.06 ± 0.05 dB: against 0.10 dB nobody can tell, and averaging is no help
    let strict = plan.with_file_name("strict.toml");
    let text_of = disk::read_text(&plan).expect("there").replace("= 0.30", "= 0.10");
    disk::write_new(&strict, text_of.as_bytes()).expect("writable");
    let strict = tray(&strict, &["--built-to", "C3"]);
    let strict_text = out(&strict); // wrapped to 80 columns
    let words: Vec<&str> = strict_text.split_whitespace().collect();
    assert!(words.join(" ").contains("one end alone"), "{strict_text}");
    assert_eq!(strict.status.code(), Some(1));
    // a joint that is not there yet, and none at all
    assert_eq!(tray(&plan, &["--built-to", "C2"]).status.code(), Some(2));
    assert_eq!(tray(&plan, &["--built-to", "C9"]).status.code(), Some(2));
}
