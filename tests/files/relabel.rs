//! `relabel`: labels by the plan, and back again.

use std::path::{Path, PathBuf};

use super::{demo, err, folder, out, put, run, state, text};
use strandline::trace::{Label, Trace};
use strandline::{disk, source};

const PLAN: &str = "traces/job/plan.toml";
const JOURNAL: &str = "relabel-journal.jsonl";

fn read(path: &Path) -> Trace {
    source::read(path, &source::Options::default()).expect("readable")
}

/// A folder of one fibre's traces with some labels wrong, and what they are right as.
fn wrong(name: &str) -> PathBuf {
    let folder = folder(name);
    let change = |name: &str, to: &str, change: fn(&mut Trace)| {
        let mut trace = demo(&format!("job/{name}"));
        change(&mut trace);
        put(&trace, &folder.join("handset").join(to));
    };
    let (ab, ba) = ("HFL-44_003_1310_AB.sor", "HFL-44_003_1310_BA.sor");
    change(ab, &format!("deep/{ab}"), |trace| {
        trace.labels.cable = Label::default();
        trace.labels.fiber = Label::from("4");
        trace.labels.from = Label::from("somewhere");
        trace.labels.to = Label::default();
    });
    change(ba, ba, |_| ());
    change(ab, "HFL-44_077_1310_AB.sor", |trace| trace.labels.fiber = Label::default());
    change(ab, "other_4_1310_BA.sor", |trace| trace.labels.cable = Label::from("XYZ-1"));
    change(ab, "T0001.sor", |trace| trace.labels.fiber = Label::from("F 003"));
    folder
}

#[test]
fn labels_become_what_plan_and_name_say_and_nothing_else_changes() {
    let folder = wrong("relabel-plan");
    let handset = folder.join("handset");
    let before = state(&handset);
    let copies = folder.join("copies");
    let args = ["relabel", text(&handset), "--plan", PLAN, "-o", text(&copies)];
    let output = run(&args);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert_eq!(state(&handset), before, "the traces themselves are as they were");
    let labels = |name: &str| {
        let labels = read(&copies.join(name)).labels;
        [labels.cable, labels.fiber, labels.from, labels.to].map(|label| label.text())
    };
    // as traces/job/plan.toml and the names have it
    let right = ["HFL-44", "003", "BELL BUOY", "LANTERN PIER"];
    assert_eq!(labels("deep/HFL-44_003_1310_AB.sor"), right);
    assert!(out(&output).contains("fiber \"4\" is now \"003\""), "{}", out(&output));
    // right already: the same bytes
    let untouched =
        |name: &str| disk::read(&copies.join(name)).ok().as_ref() == before.get(Path::new(name));
    assert!(untouched("HFL-44_003_1310_BA.sor"));
    // another cable's, or a fibre that is not planned: said, and left alone
    assert!(untouched("other_4_1310_BA.sor") && out(&output).contains("XYZ-1"));
    assert!(out(&output).contains("fibre 77 is not in the plan"), "{}", out(&output));
    assert_eq!(labels("HFL-44_077_1310_AB.sor")[1], "");
    // a name that follows no pattern says nothing; a label that means the fibre stays as it is
    assert_eq!(labels("T0001.sor"), ["HFL-44", "F 003", right[2], right[3]]);
    for name in before.keys() {
        let (old, new) = (read(&handset.join(name)), read(&copies.join(name)));
        assert_eq!((old.counts, old.settings, old.table), (new.counts, new.settings, new.table));
        assert_eq!(new.notes, [], "a strict reader takes the copy: {name:?}");
    }
    // once more: the same, and no second line in the journal
    let journal = disk::read(&copies.join(JOURNAL)).expect("there");
    assert_eq!(run(&args).status.code(), Some(0));
    assert_eq!(disk::read(&copies.join(JOURNAL)).expect("there"), journal);
}

