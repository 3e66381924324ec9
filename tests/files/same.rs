//! The same answer, byte for byte, whatever the files are called, wherever they lie, in whatever order
//! they are named, and on however many processors.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use strandline::disk;
use strandline::simulate::cable::{self, Size};
use strandline::sor::{self, Version};

use super::folder;

/// A cable with everything that can be planted in it, and a file that cannot be read; names by content.
fn written(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let size = Size { closures: 3, length_m: 5_000.0, samples: 6_000, ..Size::common(14) };
    let cable = cable::draw(31, &size);
    let encoded = |trace: &strandline::simulate::Rendered| {
        sor::encode(&trace.trace, Version::V2).expect("a rendered trace fits the format")
    };
    let names = cable.truth.files.iter().map(|file| file.file.clone());
    let mut files: BTreeMap<String, Vec<u8>> =
        names.zip(cable.traces.iter().map(encoded)).collect();
    files.insert("torn.sor".into(), b"Map\0 and nothing more".to_vec());
    put(folder, &files);
    disk::write_whole(&folder.join("plan.toml"), cable.plan.as_bytes()).expect("writable");
    files
}

fn put(folder: &Path, files: &BTreeMap<String, Vec<u8>>) {
    for (name, bytes) in files {
        disk::write_whole(&folder.join(name), bytes).expect("writable");
    }
}

/// What `review` prints in a folder; `args` behind the plan.
fn reviewed(folder: &Path, args: &[&str], threads: &str) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_strandline"));
    command.current_dir(folder).env("COLUMNS", "80").env("NO_COLOR", "1");
    command.env("RAYON_NUM_THREADS", threads).args(["review", "--plan", "plan.toml"]).args(args);
    let output = command.output().expect("the command runs");
    // A file cannot be read; everything else is answered.
    assert_eq!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// Two folders with the same files and plan, and the files by their names.
fn twins(name: &str) -> (PathBuf, PathBuf, BTreeMap<String, Vec<u8>>) {
    let (one, two) = (folder(&format!("{name}-one")), folder(&format!("{name}-two")));
    let files = written(&one);
    put(&two, &files);
    let plan = disk::read(&one.join("plan.toml")).expect("readable");
    disk::write_whole(&two.join("plan.toml"), &plan).expect("writable");
    (one, two, files)
}

#[test]
fn another_folder_shuffled_arguments_and_other_threads_change_no_byte() {
    let (one, two, files) = twins("same");
    let mut names: Vec<&str> = files.keys().map(String::as_str).collect();
    for json in [&["--json"][..], &[], &["--todo"]] {
        let whole = reviewed(&one, &[json, &["."]].concat(), "2");
        assert!(whole.len() > 1_000, "{whole}");
        assert_eq!(reviewed(&two, &[json, &["."]].concat(), "1"), whole);
        let named = reviewed(&one, &[json, &names].concat(), "2");
        names.reverse();
        names.rotate_left(7);
        assert_eq!(reviewed(&two, &[json, &names].concat(), "1"), named);
    }
}

/// All files of a report, and two pictures.
const FILES: [&str; 11] = [
    "review.json",
    "review.html",
    "review.pdf",
    "review.xlsx",
    "tests.csv",
    "links.csv",
    "joints.csv",
    "sections.csv",
    "findings.csv",
    "map.png",
    "one.svg",
];

/// What a report and two pictures are, by their names: each made anew in an environment of its own.
fn made(folder: &Path, names: &[&str], environment: &[(&str, &str)]) -> BTreeMap<String, Vec<u8>> {
    let run = |args: &[&str], wanted: i32| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_strandline"));
        command.current_dir(folder).env_remove("SOURCE_DATE_EPOCH").args(args);
        let output = command.envs(environment.iter().copied()).output().expect("the command runs");
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(wanted), "{args:?}: {said}");
    };
    let plan = ["--plan", "plan.toml"];
    run(&[&["review", "--report", "out"], &plan[..], names].concat(), 2); // one file is torn
    run(&[&["plot", "--cable", "map", "-o", "out/map.png"], &plan[..], names].concat(), 2);
    let whole = names.iter().copied().filter(|name| *name != "torn.sor").min().expect("a trace");
    run(&["plot", whole, "-o", "out/one.svg"], 0);
    let bytes = |name: &str| disk::read(&folder.join("out").join(name)).expect("written");
    FILES.into_iter().map(|name| (name.to_owned(), bytes(name))).collect()
}

