//! `watch`: an answer for each trace as soon as it is whole, and for no half of one.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::mpsc::{self, Receiver};
use std::time::{Duration, Instant};

use super::{command, err, folder, out, root, run, text};
use strandline::disk;

const PLAN: &str = "traces/job/plan.toml";

/// A longest wait for what has to come, however busy the machine is.
const PATIENCE: Duration = Duration::from_mins(1);

/// The command on a wide terminal, so that what is looked for stands in one line.
fn wide(args: &[&str]) -> Command {
    let mut command = command(args);
    command.env("COLUMNS", "300");
    command
}

fn output(args: &[&str]) -> Output {
    wide(args).output().expect("the command runs")
}

/// The command at work, its lines as they come.
struct Watching {
    child: Child,
    lines: Receiver<(Instant, String)>,
    notes: Receiver<(Instant, String)>,
}

fn lines_of(stream: impl std::io::Read + Send + 'static) -> Receiver<(Instant, String)> {
    let (send, lines) = mpsc::channel();
    std::thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            if send.send((Instant::now(), line)).is_err() {
                break;
            }
        }
    });
    lines
}

impl Watching {
    fn start(args: &[&str]) -> Watching {
        let mut child = wide(&[&["watch"][..], args, &["--for", "600"]].concat())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the command runs");
        let lines = lines_of(child.stdout.take().expect("piped"));
        let notes = lines_of(child.stderr.take().expect("piped"));
        let watching = Watching { child, lines, notes };
        watching.line("watching");
        watching
    }

    /// The next line with some words in it, and when it came.
    fn line(&self, words: &str) -> (Instant, String) {
        loop {
            let line = self.lines.recv_timeout(PATIENCE);
            let line = line.unwrap_or_else(|_| panic!("no line with {words:?} came"));
            if line.1.contains(words) {
                return line;
            }
        }
    }

    /// Lets go what has come so far, such as reasons below an answer.
    fn drain(&self) {
        std::thread::sleep(Duration::from_millis(300));
        while self.lines.try_recv().is_ok() {}
    }

    /// Ends it as Ctrl-C does: everything it prints after that, and its exit status.
    fn interrupt(mut self) -> (String, Option<i32>) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").args(["-INT", &id]).status().expect("kill").success());
        let status = self.child.wait().expect("ours");
        let rest: Vec<String> = self.lines.iter().map(|(_, line)| line).collect();
        (rest.join("\n") + "\n", status.code())
    }
}

impl Drop for Watching {
    fn drop(&mut self) {
        let _ = self.child.kill(); // ours; it has ended already where the test came so far
        let _ = self.child.wait();
    }
}

fn bytes(name: &str) -> Vec<u8> {
    disk::read(&root().join("traces/job").join(name)).expect("demo data")
}

/// Adds bytes to the end of a file, as a copying program does.
fn add(path: &Path, bytes: &[u8]) {
    let mut file =
        std::fs::OpenOptions::new().create(true).append(true).open(path).expect("writable");
    file.write_all(bytes).expect("writable");
}

const FILES: [&str; 4] = [
    "HFL-44_002_1310_AB.sor",
    "HFL-44_002_1310_BA.sor",
    "HFL-44_002_1550_AB.sor",
    "HFL-44_002_1550_BA.sor",
];

/// Writes files in pieces; the time from the last byte to each answer.
fn in_pieces(watching: &Watching, stick: &Path) -> Vec<Duration> {
    let mut times = Vec::new();
    for name in FILES {
        watching.drain();
        let (path, bytes) = (stick.join(name), bytes(name));
        let half = bytes.len() / 2;
        for piece in [&bytes[..100], &bytes[100..half], &bytes[half..bytes.len() - 1]] {
            add(&path, piece);
            std::thread::sleep(Duration::from_millis(150));
            assert!(watching.lines.try_recv().is_err(), "half a file is answered by nothing");
        }
        add(&path, &bytes[bytes.len() - 1..]);
        let whole = Instant::now();
        let (at, line) = watching.line(name);
        times.push(at.duration_since(whole));
        assert!(line.contains("fibre 2"), "{line}");
    }
    times
}

