//! `plan`: a plan drafted from traces, against the plan and the truth that the traces were made by.

use std::path::Path;

use super::{demo, err, folder, out, put, root, run, text};
use strandline::draft::draft;
use strandline::plan::{self, JointKind, Plan};
use strandline::simulate::cable::{self, Size};
use strandline::sor::{self, Version};
use strandline::trace::Label;
use strandline::{disk, job, source};

fn drafted(folder: &Path) -> Plan {
    let files = disk::traces_in(folder).expect("readable");
    let draft = draft(files, &source::Options::default(), &|| ()).expect("a draft");
    assert_eq!(plan::read(&draft.text).as_ref(), Ok(&draft.plan), "{}", draft.text);
    // Its remarks fit a terminal.
    let is_wide = |line: &&str| line.starts_with('#') && line.chars().count() > 80;
    assert_eq!(draft.text.lines().find(is_wide), None);
    draft.plan
}

/// Whether a draft is the plan that the traces were made by, as far as traces can tell.
fn check(draft: &Plan, true_plan: &Plan, what: &str) {
    assert_eq!(draft.cable.id, true_plan.cable.id, "{what}");
    assert_eq!(draft.cable.fibers, true_plan.cable.fibers, "{what}");
    assert_eq!(draft.cable.ends, true_plan.cable.ends, "{what}");
    assert_eq!(draft.measure.wavelengths_nm, true_plan.measure.wavelengths_nm, "{what}");
    assert_eq!(draft.measure.directions, true_plan.measure.directions, "{what}");
    let near = |a: Option<f64>, b: Option<f64>, within: f64| {
        let (a, b) = (a.expect("drafted"), b.expect("planned"));
        assert!((a - b).abs() < within, "{what}: {a} against {b}");
    };
    near(draft.measure.launch_m, true_plan.measure.launch_m, 1.0);
    near(draft.measure.tail_m, true_plan.measure.tail_m, 1.0);
    // fibres of one cable differ: half a thousandth and a tray's loop
    let length_m = true_plan.cable.length_m.expect("planned");
    let within = 5e-4 * length_m + 2.0;
    near(draft.cable.length_m, true_plan.cable.length_m, within);
    let joints: Vec<(String, JointKind)> =
        draft.joints.iter().map(|j| (j.name.clone(), j.kind)).collect();
    let wanted: Vec<(String, JointKind)> =
        true_plan.joints.iter().map(|j| (j.name.clone(), j.kind)).collect();
    assert_eq!(joints, wanted, "{what}");
    for (own, other) in draft.joints.iter().zip(&true_plan.joints) {
        near(Some(own.at_m), Some(other.at_m), within);
    }
    // no limit comes out of traces
    let limits = &draft.limits;
    assert!(
        limits.splice_db.is_none()
            && limits.connector_db.is_none()
            && limits.link_loss_db.is_none()
    );
    assert!(limits.attenuation_db_per_km.is_empty() && limits.reflectance_db.is_none());
}

#[test]
fn the_demo_job_gives_its_plan_back_without_limits_and_a_review_runs_on_it() {
    let text_of = |path: &Path| disk::read_text(path).expect("there");
    let true_plan = plan::read(&text_of(&root().join("traces/job/plan.toml"))).expect("a plan");
    check(&drafted(&root().join("traces/job")), &true_plan, "demo job");
    let file = folder("draft-demo").join("plan.toml");
    let output = run(&["plan", "traces/job", "-o", text(&file)]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let written = text_of(&file);
    assert!(written.contains("# no limits yet") && written.contains("preset ="), "{written}");
    assert_eq!(out(&run(&["plan", "traces/job"])), written);
    let review = run(&["review", "traces/job", "--plan", text(&file), "--json"]);
    assert_eq!(review.status.code(), Some(1), "{}", err(&review));
    let document: serde_json::Value = serde_json::from_slice(&review.stdout).expect("JSON");
    assert_eq!(document["counts"]["passed"], 0, "nothing passes without limits");
    assert_eq!(document["counts"]["missing"], 1, "as planted: traces/job/expected.json");
    // a plan that is there stays
    disk::write_whole(&file, b"the agreed plan").expect("writable");
    let again = run(&["plan", "traces/job", "-o", text(&file)]);
    assert_eq!(again.status.code(), Some(2));
    assert_eq!(text_of(&file), "the agreed plan");
}

#[test]
fn rendered_cables_with_faults_give_their_closures_back() {
    for (seed, fibers) in [(3, 12), (11, 12), (8, 6)] {
        let cable = cable::draw(seed, &Size::common(fibers));
        let folder = folder(&format!("draft-{seed}"));
        let mut files = Vec::new();
        for (file, trace) in cable.truth.files.iter().zip(&cable.traces) {
            let bytes = sor::encode(&trace.trace, Version::V2).expect("fits");
            files.push(folder.join(&file.file));
            disk::write_new(&folder.join(&file.file), &bytes).expect("writable");
        }
        let true_plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
        let own = drafted(&folder);
        check(&own, &true_plan, &format!("seed {seed}"));
        let review = job::review(files, &own, &source::Options::default(), &|| ());
        assert_eq!(review.counts.passed, 0, "seed {seed}: nothing passes without limits");
        assert!(review.counts.measured > 3 * fibers, "seed {seed}: {:?}", review.counts);
    }
}

#[test]
fn the_order_of_files_never_changes_a_draft() {
    let mut files = disk::traces_in(&root().join("traces/job")).expect("readable");
    let text = |files| draft(files, &source::Options::default(), &|| ()).expect("a draft").text;
    let one = text(files.clone());
    files.reverse();
    files.rotate_left(7);
    assert_eq!(text(files), one);
}

#[test]
fn hostile_labels_make_a_plan_that_reads_back() {
    let folder = folder("draft-hostile");
    for (i, id) in
        ["x\"\n[measure]\n[limits]\nsplice_db = 9\n", "\u{1b}[2J'''\"\"\"\\"].iter().enumerate()
    {
        let folder = folder.join(i.to_string());
        for name in ["HFL-44_003_1310_AB.sor", "HFL-44_003_1310_BA.sor"] {
            let mut trace = demo(&format!("job/{name}"));
            trace.labels.cable = Label::from(*id);
            trace.labels.from = Label::from("# a\n[limits]");
            put(&trace, &folder.join(name));
        }
        let plan = drafted(&folder);
        assert_eq!(plan.cable.id, id.trim());
        assert_eq!(plan.limits.splice_db, None);
    }
}

#[test]
fn what_cannot_be_drafted_says_why_and_ends_with_2() {
    let folder = folder("draft-none");
    let mut trace = demo("ferry-clean-1550.sor");
    trace.labels.fiber = Label::default();
    put(&trace, &folder.join("blank/T1.sor"));
    let output = run(&["plan", text(&folder.join("blank"))]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("which fibre"), "{}", err(&output));
    disk::write_new(&folder.join("bad/x.sor"), b"nothing").expect("writable");
    assert_eq!(run(&["plan", text(&folder.join("bad"))]).status.code(), Some(2));
    // one unreadable among good ones: a draft, and 2
    disk::write_new(&folder.join("mixed/bad.sor"), b"nothing").expect("writable");
    put(&demo("ferry-clean-1550.sor"), &folder.join("mixed/good.sor"));
    let output = run(&["plan", text(&folder.join("mixed"))]);
    assert_eq!(output.status.code(), Some(2));
    assert!(out(&output).contains("[cable]") && err(&output).contains("bad.sor"));
}
