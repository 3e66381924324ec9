//! `collect`: nothing is lost, written over or copied twice, whenever it is interrupted.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::{command, demo, err, folder, out, put, root, run, state, text};
use strandline::disk;
use strandline::trace::Label;

const JOURNAL: &str = "collect-journal.jsonl";

fn collect(sources: &[&Path], into: &Path) -> std::process::Output {
    let mut args = vec!["collect"];
    args.extend(sources.iter().map(|path| text(path)));
    args.extend(["--into", text(into)]);
    run(&args)
}

fn bytes(name: &str) -> Vec<u8> {
    disk::read(&root().join("traces").join(name)).expect("demo data")
}

#[test]
fn two_sticks_come_home_by_content_whatever_their_order() {
    let folder = folder("collect-two");
    let (a, b) = (folder.join("stick a"), folder.join("stick b"));
    let write = |path: PathBuf, bytes: &[u8]| disk::write_new(&path, bytes).expect("writable");
    let (one, two) = (bytes("job/HFL-44_001_1310_AB.sor"), bytes("job/HFL-44_002_1310_AB.sor"));
    write(a.join("T0001.SOR"), &one);
    write(b.join("deep/T0001.SOR"), &two); // the same name, another recording
    write(b.join("again/HFL-44_001_1310_AB.sor"), &one); // the same recording, another name
    write(b.join("cut.sor"), &one[..one.len() / 2]);
    write(b.join("notes.txt"), b"no trace, and not asked for");
    let (home, other) = (folder.join("home"), folder.join("other"));
    let output = collect(&[&a, &b], &home);
    assert_eq!(output.status.code(), Some(2), "an unreadable file: {}", err(&output));
    assert!(out(&output).ends_with("home: 2 new, 1 known, 1 unreadable\n"), "{}", out(&output));
    assert!(err(&output).contains("cut.sor"), "{}", err(&output));
    let found = state(&home);
    let at = |path: &str| found.get(Path::new(path)).unwrap_or_else(|| panic!("{path}"));
    assert_eq!(*at("HFL-44/001/T0001.SOR"), one);
    assert_eq!(*at("HFL-44/002/T0001.SOR"), two);
    assert_eq!(*at("unreadable/cut.sor.unreadable"), one[..one.len() / 2]);
    assert_eq!(found.len(), 5, "three copies, the journal and the lock: {:?}", found.keys());
    collect(&[&b, &a], &other);
    assert_eq!(found, state(&other));
    // once more: nothing new, nothing changed
    let again = collect(&[&b, &a], &home);
    assert!(out(&again).ends_with("home: 0 new, 3 known, 1 unreadable\n"), "{}", out(&again));
    assert_eq!(found, state(&home));
    // what stands apart does not disturb a walk over the folder
    assert_eq!(disk::traces_in(&home).expect("readable").len(), 2);
}

#[test]
fn a_name_that_is_taken_by_other_content_is_left_alone() {
    let folder = folder("collect-clash");
    let stick = folder.join("stick");
    let mut trace = demo("ferry-clean-1550.sor");
    put(&trace, &stick.join("1/x.sor"));
    trace.labels.comment = Label::from("measured again");
    put(&trace, &stick.join("2/x.sor"));
    let home = folder.join("home");
    let cable = trace.labels.cable.text();
    let place = home.join(&cable).join("001");
    disk::write_new(&place.join("x.sor"), b"somebody's own file").expect("writable");
    let output = collect(&[&stick], &home);
    assert!(out(&output).ends_with("2 new, 0 known, 0 unreadable\n"), "{}", out(&output));
    assert_eq!(disk::read(&place.join("x.sor")).expect("there"), b"somebody's own file");
    for n in ["1", "2"] {
        let bytes = disk::read(&stick.join(n).join("x.sor")).expect("never moved");
        let name = format!("x-{}.sor", &disk::sha256(&bytes)[..8]);
        assert_eq!(disk::read(&place.join(name)).expect("kept apart by its hash"), bytes);
    }
}

