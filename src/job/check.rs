//! What no single fibre shows: labels against the plan, retests, copies, exchanged fibres, gaps.

use std::collections::{BTreeMap, BTreeSet};

use super::fiber::FiberReview;
use super::name::Direction;
use super::test::Content;
use super::{Counts, Finding, Row, Severity, Test, TestVerdict, planned};
use crate::grade::Verdict;
use crate::plan::Plan;

type Key = (u32, u16, Direction);

fn key(content: &Content) -> Option<Key> {
    Some((content.fiber?, content.wavelength_nm?, content.direction?)).filter(|_| content.own_cable)
}

/// A row for each planned measurement, then for each file that is none.
pub(super) fn rows(tests: &[Test], plan: &Plan) -> Vec<Row> {
    let mut by_key: BTreeMap<Key, Vec<usize>> = BTreeMap::new();
    for (i, test) in tests.iter().enumerate() {
        if let Some(key) = test.read().and_then(key) {
            by_key.entry(key).or_default().push(i);
        }
    }
    let mut rows = Vec::new();
    let mut used = BTreeSet::new();
    for key in planned(plan) {
        let (fiber, wavelength, direction) = key;
        let row = |test, counts, verdict| Row {
            fiber: Some(fiber),
            wavelength_nm: Some(wavelength),
            direction: Some(direction),
            test,
            counts,
            verdict,
            reasons: Vec::new(),
        };
        let mut here = by_key.get(&key).cloned().unwrap_or_default();
        used.extend(here.iter().copied());
        // The latest by the file's own time counts; equal times by path, for want of better.
        here.sort_by_key(|i| (tests[*i].read().and_then(|c| c.measured_at_unix_s), *i));
        let Some(latest) = here.pop() else {
            rows.push(row(None, false, TestVerdict::Missing));
            continue;
        };
        rows.push(row(Some(latest), true, TestVerdict::Undecided));
        rows.extend(here.into_iter().map(|i| row(Some(i), false, TestVerdict::Superseded)));
    }
    for (i, test) in tests.iter().enumerate().filter(|(i, _)| !used.contains(i)) {
        let content = test.read();
        rows.push(Row {
            fiber: content.and_then(|c| c.fiber),
            wavelength_nm: content.and_then(|c| c.wavelength_nm),
            direction: content.and_then(|c| c.direction),
            test: Some(i),
            counts: false,
            verdict: if content.is_some() { TestVerdict::Surplus } else { TestVerdict::Unreadable },
            reasons: test.content.as_ref().err().cloned().into_iter().collect(),
        });
    }
    rows
}

