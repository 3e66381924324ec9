//! What no single fibre shows: files that cannot be read or are not planned, copies, retests; and what each
//! measurement comes to in the end.

use std::collections::{BTreeMap, BTreeSet};

use super::fiber::FiberReview;
use super::label::Wrong;
use super::rows::is_same;
use super::{Counts, Finding, Row, Severity, Test, TestVerdict};
use crate::grade::Verdict;
use crate::plan::Plan;

pub(super) fn finding(
    kind: &'static str,
    severity: Severity,
    fiber: Option<u32>,
    says: String,
    next: &str,
) -> Finding {
    Finding {
        kind,
        severity,
        fiber,
        place: None,
        at_m: None,
        files: Vec::new(),
        evidence: BTreeMap::new(),
        says,
        next: next.to_owned(),
    }
}

/// Unreadable and unplanned files.
pub(super) fn of_files(
    tests: &[Test],
    rows: &[Row],
    wrong: &BTreeMap<usize, Wrong>,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    for row in rows {
        let Some(i) = row.test.filter(|i| !wrong.contains_key(i)) else { continue };
        let test = &tests[i];
        let name = test.path.display();
        let mut found = match row.verdict {
            TestVerdict::Unreadable => {
                let why = row.reasons.first().map_or("", String::as_str);
                let hint = test.content.as_ref().err().and_then(|error| error.hint);
                finding(
                    "unreadable",
                    Severity::Fault,
                    None,
                    format!("{name}: {why}"),
                    hint.unwrap_or("copy it from the instrument again"),
                )
            }
            TestVerdict::Surplus => {
                let why = row.reasons.first().map_or("", String::as_str);
                let says = format!("{name} is no measurement that the plan asks for: {why}");
                finding(
                    "surplus",
                    Severity::Remark,
                    None,
                    says,
                    "check its labels, or leave it out",
                )
            }
            _ => continue,
        };
        found.files.push(test.path.clone());
        findings.push(found);
    }
    findings
}

/// The same recording under two labels: noise never repeats. Returns the tests concerned.
pub(super) fn copies(tests: &[Test], rows: &[Row], findings: &mut Vec<Finding>) -> BTreeSet<usize> {
    let mut by_samples: BTreeMap<u64, Vec<(usize, &Row)>> = BTreeMap::new();
    for row in rows.iter().filter(|r| r.counts) {
        if let Some((i, content)) = row.test.and_then(|i| Some((i, tests[i].read()?))) {
            by_samples.entry(content.samples_hash).or_default().push((i, row));
        }
    }
    let mut concerned = BTreeSet::new();
    let mut pairs: BTreeMap<(u32, u32), Vec<usize>> = BTreeMap::new();
    for same in by_samples.values().filter(|same| same.len() > 1) {
        for (i, row) in same {
            concerned.insert(*i);
            let own = row.fiber.unwrap_or(0);
            for (j, other) in same.iter().filter(|(j, _)| j != i) {
                pairs.entry((own, other.fiber.unwrap_or(0))).or_default().extend([*i, *j]);
            }
        }
    }
    for ((own, other), files) in pairs {
        let says = format!(
            "its samples are those of fibre {other}, noise and all: one recording under two labels, so one of both was never measured"
        );
        let mut found =
            finding("copy", Severity::Fault, Some(own), says, "measure both fibres again");
        found.evidence.insert("of_fiber", f64::from(other));
        let files: BTreeSet<usize> = files.into_iter().collect();
        found.files = files.iter().map(|i| tests[*i].path.clone()).collect();
        findings.push(found);
    }
    concerned
}

/// Measured more than once, or there more than once: worth a remark.
pub(super) fn retests(fiber: u32, rows: &[Row], tests: &[Test]) -> Vec<Finding> {
    let own = || rows.iter().filter(|r| r.fiber == Some(fiber));
    let old: Vec<&Row> = own().filter(|r| r.verdict == TestVerdict::Superseded).collect();
    if old.is_empty() {
        return Vec::new();
    }
    let latest = |row: &Row| {
        let same = |r: &&Row| (r.wavelength_nm, r.direction) == (row.wavelength_nm, row.direction);
        own().filter(|r| r.counts).find(same)?.test
    };
    let is_again = |row: &&&Row| {
        row.test.zip(latest(row)).is_some_and(|(i, latest)| is_same(&tests[i], &tests[latest]))
    };
    let copies = old.iter().filter(is_again).count();
    let mut says = Vec::new();
    if old.len() > copies {
        says.push(format!(
            "measured again: {} earlier files are superseded, the latest by their own time count",
            old.len() - copies
        ));
    }
    if copies > 0 {
        says.push(format!("{copies} files are second copies of recordings that count"));
    }
    let mut found = finding("retest", Severity::Remark, Some(fiber), says.join("; "), "nothing");
    found.files = old.iter().filter_map(|r| r.test).map(|i| tests[i].path.clone()).collect();
    vec![found]
}