#[test]
fn every_file_of_a_report_is_the_same_in_another_time_zone_language_order_and_number_of_threads() {
    let (one, two, files) = twins("same-report");
    let mut names: Vec<&str> = files.keys().map(String::as_str).collect();
    let here = [("TZ", "UTC"), ("LC_ALL", "C"), ("RAYON_NUM_THREADS", "1"), ("COLUMNS", "80")];
    let first = made(&one, &names, &here);
    names.reverse();
    names.rotate_left(5);
    // A quarter of an hour off, a comma for the point, and an alphabet of its own.
    let there = [
        ("TZ", "Pacific/Chatham"),
        ("LC_ALL", "tr_TR.UTF-8"),
        ("LANG", "de_DE.UTF-8"),
        ("RAYON_NUM_THREADS", "3"),
        ("COLUMNS", "200"),
    ];
    let second = made(&two, &names, &there);
    for (name, bytes) in &first {
        assert!(bytes.len() > 100, "{name}");
        assert!(second[name] == *bytes, "{name} differs");
    }
}

/// The document with every file under its old name, lists of files in order.
fn renamed_back(text: &str, old: &BTreeMap<String, String>) -> Value {
    fn walk(value: &mut Value, old: &BTreeMap<String, String>) {
        match value {
            Value::String(text) => {
                for (new, name) in old {
                    *text = text.replace(new.as_str(), name);
                }
            }
            Value::Array(all) => {
                for one in all.iter_mut() {
                    walk(one, old);
                }
                if all.iter().all(Value::is_string) {
                    all.sort_by_key(|one| one.as_str().map(str::to_owned));
                }
            }
            Value::Object(all) => all.values_mut().for_each(|one| walk(one, old)),
            _ => {}
        }
    }
    let mut document: Value = serde_json::from_str(text).expect("JSON");
    walk(&mut document, old);
    document
}

#[test]
fn a_fully_labelled_files_name_changes_nothing() {
    let one = folder("same-named");
    let files = written(&one);
    let two = folder("same-renamed");
    let mut old = BTreeMap::new();
    let mut renamed = BTreeMap::new();
    for (i, (name, bytes)) in files.iter().enumerate() {
        // In another order, and with numbers that are no fibre's.
        let new = format!("x{:03}q.sor", (i * 37 + 11) % 101);
        renamed.insert(new.clone(), bytes.clone());
        old.insert(new, name.clone());
    }
    assert_eq!(renamed.len(), files.len());
    put(&two, &renamed);
    let plan = disk::read(&one.join("plan.toml")).expect("readable");
    disk::write_whole(&two.join("plan.toml"), &plan).expect("writable");
    let none = BTreeMap::new();
    let first = renamed_back(&reviewed(&one, &["--json", "."], "2"), &none);
    let second = renamed_back(&reviewed(&two, &["--json", "."], "2"), &old);
    for part in ["counts", "fibers", "one_way", "plan"] {
        assert_eq!(first[part], second[part], "{part}");
    }
    // Of the tests, too, but for their order: what is not planned stands in that of names.
    let sorted = |document: &Value| {
        let mut tests: Vec<String> =
            document["tests"].as_array().expect("tests").iter().map(Value::to_string).collect();
        tests.sort();
        tests
    };
    assert_eq!(sorted(&first), sorted(&second));
    let words = |folder: &PathBuf, old: &BTreeMap<String, String>| {
        let mut text = reviewed(folder, &["."], "2");
        for (new, name) in old {
            text = text.replace(new.as_str(), name);
        }
        text
    };
    assert_eq!(words(&one, &none), words(&two, &old));
}

#[test]
fn a_second_copy_of_a_recording_leaves_nothing_undecided() {
    // traces/job: fibre 7 is sound; its files are there twice, as from a stick and from a sync folder
    let folder = folder("same-twice");
    let job = super::root().join("traces/job");
    for path in disk::traces_in(&job).expect("demo data") {
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        let bytes = disk::read(&path).expect("demo data");
        disk::write_whole(&folder.join("stick").join(&name), &bytes).expect("writable");
        if name.contains("_007_") {
            disk::write_whole(&folder.join("sync").join(&name), &bytes).expect("writable");
        }
    }
    let review = |path: &Path| -> Value {
        let plan = ["--plan", "traces/job/plan.toml", "--json"];
        let output = super::run(&[&["review", super::text(path)][..], &plan].concat());
        serde_json::from_slice(&output.stdout).expect("JSON")
    };
    let (once, twice) = (review(&job), review(&folder));
    assert_eq!(once["counts"], twice["counts"]);
    let seven = &twice["fibers"][6];
    assert_eq!(seven["verdict"], "pass", "{seven}");
    let says = seven["findings"][0]["says"].as_str().expect("a remark");
    assert_eq!(says, "4 files are second copies of recordings that count");
}