fn finding(
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
pub(super) fn of_files(tests: &[Test], rows: &[Row]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for row in rows {
        let Some(test) = row.test.map(|i| &tests[i]) else { continue };
        let name = test.path.display();
        let mut found = match row.verdict {
            TestVerdict::Unreadable => {
                let why = row.reasons.first().map_or("", String::as_str);
                finding(
                    "unreadable",
                    Severity::Fault,
                    None,
                    format!("{name}: {why}"),
                    "copy it from the instrument again",
                )
            }
            TestVerdict::Surplus => {
                let says = format!("{name} is no measurement that the plan asks for");
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
    let mut by_samples: BTreeMap<&str, Vec<(usize, &Row)>> = BTreeMap::new();
    for row in rows.iter().filter(|r| r.counts) {
        if let Some((i, content)) = row.test.and_then(|i| Some((i, tests[i].read()?))) {
            by_samples.entry(&content.samples_sha256).or_default().push((i, row));
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

/// Fibres exchanged at one end: each one's length from end a is the other's from end b. Returns them.
pub(super) fn swapped(tests: &[Test], rows: &[Row], findings: &mut Vec<Finding>) -> BTreeSet<u32> {
    let mut lengths: BTreeMap<(u32, Direction), Vec<f64>> = BTreeMap::new();
    for row in rows.iter().filter(|r| r.counts) {
        let length = row.test.and_then(|i| tests[i].read()).and_then(|c| c.length_m);
        if let (Some(fiber), Some(direction), Some(length)) = (row.fiber, row.direction, length) {
            lengths.entry((fiber, direction)).or_default().push(length.value);
        }
    }
    let mean = |fiber, direction| {
        let all: &Vec<f64> = lengths.get(&(fiber, direction))?;
        Some(all.iter().sum::<f64>() / all.len() as f64)
    };
    let fibers: BTreeSet<u32> = lengths.keys().map(|k| k.0).collect();
    let both: Vec<(u32, f64, f64)> = fibers
        .iter()
        .filter_map(|f| Some((*f, mean(*f, Direction::AToB)?, mean(*f, Direction::BToA)?)))
        .collect();
    let mut concerned = BTreeSet::new();
    for (n, (f, a, b)) in both.iter().enumerate() {
        for (g, c, d) in &both[n + 1..] {
            // Own lengths disagree by more than places can be off; exchanged they agree.
            let apart = (a - b).abs().min((c - d).abs());
            let exchanged = (a - d).abs().max((c - b).abs());
            if apart > 0.7 && exchanged < 0.25 * apart {
                concerned.extend([*f, *g]);
                for (own, other) in [(*f, *g), (*g, *f)] {
                    let says = format!(
                        "seen from end b it has the length of fibre {other}: the two are exchanged at one end"
                    );
                    let mut found = finding(
                        "swapped",
                        Severity::Fault,
                        Some(own),
                        says,
                        "find at which end the two are exchanged",
                    );
                    found.evidence.insert("with_fiber", f64::from(other));
                    findings.push(found);
                }
            }
        }
    }
    concerned
}

/// Planned measurements without a file. A break is named as such, not as a missing far half.
pub(super) fn missing(fiber: u32, rows: &[Row], own: &FiberReview) -> Vec<Finding> {
    let gaps = rows.iter().filter(|r| r.fiber == Some(fiber) && r.verdict == TestVerdict::Missing);
    gaps.map(|row| {
        let (nm, direction) =
            (row.wavelength_nm.unwrap_or(0), row.direction.map_or("", Direction::word));
        let says = format!("the measurement at {nm} nm {direction} is missing");
        let next = if own.broken_m.is_some() {
            "measure it once the break is repaired"
        } else {
            "measure it"
        };
        let mut found = finding("missing", Severity::Fault, Some(fiber), says, next);
        found.evidence.insert("wavelength_nm", f64::from(nm));
        found
    })
    .collect()
}

/// Measured more than once: worth a remark.
pub(super) fn retests(fiber: u32, rows: &[Row], tests: &[Test]) -> Vec<Finding> {
    let old: Vec<&Row> = rows
        .iter()
        .filter(|r| r.fiber == Some(fiber) && r.verdict == TestVerdict::Superseded)
        .collect();
    if old.is_empty() {
        return Vec::new();
    }
    let says = format!(
        "measured again: {} earlier files are superseded, the latest by their own time count",
        old.len()
    );
    let mut found = finding("retest", Severity::Remark, Some(fiber), says, "nothing");
    found.files = old.iter().filter_map(|r| r.test).map(|i| tests[i].path.clone()).collect();
    vec![found]
}

/// Index, pulse and averaging that are not the job's.
pub(super) fn settings(fiber: u32, rows: &[Row], tests: &[Test], plan: &Plan) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut seen = BTreeSet::new();
    for row in rows.iter().filter(|r| r.fiber == Some(fiber) && r.counts) {
        let Some(test) = row.test.map(|i| &tests[i]) else { continue };
        let Some(content) = test.read() else { continue };
        let agreed = row.wavelength_nm.and_then(|w| plan.measure.group_index.get(&w));
        let index = agreed.filter(|n| (*n - content.index).abs() > 2e-4);
        let pulse = plan.measure.pulse_ns.filter(|p| (p - content.pulse_ns).abs() > 0.5);
        let short = plan
            .measure
            .min_averaging_s
            .filter(|t| content.averaging_s.is_some_and(|own| own < *t));
        let mut say = |kind, severity, says: String, next: &str| {
            if seen.insert(kind) {
                let mut found = finding(kind, severity, Some(fiber), says, next);
                found.files.push(test.path.clone());
                findings.push(found);
            }
        };
        if let Some(n) = index {
            say(
                "wrong-index",
                Severity::Fault,
                format!("the file's index is {:.4}, agreed was {n:.4}", content.index),
                "distances here are computed with the agreed one; set it in the instrument",
            );
        }
        if let Some(p) = pulse {
            say(
                "wrong-pulse",
                Severity::Fault,
                format!("the pulse is {:.0} ns, agreed was {p:.0} ns", content.pulse_ns),
                "measure again with the agreed pulse",
            );
        }
        if let Some(t) = short {
            say(
                "too-noisy",
                Severity::Fault,
                format!(
                    "averaged {:.0} s, agreed was {t:.0} s at least",
                    content.averaging_s.unwrap_or(0.0)
                ),
                "measure again, averaging longer",
            );
        }
        if plan.measure.launch_m.is_some() && content.near_m.is_none() {
            say(
                "no-cord",
                Severity::Fault,
                "no connector of a launch cord is seen, so the first connector cannot be graded"
                    .into(),
                "measure again with the launch cord",
            );
        }
    }
    findings
}

/// Gives each counting row the worst of its fibre at its wavelength; copies and exchanged fibres stay
/// undecided, for nobody knows what they show.
pub(super) fn verdicts(
    rows: &mut [Row],
    fibers: &mut [FiberReview],
    copies: &BTreeSet<usize>,
    swapped: &BTreeSet<u32>,
) {
    for row in rows.iter_mut().filter(|r| r.counts) {
        let Some(own) = fibers.iter_mut().find(|f| Some(f.fiber) == row.fiber) else { continue };
        let worst = row.wavelength_nm.and_then(|w| own.worst_at(w));
        row.verdict = match worst {
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
        if row.test.is_some_and(|i| copies.contains(&i)) {
            row.verdict = TestVerdict::Undecided;
            row.reasons.push("a copy: one of two fibres was never measured".into());
        } else if row.fiber.is_some_and(|f| swapped.contains(&f)) {
            row.verdict = TestVerdict::Fail;
            row.reasons.push("exchanged with another fibre at one end".into());
        }
        own.doubtful |= row.verdict == TestVerdict::Undecided;
    }
    for row in rows.iter().filter(|r| r.verdict == TestVerdict::Missing) {
        if let Some(own) = fibers.iter_mut().find(|f| Some(f.fiber) == row.fiber) {
            own.incomplete = true;
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
