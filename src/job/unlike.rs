//! Fibres whose files show different lengths although no majority tells which of them is wrong: two wavelengths
//! from one end, say, of two fibres that bear each other's number at one of them.
//!
//! Lengths are compared as light measures them, index times metres, so that no file's index matters. What is left
//! between two wavelengths or two ends is common to all fibres: dispersion, time bases, where an instrument's
//! panel lies. A fibre is borne out by any other that has the same ratio.

use std::collections::{BTreeMap, BTreeSet};

use super::check::finding;
use super::label::{LEAST_ODD_M, Labels, SURELY_ODD_SHARE};
use super::swapped::Pair;
use super::{Direction, Finding, Row, Severity, Test};
use crate::plan::Plan;
use crate::units::TIME_BASE_ERROR;

/// Between two wavelengths lengths of two fibres of one kind differ by no more than this share: zero dispersion lies
/// at 1300 to 1324 nm (from memory of ITU-T G.652). By hand, of its formula for the delay with a slope of
/// 0.09 ps/(nm²·km): 0.083e-3 from 1310 to 1550 nm, 0.10e-3 to 1625 nm.
const DISPERSION_SHARE: f64 = 1e-4;
/// So many sigma are no chance, as with labels.
const SIGMAS: f64 = 6.0;
/// What panels may hide where no launch cord is used, in metres: a patch cord more at one end. Common practice, no
/// source.
const PANEL_M: f64 = 5.0;

type Column = (u16, Direction);

/// What one file that counts shows.
struct Shown<'a> {
    test: &'a Test,
    /// Metres as its file counts them, to be said.
    length_m: f64,
    /// The logarithm of index times length, and one sigma of that.
    log: f64,
    log_sigma: f64,
    serial: &'a str,
}

type Fibers<'a> = BTreeMap<u32, BTreeMap<Column, Shown<'a>>>;

/// What is said of each fibre whose lengths contradict each other. Of `copies`, of `swaps` and of fibres with a file
/// whose label is known to be wrong more is said already, and they bear out nothing.
pub(super) fn lengths(
    (tests, rows): (&[Test], &[Row]),
    labels: &Labels,
    (copies, swaps): (&BTreeSet<usize>, &[Pair]),
    plan: &Plan,
) -> Vec<Finding> {
    let is_explained = |fiber: u32| {
        let mut wrong = labels.wrong.values();
        wrong.any(|own| own.key.0 == fiber)
            || swaps.iter().any(|pair| pair.0 == fiber || pair.1 == fiber)
    };
    let mut fibers = Fibers::new();
    for row in rows.iter().filter(|row| row.counts && !row.unsettled) {
        let believed = row.test.filter(|i| labels.placed.contains(i) && !copies.contains(i));
        let key = row.fiber.zip(row.wavelength_nm).zip(row.direction);
        let Some((i, ((fiber, nm), end))) = believed.zip(key) else { continue };
        if let Some(shown) = shown(&tests[i]).filter(|_| !is_explained(fiber)) {
            fibers.entry(fiber).or_default().insert((nm, end), shown);
        }
    }
    let columns: BTreeSet<Column> = fibers.values().flat_map(BTreeMap::keys).copied().collect();
    let columns: Vec<Column> = columns.into_iter().collect();
    let mut said: BTreeMap<u32, Vec<(Column, Column)>> = BTreeMap::new();
    for (i, first) in columns.iter().enumerate() {
        for second in &columns[i + 1..] {
            let has_panels = plan.measure.launch_m.is_none() && first.1 != second.1;
            for fiber in contradictory(&ratios(&fibers, (*first, *second)), has_panels) {
                said.entry(fiber).or_default().push((*first, *second));
            }
        }
    }
    said.retain(|fiber, pairs| !is_one(&fibers[fiber], pairs));
    said.into_iter().map(|(fiber, pairs)| found(fiber, &fibers[&fiber], &pairs)).collect()
}

