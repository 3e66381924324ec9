//! Files made to be slow: one that is eight times as large may take about as long as eight, not as long as sixty-four.
//! Prints how many times as long each takes, and ends with 1 where one takes more than it may.

#![expect(clippy::print_stdout, reason = "a benchmark prints what it measured")]

use std::process::ExitCode;
use std::time::{Duration, Instant};

use strandline::detect::{self, Cords};
use strandline::sor;

const TIMES: usize = 8;
/// Between 1 for work that grows as the file, and 8 for its square.
const MOST: f64 = 4.0;
/// Other work on the machine may fall on one side alone: the median of so many.
const RUNS: usize = 5;

fn main() -> ExitCode {
    let all: Vec<bool> = reading().into_iter().chain(finding()).collect();
    if all.iter().all(|well| *well) { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn time(work: impl Fn()) -> Duration {
    let start = Instant::now();
    work();
    start.elapsed()
}

/// Eight small pieces of work against one eight times as large, so that both last as long and suffer
/// alike from what else the machine does. Returns whether the large one took no longer than it may.
fn grows<T>(what: &str, small: usize, make: impl Fn(usize) -> T, work: impl Fn(&T)) -> bool {
    let (few, many) = (make(small), make(TIMES * small));
    let once = |_| {
        let few = time(|| (0..TIMES).for_each(|_| work(&few)));
        time(|| work(&many)).as_secs_f64() / few.as_secs_f64().max(1e-6)
    };
    let mut ratios: Vec<f64> = (0..RUNS).map(once).collect();
    ratios.sort_by(f64::total_cmp);
    let ratio = ratios[RUNS / 2];
    println!("{what}: eight times as large, {ratio:.1} times as long as eight (at most {MOST})");
    ratio < MOST
}

/// A version 2 file of these blocks, checksum left out. Bodies stand in reverse order where `turned`.
fn file(blocks: &[(&str, Vec<u8>)], turned: bool) -> Vec<u8> {
    let entries: usize = blocks.iter().map(|(name, _)| name.len() + 7).sum();
    let mut bytes = b"Map\0\xc8\0".to_vec();
    bytes.extend(i32::try_from(12 + entries).expect("small").to_le_bytes());
    bytes.extend(i16::try_from(blocks.len() + 1).expect("few").to_le_bytes());
    for (name, fields) in blocks {
        bytes.extend_from_slice(name.as_bytes());
        bytes.extend_from_slice(b"\0\xc8\0");
        bytes.extend(i32::try_from(name.len() + 1 + fields.len()).expect("small").to_le_bytes());
    }
    let mut bodies: Vec<&(&str, Vec<u8>)> = blocks.iter().collect();
    if turned {
        bodies.reverse();
    }
    for (name, fields) in bodies {
        bytes.extend_from_slice(name.as_bytes());
        bytes.push(0);
        bytes.extend_from_slice(fields);
    }
    bytes
}

/// Index 1.4682, 100 ns, 0.5 m.
fn settings(samples: usize) -> Vec<u8> {
    let mut fields = vec![0; 82];
    fields[4..8].copy_from_slice(b"mt\x8c\x3c");
    fields[16] = 1;
    fields[18] = 100;
    fields[20..24].copy_from_slice(&244_869_i32.to_le_bytes());
    fields[24..28].copy_from_slice(&i32::try_from(samples).expect("few").to_le_bytes());
    fields[28..32].copy_from_slice(&146_820_i32.to_le_bytes());
    fields[32..34].copy_from_slice(&820_i16.to_le_bytes());
    fields[64..66].copy_from_slice(b"ST");
    fields
}

/// Samples in segments of `each`.
fn data(counts: &[u16], each: usize) -> Vec<u8> {
    let long = |n: usize| i32::try_from(n).expect("few").to_le_bytes();
    let mut fields = long(counts.len()).to_vec();
    fields.extend(i16::try_from(counts.len().div_ceil(each)).expect("few").to_le_bytes());
    for segment in counts.chunks(each) {
        fields.extend(long(segment.len()));
        fields.extend(1000_i16.to_le_bytes());
        fields.extend(segment.iter().flat_map(|count| count.to_le_bytes()));
    }
    fields
}

fn trace_file(counts: &[u16]) -> Vec<u8> {
    file(&[("FxdParams", settings(counts.len())), ("DataPts", data(counts, counts.len()))], false)
}

fn read(bytes: &[u8]) -> strandline::trace::Trace {
    sor::decode(bytes, &sor::Options::default()).expect("a trace")
}

/// Reading alone, of files made by `make` for a size.
fn reads(what: &str, small: usize, make: impl Fn(usize) -> Vec<u8>) -> bool {
    grows(&format!("reading {what}"), small, make, |bytes| drop(read(bytes)))
}

fn reading() -> Vec<bool> {
    let with = |name: &'static str, fields: Vec<u8>| {
        file(&[("FxdParams", settings(2)), (name, fields), ("DataPts", data(&[1, 2], 2))], false)
    };
    let blocks = |turned: bool| {
        reads("blocks", 4000, |size| {
            let names: Vec<String> = (0..size - 2).map(|i| format!("Own{i}")).collect();
            let mut blocks: Vec<(&str, Vec<u8>)> =
                names.iter().map(|name| (name.as_str(), vec![])).collect();
            blocks.push(("FxdParams", settings(2)));
            blocks.push(("DataPts", data(&[1, 2], 2)));
            file(&blocks, turned)
        })
    };
    vec![
        blocks(false),
        blocks(true),
        reads("blocks of one name", 4000, |size| {
            let mut blocks = vec![("Own", vec![]); size - 2];
            blocks.push(("FxdParams", settings(2)));
            blocks.push(("DataPts", data(&[1, 2], 2)));
            file(&blocks, true)
        }),
        reads("events", 4000, |size| {
            let mut fields = i16::try_from(size).expect("few").to_le_bytes().to_vec();
            for _ in 0..size {
                fields.extend([b'\x1b'; 42]);
                fields.push(0);
            }
            fields.extend([0; 22]);
            with("KeyEvents", fields)
        }),
        reads("segments", 4000, |size| {
            let counts = vec![7; size];
            file(&[("FxdParams", settings(size)), ("DataPts", data(&counts, 1))], false)
        }),
        reads("a label", 500_000, |size| {
            let mut fields = b"EN".to_vec();
            fields.resize(size, b'\x1b');
            with("GenParams", fields)
        }),
        reads("samples", 500_000, |size| trace_file(&vec![7; size])),
    ]
}

fn finding() -> Vec<bool> {
    type Shape = fn(usize) -> u16;
    let shapes: [(&str, Shape); 5] = [
        ("dark", |_| u16::MAX),
        ("saturated", |_| 0),
        ("a saw", |i| (i % 50 * 1000) as u16),
        ("steps", |i| (i / 40 * 50) as u16),
        ("wild", |i| ((i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40) as u16),
    ];
    let one = |(what, count): (&str, Shape)| {
        let make = |size| read(&trace_file(&(0..size).map(count).collect::<Vec<u16>>()));
        let find = |trace: &_| drop(detect::events(trace, &Cords::default()));
        grows(&format!("finding in {what}"), 4000, make, find)
    };
    shapes.map(one).to_vec()
}
