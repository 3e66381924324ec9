//! `files/` against `table.toml`: each file is read as its row says, and is what `make` makes.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde::Deserialize;
use strandline::trace::Trace;
use strandline::units::GroupIndex;
use strandline::{disk, source};

use super::make;

/// What must come out of a file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    /// The row of the table in docs/files.md that it stands for.
    met: String,
    /// Words of each note, in their order; a note more or less fails.
    #[serde(default)]
    notes: Vec<String>,
    /// Words of the error. `None`: the file is read.
    error: Option<String>,
    /// Words of the advice.
    hint: Option<String>,
    /// What the user says, as options of the command line.
    #[serde(default)]
    args: Vec<String>,
    /// Values that must be read, as [`value`] shows them.
    #[serde(default)]
    reads: BTreeMap<String, String>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/odd")
}

fn table() -> BTreeMap<String, Row> {
    let text = std::fs::read_to_string(folder().join("table.toml")).expect("the table");
    toml::from_str(&text).expect("rows")
}

/// 2027-01-15, so that only dates behind it lie in the future.
const NOW_UNIX_S: u32 = 1_800_000_000;

fn options(args: &[String]) -> source::Options {
    let mut options = source::Options { clock_unix_s: Some(NOW_UNIX_S), ..Default::default() };
    match args {
        [] => {}
        [flag] if flag == "--spacing-per-sample" => options.spacing_per_sample = true,
        [flag, value] if flag == "--index" => {
            options.index = GroupIndex::new(value.parse().expect("a number"));
        }
        _ => panic!("{args:?}"),
    }
    options
}

/// One value of a trace in words, `-` where it is not known.
fn value(trace: &Trace, name: &str) -> String {
    let known = |value: Option<f64>| value.map_or("-".to_owned(), |value| value.to_string());
    let settings = &trace.settings;
    let table = trace.table.as_ref();
    match name {
        "samples" => trace.counts.len().to_string(),
        "last_db" => known(trace.levels_db().last().map(|db| (db * 1e3).round() / 1e3)),
        "spacing_mm" => (trace.spacing_m() * 1e3).round().to_string(),
        "index" => known(Some(settings.index.value())),
        "wavelength_nm" => known(settings.wavelength_nm),
        "backscatter_db" => known(settings.backscatter_db),
        "averages" => known(settings.averages.map(f64::from)),
        "range_100_ps" => known(settings.range_100_ps.map(f64::from)),
        "date_unix_s" => known(settings.measured_at_unix_s.map(f64::from)),
        "unit" => settings.display_unit.map_or("-".to_owned(), |unit| unit.to_string()),
        "pulses_ns" => {
            let pulses: Vec<String> =
                trace.stretches.iter().map(|s| format!("{} × {}", s.samples, s.pulse_ns)).collect();
            pulses.join(", ")
        }
        "cable" => trace.labels.cable.text(),
        "operator" => trace.labels.operator.text(),
        "comment" => trace.labels.comment.text(),
        "supplier" => trace.instrument.supplier.text(),
        "events" => table.map_or("-".to_owned(), |table| table.rows.len().to_string()),
        "loss_db" => known(table.and_then(|table| table.loss_db)),
        "orl_db" => known(table.and_then(|table| table.orl_db)),
        _ => panic!("{name} is no value that is looked at"),
    }
}

#[test]
fn each_file_is_what_its_maker_makes() {
    let mut names = BTreeSet::new();
    for (name, bytes) in make::all() {
        assert!(names.insert(name), "{name} is made twice");
        assert!(bytes.len() <= 2048, "{name} has {} bytes", bytes.len());
        let path = folder().join("files").join(format!("{name}.sor"));
        if std::env::var_os("STRANDLINE_RENDER").is_some() {
            disk::write_whole(&path, &bytes).expect("written");
        }
        let there = std::fs::read(&path)
            .unwrap_or_else(|e| panic!("{name}: {e}; make it with STRANDLINE_RENDER=1"));
        assert!(there == bytes, "{name}.sor is not what make.rs makes");
    }
}

#[test]
fn each_file_has_a_row_and_each_row_a_file() {
    let files: BTreeSet<String> = std::fs::read_dir(folder().join("files"))
        .expect("the files")
        .map(|entry| {
            let name = entry.expect("an entry").file_name().into_string().expect("UTF-8");
            name.strip_suffix(".sor").unwrap_or_else(|| panic!("{name} is no .sor")).to_owned()
        })
        .collect();
    let rows: BTreeSet<String> = table().into_keys().collect();
    let made: BTreeSet<String> = make::all().into_iter().map(|(name, _)| name.to_owned()).collect();
    assert_eq!(files.difference(&rows).collect::<Vec<_>>(), Vec::<&String>::new(), "without a row");
    assert_eq!(
        rows.difference(&files).collect::<Vec<_>>(),
        Vec::<&String>::new(),
        "without a file"
    );
    assert_eq!(files, made);
}