/// Whether a fibre's files belong together although some `pairs` contradict each other: other fibres bear out others,
/// which lead from each file to each. The contradiction is another fibre's then.
fn is_one(own: &BTreeMap<Column, Shown>, pairs: &[(Column, Column)]) -> bool {
    let is_borne_out = |one: &Column, other: &Column| {
        !pairs.contains(&(*one, *other)) && !pairs.contains(&(*other, *one))
    };
    let mut reached: BTreeSet<&Column> = own.keys().take(1).collect();
    loop {
        let is_next = |column: &&Column| reached.iter().any(|other| is_borne_out(column, other));
        let more: BTreeSet<&Column> =
            own.keys().filter(|column| reached.contains(column) || is_next(column)).collect();
        if more.len() == reached.len() {
            return reached.len() == own.len();
        }
        reached = more;
    }
}

fn shown(test: &Test) -> Option<Shown<'_>> {
    let content = test.read()?;
    let length = content.length_m.filter(|m| m.value > 0.0 && content.stops_m.is_none())?;
    Some(Shown {
        test,
        length_m: length.value,
        log: (length.value * content.used_index).ln(),
        log_sigma: length.sigma / length.value,
        serial: &content.serial,
    })
}

/// How much longer a fibre is in one of two columns than in the other.
struct Ratio<'a> {
    fiber: u32,
    length_m: f64,
    log: f64,
    log_sigma: f64,
    serials: [&'a str; 2],
    is_other_nm: bool,
}

fn ratios<'a>(fibers: &Fibers<'a>, columns: (Column, Column)) -> Vec<Ratio<'a>> {
    let of = |(fiber, own): (&u32, &BTreeMap<Column, Shown<'a>>)| {
        let (one, other) = own.get(&columns.0).zip(own.get(&columns.1))?;
        Some(Ratio {
            fiber: *fiber,
            length_m: one.length_m,
            log: one.log - other.log,
            log_sigma: one.log_sigma.hypot(other.log_sigma),
            serials: [one.serial, other.serial],
            is_other_nm: columns.0.0 != columns.1.0,
        })
    };
    fibers.iter().filter_map(of).collect()
}

/// Two instruments' time bases, as a share.
fn time_bases(count: usize) -> f64 {
    (2.0 * count as f64).sqrt() * TIME_BASE_ERROR
}

impl Ratio<'_> {
    fn reach(&self, sigma: f64) -> f64 {
        (LEAST_ODD_M / self.length_m).max(SIGMAS * sigma)
    }

    /// Whether two fibres differ alike.
    fn agrees(&self, other: &Ratio) -> bool {
        let instruments = (0..2).filter(|i| self.serials[*i] != other.serials[*i]).count();
        let sigma = self.log_sigma.hypot(other.log_sigma).hypot(time_bases(instruments));
        let dispersion = if self.is_other_nm { DISPERSION_SHARE } else { 0.0 };
        (self.log - other.log).abs() < self.reach(sigma) + dispersion
    }

    /// Whether it may be one fibre's, as far as can be told without another.
    fn is_possible(&self, has_panels: bool) -> bool {
        let instruments = usize::from(self.serials[0] != self.serials[1]);
        let sigma = self.log_sigma.hypot(time_bases(instruments));
        let index = if self.is_other_nm { SURELY_ODD_SHARE } else { 0.0 };
        let panels = if has_panels { PANEL_M / self.length_m } else { 0.0 };
        self.log.abs() < self.reach(sigma) + index + panels
    }
}

/// The fibres that nothing bears out: no other has their ratio.
fn contradictory(ratios: &[Ratio], has_panels: bool) -> Vec<u32> {
    let is_alone =
        |own: &&Ratio| !ratios.iter().any(|other| other.fiber != own.fiber && own.agrees(other));
    let alone: Vec<&Ratio> = ratios.iter().filter(is_alone).collect();
    let is_possible: Vec<bool> = alone.iter().map(|own| own.is_possible(has_panels)).collect();
    let is_contradictory = |own: usize| {
        if !is_possible[own] {
            return true;
        }
        if ratios.len() > alone.len() {
            return true; // others bear each other out
        }
        let others = || (0..alone.len()).filter(|other| *other != own);
        // What no one fibre can be is wrong by itself, unless its file and one of this fibre's are exchanged.
        let is_against = |other: usize| {
            is_possible[other] || middle(alone[own], alone[other]).is_possible(has_panels)
        };
        others().any(is_against)
            && !others().any(|one| {
                let mut behind = others().filter(|other| *other > one);
                behind.any(|other| alone[own].agrees(&middle(alone[one], alone[other])))
            })
    };
    (0..alone.len()).filter(|own| is_contradictory(*own)).map(|own| alone[own].fiber).collect()
}

