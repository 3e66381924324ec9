//! Demo traces with bytes changed, cut and spliced, through reading, finding, tables and pictures:
//! no panic, no endless loop, no memory beyond what the file's own size justifies.
//!
//! The same mutants on every run. `STRANDLINE_MUTANTS=100000` makes more of them; one that fails is
//! kept under the target folder and named.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use strandline::detect::{self, Cords};
use strandline::report::events::{self, Look};
use strandline::report::{CAUTION, data, show};
use strandline::source;
use strandline::trace::Trace;
use strandline::units::LengthUnit;
use strandline::{disk, plot, sor};

mod memory;
mod mutant;

use mutant::Mutants;

/// Mutants that are read, and those that go through everything behind where they can be read: about one
/// in seven can.
const READ: u64 = 20_000;
const WHOLE: u64 = 2500;

/// Memory for reading: bytes a byte of the file. A sample is 2 bytes of the file and of the trace,
/// and vectors double; a note has some hundred bytes and needs a few in the file.
const READING_PER_BYTE: usize = 64;
/// Memory for everything else: bytes a sample. Least squares keep a few dozen columns of f64, and a
/// picture its points.
const WORKING_PER_SAMPLE: usize = 8 * 1024;
/// What any file may take: tables, fonts, a picture's frame.
const FLOOR: usize = 8 << 20;

fn seeds() -> Vec<Vec<u8>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut paths = vec![];
    for folder in ["traces", "tests/odd/files"] {
        paths.extend(disk::traces_in(&root.join(folder)).expect("a folder"));
    }
    assert!(paths.len() > 100, "{} seeds", paths.len());
    paths.iter().map(|path| disk::read(path).expect("readable")).collect()
}

fn wanted(usual: u64) -> u64 {
    let more = std::env::var("STRANDLINE_MUTANTS").ok().map(|n| n.parse().expect("a number"));
    more.unwrap_or(usual)
}

/// Runs `check` on mutants `0..count`, on all cores, and stops at the first that fails. `check` says
/// whether a mutant got as far as what is to be shown: where hardly any does, nothing was.
fn each_mutant(count: u64, check: impl Fn(&[u8]) -> bool + Sync) {
    let seeds = seeds();
    let reached = AtomicU64::new(0);
    let cores = std::thread::available_parallelism().map_or(1, |n| n.get() as u64);
    let (seeds, check, told) = (&seeds, &check, &reached);
    std::thread::scope(|scope| {
        for core in 0..cores {
            scope.spawn(move || {
                for number in (core..count).step_by(cores as usize) {
                    let bytes = Mutants::new(seeds, number).make();
                    let run = catch_unwind(AssertUnwindSafe(|| check(&bytes)));
                    assert!(run.is_ok(), "mutant {number}: {}", kept(number, &bytes).display());
                    told.fetch_add(u64::from(run.unwrap_or(false)), Ordering::Relaxed);
                }
            });
        }
    });
    let reached = reached.into_inner();
    assert!(reached > count / 10, "{reached} of {count} mutants prove nothing");
}

fn kept(number: u64, bytes: &[u8]) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("mutant-{number}.sor"));
    disk::write_whole(&path, bytes).expect("writable");
    path
}

fn read(bytes: &[u8]) -> Option<Trace> {
    let options = source::Options { clock_unix_s: Some(0), ..source::Options::default() };
    match source::decode(Path::new("mutant.sor"), bytes, &options) {
        Ok(trace) => Some(trace),
        Err(error) => {
            assert!(error.to_string().len() < 1000, "a short error");
            None
        }
    }
}

#[test]
fn no_mutant_panics_or_takes_more_memory_than_its_size_justifies_when_read() {
    each_mutant(wanted(READ), |bytes| {
        let peak = memory::peak_of(|| drop(read(bytes)));
        let bound = bytes.len() * READING_PER_BYTE + (64 << 10);
        assert!(peak <= bound, "{peak} bytes of memory for {} of the file", bytes.len());
        true
    });
}

#[test]
fn a_mutant_that_is_taken_apart_is_put_together_again_byte_for_byte() {
    let change = sor::Change { fiber: Some("7".into()), ..sor::Change::default() };
    each_mutant(wanted(READ / 4), |bytes| {
        let Ok(file) = sor::raw::File::read(bytes) else { return false };
        assert!(file.written() == bytes);
        assert!(sor::relabel(bytes, &sor::Change::default()).map_or(true, |same| same == bytes));
        let Some(before) = read(bytes) else { return false };
        let Ok(relabelled) = sor::relabel(bytes, &change) else { return false };
        let after = read(&relabelled).expect("still a trace");
        assert_eq!(after.labels.fiber.text(), "7");
        assert_eq!((after.counts, after.stretches), (before.counts, before.stretches));
        // What was not a number compares as nothing, so in words.
        assert_eq!(format!("{:?}", after.settings), format!("{:?}", before.settings));
        true
    });
}

#[test]
fn no_mutant_that_is_read_panics_behind_or_takes_more_memory_than_its_samples_justify() {
    each_mutant(wanted(WHOLE), |bytes| {
        let Some(trace) = read(bytes) else { return false };
        let peak = memory::peak_of(|| whole(&trace));
        let bound = trace.counts.len() * WORKING_PER_SAMPLE + FLOOR;
        assert!(peak <= bound, "{peak} bytes of memory for {} samples", trace.counts.len());
        true
    });
}

/// Everything a command does with a trace.
fn whole(trace: &Trace) {
    let analysis = detect::events(trace, &Cords::default());
    let look = Look { unit: LengthUnit::M, width: 80, explain: true };
    let lines = events::lines("mutant.sor", trace, &analysis, look);
    harmless(&lines);
    harmless(&show::lines("mutant.sor", trace, 0.0, LengthUnit::Kft, 80));
    let document = data::document(vec![data::read("mutant.sor", trace, &analysis)]);
    let json = data::json(&document).expect("JSON");
    let parsed: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert!(parsed["traces"][0]["events"].is_array());
    data::csv(&document).expect("CSV");
    let style = plot::Style {
        theme: plot::Theme::Print,
        scale: 1,
        unit: LengthUnit::M,
        width: 1000,
        height: 620,
    };
    let picture = plot::trace(trace, &analysis, None, "mutant", CAUTION, &style, plot::Format::Svg)
        .expect("a picture");
    let picture = String::from_utf8(picture).expect("UTF-8");
    assert!(!picture.contains("NaN") && !picture.contains("<script"), "a sound picture");
}

fn harmless(lines: &[String]) {
    for line in lines {
        assert!(!line.chars().any(char::is_control), "{line:?}");
        assert!(!line.contains("NaN") && !line.contains("inf "), "{line:?}");
    }
}
