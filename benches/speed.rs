//! Speed of the main tasks, each as a median of five runs, with plain work beside it.
//!
//! The files are rendered once, into the target folder: about 50 MB.

#![expect(clippy::print_stdout, reason = "a benchmark prints what it measured")]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use strandline::simulate::family::{self, Family};
use strandline::simulate::render;
use strandline::sor::{self, Version};
use strandline::{disk, source};

const FILES: usize = 1_500;

fn main() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("speed");
    let files = rendered(&folder);
    let bin = env!("CARGO_BIN_EXE_strandline");
    let one = median(|| run(Command::new(bin).arg("events").arg(&files[0])));
    let all = median(|| run(Command::new(bin).args(["events", "--json"]).arg(&folder)));
    let read = median(|| {
        for file in &files {
            let trace = source::read(file, &source::Options::default());
            assert!(trace.is_ok());
        }
    });
    println!("one file, process start to table: {:.1} ms", one.as_secs_f64() * 1e3);
    let rate = FILES as f64 / all.as_secs_f64();
    println!(
        "events --json of {FILES} files: {rate:.0} traces/s, {:.0} times bare reading and decoding",
        all.as_secs_f64() / read.as_secs_f64()
    );
    println!("bare reading and decoding: {:.3} ms a file", read.as_secs_f64() * 1e3 / FILES as f64);
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
    assert!(status.success());
}

fn median(task: impl Fn()) -> Duration {
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
