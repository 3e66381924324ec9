//! Fibres exchanged at one end, told by their lengths or by their glass.

use std::collections::{BTreeMap, BTreeSet};

use super::check::finding;
use super::name::Direction;
use super::{Finding, Row, Severity, Test};
use crate::findings::LEAST_VALUES;
use crate::signal::order::{self, MAD_TO_SIGMA};
use crate::units::Measured;

/// Two fibres that are exchanged at one end.
pub(super) type Pair = (u32, u32);

/// Fibres exchanged at one end: each one's length from end a is the other's from end b, or its glass, which
/// `alike` tells. Of `copies` nobody knows whose they are. Returns the pairs.
pub(super) fn pairs(
    tests: &[Test],
    rows: &[Row],
    (copies, alike): (&BTreeSet<usize>, &[Pair]),
    findings: &mut Vec<Finding>,
) -> Vec<Pair> {
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
fn exchanged((one, other): Pair, shows: &str) -> [Finding; 2] {
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
fn swapped_lengths(both: &[(u32, Measured, Measured)]) -> Vec<Pair> {
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
