//! A whole job against what was planted in it: cables drawn by the simulator, written as files.

mod accuracy;
mod alike;
mod calm;
#[path = "../support/chance.rs"]
mod chance;
mod diagnose;
mod few;
mod kinds;
mod limits;
mod mixed;
mod one_end;
mod sections;
mod stress;
mod todo;
mod unlike;
mod unseen;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use strandline::grade::Verdict;
use strandline::job::{self, FiberVerdict, Severity};
use strandline::simulate::cable::{self, Cable, Fault, FiberTruth, Size};
use strandline::sor::{self, Version};
use strandline::{disk, plan, source};

/// A folder of its own for a test, empty at the beginning.
fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&folder);
    folder
}

fn written(cable: &Cable, folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for (file, trace) in cable.truth.files.iter().zip(&cable.traces) {
        let path = folder.join(&file.file);
        let bytes =
            sor::encode(&trace.trace, Version::V2).expect("a rendered trace fits the format");
        disk::write_new(&path, &bytes).expect("the target folder can be written");
        files.push(path);
    }
    files
}

/// Every kind of finding that the contract `strandline.review/1` knows, word for word.
const KINDS: &str = "high-splice high-connector high-reflectance bend break unequal-fibers high-attenuation \
    link-loss missing surplus retest copy wrong-label swapped wrong-index wrong-pulse too-noisy \
    length-outlier loss-outlier low-return-loss unplanned-event odd-one-out unreadable second-opinion \
    no-cord";

/// The kinds that the program can say, read from its sources, and those that its page explains.
#[test]
fn no_kind_of_finding_is_said_that_the_contract_does_not_know() {
    let known: BTreeSet<&str> = KINDS.split_whitespace().collect();
    assert_eq!(known.len(), 25);
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = disk::read_text(&root.join("docs/review.md")).expect("the page of reviews");
    let rows = page.lines().filter(|line| line.starts_with("| `"));
    let kinds = rows.filter_map(|line| line.split('|').nth(1)).flat_map(|cell| cell.split('`'));
    let explained: BTreeSet<&str> =
        kinds.filter(|word| word.starts_with(|c: char| c.is_ascii_lowercase())).collect();
    assert_eq!(explained, known);
    // `finding("kind", …)` with or without a severity or a receiver, and `kind: "kind"`
    let mut said: BTreeSet<String> = BTreeSet::new();
    for file in disk::files_in(&root.join("src/job")).expect("the sources") {
        let text: String = disk::read_text(&file).expect("UTF-8").split_whitespace().collect();
        for before in ["finding(\"", "kind:\"", "(true,_)=>\"", "(false,_)=>\"", "Connector)=>\""] {
            let parts = text.split(before).skip(1);
            let words = parts.filter_map(|part| part.split('"').next());
            let is_kind = |word: &&str| word.chars().all(|c| c.is_ascii_lowercase() || c == '-');
            said.extend(words.filter(is_kind).map(str::to_owned));
        }
    }
    assert!(said.len() > 15, "{said:?}");
    let unknown: Vec<_> = said.iter().filter(|kind| !known.contains(kind.as_str())).collect();
    assert!(unknown.is_empty(), "{unknown:?}");
}

