//! Planned measurements without a file.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::check::finding;
use super::fiber::FiberReview;
use super::label::Wrong;
use super::rows::Key;
use super::{Direction, Finding, Row, Severity, TestVerdict};

/// What is missing of one fibre, what asks for the same together. A break is named as such, not as a missing
/// far half. Neither is one missing whose file has a wrong label: that is what is said.
pub(super) fn findings(
    fiber: u32,
    rows: &[Row],
    own: &FiberReview,
    wrong: &BTreeMap<usize, Wrong>,
) -> Vec<Finding> {
    let own_rows = || rows.iter().filter(|row| row.fiber == Some(fiber));
    let missing = own_rows().filter(|row| row.verdict == TestVerdict::Missing);
    let gaps: Vec<Key> = missing
        .filter_map(|row| Some((fiber, row.wavelength_nm?, row.direction?)))
        .filter(|gap| {
            let is_it = |w: &Wrong| w.key == *gap || w.seems == Some(*gap);
            !wrong.values().any(|w| w.key.0 == fiber && is_it(w))
        })
        .collect();
    let mut by_file: BTreeMap<Option<&PathBuf>, Vec<Key>> = BTreeMap::new();
    for gap in &gaps {
        let elsewhere = wrong.values().find(|w| w.seems == Some(*gap));
        by_file.entry(elsewhere.and_then(|w| w.finding.files.first())).or_default().push(*gap);
    }
    let planned = gaps.len() + own_rows().filter(|row| row.counts).count();
    let one = |(file, gaps): (Option<&PathBuf>, Vec<Key>)| {
        let it = if gaps.len() == 1 { "it" } else { "them" };
        let next = match (own.broken_m, file) {
            (Some(_), _) => format!("measure {it} once the break is repaired"),
            (None, Some(file)) => {
                format!("see {}: its label seems wrong, and it may be this one", file.display())
            }
            (None, None) => format!("measure {it}"),
        };
        let mut found =
            finding("missing", Severity::Fault, Some(fiber), says(&gaps, planned), &next);
        found.evidence.insert("measurements", gaps.len() as f64);
        if let [(_, nm, _)] = gaps[..] {
            found.evidence.insert("wavelength_nm", f64::from(nm));
        }
        found
    };
    by_file.into_iter().map(one).collect()
}

/// `the measurements at 1310 and 1550 nm b-to-a and at 1550 nm a-to-b are missing`
fn says(gaps: &[Key], planned: usize) -> String {
    if let [(_, nm, end)] = gaps {
        return format!("the measurement at {nm} nm {} is missing", end.word());
    }
    if gaps.len() == planned {
        return format!("none of its {planned} measurements is there");
    }
    let mut by_end: BTreeMap<Direction, BTreeSet<u16>> = BTreeMap::new();
    for (_, nm, end) in gaps {
        by_end.entry(*end).or_default().insert(*nm);
    }
    let mut alike: BTreeMap<BTreeSet<u16>, Vec<&str>> = BTreeMap::new();
    for (end, nm) in by_end {
        alike.entry(nm).or_default().push(end.word());
    }
    let in_words = |(nm, ends): (BTreeSet<u16>, Vec<&str>)| {
        let nm: Vec<String> = nm.iter().map(u16::to_string).collect();
        format!("at {} nm {}", nm.join(" and "), ends.join(" and "))
    };
    let parts: Vec<String> = alike.into_iter().map(in_words).collect();
    format!("the measurements {} are missing", parts.join(" and "))
}