#[test]
fn a_file_in_pieces_is_answered_at_once_when_it_is_whole() {
    let stick = folder("watch-pieces");
    let watching = Watching::start(&[text(&stick), "--plan", PLAN]);
    let times = in_pieces(&watching, &stick);
    // The best of several: the machine may be busy, the promise is the program's.
    let best = times.iter().min().expect("several");
    assert!(*best < Duration::from_millis(200), "{times:?}");
    println!("from whole to answer: {times:?}");
    let (summary, code) = watching.interrupt();
    let review = output(&["review", text(&stick), "--plan", PLAN]);
    assert!(summary.ends_with(&out(&review)), "{summary}");
    assert_eq!(code, review.status.code());
}

#[test]
fn polled_it_answers_within_a_second() {
    let stick = folder("watch-poll");
    let watching = Watching::start(&[text(&stick), "--plan", PLAN, "--poll"]);
    let times = in_pieces(&watching, &stick);
    assert!(*times.iter().min().expect("several") < Duration::from_secs(1), "{times:?}");
    println!("from whole to answer: {times:?}");
}

#[test]
fn replaced_deleted_and_moved_files_are_followed() {
    let stick = folder("watch-changes");
    let watching = Watching::start(&[text(&stick), "--plan", PLAN]);
    let at = |name: &str| stick.join("deep").join(name);
    let put = |name: &str, bytes: &[u8]| disk::write_whole(&at(name), bytes).expect("writable");
    put(FILES[0], &bytes(FILES[0]));
    assert!(watching.line(FILES[0]).1.contains("1 of 32 measured"));
    watching.drain();
    // touched, not changed: nothing is said of it; the next line is the next file's
    put(FILES[0], &bytes(FILES[0]));
    put(FILES[1], &bytes(FILES[1]));
    let next = watching.lines.recv_timeout(PATIENCE).expect("a line").1;
    assert!(next.contains(FILES[1]), "{next}");
    // another recording under the same name
    put(FILES[1], &bytes("HFL-44_006_1310_BA.sor"));
    assert!(watching.line(FILES[1]).1.contains("fibre 6"));
    std::fs::remove_file(at(FILES[1])).expect("ours");
    assert!(watching.line(FILES[1]).1.contains("gone"));
    std::fs::rename(at(FILES[0]), stick.join("moved.sor")).expect("ours");
    watching.line(": gone");
    assert!(watching.line("moved.sor").1.contains("1 of 32 measured"));
    // no trace at all: said once it does not change any more
    put("bad.sor", b"no trace");
    assert!(watching.line("bad.sor").1.contains("unreadable"));
    let (summary, code) = watching.interrupt();
    assert!(summary.contains("32 planned, 1 measured"), "{summary}");
    assert_eq!(code, Some(2), "a file that cannot be read");
}

#[test]
fn a_file_that_stays_short_is_named_and_still_awaited() {
    let stick = folder("watch-short");
    let watching = Watching::start(&[text(&stick), "--plan", PLAN]);
    let (path, bytes) = (stick.join(FILES[0]), bytes(FILES[0]));
    let half = bytes.len() / 2;
    add(&path, &bytes[..half]);
    let note = watching.notes.recv_timeout(PATIENCE).expect("a note").1;
    assert!(note.contains(&format!("{half} of {} bytes", bytes.len())), "{note}");
    add(&path, &bytes[half..]);
    watching.line(FILES[0]);
}

#[test]
fn ended_while_a_file_is_half_there_it_sums_up_what_is_whole() {
    let stick = folder("watch-half");
    let watching = Watching::start(&[text(&stick), "--plan", PLAN]);
    add(&stick.join(FILES[0]), &bytes(FILES[0]));
    watching.line(FILES[0]);
    let second = bytes(FILES[1]);
    add(&stick.join(FILES[1]), &second[..second.len() / 2]);
    watching.notes.recv_timeout(PATIENCE).expect("a note");
    let (summary, code) = watching.interrupt();
    // eight fibres, two wavelengths, both ends: the demo job's plan
    assert!(summary.contains("32 planned, 1 measured"), "{summary}");
    assert!(summary.contains("0 unreadable"), "half a file is none yet: {summary}");
    assert_eq!(code, Some(1));
}

