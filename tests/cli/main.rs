//! Each command as a process: exit status, stdout, stderr.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use strandline::trace::Label;
use strandline::{disk, sor, source};

mod begun;
mod golden;
mod pages;
mod pictures;
mod report;
mod rounds;
mod streams;
mod verdicts;
mod walk;
mod wrong;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// A folder of its own for a test, empty at the beginning.
fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&folder);
    folder
}

/// The command in the project's folder, on a terminal of some width, without colour.
fn command(columns: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_strandline"));
    command.current_dir(root()).env("COLUMNS", columns).env("NO_COLOR", "1");
    command
}

fn run_wide(columns: &str, args: &[&str]) -> Output {
    command(columns).args(args).output().expect("the command runs")
}

fn run(args: &[&str]) -> Output {
    run_wide("80", args)
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

const CLEAN: &str = "traces/ferry-clean-1550.sor";

#[test]
fn a_good_file_ends_with_0_and_carries_the_caution() {
    for command in ["show", "events"] {
        let output = run(&[command, CLEAN]);
        assert_eq!(output.status.code(), Some(0), "{}", err(&output));
        assert!(out(&output).contains("never look into one"));
        assert!(out(&output).lines().all(|line| line.chars().count() <= 80), "{}", out(&output));
        assert!(!out(&output).contains('\u{1b}'));
    }
}

/// Every command that `--help` lists.
fn commands() -> Vec<String> {
    let help = out(&run(&["--help"]));
    let listed = help.split("Commands:").nth(1).expect("a list").split("Options:");
    let own = listed.take(1).flat_map(str::lines).filter(|line| !line.starts_with("   "));
    let commands: Vec<String> =
        own.filter_map(|line| line.split_whitespace().next().map(str::to_owned)).collect();
    assert!(commands.len() >= 15, "{commands:?}");
    commands
}

#[test]
fn the_documented_help_has_an_example_everywhere() {
    for command in commands() {
        let output = run(&[&command, "--help"]);
        assert_eq!(output.status.code(), Some(0));
        let help = out(&output);
        let examples: Vec<&str> = help.lines().filter(|l| l.starts_with("  strandline ")).collect();
        assert!(help.contains("Example") && !examples.is_empty(), "{command}");
        // a command that is broken in two cannot be copied
        assert!(examples.iter().all(|line| line.len() <= 80), "{command}: {examples:#?}");
    }
}

#[test]
fn a_bad_file_is_one_error_line_and_the_good_ones_are_still_done() {
    let folder = folder("cli-bad");
    let bad = folder.join("bad.sor");
    disk::write_new(&bad, b"Map\0\xff\xff").expect("writable");
    let output = run(&["events", bad.to_str().expect("UTF-8"), CLEAN]);
    assert_eq!(output.status.code(), Some(2));
    assert!(out(&output).contains("ferry-clean-1550"));
    assert_eq!(
        err(&output).lines().filter(|line| line.starts_with("error:")).count(),
        1,
        "{}",
        err(&output)
    );
    assert!(err(&output).lines().count() <= 2);
    let json = run(&["events", "--json", bad.to_str().expect("UTF-8"), CLEAN]);
    let document: serde_json::Value = serde_json::from_slice(&json.stdout).expect("JSON");
    assert!(document["traces"][0]["error"].is_string());
    assert!(document["traces"][1]["events"].as_array().is_some_and(|e| e.len() > 3));
}

#[test]
fn hostile_labels_come_out_harmless_and_no_file_is_touched() {
    let folder = folder("cli-hostile");
    let mut trace =
        source::read(&root().join(CLEAN), &source::Options::default()).expect("demo data");
    trace.labels.cable = Label::new(*b"=cmd|' /C calc'!A0");
    trace.labels.fiber = Label::new(*b"\x1b[2J\x1b]0;x\x07<script>alert(1)</script>");
    let path = folder.join("hostile.sor");
    let bytes = sor::encode(&trace, sor::Version::V2).expect("fits");
    disk::write_new(&path, &bytes).expect("writable");
    let name = path.to_str().expect("UTF-8");
    for args in [&["show", name][..], &["events", name]] {
        let text = out(&run(args)) + &err(&run(args));
        assert!(!text.contains('\u{1b}') && !text.contains('\u{7}'), "{text:?}");
    }
    let csv = out(&run(&["events", "--csv", name]));
    assert!(csv.contains(",'=cmd"), "{csv}");
    let picture = folder.join("x.svg");
    assert_eq!(run(&["plot", name, "-o", picture.to_str().expect("UTF-8")]).status.code(), Some(0));
    let svg = disk::read_text(&picture).expect("written");
    assert!(!svg.contains("<script>") && svg.contains("</svg>"));
    assert_eq!(disk::read(&path).expect("still there"), bytes);
}

#[test]
fn another_index_moves_every_distance_and_says_so() {
    let plain = run(&["show", CLEAN]);
    let other = run(&["show", CLEAN, "--index", "1.4000"]);
    assert!(out(&other).contains("given; the file says"), "{}", out(&other));
    assert_ne!(out(&plain), out(&other));
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    for args in [
        &["events", "--json", "traces"][..],
        &["events", "--csv", "traces"],
        &["review", "--json", "traces/job", "--plan", "traces/job/plan.toml"],
    ] {
        assert_eq!(run(args).stdout, run(args).stdout, "{args:?}");
    }
}

#[test]
fn a_review_with_faults_ends_with_1_and_one_of_a_bad_plan_with_2() {
    let review = run(&["review", "traces/job", "--plan", "traces/job/plan.toml"]);
    assert_eq!(review.status.code(), Some(1));
    let folder = folder("cli-plan");
    let plan = folder.join("plan.toml");
    disk::write_new(&plan, b"schema = \"strandline.plan/1\"\n[cable]\nidd = \"x\"\n")
        .expect("writable");
    let output = run(&["review", "traces/job", "--plan", plan.to_str().expect("UTF-8")]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("line 3"), "{}", err(&output));
}

#[test]
fn a_rendered_scenario_is_never_written_over_another_file() {
    let folder = folder("cli-simulate");
    let dir = folder.to_str().expect("UTF-8");
    let scenario = "traces/ferry-break.toml";
    assert_eq!(run(&["simulate", scenario, "-o", dir]).status.code(), Some(0));
    let trace = folder.join("ferry-break.sor");
    // the same bytes again: nothing to do
    assert_eq!(run(&["simulate", scenario, "-o", dir]).status.code(), Some(0));
    // somebody's own file under that name, or the truth of another fibre
    for name in ["ferry-break.sor", "ferry-break.truth.json"] {
        let own = folder.join(name);
        let rendered = disk::read(&own).expect("rendered");
        disk::write_whole(&own, b"somebody's own").expect("writable");
        let again = run(&["simulate", scenario, "-o", dir]);
        assert_eq!(again.status.code(), Some(2), "{}", err(&again));
        assert_eq!(disk::read(&own).expect("still there"), b"somebody's own");
        disk::write_whole(&own, &rendered).expect("writable");
    }
    // a truth of another fibre is there, the trace is not: no trace comes to lie beside it
    std::fs::remove_file(&trace).expect("ours");
    disk::write_whole(&folder.join("ferry-break.truth.json"), b"{}").expect("writable");
    assert_eq!(run(&["simulate", scenario, "-o", dir]).status.code(), Some(2));
    assert!(!disk::exists(&trace));
}

#[test]
fn a_tray_says_which_fibre_to_do_again_and_ends_with_1() {
    let output = run(&["tray", "traces/job", "--plan", "traces/job/plan.toml", "--joint", "c2"]);
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    let line = |start: &str| {
        let text = out(&output);
        let found =
            text.lines().find(|line| line.trim_start().starts_with(start)).map(str::to_owned);
        found.unwrap_or_else(|| panic!("no line {start:?} in {text}"))
    };
    // as planted: traces/job/expected.json
    assert!(line("4  brown   1310").contains("splice again"));
    assert!(line("6  white   1550").contains("fine to close"));
    assert!(line("1  blue    1550").contains("measure from end b"));
    // a fibre that is bent at one wavelength is not fine at the other
    for not_yet in ["3  green   1310", "1  blue    1310"] {
        assert!(line(not_yet).contains("not yet"), "{}", line(not_yet));
    }
    assert_eq!(
        run(&["tray", "traces/job", "--plan", "traces/job/plan.toml", "--joint", "C99"])
            .status
            .code(),
        Some(2)
    );
}

#[test]
fn a_part_without_an_allowance_is_no_part_without_a_loss() {
    let whole = disk::read_text(&root().join("traces/job/plan.toml")).expect("demo data");
    let system = ["--transmitter", "0", "--sensitivity", "-28"];
    let answer = |plan: &str| run(&[&["budget", "--plan", plan][..], &system].concat());
    assert_eq!(answer("traces/job/plan.toml").status.code(), Some(0));
    let without: String = whole
        .lines()
        .filter(|line| !line.starts_with("splice_db"))
        .map(|l| l.to_owned() + "\n")
        .collect();
    assert_ne!(whole, without);
    let plan = folder("cli-unsaid").join("plan.toml");
    disk::write_new(&plan, without.as_bytes()).expect("writable");
    let plan = plan.to_str().expect("UTF-8");
    let budget = answer(plan);
    // by hand, at 1310 nm: 5.763 km · 0.38 dB/km + 2 · 0.5 dB, and three splices nobody knows
    assert!(out(&budget).contains("together at least 3.190 dB"), "{}", out(&budget));
    assert!(out(&budget).contains("nothing for splices"), "{}", out(&budget));
    assert!(!out(&budget).contains("dB: works"), "{}", out(&budget));
    assert_eq!(budget.status.code(), Some(1));
    let tray = run(&["tray", "traces/job", "--plan", plan, "--joint", "C2"]);
    assert!(out(&tray).contains("no limit") && !out(&tray).contains("fine to close"));
    assert_eq!(tray.status.code(), Some(1));
}

#[test]
fn of_copies_whose_labels_stay_nothing_is_said_but_how_many_they_are() {
    let (first, second) = (folder("cli-relabel-first"), folder("cli-relabel-second"));
    let [one, two] = [&first, &second].map(|dir| dir.to_str().expect("a plain path"));
    assert_eq!(run(&["relabel", CLEAN, "--set", "fiber=042", "-o", one]).status.code(), Some(0));
    for there in ["0 with other labels\n", "0 with other labels; 1 were there already\n"] {
        let again = run(&["relabel", one, "--set", "fiber=042", "-o", two]);
        assert_eq!((again.status.code(), out(&again).as_str()), (Some(0), ""));
        let said = String::from_utf8_lossy(&again.stderr);
        assert!(said.ends_with(there), "{said}");
    }
}

#[test]
fn relabelled_copies_keep_their_samples_and_nothing_is_written_over() {
    let folder = folder("cli-relabel");
    let dir = folder.to_str().expect("UTF-8");
    let args = ["relabel", CLEAN, "--set", "fiber=042", "-o", dir];
    assert_eq!(run(&args).status.code(), Some(0));
    let read = |path: &Path| source::read(path, &source::Options::default()).expect("readable");
    let (old, new) = (read(&root().join(CLEAN)), read(&folder.join("ferry-clean-1550.sor")));
    assert_eq!(new.labels.fiber.text(), "042");
    assert_eq!((&new.counts, &new.settings, &new.notes), (&old.counts, &old.settings, &old.notes));
    assert_eq!(run(&args).status.code(), Some(0), "the same copy is there already");
    let other = ["relabel", CLEAN, "--set", "fiber=043", "-o", dir];
    assert_eq!(run(&other).status.code(), Some(2), "a copy is never written over");
    assert_eq!(run(&["relabel", CLEAN, "--set", "colour=red", "-o", dir]).status.code(), Some(2));
}