#[test]
fn hostile_labels_and_names_never_leave_the_folder() {
    let folder = folder("collect-hostile");
    let stick = folder.join("stick");
    let labels: [&[u8]; 9] = [
        b"../../../etc",
        b"/etc/passwd",
        b"..",
        b"C:\\con",
        b"NUL",
        b"\x1b[2J\n",
        b"Collect-Journal.jsonl", // no folder may take the journal's place, on any disk
        b"",
        &[b'a'; 5000],
    ];
    let mut trace = demo("ferry-clean-1550.sor");
    for (i, label) in labels.iter().enumerate() {
        trace.labels.cable = Label::new(*label);
        trace.labels.fiber = Label::new(labels[labels.len() - 1 - i]);
        put(&trace, &stick.join(format!("{i} -rf;{}.sor", "é".repeat(100))));
    }
    let home = folder.join("deep/down/home");
    let output = collect(&[&stick], &home);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert!(!out(&output).contains('\u{1b}'));
    assert_eq!(state(&home).len(), labels.len() + 2);
    let outside = state(&folder).into_keys().filter(|path| !path.starts_with("deep/down/home"));
    assert_eq!(outside.count(), labels.len(), "only the stick's own files lie elsewhere");
    for path in state(&home).keys().filter(|p| p.extension().is_some_and(|e| e == "sor")) {
        assert_eq!(path.components().count(), 3, "cable, fibre, file: {path:?}");
    }
}

#[test]
fn blank_labels_are_filled_by_the_plan_and_the_name() {
    let folder = folder("collect-blank");
    let mut trace = demo("job/HFL-44_003_1310_AB.sor");
    trace.labels.cable = Label::default();
    trace.labels.fiber = Label::default();
    put(&trace, &folder.join("stick/HFL-44_003_1310_AB.sor"));
    let stick = folder.join("stick");
    collect(&[&stick], &folder.join("without"));
    let plan = ["--plan", "traces/job/plan.toml"];
    let (stick, with) = (text(&stick), folder.join("with"));
    run(&["collect", stick, "--into", text(&with), plan[0], plan[1]]);
    let name = "HFL-44_003_1310_AB.sor";
    assert!(disk::exists(&folder.join("without/unlabelled/unlabelled").join(name)));
    assert!(disk::exists(&with.join("HFL-44/003").join(name)));
}

/// What an uninterrupted run comes to, for the demo job.
fn whole(name: &str) -> (PathBuf, std::collections::BTreeMap<PathBuf, Vec<u8>>) {
    let folder = folder(name);
    let home = folder.join("home");
    let output = collect(&[Path::new("traces/job")], &home);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let state = state(&home);
    (folder, state)
}

/// Every state that a run may be left in by a kill, made by hand: its end is the same.
#[test]
fn interrupted_between_any_two_steps_it_comes_to_the_same_end() {
    let (folder, end) = whole("collect-steps");
    let journal = String::from_utf8(end[Path::new(JOURNAL)].clone()).expect("UTF-8");
    let lines: Vec<&str> = journal.split_inclusive('\n').collect();
    let target = |line: &str| {
        let entry: serde_json::Value = serde_json::from_str(line).expect("a line is JSON");
        PathBuf::from(entry["to"].as_str().expect("text"))
    };
    assert_eq!(lines.len(), 31);
    for done in [0, 1, 11, 30] {
        let next = target(lines[done]);
        let part = next.with_file_name(".strandline-3.part");
        let bytes = &end[&next];
        // what is there of the next file: a part of it, all of it unnamed, named, both; its line
        let cases: [(&[u8], bool, usize); 7] = [
            (b"", false, 0),
            (&bytes[..bytes.len() / 2], false, 0),
            (bytes, false, 0),
            (bytes, true, 0),
            (b"", true, 0),
            (b"", true, 1),
            (b"", true, lines[done].len() - 1),
        ];
        for (n, (unfinished, named, line_bytes)) in cases.into_iter().enumerate() {
            let home = folder.join(format!("{done}-{n}"));
            let put = |path: &Path, bytes: &[u8]| {
                disk::write_new(&home.join(path), bytes).expect("writable");
            };
            for line in &lines[..done] {
                put(&target(line), &end[&target(line)]);
            }
            let written = lines[..done].concat() + &lines[done][..line_bytes];
            put(Path::new(JOURNAL), written.as_bytes());
            if !unfinished.is_empty() {
                put(&part, unfinished);
            }
            if named {
                put(&next, bytes);
            }
            let output = collect(&[Path::new("traces/job")], &home);
            assert_eq!(output.status.code(), Some(0), "{}", err(&output));
            assert_eq!(state(&home), end, "{done} done, case {n}");
        }
    }
}