/// Why a row is undecided: for want of a verdict of its fibre, or because nobody knows which file counts.
fn open(row: &Row, own: &FiberReview, plan: &Plan) -> Vec<String> {
    if row.unsettled {
        return row.reasons.first().cloned().into_iter().collect();
    }
    let undecided = row.verdict == TestVerdict::Undecided;
    row.wavelength_nm.filter(|_| undecided).map_or(Vec::new(), |nm| own.open_at(nm, plan))
}

/// Gives each counting row the worst of its fibre at its wavelength; copies and exchanged fibres stay
/// undecided, for nobody knows what they show.
pub(super) fn verdicts(
    rows: &mut [Row],
    fibers: &mut [FiberReview],
    (copies, swaps): (&BTreeSet<usize>, &[(u32, u32)]),
    plan: &Plan,
) {
    let places: BTreeMap<u32, usize> =
        fibers.iter().enumerate().map(|(i, own)| (own.fiber, i)).collect();
    let place = |row: &Row| row.fiber.and_then(|fiber| places.get(&fiber).copied());
    for row in rows.iter_mut() {
        let Some(own) = place(row).map(|i| &mut fibers[i]) else { continue };
        if row.verdict == TestVerdict::Missing {
            own.incomplete = true;
        }
        if !row.counts {
            continue;
        }
        of_fiber(row, own);
        let is_copy = row.test.is_some_and(|i| copies.contains(&i));
        leave_open(row, own, is_copy, plan);
        if row.unsettled {
            row.verdict = TestVerdict::Undecided;
        } else if is_copy {
            row.verdict = TestVerdict::Undecided;
            row.reasons.push("a copy: one of two fibres was never measured".into());
        } else if row.fiber.is_some_and(|f| swaps.iter().any(|s| s.0 == f || s.1 == f)) {
            row.verdict = TestVerdict::Fail;
            row.reasons.push("exchanged with another fibre at one end".into());
        }
        own.doubtful |= row.verdict == TestVerdict::Undecided;
    }
}

/// A row's verdict and reasons as its fibre's figures and faults give them.
fn of_fiber(row: &mut Row, own: &FiberReview) {
    row.verdict = match row.wavelength_nm.and_then(|w| own.worst_at(w)) {
        Some(Verdict::Fail) => TestVerdict::Fail,
        Some(Verdict::Pass) => TestVerdict::Pass,
        _ => TestVerdict::Undecided,
    };
    if own.broken_m.is_some() {
        row.verdict = TestVerdict::Fail;
        row.reasons.push("the fibre is broken".into());
    }
    let faults =
        own.findings.iter().filter(|f| f.severity == Severity::Fault && f.kind != "missing");
    row.reasons.extend(faults.map(|f| f.says.clone()));
}

/// Says at a row and at its fibre what leaves it undecided.
fn leave_open(row: &mut Row, own: &mut FiberReview, is_copy: bool, plan: &Plan) {
    // Of a copy that is not read for its fibre its finding says what is open.
    let is_read = row.wavelength_nm.is_some_and(|nm| own.is_read_at(nm));
    let open = if is_copy && !is_read { Vec::new() } else { open(row, own, plan) };
    let doubts: Vec<String> = own
        .doubts
        .iter()
        .filter(|doubt| doubt.is_of(row))
        .map(|doubt| doubt.says.clone())
        .collect();
    if !doubts.is_empty() {
        row.verdict = row.verdict.max(TestVerdict::Undecided);
    }
    // What unsettles it stands among its reasons already.
    row.reasons.extend(open.iter().filter(|_| !row.unsettled).cloned());
    row.reasons.extend(doubts.iter().cloned());
    for says in open.into_iter().chain(doubts) {
        let says = (row.wavelength_nm.unwrap_or(0), says);
        if !own.open.contains(&says) {
            own.open.push(says);
        }
    }
}

/// Figures of progress.
pub(super) fn counts(rows: &[Row]) -> Counts {
    let count = |verdict| rows.iter().filter(|r| r.verdict == verdict).count();
    let measured = rows.iter().filter(|r| r.counts).count();
    let missing = count(TestVerdict::Missing);
    Counts {
        planned: measured + missing,
        measured,
        passed: count(TestVerdict::Pass),
        failed: count(TestVerdict::Fail),
        undecided: count(TestVerdict::Undecided),
        missing,
        surplus: count(TestVerdict::Surplus),
        unreadable: count(TestVerdict::Unreadable),
    }
}