/// `STRANDLINE_CABLES=20` tries as many cables more, of other sizes.
#[test]
fn every_planted_fault_is_found_and_sound_fibres_are_left_alone() {
    let mut said = 0;
    let mut sizes = vec![
        (3, Size::common(12)),
        (11, Size::common(12)),
        (20, Size::common(24)),
        (31, Size { closures: 3, length_m: 6_000.0, pulse_ns: 50, ..Size::common(16) }),
        (47, Size { wavelengths_nm: vec![1310, 1550, 1625], ..Size::common(12) }),
        (58, Size { closures: 7, length_m: 21_000.0, ..Size::common(36) }),
    ];
    let more = std::env::var("STRANDLINE_CABLES").ok().and_then(|text| text.parse().ok());
    for seed in 200..200 + more.unwrap_or(0_u64) {
        let closures = 3 + seed as usize % 6;
        let length_m = 3_000.0 * closures as f64;
        sizes.push((seed, Size { closures, length_m, ..Size::common(12 + seed as usize % 37) }));
    }
    for (seed, size) in sizes {
        let cable = cable::draw(seed, &size);
        let files = written(&cable, &folder(&format!("job-{seed}")));
        let plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
        let review = job::review(files, &plan, &source::Options::default(), &|| ());
        for (number, truth) in &cable.truth.fiber {
            let own =
                review.fibers.iter().find(|f| f.fiber.to_string() == *number).expect("planned");
            let faults: BTreeSet<&str> = own
                .findings
                .iter()
                .filter(|f| f.severity == Severity::Fault)
                .map(|f| f.kind)
                .collect();
            let all: BTreeSet<&str> = own.findings.iter().map(|f| f.kind).collect();
            let wanted: BTreeSet<&str> = truth.expect.iter().map(|e| e.kind.as_str()).collect();
            if alike(&cable, truth) {
                println!("seed {seed} fibre {number}: exchanged with one of the same length");
                continue;
            }
            assert!(
                wanted.is_subset(&all),
                "seed {seed} fibre {number}: {all:?}, planted {wanted:?}"
            );
            assert!(faults.is_subset(&wanted), "seed {seed} fibre {number}: {:?}", own.findings);
            said += wanted.len();
            if wanted.is_empty() {
                let unsure: Vec<_> =
                    own.joints.iter().filter(|j| j.verdict != Some(Verdict::Pass)).collect();
                let links: Vec<_> =
                    own.links.iter().filter(|l| l.verdict != Some(Verdict::Pass)).collect();
                assert_eq!(
                    own.verdict,
                    FiberVerdict::Pass,
                    "seed {seed} fibre {number}: {unsure:?} {links:?}"
                );
            }
        }
    }
    assert!(said > 10, "{said} faults are too few to prove anything");
}

/// Whether a fibre is exchanged with one that is as long within 0.2 m: lengths cannot tell them apart,
/// and nothing else does.
fn alike(cable: &Cable, own: &FiberTruth) -> bool {
    let Some(Fault::Swapped { with }) = own.fault else { return false };
    let other = &cable.truth.fiber[&with.to_string()];
    (own.length_m - other.length_m).abs() < 0.2
}

#[test]
fn the_order_of_files_never_changes_the_answer() {
    let cable = cable::draw(5, &Size::common(6));
    let mut files = written(&cable, &folder("job-order"));
    let plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let answer = |files: Vec<PathBuf>| {
        let review = job::review(files, &plan, &source::Options::default(), &|| ());
        strandline::report::review::json(&review, &plan, "").expect("a document")
    };
    let one = answer(files.clone());
    files.reverse();
    files.rotate_left(3);
    assert_eq!(one, answer(files));
}

#[test]
fn one_broken_file_among_many_is_a_finding_and_not_the_end() {
    let cable = cable::draw(7, &Size::common(6));
    let folder = folder("job-broken");
    let mut files = written(&cable, &folder);
    let broken = folder.join("broken.sor");
    disk::write_new(&broken, b"Map\0 and nothing more").expect("the target folder can be written");
    files.push(broken);
    let plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let review = job::review(files, &plan, &source::Options::default(), &|| ());
    assert_eq!(review.counts.unreadable, 1);
    let found = review.findings.iter().find(|f| f.kind == "unreadable").expect("said");
    // What was found and expected, and what to do, as a reader of that file alone is told.
    let error = source::read(&found.files[0], &source::Options::default()).expect_err("broken");
    assert!(found.says.contains(&error.cause.to_string()), "{found:?}");
    assert_eq!(Some(found.next.as_str()), error.hint());
}
