//! Wrong use: each is told what was found and what was expected, and nothing is answered.

use super::{CLEAN, command, disk, err, folder, out, root, run};

const PLAN: &str = "traces/job/plan.toml";
const BEND: &str = "traces/ferry-bend-1310.sor";

/// Ends with 2, says this, prints no answer, and does not panic.
fn refused(args: &[&str], says: &str) {
    let output = run(args);
    assert_eq!(output.status.code(), Some(2), "{args:?}: {}", err(&output));
    assert_eq!(out(&output), "", "{args:?}");
    assert!(err(&output).starts_with("error: "), "{args:?}: {}", err(&output));
    assert!(err(&output).contains(says), "{args:?}: {}", err(&output));
}

#[test]
fn wrong_usage_ends_with_2_and_says_what_was_expected() {
    let system = ["budget", "--plan", PLAN, "--sensitivity", "-28", "--transmitter"];
    let with = |rest: &[&'static str]| [&system[..], rest].concat();
    for (args, says) in [
        (vec!["events"], "<FILE>"),
        (vec!["eventz"], "events"),
        (vec!["events", CLEAN, "--index", "3"], "1.0 to 2.0"),
        (vec!["events", CLEAN, "--launch", "-5"], "metres from 0 on"),
        (vec!["events", CLEAN, "--launch", "nan"], "metres from 0 on"),
        (vec!["events", "x.csv", "--pulse", "0"], "0 is not in 1.."),
        (vec!["events", "x.csv", "--pulse", "10", "--wavelength", "nan"], "600 to 2000 nm"),
        (vec!["events", "x.csv", "--pulse", "10", "--backscatter", "-52"], "-100 to -60.1 dB"),
        (vec!["events", CLEAN, "--preset", "b-plus"], "pon-b-plus"),
        (vec!["plot", CLEAN, "-o", "x.svg", "--around", "99km"], "ends at 9998.8 m"),
        (vec!["plot", CLEAN, "-o", "x.svg", "--together"], "takes 2 to 4"),
        (vec!["plot", CLEAN, "-o", "x.jpg"], ".svg or .png"),
        (
            vec![
                "plot", "traces", "-o", "x.svg", "--plan", PLAN, "--cable", "map", "--index", "1.5",
            ],
            "cannot be used with",
        ),
        (vec!["tray", "traces/job", "--plan", PLAN, "--joint", "C9"], "C1, C2, C3"),
        (vec!["tray", "no-such-folder", "--joint", "C2"], "no such folder or file"),
        (vec!["watch", "no-such-folder"], "no such folder or file"),
        (vec!["review", "no-such-folder"], "no such folder or file"),
        (vec!["review", "no-such-folder", "traces/job"], "no such folder or file"),
        (vec!["watch", "traces", "--plan", PLAN, "--for", "-1"], "no number of seconds"),
        (with(&["nan"]), "expected dBm"),
        (with(&["inf"]), "expected dBm"),
        (with(&["0", "--strongest", "-1"]), "less than --transmitter"),
        (with(&["0", "--overload", "-28"]), "not above --sensitivity"),
        (with(&["-28"]), "is a minus missing?"),
        (with(&["0", "--reserve", "-1"]), "0 dB or more"),
        (
            vec!["tray", "traces/job", "--plan", PLAN, "--joint", "C2", "--built-to", "C1"],
            "built to C1 so far, so C2 cannot be spliced yet",
        ),
        (vec!["simulate", "--family", "metro", "--count", "0", "-o", "x"], "0 is not in 1.."),
        (vec!["compare", CLEAN, "no-such-folder"], "no such folder or file"),
        (vec!["diagnose", CLEAN, "--baseline", "no-such-file"], "no such folder or file"),
        (vec!["plan", "no-such-folder"], "no such folder or file"),
        (vec!["budget", "--plan", PLAN, "no-such-file"], "no such folder or file"),
    ] {
        refused(&args, says);
    }
}

#[test]
fn what_cannot_be_read_at_all_is_held_against_nothing() {
    let bad = folder("cli-unread").join("bad.sor");
    let whole = disk::read(&root().join(CLEAN)).expect("demo data");
    disk::write_new(&bad, &whole[..whole.len() / 2]).expect("writable");
    let bad = bad.to_str().expect("UTF-8");
    // "nothing loses more than it may" would be true, and a lie
    refused(&["diagnose", CLEAN, "--baseline", bad], "no trace of the baseline could be read");
    refused(&["compare", CLEAN, bad], "no trace could be read, so nothing is compared");
    refused(&["compare", bad, CLEAN], "no trace could be read, so nothing is compared");
}

#[test]
fn a_baseline_at_another_wavelength_allows_nothing_and_passes_nothing() {
    let other = run(&["diagnose", CLEAN, "--baseline", BEND]);
    assert!(!out(&other).contains("nothing loses more"), "{}", out(&other));
    assert!(out(&other).contains("has no trace at 1550 nm"), "{}", out(&other));
    assert_eq!(other.status.code(), Some(1), "nothing was compared, so nothing is well");
}

#[test]
fn a_place_that_cannot_be_written_is_named_in_words() {
    let folder = folder("cli-nowhere");
    let file = folder.join("file");
    disk::write_new(&file, b"a file, no folder").expect("writable");
    let (file, below) = (file.to_str().expect("UTF-8"), file.join("x.svg"));
    let below = below.to_str().expect("UTF-8");
    for (args, says) in [
        (vec!["plot", CLEAN, "-o", below], "is a file"),
        (vec!["plan", "traces/job", "-o", below], "is a file"),
        (vec!["plan", "traces/job", "-o", file], "there already"),
        (vec!["collect", CLEAN, "--into", file], "is a file"),
        (vec!["relabel", "--undo", below], "is a file"),
    ] {
        refused(&args, says);
        assert!(!err(&run(&args)).contains("os error"), "{args:?}");
    }
    assert_eq!(disk::read(&folder.join("file")).expect("still there"), b"a file, no folder");
}

#[cfg(unix)]
#[test]
fn a_watch_for_longer_than_any_clock_counts_just_watches() {
    let empty = folder("cli-forever");
    std::fs::create_dir_all(&empty).expect("writable");
    let args = ["watch", empty.to_str().expect("UTF-8"), "--plan", PLAN, "--for", "1e19"];
    let mut child = command("80")
        .args(args)
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("the command runs");
    let mut first = String::new();
    let stdout = child.stdout.as_mut().expect("piped");
    std::io::BufRead::read_line(&mut std::io::BufReader::new(stdout), &mut first).expect("read");
    child.kill().expect("it was still watching");
    child.wait().expect("it ends");
    assert!(first.contains("0 of 32 measured"), "{first}");
}