#[test]
fn the_page_about_files_promises_what_is_tried_and_nothing_else() {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/files.md");
    let page = std::fs::read_to_string(page).expect("the page");
    let promised: BTreeSet<String> = page
        .lines()
        .filter_map(|line| Some(line.strip_prefix("| ")?.split_once(" |")?.0.trim().to_owned()))
        .filter(|met| met != "met" && !met.starts_with("**"))
        .collect();
    let tried: BTreeSet<String> = table().into_values().map(|row| row.met).collect();
    assert_eq!(promised, tried);
}

/// Every Rust file below some folders of the project.
fn sources() -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders = vec![root.join("src"), root.join("tests")];
    let mut all = String::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                all.push_str(&std::fs::read_to_string(path).expect("UTF-8"));
            }
        }
    }
    all
}

#[test]
fn every_test_that_the_page_about_reliability_names_is_there() {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/reliability.md");
    let page = std::fs::read_to_string(page).expect("the page");
    let sources = sources();
    let rows = page.lines().filter(|line| line.starts_with("| ") && !line.starts_with("| **"));
    let mut count = 0;
    for row in rows.skip(1) {
        let named: Vec<&str> = row.split('`').skip(1).step_by(2).collect();
        assert!(!named.is_empty(), "nothing keeps this: {row}");
        for name in named {
            assert!(sources.contains(&format!("fn {name}(")), "{name} is no test");
            count += 1;
        }
    }
    assert!(count > 20, "{count} tests");
}

#[test]
fn each_file_gives_the_notes_the_error_and_the_values_of_its_row() {
    let mut wrongs = vec![];
    for (name, row) in table() {
        let path = folder().join("files").join(format!("{name}.sor"));
        let wrong = match source::read(&path, &options(&row.args)) {
            Ok(trace) => check_trace(&trace, &row),
            Err(error) => check_error(&error, &row),
        };
        wrongs.extend(wrong.err().map(|wrong| format!("{name}: {wrong}")));
    }
    assert!(wrongs.is_empty(), "{} wrong:\n{}", wrongs.len(), wrongs.join("\n"));
}

fn check_trace(trace: &Trace, row: &Row) -> Result<(), String> {
    let notes: Vec<String> = trace.notes.iter().map(ToString::to_string).collect();
    if row.error.is_some() {
        return Err(format!("read, with the notes {notes:#?}"));
    }
    let fit = notes.len() == row.notes.len()
        && notes.iter().zip(&row.notes).all(|(note, words)| note.contains(words));
    if !fit {
        return Err(format!("the notes are {notes:#?}"));
    }
    for (name, expected) in &row.reads {
        let found = value(trace, name);
        if found != *expected {
            return Err(format!("{name} is {found:?}, expected {expected:?}"));
        }
    }
    Ok(())
}

fn check_error(error: &source::OpenError, row: &Row) -> Result<(), String> {
    let said = error.to_string();
    let hint = error.hint();
    let fits = row.error.as_ref().is_some_and(|words| said.contains(words));
    let hint_fits = match (&row.hint, hint) {
        (None, _) => true,
        (Some(words), hint) => hint.is_some_and(|hint| hint.contains(words)),
    };
    if fits && hint_fits { Ok(()) } else { Err(format!("{said}\n  hint {hint:?}")) }
}

fn run(command: &str, args: &[String], path: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_strandline"))
        .args([command])
        .args(args)
        .arg(path)
        .output()
        .expect("the command runs")
}

/// Whether bytes of an output may act on a terminal.
fn acts(output: &[u8]) -> bool {
    String::from_utf8_lossy(output)
        .chars()
        .any(|c| c != '\n' && (c.is_control() || c == '\u{202e}'))
}

#[test]
fn each_command_ends_with_2_where_a_file_gives_no_trace_and_prints_nothing_that_acts() {
    for (name, row) in table() {
        let path = folder().join("files").join(format!("{name}.sor"));
        let exit = if row.error.is_some() { 2 } else { 0 };
        for command in ["show", "events"] {
            let output = run(command, &row.args, &path);
            let stderr = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(exit), "{command} {name}: {stderr}");
            assert!(!acts(&output.stdout) && !acts(&output.stderr), "{command} {name}: {stderr}");
            let errors = stderr.lines().filter(|line| line.starts_with("error: ")).count();
            let hints = stderr.lines().filter(|line| line.starts_with("hint: ")).count();
            assert_eq!(errors, usize::from(exit == 2), "{command} {name}: {stderr}");
            assert!(hints <= errors, "{command} {name}: {stderr}");
        }
    }
}

#[test]
fn one_bad_file_does_not_stop_a_run_over_many() {
    let output = run("events", &["--json".to_owned()], &folder().join("files"));
    assert_eq!(output.status.code(), Some(2));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let traces = document["traces"].as_array().expect("traces");
    let read = traces.iter().filter(|trace| trace["error"].is_null()).count();
    // Those that need an option are errors here; one has an index of its own.
    let rows = table();
    let without_args = rows.values().filter(|row| row.args.is_empty());
    assert_eq!(read, without_args.filter(|row| row.error.is_none()).count() + 1);
    assert_eq!(traces.len(), rows.len());
    let stderr = String::from_utf8_lossy(&output.stderr);
    let errors = stderr.lines().filter(|line| line.starts_with("error: ")).count();
    assert_eq!(errors, rows.len() - read, "{stderr}");
}
