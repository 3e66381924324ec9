//! Which file is which planned measurement, by their labels: what counts, what it supersedes, what is missing, what
//! nobody asked for.

use std::collections::{BTreeMap, BTreeSet};

use super::label::{LEAST_ODD_M, Labels, Wrong};
use super::name::Direction;
use super::test::Content;
use super::{Row, Test, TestVerdict, planned};
use crate::plan::Plan;

/// Fibre, wavelength in nm, and from which end.
pub(super) type Key = (u32, u16, Direction);

pub(super) fn key(content: &Content) -> Option<Key> {
    Some((content.fiber?, content.wavelength_nm?, content.direction?)).filter(|_| content.own_cable)
}

/// A row for each planned measurement, then for each file that is none, and each whose label is wrong.
pub(super) fn rows(tests: &[Test], plan: &Plan, labels: &Labels) -> Vec<Row> {
    let wrong = &labels.wrong;
    let mut by_key: BTreeMap<Key, Vec<usize>> = BTreeMap::new();
    for (i, test) in tests.iter().enumerate().filter(|(i, _)| !wrong.contains_key(i)) {
        if let Some(key) = test.read().and_then(key) {
            by_key.entry(key).or_default().push(i);
        }
    }
    let planned = planned(plan);
    let missing = planned.iter().filter(|key| !by_key.contains_key(key));
    let gaps: BTreeMap<(u16, Direction), u32> =
        missing.map(|(fiber, nm, end)| ((*nm, *end), *fiber)).collect();
    let mut rows = Vec::new();
    let mut used = BTreeSet::new();
    for key in planned {
        let here = by_key.get(&key).cloned().unwrap_or_default();
        used.extend(here.iter().copied());
        rows.extend(of_planned(key, here, (tests, labels), gaps.get(&(key.1, key.2))));
    }
    let others = (0..tests.len()).filter(|i| !used.contains(i));
    rows.extend(others.map(|i| unplanned(i, &tests[i], wrong.get(&i), plan)));
    rows
}

/// The rows of a planned measurement: that which counts, then those it supersedes. `here`: its files.
/// `gap`: a fibre that lacks the same measurement.
fn of_planned(
    (fiber, nm, end): Key,
    mut here: Vec<usize>,
    (tests, labels): (&[Test], &Labels),
    gap: Option<&u32>,
) -> Vec<Row> {
    let row = |test, counts, verdict| Row {
        fiber: Some(fiber),
        wavelength_nm: Some(nm),
        direction: Some(end),
        test,
        counts,
        verdict,
        unsettled: false,
        reasons: Vec::new(),
    };
    // The latest by the file's own time counts; equal times by path, for want of better.
    let time = |i: usize| tests[i].read().and_then(|c| c.measured_at_unix_s);
    here.sort_by_key(|i| (time(*i), *i));
    let Some(latest) = here.pop() else { return vec![row(None, false, TestVerdict::Missing)] };
    let mut counting = row(Some(latest), true, TestVerdict::Undecided);
    counting.reasons.extend(rival(latest, &here, (tests, labels), gap));
    counting.unsettled = !counting.reasons.is_empty();
    let superseded = here.into_iter().map(|i| row(Some(i), false, TestVerdict::Superseded));
    std::iter::once(counting).chain(superseded).collect()
}

/// Why nobody knows whether the `latest` of several files counts.
fn rival(
    latest: usize,
    earlier: &[usize],
    (tests, labels): (&[Test], &Labels),
    gap: Option<&u32>,
) -> Option<String> {
    let time = |i: usize| tests[i].read().and_then(|c| c.measured_at_unix_s);
    // A second copy of the same recording, as of a stick and a sync folder, is no other measurement.
    let is_rival = |i: &usize| time(*i) == time(latest) && !is_same(&tests[*i], &tests[latest]);
    if earlier.iter().any(is_rival) {
        return Some(UNSETTLED.into());
    }
    let is_longer = |i: &usize| is_other_length(&tests[*i], &tests[latest]);
    let differs = |i: &usize| labels.likeness.differ(*i, latest);
    let different =
        if earlier.iter().any(is_longer) { "different length" } else { "different glass" };
    let gap = gap.filter(|_| earlier.iter().any(|i| is_longer(i) || differs(i)))?;
    Some(format!(
        "its measurements show fibres of {different}, and the same measurement of fibre {gap} is missing: one of them may be that under a wrong label; measure fibre {gap}, or leave out the file that is not of this fibre"
    ))
}

/// The row of a file that is no planned measurement.
fn unplanned(i: usize, test: &Test, wrong: Option<&Wrong>, plan: &Plan) -> Row {
    let content = test.read();
    Row {
        fiber: content.and_then(|c| c.fiber),
        wavelength_nm: content.and_then(|c| c.wavelength_nm),
        direction: content.and_then(|c| c.direction),
        test: Some(i),
        counts: false,
        verdict: if content.is_some() { TestVerdict::Surplus } else { TestVerdict::Unreadable },
        unsettled: false,
        reasons: vec![match (wrong, &test.content) {
            (Some(wrong), _) => format!("wrong label: {}", wrong.finding.says),
            (None, Ok(content)) => why_surplus(content, plan),
            (None, Err(error)) => error.says.clone(),
        }],
    }
}

/// What the plan does not know of a file that it does not ask for.
fn why_surplus(content: &Content, plan: &Plan) -> String {
    let is_planned = |nm: u16| plan.measure.wavelengths_nm.contains(&nm);
    match (content.fiber, content.wavelength_nm, content.direction) {
        _ if !content.own_cable => {
            format!("the label names another cable than {}", plan.cable.id)
        }
        (None, ..) => "neither label nor name says which fibre it is of".into(),
        (Some(n), ..) if !plan.cable.fibers.contains(&n) => format!("the plan has no fibre {n}"),
        (_, None, _) => "it states no wavelength".into(),
        (_, Some(nm), _) if !is_planned(nm) => format!("the plan asks for no {nm} nm"),
        (.., None) => "neither labels nor name say from which end it was taken".into(),
        (.., Some(Direction::AToB)) => "the plan asks for nothing from end a".into(),
        (.., Some(Direction::BToA)) => "the plan asks for nothing from end b".into(),
    }
}

const UNSETTLED: &str = "measured again, and no time tells which is the later";

/// Whether two files hold one recording: noise never repeats.
pub(super) fn is_same(one: &Test, other: &Test) -> bool {
    let samples = |test: &Test| test.read().map(|content| content.samples_hash);
    samples(one) == samples(other)
}

/// Whether two measurements under one label differ in length by more than places are off: they may be of two
/// fibres, or the fibre was spliced again in between.
fn is_other_length(one: &Test, other: &Test) -> bool {
    let Some((one, other)) = one.read().zip(other.read()) else { return false };
    let at_scale = |c: &Content| c.length_m.map(|m| m.times(c.used_index / other.used_index));
    at_scale(one).zip(at_scale(other)).is_some_and(|(one, other)| {
        (one.value - other.value).abs() > LEAST_ODD_M.max(6.0 * one.sigma.hypot(other.sigma))
    })
}
