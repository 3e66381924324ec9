//! Where answers and talk go, and what becomes of a reader or a disk that takes no more.

use std::process::{Command, Stdio};

use super::{CLEAN, command, err, out, run, run_wide};

#[test]
fn answers_go_to_stdout_and_talk_to_stderr() {
    let good = run(&["events", "--json", CLEAN]);
    assert_eq!(err(&good), "");
    serde_json::from_slice::<serde_json::Value>(&good.stdout).expect("nothing but JSON");
    let bad = run(&["events", "no-such-file.sor"]);
    assert_eq!(out(&bad), "");
    assert!(err(&bad).starts_with("error: no-such-file.sor: "), "{}", err(&bad));
}

#[cfg(unix)]
#[test]
fn a_reader_that_has_read_enough_is_success() {
    // far more than a pipe holds, so that writing goes on after the reader has gone
    let mut child = command("80")
        .args(["events", "--json", "traces", "--color", "never"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command runs");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert_eq!(err(&output), "");
}

#[cfg(target_os = "linux")]
#[test]
fn an_answer_that_could_not_be_written_is_no_success() {
    for args in [&["events", CLEAN][..], &["show", "--json", CLEAN], &["--help"]] {
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").expect("on Linux");
        let output = command("80").args(args).stdout(full).output().expect("the command runs");
        assert_eq!(output.status.code(), Some(2), "{args:?}");
    }
}

#[test]
fn colour_comes_only_where_it_is_asked_for_and_carries_no_meaning() {
    let plain = out(&run(&["events", CLEAN]));
    let with = |args: &[&str]| {
        // neither NO_COLOR nor a terminal
        let mut own = Command::new(env!("CARGO_BIN_EXE_strandline"));
        own.current_dir(super::root()).env("COLUMNS", "80").env_remove("NO_COLOR");
        out(&own.args(["events", CLEAN]).args(args).output().expect("the command runs"))
    };
    assert_eq!(with(&[]), plain, "a pipe gets no colour");
    assert_eq!(with(&["--color", "never"]), plain);
    let coloured = with(&["--color", "always"]);
    assert!(coloured.contains('\u{1b}'));
    assert_eq!(coloured.replace("\u{1b}[1m", "").replace("\u{1b}[0m", ""), plain);
}

#[test]
fn no_line_is_wider_than_the_terminal() {
    // paths, the one thing nobody can wrap, are short here
    for columns in ["40", "60", "80", "120"] {
        let width: usize = columns.parse().expect("a number");
        for args in [
            &["events", "--explain", "traces/ferry-break.sor"][..],
            &["events", "--unit", "mi", "traces/quay-splitter.sor"],
            &["events", "--unit", "km", "traces/ferry-gainer-ab.sor"],
            &["show", "traces/office-multimode.sor"],
            &["tray", "traces/job", "--plan", "traces/job/plan.toml", "--joint", "C2"],
            &["budget", "--plan", "traces/job/plan.toml"],
            &["diagnose", "traces/ferry-bend-1310.sor", "traces/ferry-bend-1550.sor"],
            &["compare", "traces/ferry-clean-1550.sor", "traces/ferry-break.sor", "--all"],
            &["events", "--draw", "traces/quay-splitter.sor"],
            &["review", "traces/job", "--plan", "traces/job/plan.toml", "--todo"],
            &["review", "traces/job", "--plan", "traces/job/plan.toml"],
        ] {
            if columns == "40" && args[0] == "review" && args.len() == 4 {
                continue; // its narrowest matrix takes 43
            }
            let text = out(&run_wide(columns, args));
            let long: Vec<&str> = text.lines().filter(|l| l.chars().count() > width).collect();
            assert!(long.is_empty(), "{columns}: {args:?}: {long:#?}");
        }
    }
}

#[test]
fn every_answer_for_people_carries_the_caution_once() {
    let plan = "traces/job/plan.toml";
    for args in [
        &["show", CLEAN, "traces/ferry-break.sor"][..],
        &["events", CLEAN, "traces/ferry-break.sor"],
        &["review", "traces/job", "--plan", plan],
        &["tray", "traces/job", "--plan", plan, "--joint", "C2"],
        &["review", "traces/job", "--plan", plan, "--todo"],
        &["budget", "--plan", plan],
        &["diagnose", CLEAN],
        &["compare", CLEAN, CLEAN],
        &["--help"],
    ] {
        let text = out(&run(args));
        assert_eq!(text.matches("never look into one").count(), 1, "{args:?}");
    }
    for args in [
        &["events", "--json", CLEAN][..],
        &["show", "--json", CLEAN],
        &["review", "--json", "traces/job", "--plan", plan],
        &["review", "--json", "traces/job", "traces/job"],
        &["diagnose", "--json", CLEAN],
        &["compare", "--json", CLEAN, CLEAN],
        &["diagnose", "--geojson", CLEAN],
    ] {
        let document: serde_json::Value = serde_json::from_slice(&run(args).stdout).expect("JSON");
        assert!(document["caution"].as_str().is_some_and(|c| c.contains("never look into one")));
    }
}

#[test]
fn nothing_printed_calls_a_fibre_dark_or_safe() {
    let plan = "traces/job/plan.toml";
    for args in [
        &["show", "traces"][..],
        &["events", "--explain", "traces"],
        &["review", "traces/job", "--plan", plan],
        &["tray", "traces/job", "--plan", plan, "--joint", "C2"],
        &["review", "traces/job", "--plan", plan, "--todo"],
        &["diagnose", "traces", "--plan", plan],
        &["compare", CLEAN, "traces/ferry-break.sor"],
        &["budget", "--plan", plan, "--transmitter", "0", "--sensitivity", "-28"],
    ] {
        let text = out(&run(args)).to_lowercase();
        let said =
            text.split(|c: char| !c.is_alphanumeric()).find(|w| matches!(*w, "dark" | "safe"));
        assert_eq!(said, None, "{args:?}");
    }
}
