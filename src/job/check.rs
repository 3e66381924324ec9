//! What no single fibre shows: labels against the plan, retests, copies, exchanged fibres, gaps.

use std::collections::{BTreeMap, BTreeSet};

use super::fiber::FiberReview;
use super::label::Wrong;
use super::name::Direction;
use super::rows::is_same;
use super::{Counts, Finding, Row, Severity, Test, TestVerdict};
use crate::findings::LEAST_VALUES;
use crate::grade::Verdict;
use crate::plan::Plan;
use crate::signal::order::{self, MAD_TO_SIGMA};
use crate::units::Measured;

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

/// Fibres exchanged at one end: each one's length from end a is the other's from end b, or its glass, which
/// `alike` tells. Of `copies` nobody knows whose they are. Returns the pairs.
pub(super) fn swapped(
    tests: &[Test],
    rows: &[Row],
    (copies, alike): (&BTreeSet<usize>, &[(u32, u32)]),
    findings: &mut Vec<Finding>,
) -> Vec<(u32, u32)> {
    let lengths = swapped_lengths(&lengths_from_both_ends(tests, rows, copies));
    let (mut pairs, by_glass) = settled(lengths, alike);
    for pair in &pairs {
        findings.extend(exchanged(*pair, "it has the length of"));
    }
    for pair in &by_glass {
        findings.extend(exchanged(*pair, "its joints, reflections and attenuation are those of"));
    }
    pairs.extend(by_glass);
    pairs
}

/// Two fibres that are exchanged at one end.
type Pair = (u32, u32);

/// The pairs that lengths tell, and those that glass alone does. Several fibres may be as long as each other: where
/// both tell of one, its glass is surer.
fn settled(mut lengths: Vec<Pair>, alike: &[Pair]) -> (Vec<Pair>, Vec<Pair>) {
    let shares = |one: &Pair, other: &Pair| {
        [one.0, one.1].iter().any(|fiber| [other.0, other.1].contains(fiber))
    };
    lengths.retain(|pair| alike.contains(pair) || !alike.iter().any(|other| shares(pair, other)));
    let by_glass = alike.iter().copied().filter(|pair| !lengths.contains(pair)).collect();
    (lengths, by_glass)
}

/// What is said of each of two fibres.
fn exchanged((one, other): (u32, u32), shows: &str) -> [Finding; 2] {
    [(one, other), (other, one)].map(|(own, other)| {
        let says =
            format!("seen from end b {shows} fibre {other}: the two are exchanged at one end");
        let next = "find at which end the two are exchanged";
        let mut found = finding("swapped", Severity::Fault, Some(own), says, next);
        found.evidence.insert("with_fiber", f64::from(other));
        found
    })
}

/// Pairs whose own lengths disagree by more than places can be off, and agree exchanged.
fn swapped_lengths(both: &[(u32, Measured, Measured)]) -> Vec<(u32, u32)> {
    let least = least_swap_m(both);
    let off = |one: &Measured, other: &Measured| (one.value - other.value).abs();
    let odd: Vec<_> = both.iter().filter(|(_, a, b)| off(a, b) > least).collect();
    let mut pairs = Vec::new();
    for (n, (f, a, b)) in odd.iter().enumerate() {
        for (g, c, d) in &odd[n + 1..] {
            let apart = off(a, b).min(off(c, d));
            let exchanged = off(a, d).max(off(c, b));
            if exchanged < 0.4 * apart {
                pairs.push((*f, *g));
            }
        }
    }
    pairs
}

/// Of each fibre its length from end a and from end b, the latter freed of what all fibres have in
/// common there: two instruments' time bases differ.
fn lengths_from_both_ends(
    tests: &[Test],
    rows: &[Row],
    copies: &BTreeSet<usize>,
) -> Vec<(u32, Measured, Measured)> {
    let mut lengths: BTreeMap<(u32, Direction), Vec<Measured>> = BTreeMap::new();
    for row in rows.iter().filter(|r| r.counts) {
        let test = row.test.filter(|i| !copies.contains(i));
        let length = test.and_then(|i| tests[i].read()).and_then(|c| c.length_m);
        if let (Some(fiber), Some(direction), Some(length)) = (row.fiber, row.direction, length) {
            lengths.entry((fiber, direction)).or_default().push(length);
        }
    }
    let mean = |fiber, end| Measured::mean(lengths.get(&(fiber, end))?.iter().copied());
    let fibers: BTreeSet<u32> = lengths.keys().map(|k| k.0).collect();
    let mut both: Vec<(u32, Measured, Measured)> = fibers
        .iter()
        .filter_map(|f| Some((*f, mean(*f, Direction::AToB)?, mean(*f, Direction::BToA)?)))
        .collect();
    if both.len() >= LEAST_VALUES {
        let mut ratios: Vec<f64> = both.iter().map(|(_, a, b)| a.value / b.value).collect();
        let ratio = order::median(&mut ratios).unwrap_or(1.0);
        for (_, _, b) in &mut both {
            *b = b.times(ratio);
        }
    }
    both
}

/// How far both lengths of a fibre must be apart before they are two fibres': six times what they
/// usually are in this cable; of few fibres, more than places of connectors are ever off.
fn least_swap_m(both: &[(u32, Measured, Measured)]) -> f64 {
    let mut off: Vec<f64> = both.iter().map(|(_, a, b)| (a.value - b.value).abs()).collect();
    match order::median(&mut off) {
        Some(usual) if off.len() >= LEAST_VALUES => (6.0 * MAD_TO_SIGMA * usual).max(0.05),
        _ => 0.3,
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_several_fibres_as_long_as_each_other_their_glass_tells_which_are_exchanged() {
        let lengths = vec![(5, 7), (5, 13), (7, 9), (9, 13)];
        assert_eq!(settled(lengths.clone(), &[]), (lengths.clone(), vec![]));
        assert_eq!(settled(lengths, &[(5, 13)]), (vec![(5, 13), (7, 9)], vec![]));
        assert_eq!(settled(vec![], &[(3, 6)]), (vec![], vec![(3, 6)]));
        assert_eq!(settled(vec![(3, 4)], &[(3, 6)]), (vec![], vec![(3, 6)]));
    }
}