#[test]
fn undone_it_removes_its_own_copies_and_no_other_file() {
    let folder = wrong("relabel-undo");
    let handset = folder.join("handset");
    let before = state(&handset);
    let copies = folder.join("copies");
    let own = copies.join("own.sor");
    disk::write_new(&own, b"somebody's own").expect("writable");
    let made = ["relabel", text(&handset), "--plan", PLAN, "-o", text(&copies)];
    assert_eq!(run(&made).status.code(), Some(0));
    let journal = copies.join(JOURNAL);
    let undo = ["relabel", "--undo", text(&journal)];
    // one is changed afterwards, one is gone
    let changed = copies.join("T0001.sor");
    disk::write_whole(&changed, b"changed by hand").expect("writable");
    std::fs::remove_file(copies.join("HFL-44_003_1310_BA.sor")).expect("ours");
    let output = run(&undo);
    assert_eq!(output.status.code(), Some(2), "one stays: {}", err(&output));
    assert!(
        out(&output).contains("3 copies removed, 1 gone already, 1 changed"),
        "{}",
        out(&output)
    );
    assert!(err(&output).contains("T0001.sor"), "{}", err(&output));
    let left: Vec<PathBuf> = state(&copies).into_keys().collect();
    let mut kept = ["T0001.sor", "own.sor", JOURNAL].map(PathBuf::from);
    kept.sort();
    assert_eq!(left, kept);
    assert_eq!(state(&handset), before);
    // and again: nothing left but the changed one; then everything can be made anew
    assert!(out(&run(&undo)).contains("0 copies removed, 0 gone already, 1 changed"));
    std::fs::remove_file(&changed).expect("ours");
    assert_eq!(run(&made).status.code(), Some(0));
    assert!(out(&run(&undo)).contains("5 copies removed, 0 gone already, 0 changed"));
    assert_eq!(disk::read(&own).expect("there"), b"somebody's own");
}

#[test]
fn a_journal_that_is_none_or_leads_elsewhere_removes_nothing() {
    let folder = folder("relabel-hostile");
    let victim = folder.join("victim.sor");
    disk::write_new(&victim, b"precious").expect("writable");
    let journal = folder.join("deep").join(JOURNAL);
    let hash = disk::sha256(b"precious");
    let line = |to: &str| {
        format!(
            "{{\"did\":\"copied\",\"file\":\"x\",\"sha256_before\":\"\",\"to\":{to:?},\"sha256_after\":\"{hash}\",\"set\":{{}}}}\n"
        )
    };
    for lines in [
        line("../victim.sor"),
        line(text(&victim)),
        "{\"sha256\":\"00\"}\n".to_owned() + &line("../victim.sor"),
    ] {
        disk::write_whole(&journal, lines.as_bytes()).expect("writable");
        let output = run(&["relabel", "--undo", text(&journal)]);
        assert_eq!(output.status.code(), Some(2), "{}", err(&output));
        assert_eq!(err(&output).lines().count(), 1, "{}", err(&output));
        assert_eq!(disk::read(&victim).expect("there"), b"precious");
    }
    assert_eq!(run(&["relabel", "--undo", "no-such-journal"]).status.code(), Some(2));
}

#[test]
fn copies_never_lie_among_the_traces_they_are_made_from() {
    let folder = wrong("relabel-inside");
    let handset = folder.join("handset");
    let before = state(&handset);
    for inside in [handset.clone(), handset.join("new/deep"), handset.join("deep/../x")] {
        let output = run(&["relabel", text(&handset), "--plan", PLAN, "-o", text(&inside)]);
        assert_eq!(output.status.code(), Some(2));
        assert!(err(&output).contains("hint:"), "{}", err(&output));
    }
    assert_eq!(state(&handset), before);
    // and what is asked for has to be said
    let nothing = run(&["relabel", text(&handset), "-o", text(&folder.join("copies"))]);
    assert_eq!(nothing.status.code(), Some(2));
    assert!(!disk::exists(&folder.join("copies")));
}