#[test]
fn a_torn_line_of_another_run_stays_and_spoils_no_other() {
    let (folder, end) = whole("collect-torn");
    let home = folder.join("home");
    let journal = home.join(JOURNAL);
    disk::append(&journal, "{\"sha256\":\"00").expect("writable");
    disk::write_whole(&folder.join("stick/x.sor"), &bytes("ferry-break.sor")).expect("writable");
    collect(&[&folder.join("stick")], &home);
    let text = disk::read_text(&journal).expect("there");
    let before = String::from_utf8(end[Path::new(JOURNAL)].clone()).expect("UTF-8");
    let added: Vec<&str> =
        text.strip_prefix(&before).expect("what was written stays").lines().collect();
    assert_eq!(added[0], "{\"sha256\":\"00");
    assert_eq!(added.len(), 2);
    let entry: serde_json::Value = serde_json::from_str(added[1]).expect("a whole line");
    assert_eq!(entry["sha256"], disk::sha256(&bytes("ferry-break.sor")).as_str());
}

/// Every named file is one of the end's, whole, and every whole line of the journal names one.
fn is_whole_so_far(home: &Path, end: &std::collections::BTreeMap<PathBuf, Vec<u8>>) {
    let so_far = state(home);
    for (path, bytes) in
        so_far.iter().filter(|(path, _)| path.extension().is_some_and(|e| e == "sor"))
    {
        assert_eq!(end.get(path), Some(bytes), "{} is half a file", path.display());
    }
    let journal = so_far.get(Path::new(JOURNAL)).cloned().unwrap_or_default();
    let journal = String::from_utf8(journal).expect("UTF-8");
    for line in journal.split_inclusive('\n').filter(|line| line.ends_with('\n')) {
        let entry: serde_json::Value = serde_json::from_str(line).expect("a line is JSON");
        let to = PathBuf::from(entry["to"].as_str().expect("text"));
        assert!(so_far.contains_key(&to), "the journal names {}, which is not there", to.display());
    }
}

/// The same with the process killed in earnest, or ended with Ctrl-C.
#[test]
fn interrupted_in_the_middle_and_run_again_it_comes_to_the_same_end() {
    let (folder, end) = whole("collect-killed");
    for signal in ["-KILL", "-INT"] {
        for lines in [0, 1, 2, 5, 12, 20, 30] {
            let home = folder.join(format!("killed{signal}-{lines}"));
            let mut child = command(&["collect", "traces/job", "--into", text(&home)])
                .stdout(std::process::Stdio::null())
                .spawn()
                .expect("the command runs");
            loop {
                let written = disk::read_text(&home.join(JOURNAL)).unwrap_or_default();
                let begun = lines > 0 || disk::exists(&home);
                let ended = child.try_wait().expect("a child").is_some();
                if ended || (begun && written.lines().count() >= lines) {
                    break;
                }
            }
            // May have ended by itself meanwhile; then there is nothing to interrupt.
            let id = child.id().to_string();
            let _ = std::process::Command::new("kill").args([signal, &id]).output().expect("kill");
            child.wait().expect("ours");
            is_whole_so_far(&home, &end);
            let output = collect(&[Path::new("traces/job")], &home);
            assert_eq!(output.status.code(), Some(0), "{}", err(&output));
            assert_eq!(state(&home), end, "{signal} after {lines}");
        }
    }
}

#[test]
fn two_runs_at_once_do_not_mix_their_journals() {
    let (folder, _) = whole("collect-busy");
    let home = folder.join("home");
    let held = disk::hold(&home.join(".collect-lock")).expect("free");
    let output = collect(&[Path::new("traces")], &home);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("another run"), "{}", err(&output));
    drop(held);
    assert_eq!(collect(&[Path::new("traces")], &home).status.code(), Some(0));
}

#[test]
fn a_source_that_is_gone_is_said_and_the_others_are_collected() {
    let folder = folder("collect-gone");
    let home = folder.join("home");
    let output = collect(&[Path::new("no-such-stick"), Path::new("traces/job")], &home);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("no-such-stick"), "{}", err(&output));
    assert!(out(&output).contains("31 new"), "{}", out(&output));
    // a folder that is a file
    let mut file = std::fs::File::create(folder.join("file")).expect("writable");
    file.write_all(b"x").expect("writable");
    let output = collect(&[Path::new("traces/job")], &folder.join("file"));
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(err(&output).lines().filter(|l| l.starts_with("error:")).count(), 1);
}
