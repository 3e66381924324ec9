//! Two rounds side by side: a table and a document.

use std::collections::BTreeMap;

use serde::Serialize;

use super::rounded::rounded;
use super::table::{self, Align, Column};
use super::{CAUTION, escape};
use crate::diagnose::{self, Change, Comparison, Quantity};
use crate::plan;
use crate::units::Measured;

/// One fibre's comparison: its number, and the comparison, or what is missing.
pub type Compared = (Option<u32>, Result<Comparison, String>);

const COLUMNS: [Column; 6] = [
    ("part", Align::Left),
    ("nm", Align::Right),
    ("then", Align::Right),
    ("now", Align::Right),
    ("change dB", Align::Right),
    ("sigmas", Align::Right),
];

/// The table of each fibre: sure changes, or all of them.
pub fn lines(compared: &[Compared], all: bool, width: usize) -> Vec<String> {
    let mut out = Vec::new();
    for (fiber, comparison) in compared {
        let whose = fiber.map_or("the link".to_owned(), |n| format!("fibre {n}"));
        match comparison {
            Err(missing) => out.extend(table::wrap(&format!("{whose}: {missing}"), width)),
            Ok(comparison) => {
                let own = one(&whose, comparison, all, width);
                let is_table = own.len() > 1;
                out.extend(own);
                out.extend(is_table.then(String::new));
            }
        }
    }
    if out.last().is_some_and(|line| !line.is_empty()) {
        out.push(String::new());
    }
    out.extend(notes(compared).iter().flat_map(|note| table::hung(note, width)));
    out
}

/// Each note once; where it does not hold of all that were compared, of which it does.
fn notes(compared: &[Compared]) -> Vec<String> {
    let known = || compared.iter().filter_map(|(fiber, own)| Some((fiber, own.as_ref().ok()?)));
    let mut fibers: BTreeMap<&str, Vec<u32>> = BTreeMap::new();
    for (fiber, comparison) in known() {
        for note in &comparison.notes {
            fibers.entry(note).or_default().extend(fiber);
        }
    }
    let says = |(note, fibers): (&str, Vec<u32>)| match fibers.as_slice() {
        [] => note.to_owned(),
        some if some.len() == known().count() => note.to_owned(),
        [one] => format!("fibre {one}: {note}"),
        some => format!("fibres {}: {note}", plan::ranges(some)),
    };
    fibers.into_iter().map(says).collect()
}

fn one(whose: &str, comparison: &Comparison, all: bool, width: usize) -> Vec<String> {
    let sure = comparison.changes.iter().filter(|c| c.is_sure).count();
    let count = comparison.changes.len();
    let head = match sure {
        0 => format!("{whose}: nothing changed that chance does not explain, of {count} figures"),
        _ => format!("{whose}: {sure} of {count} figures changed by more than chance explains"),
    };
    let mut out = table::wrap(&head, width);
    if !comparison.missing_nm.is_empty() {
        let nm: Vec<String> = comparison.missing_nm.iter().map(u16::to_string).collect();
        let nm = nm.join(", ");
        out.extend(table::hung(
            &format!("not measured in the later round: {nm} nm; what changed there nobody knows"),
            width,
        ));
    }
    if comparison.copied > 0 {
        let says = format!("not measured again: {}", diagnose::copied(comparison.copied));
        out.extend(table::hung(&says, width));
    }
    match comparison.stops_m {
        [None, Some(at)] => out.push(format!("  the light stops at {at:.1} m now")),
        [Some(at), None] => out.push(format!("  the light stopped at {at:.1} m, and goes on now")),
        _ => {}
    }
    let shown = comparison.changes.iter().filter(|c| all || c.is_sure);
    let rows: Vec<Vec<String>> = shown.map(row).collect();
    out.extend(table::lines(&COLUMNS, &rows, width));
    out
}

fn row(change: &Change) -> Vec<String> {
    let figure = |m: Option<Measured>| {
        m.map_or("–".into(), |m| m.to_string().split(" ± ").next().unwrap_or("").to_owned())
    };
    let name = match change.part.chars().count() {
        0..=20 => escape::terminal(&change.part),
        _ => format!("fibre from {:.0} m", change.at_m),
    };
    let nm =
        if change.wavelength_nm == 0 { String::new() } else { change.wavelength_nm.to_string() };
    vec![
        match change.quantity {
            Quantity::Loss => name,
            Quantity::Reflectance => format!("{name} (peak)"),
            Quantity::Length => "length in m".into(),
        },
        nm,
        figure(change.old),
        figure(change.new),
        table::close(&change.change.to_string()),
        format!("{:.1}{}", change.significance(), if change.is_sure { " !" } else { "" }),
    ]
}

fn unit(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Loss | Quantity::Reflectance => "dB",
        Quantity::Length => "m",
    }
}

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    caution: &'static str,
    fibers: Vec<FiberData<'a>>,
}

#[derive(Serialize)]
struct FiberData<'a> {
    fiber: Option<u32>,
    missing: Option<&'a str>,
    stopped_m: Option<f64>,
    stops_m: Option<f64>,
    missing_nm: &'a [u16],
    copied: usize,
    changes: Vec<ChangeData<'a>>,
    notes: &'a [String],
}

#[derive(Serialize)]
struct ChangeData<'a> {
    part: &'a str,
    at_m: f64,
    wavelength_nm: Option<u16>,
    quantity: &'static str,
    unit: &'static str,
    old: Option<f64>,
    new: Option<f64>,
    change: f64,
    change_sigma: f64,
    significance: f64,
    sure: bool,
    worse: bool,
}

/// The document `strandline.comparison/1`.
///
/// # Errors
/// Never in practice: the document has no keys that JSON could not hold.
pub fn json(compared: &[Compared]) -> Result<String, serde_json::Error> {
    let fibers = compared
        .iter()
        .map(|(fiber, comparison)| {
            let done = comparison.as_ref().ok();
            FiberData {
                fiber: *fiber,
                missing: comparison.as_ref().err().map(String::as_str),
                stopped_m: done.and_then(|c| c.stops_m[0]).map(rounded),
                stops_m: done.and_then(|c| c.stops_m[1]).map(rounded),
                missing_nm: done.map_or(&[], |c| &c.missing_nm),
                copied: done.map_or(0, |c| c.copied),
                changes: done.map_or(Vec::new(), |c| c.changes.iter().map(change).collect()),
                notes: done.map_or(&[], |c| &c.notes),
            }
        })
        .collect();
    let document = Document { schema: "strandline.comparison/1", caution: CAUTION, fibers };
    Ok(escape::json(serde_json::to_string_pretty(&document)?) + "\n")
}

fn change(one: &Change) -> ChangeData<'_> {
    ChangeData {
        part: &one.part,
        at_m: rounded(one.at_m),
        wavelength_nm: (one.wavelength_nm > 0).then_some(one.wavelength_nm),
        quantity: match one.quantity {
            Quantity::Loss => "loss",
            Quantity::Reflectance => "reflectance",
            Quantity::Length => "length",
        },
        unit: unit(one.quantity),
        old: one.old.map(|m| rounded(m.value)),
        new: one.new.map(|m| rounded(m.value)),
        change: rounded(one.change.value),
        change_sigma: rounded(one.change.sigma),
        significance: rounded(one.significance()),
        sure: one.is_sure,
        worse: one.is_worse(),
    }
}