/// What two fibres' ratio is if two of their files are exchanged: each is off to another side of it.
fn middle<'a>(one: &Ratio<'a>, other: &Ratio<'a>) -> Ratio<'a> {
    Ratio {
        log: 0.5 * (one.log + other.log),
        log_sigma: 0.5 * one.log_sigma.hypot(other.log_sigma),
        ..*one
    }
}

/// What is said of a fibre, by the columns that contradict each other in it.
fn found(fiber: u32, own: &BTreeMap<Column, Shown>, pairs: &[(Column, Column)]) -> Finding {
    let apart_m =
        |(one, other): &&(Column, Column)| (own[one].length_m - own[other].length_m).abs();
    let columns: BTreeSet<&Column> = pairs.iter().flat_map(|pair| [&pair.0, &pair.1]).collect();
    let ends: BTreeSet<Direction> = columns.iter().map(|column| column.1).collect();
    let wavelengths: BTreeSet<u16> = columns.iter().map(|column| column.0).collect();
    let in_words = |column: &Column| {
        let length_m = own[column].length_m;
        match (wavelengths.len(), ends.len()) {
            (_, 1) => format!("{length_m:.1} m at {} nm", column.0),
            (1, _) => format!("{length_m:.1} m {}", column.1.word()),
            _ => format!("{length_m:.1} m at {} nm {}", column.0, column.1.word()),
        }
    };
    let each: Vec<String> = columns.iter().map(|column| in_words(column)).collect();
    let says = format!(
        "its files show fibres of different length: {}; one of them is under a wrong label, and nothing tells which",
        each.join(", ")
    );
    let next =
        "measure it again, seeing that it is this fibre, or correct the label of a copy (relabel)";
    let mut found = finding("wrong-label", Severity::Fault, Some(fiber), says, next);
    found.files = columns.iter().map(|column| own[column].test.path.clone()).collect();
    let most = pairs.iter().max_by(|a, b| apart_m(a).total_cmp(&apart_m(b)));
    found.evidence.extend(most.map(|pair| ("apart_m", apart_m(&pair))));
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Which fibres contradict themselves, by what each one's 10 km are longer at 1550 nm than at 1310 nm.
    fn of(apart_m: &[f64]) -> Vec<u32> {
        let ratio = |(apart_m, fiber): (&f64, u32)| Ratio {
            fiber,
            length_m: 1e4,
            log: apart_m / 1e4,
            log_sigma: 2e-6, // 2 cm
            serials: ["1", "1"],
            is_other_nm: true,
        };
        contradictory(&apart_m.iter().zip(1..).map(ratio).collect::<Vec<_>>(), false)
    }

    #[test]
    fn a_fibre_that_no_other_bears_out_is_told_and_none_that_one_does() {
        // By hand: 0.3 m and dispersion's 1 m of 10 km are allowed between two fibres, 10 m and 0.3 m where there is
        // but one.
        let cases: [(&[f64], &[u32]); 11] = [
            (&[4.5], &[]),                  // glass of this kind
            (&[12.0], &[1]),                // no glass at all
            (&[4.5, 4.9], &[]),             // two of one kind
            (&[12.5, -3.5], &[1, 2]),       // exchanged, of which one is no glass
            (&[9.5, -0.5], &[1, 2]),        // exchanged: 4.5 ± 5 m
            (&[30.0, 4.5], &[1]),           // the first is no glass
            (&[9.5, 4.5, -0.5], &[1, 3]),   // exchanged, the second between them
            (&[9.5, 3.5, 0.5], &[1, 2, 3]), // in a ring of three
            (&[4.5, 4.6, 9.5], &[3]),
            (&[4.5, 4.6, -1.0, -1.1], &[]), // two kinds of glass in one cable
            (&[8.5, 0.5, 6.5, 2.5, 4.5, 4.5], &[1, 2, 3, 4]),
        ];
        for (apart_m, wrong) in cases {
            assert_eq!(of(apart_m), wrong, "{apart_m:?}");
        }
    }
}
