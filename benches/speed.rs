//! Speed of the main tasks, each as a median of five runs, with plain work beside it.
//!
//! The files are rendered once, into the target folder: about 150 MB.

#![expect(clippy::print_stdout, reason = "a benchmark prints what it measured")]

use std::io::BufRead;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use strandline::simulate::cable::{self, Size};
use strandline::simulate::family::{self, Family};
use strandline::simulate::{Rendered, render};
use strandline::sor::{self, Version};
use strandline::{disk, source};

const FILES: usize = 1_500;
/// About what a handset holds: a cable of 625 fibres, two wavelengths, both ends.
const HANDSET: usize = 2_500;

fn main() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed");
    let files = rendered(&folder);
    let bin = env!("CARGO_BIN_EXE_strandline");
    let one = median(|| run(Command::new(bin).arg("events").arg(&files[0])));
    let all = median(|| run(Command::new(bin).args(["events", "--json"]).arg(&folder)));
    let picture = folder.join("picture.png");
    let png = median(|| run(Command::new(bin).arg("plot").arg(&files[0]).arg("-o").arg(&picture)));
    let read = median(|| {
        for file in &files {
            let trace = source::read(file, &source::Options::default());
            assert!(trace.is_ok());
        }
    });
    println!("one file, process start to table: {:.1} ms", one.as_secs_f64() * 1e3);
    println!("one file, process start to PNG: {:.1} ms (promised: 40)", png.as_secs_f64() * 1e3);
    let rate = FILES as f64 / all.as_secs_f64();
    println!(
        "events --json of {FILES} files: {rate:.0} traces/s, {:.0} times bare reading and decoding",
        all.as_secs_f64() / read.as_secs_f64()
    );
    println!("bare reading and decoding: {:.3} ms a file", read.as_secs_f64() * 1e3 / FILES as f64);
    job(bin);
    watched(bin, false);
    watched(bin, true);
    handset(&Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed-handset"), bin);
}

/// How long `watch` takes to answer for a file from the moment that it is whole.
fn watched(bin: &str, poll: bool) {
    let jobs = Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed-job");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed-watch");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("the target folder can be written");
    let mut command = Command::new(bin);
    command.arg("watch").arg(&folder).arg("--plan").arg(jobs.join("plan.toml"));
    command.args(["--for", "120"]).args(poll.then_some("--poll"));
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("it runs");
    let lines = std::io::BufReader::new(child.stdout.take().expect("a pipe")).lines();
    let (send, answers) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            let _ = send.send((Instant::now(), line));
        }
    });
    answers.recv_timeout(Duration::from_secs(20)).expect("it says that it watches");
    let mut files = disk::traces_in(&jobs).expect("the job was rendered");
    files.truncate(20);
    let mut times: Vec<Duration> = files
        .iter()
        .map(|file| {
            let name = file.file_name().expect("a file").to_string_lossy().into_owned();
            let bytes = disk::read(file).expect("the job was rendered");
            disk::write_new(&folder.join(&name), &bytes).expect("the target folder can be written");
            let whole = Instant::now();
            loop {
                let (at, line) = answers.recv_timeout(Duration::from_secs(10)).expect("an answer");
                if line.contains(&name) {
                    return at.saturating_duration_since(whole);
                }
            }
        })
        .collect();
    child.kill().expect("it watches still");
    child.wait().expect("it ends");
    times.sort();
    println!(
        "watch{}: a whole file is answered within {:.0} ms (median of {}), at most {:.0} ms (promised: {})",
        if poll { " --poll" } else { "" },
        times[times.len() / 2].as_secs_f64() * 1e3,
        times.len(),
        times.last().expect("files").as_secs_f64() * 1e3,
        if poll { 1000 } else { 200 }
    );
}

/// A whole job: time, and the most memory it held.
fn handset(folder: &Path, bin: &str) {
    rendered_handset(folder);
    let plan = folder.join("plan.toml");
    let mut peak_kib = 0;
    let time = median(|| {
        let mut command = Command::new(bin);
        command.arg("review").arg("--json").arg(folder).arg("--plan").arg(&plan);
        let child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        let mut child = child.expect("the command runs");
        let status = format!("/proc/{}/status", child.id());
        while child.try_wait().expect("a child").is_none() {
            peak_kib = peak_kib.max(high_water_kib(&status));
            std::thread::sleep(Duration::from_millis(5));
        }
    });
    println!(
        "review --json of {HANDSET} files: {:.2} s, {:.3} ms a trace, peak memory {:.0} MB{}",
        time.as_secs_f64(),
        time.as_secs_f64() * 1e3 / HANDSET as f64,
        peak_kib as f64 / 1024.0,
        if peak_kib == 0 { " (not known on this system)" } else { "" }
    );
}

