//! By which traces a fibre is judged, where some of those under its number may be another's.

use std::collections::{BTreeMap, BTreeSet};

use super::name::Direction;
use super::test::Content;
use super::{Row, Test};

/// The rows of each fibre, in their order.
pub(super) fn by_fiber(rows: &[Row]) -> BTreeMap<u32, Vec<Row>> {
    let mut own: BTreeMap<u32, Vec<Row>> = BTreeMap::new();
    for row in rows {
        if let Some(fiber) = row.fiber {
            own.entry(fiber).or_default().push(row.clone());
        }
    }
    own
}

/// Fibres that are judged by other traces than those under their number, with these.
pub(super) fn others(
    by_fiber: &BTreeMap<u32, Vec<Row>>,
    tests: &[Test],
    copies: &BTreeSet<usize>,
    swaps: &[(u32, u32)],
) -> BTreeMap<u32, Vec<Row>> {
    let mut others = BTreeMap::new();
    if copies.is_empty() && swaps.is_empty() {
        return others;
    }
    for (fiber, rows) in by_fiber {
        let left = without_copies(*fiber, by_fiber, tests, copies);
        let partners: Vec<u32> = swaps
            .iter()
            .filter_map(|(f, g)| [(*f, *g), (*g, *f)].into_iter().find(|p| p.0 == *fiber))
            .map(|pair| pair.1)
            .collect();
        if let [partner] = partners[..] {
            let theirs = by_fiber.get(&partner).map_or(&[] as &[Row], Vec::as_slice);
            others.insert(*fiber, exchanged(rows, theirs));
        } else if left.len() < rows.len() {
            others.insert(*fiber, left);
        }
    }
    others
}

/// The traces of one piece of glass that bears another's number at end b: both ends' readings of a
/// joint belong together.
fn exchanged(own: &[Row], theirs: &[Row]) -> Vec<Row> {
    let is_from_b = |row: &&Row| row.direction == Some(Direction::BToA);
    own.iter()
        .filter(|row| !is_from_b(row))
        .cloned()
        .chain(
            theirs.iter().filter(is_from_b).map(|row| Row { fiber: own[0].fiber, ..row.clone() }),
        )
        .collect()
}

/// Beside a fibre's own traces a copy is not read together with them: it may be the other's. Where the
/// lengths tell whose it is, it is left to that one. A fibre that has nothing but copies keeps them.
fn without_copies(
    fiber: u32,
    by_fiber: &BTreeMap<u32, Vec<Row>>,
    tests: &[Test],
    copies: &BTreeSet<usize>,
) -> Vec<Row> {
    let rows = &by_fiber[&fiber];
    let is_copy = |row: &Row| row.counts && row.test.is_some_and(|i| copies.contains(&i));
    let mut counting = rows.iter().filter(|row| row.counts);
    if counting.all(is_copy) {
        return rows.clone();
    }
    let length_of = |fiber: u32, end| {
        let sure = by_fiber[&fiber].iter().filter(|row| row.counts && !is_copy(row));
        let sure = sure.filter(|row| row.direction == end);
        sure.filter_map(|row| tests[row.test?].read()?.length_m).map(|m| m.value).next()
    };
    let is_own = |row: &Row, copy: &Content| {
        let Some(length) = copy.length_m else { return false };
        let near_m = SAME_M.max(SAME_SHARE * length.value);
        let off = |fiber| length_of(fiber, row.direction).map(|m| (m - length.value).abs());
        let same = |row: &&Row| {
            let content = row.test.and_then(|i| tests[i].read());
            is_copy(row) && content.is_some_and(|c| c.samples_hash == copy.samples_hash)
        };
        let holders = by_fiber.iter().filter(|(_, rows)| rows.iter().any(|row| same(&row)));
        let mut holders = holders.map(|(fiber, _)| *fiber).filter(|other| *other != fiber);
        off(fiber).is_some_and(|m| m < near_m)
            && holders.all(|other| off(other).is_some_and(|m| m > 3.0 * near_m))
    };
    let stays = |row: &&Row| {
        let copy = row.test.filter(|_| is_copy(row)).and_then(|i| tests[i].read());
        copy.is_none_or(|copy| is_own(row, copy))
    };
    rows.iter().filter(stays).cloned().collect()
}

/// Lengths of one fibre from one end agree within this: a centimetre or two of each connector, and what
/// wavelengths' indices are set wrong by. Common practice, no source.
const SAME_M: f64 = 0.3;
const SAME_SHARE: f64 = 1e-5;