#[cfg(unix)]
#[test]
fn a_file_that_cannot_be_read_is_named_in_the_end_as_a_review_names_it() {
    let stick = folder("watch-dark");
    // a link to itself: what nobody can read, whatever their rights
    std::os::unix::fs::symlink("ring.sor", stick.join("ring.sor")).expect("writable");
    let watch = output(&["watch", text(&stick), "--plan", PLAN, "--for", "4"]);
    assert!(err(&watch).contains("ring.sor: cannot be read: "), "{}", err(&watch));
    assert_eq!(watch.status.code(), Some(2));
}

#[test]
fn with_a_joint_it_says_what_the_tray_says() {
    let stick = folder("watch-tray");
    let files: Vec<PathBuf> = disk::traces_in(&root().join("traces/job")).expect("readable");
    let copy = |file: &PathBuf| {
        let to = stick.join(file.file_name().expect("named"));
        disk::write_whole(&to, &disk::read(file).expect("demo data")).expect("writable");
    };
    files[..8].iter().for_each(copy);
    let watching = Watching::start(&[text(&stick), "--plan", PLAN, "--joint", "c2"]);
    copy(&files[11]);
    watching.line("HFL-44_004_1310_AB.sor");
    assert!(watching.line("brown").1.contains("measure from end b first"));
    copy(&files[12]);
    watching.line("HFL-44_004_1310_BA.sor");
    assert!(watching.line("brown").1.contains("splice again"), "as planted: expected.json");
    files.iter().for_each(copy);
    files[13..].iter().for_each(|file| {
        watching.line(text(Path::new(file.file_name().expect("named"))));
    });
    let (summary, code) = watching.interrupt();
    let tray = output(&["tray", text(&stick), "--plan", PLAN, "--joint", "C2"]);
    let tail = summary.split_once("C2 at").map(|(_, tail)| format!("C2 at{tail}"));
    assert_eq!((tail, code), (Some(out(&tray)), tray.status.code()));
}

#[test]
fn without_a_planned_length_it_judges_by_the_usual_one_as_a_review_does() {
    let plan = disk::read_text(&root().join(PLAN)).expect("the demo plan");
    let (without, is_length) =
        (folder("watch-length"), |line: &&str| !line.starts_with("length_m"));
    let plan: Vec<&str> = plan.lines().filter(is_length).collect();
    let path = without.join("plan.toml");
    disk::write_whole(&path, plan.join("\n").as_bytes()).expect("writable");
    let arguments = ["traces/job", "--plan", text(&path)];
    let review = output(&[&["review"][..], &arguments].concat());
    assert!(out(&review).contains("the plan has no length_m"), "{}", out(&review));
    let watch = output(&[&["watch"][..], &arguments, &["--for", "1"]].concat());
    assert!(out(&watch).ends_with(&out(&review)), "{}", out(&watch));
    assert_eq!(watch.status.code(), review.status.code());
}

#[test]
fn wrong_usage_ends_with_2_and_the_time_ends_it_by_itself() {
    let stick = folder("watch-usage");
    let stick = text(&stick);
    for args in [
        &["watch", "no-such-folder", "--plan", PLAN][..],
        &["watch", stick, "--plan", "no-such-plan.toml"],
        &["watch", stick, "--plan", PLAN, "--joint", "C99"],
        &["watch", stick, "--plan", PLAN, "--for", "-1"],
        &["watch", stick],
    ] {
        let output = run(args);
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(!err(&output).is_empty());
    }
    let output = run(&["watch", "traces/job", "--plan", PLAN, "--for", "0"]);
    let review = run(&["review", "traces/job", "--plan", PLAN]);
    assert!(out(&output).ends_with(&out(&review)), "{}", out(&output));
    assert_eq!(output.status.code(), review.status.code());
}