/// The most memory that a process has held so far; 0 where the system has no such file.
fn high_water_kib(status: &str) -> u64 {
    let text = disk::read_text(Path::new(status)).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|l| l.trim().trim_end_matches("kB").trim().parse().ok()).unwrap_or(0)
}

/// 25 rendered fibres, each under 25 numbers; one sample differs, so that none is a copy.
fn rendered_handset(folder: &Path) {
    let plan = folder.join("plan.toml");
    if disk::exists(&plan) {
        return;
    }
    let size = Size { planted: Vec::new(), ..Size::common(25) };
    let cable = cable::draw(1, &size);
    let times = HANDSET / cable.traces.len();
    for (file, rendered) in cable.truth.files.iter().zip(&cable.traces) {
        for again in 0..times {
            let mut trace = rendered.trace.clone();
            let number = file.fiber + again * size.fibers;
            trace.labels.fiber = number.to_string().as_str().into();
            if let Some(last) = trace.counts.last_mut() {
                *last = again as u16;
            }
            let bytes = sor::encode(&trace, Version::V2).expect("a rendered trace fits");
            let name = format!("{number:04}-{}-{}.sor", file.wavelength_nm, file.direction);
            disk::write_whole(&folder.join(name), &bytes)
                .expect("the target folder can be written");
        }
    }
    let fibers = format!("fibers = \"1-{}\"", size.fibers * times);
    let text = cable.plan.replace(&format!("fibers = \"1-{}\"", size.fibers), &fibers);
    disk::write_whole(&plan, text.as_bytes()).expect("the target folder can be written");
}

/// A whole job: 24 fibres, two wavelengths, both ends, with every kind of file a report has.
fn job(bin: &str) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed-job");
    let files = rendered_job(&folder);
    let plan = folder.join("plan.toml");
    let report = folder.join("report");
    let review = || {
        let mut command = Command::new(bin);
        command.arg("review").args(&files).arg("--plan").arg(&plan);
        command
    };
    let whole = median(|| run(review().arg("--report").arg(&report)));
    let alone = median(|| run(&mut review()));
    let read = median(|| {
        for file in &files {
            assert!(source::read(file, &source::Options::default()).is_ok());
        }
    });
    println!(
        "review of {} traces with all reports: {:.2} s, {:.1} times the review alone, {:.0} times bare reading and decoding",
        files.len(),
        whole.as_secs_f64(),
        whole.as_secs_f64() / alone.as_secs_f64(),
        whole.as_secs_f64() / read.as_secs_f64()
    );
}

/// A cable's files and its plan, rendered once; returns the files.
fn rendered_job(folder: &Path) -> Vec<PathBuf> {
    let cable = cable::draw(5, &Size::common(24));
    let plan = folder.join("plan.toml");
    disk::write_whole(&plan, cable.plan.as_bytes()).expect("the target folder can be written");
    let named = cable.truth.files.iter().zip(&cable.traces);
    let write = |(file, rendered): (&cable::CableFile, &Rendered)| {
        let path = folder.join(&file.file);
        let bytes = sor::encode(&rendered.trace, Version::V2).expect("a rendered trace fits");
        disk::write_whole(&path, &bytes).expect("the target folder can be written");
        path
    };
    named.map(write).collect()
}

/// Files of 16,000 samples, rendered once.
fn rendered(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for seed in 0.. {
        let scenario = family::draw([Family::Metro, Family::Access][seed % 2], seed as u64);
        if scenario.wavelengths[0].samples != 16_000 {
            continue;
        }
        let path = folder.join(format!("{seed:04}.sor"));
        if !disk::exists(&path) {
            let bytes = sor::encode(&render(&scenario)[0].trace, Version::V2)
                .expect("a rendered trace fits");
            disk::write_whole(&path, &bytes).expect("the target folder can be written");
        }
        files.push(path);
        if files.len() == FILES {
            break;
        }
    }
    files
}

fn run(command: &mut Command) {
    let status =
        command.stdout(Stdio::null()).stderr(Stdio::null()).status().expect("the command runs");
    // 1: the job's faults are planted.
    assert!(matches!(status.code(), Some(0 | 1)), "{status}");
}

fn median(mut task: impl FnMut()) -> Duration {
    let mut times: Vec<Duration> = (0..5)
        .map(|_| {
            let start = Instant::now();
            task();
            start.elapsed()
        })
        .collect();
    times.sort();
    times[2]
}
