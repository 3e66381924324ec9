//! The review as tables for spreadsheets: rows as data once, then as CSV or as a workbook.
//!
//! The figures are those of the document `strandline.review/1`, taken from it.

use std::collections::BTreeSet;

use super::escape;
use super::review::{self, Document, FindingData};
use crate::job::Review;
use crate::plan::Plan;

/// What stands in a cell.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Nothing: the figure cannot be had.
    Empty,
    /// Words, already harmless in a spreadsheet.
    Text(String),
    /// A figure in the unit of its column.
    Number(f64),
}

impl From<&str> for Cell {
    fn from(text: &str) -> Cell {
        let text = escape::cell(text);
        if text.is_empty() { Cell::Empty } else { Cell::Text(text) }
    }
}

impl From<f64> for Cell {
    fn from(value: f64) -> Cell {
        if value.is_finite() { Cell::Number(value) } else { Cell::Empty }
    }
}

impl From<u32> for Cell {
    fn from(value: u32) -> Cell {
        Cell::Number(f64::from(value))
    }
}

impl From<u16> for Cell {
    fn from(value: u16) -> Cell {
        Cell::Number(f64::from(value))
    }
}

impl From<&String> for Cell {
    fn from(text: &String) -> Cell {
        Cell::from(text.as_str())
    }
}

impl<T: Into<Cell>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Cell {
        value.map_or(Cell::Empty, Into::into)
    }
}

/// One table.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// Its name, one word.
    pub name: &'static str,
    /// Headings; the unit is a heading's last word.
    pub columns: Vec<String>,
    /// Rows, each with a cell for every column.
    pub rows: Vec<Vec<Cell>>,
}

impl Sheet {
    fn new(name: &'static str, columns: &[&str], rows: Vec<Vec<Cell>>) -> Sheet {
        Sheet { name, columns: columns.iter().map(|&c| c.to_owned()).collect(), rows }
    }
}

/// All tables of a review: tests, links, joints, sections, findings.
pub fn tables(review: &Review, plan: &Plan) -> Vec<Sheet> {
    let document = review::document(review, plan, "");
    vec![
        tests(&document),
        links(&document),
        joints(&document),
        sections(&document),
        findings(&document),
    ]
}

const TESTS: [&str; 12] = [
    "fiber",
    "wavelength_nm",
    "direction",
    "verdict",
    "counts",
    "reasons",
    "file",
    "sha256",
    "instrument",
    "serial",
    "operator",
    "measured_at",
];

/// A row for each planned measurement and each file.
fn tests(document: &Document) -> Sheet {
    let row = |t: &review::TestData| {
        vec![
            t.fiber.into(),
            t.wavelength_nm.into(),
            t.direction.into(),
            t.verdict.into(),
            if t.counts { "yes" } else { "no" }.into(),
            (&t.reasons.join("; ")).into(),
            t.file.as_ref().into(),
            t.sha256.as_ref().into(),
            t.instrument.as_ref().into(),
            t.serial.as_ref().into(),
            t.operator.as_ref().into(),
            t.measured_at.as_ref().into(),
        ]
    };
    Sheet::new("tests", &TESTS, document.tests.iter().map(row).collect())
}

const LINKS: [&str; 16] = [
    "fiber",
    "color",
    "tube_color",
    "fiber_verdict",
    "length_m",
    "wavelength_nm",
    "loss_db",
    "loss_sigma_db",
    "limit_db",
    "verdict",
    "return_loss_db",
    "return_loss_sigma_db",
    "return_loss_verdict",
    "splice_mean_db",
    "splice_mean_sigma_db",
    "splice_mean_verdict",
];

/// A row for each fibre and wavelength.
fn links(document: &Document) -> Sheet {
    let mut rows = Vec::new();
    for fiber in &document.fibers {
        for link in &fiber.links {
            rows.push(vec![
                fiber.fiber.into(),
                fiber.color.as_str().into(),
                fiber.tube_color.as_str().into(),
                fiber.verdict.into(),
                fiber.length_m.into(),
                link.wavelength_nm.into(),
                link.loss_db.into(),
                link.loss_sigma_db.into(),
                link.limit_db.into(),
                link.verdict.into(),
                link.return_loss_db.into(),
                link.return_loss_sigma_db.into(),
                link.return_loss_verdict.into(),
                link.splice_mean_db.into(),
                link.splice_mean_sigma_db.into(),
                link.splice_mean_verdict.into(),
            ]);
        }
    }
    Sheet::new("links", &LINKS, rows)
}

const JOINTS: [&str; 19] = [
    "fiber",
    "joint",
    "at_m",
    "at_sigma_m",
    "wavelength_nm",
    "loss_from_a_db",
    "loss_from_a_sigma_db",
    "loss_from_b_db",
    "loss_from_b_sigma_db",
    "loss_db",
    "loss_sigma_db",
    "step_db",
    "step_sigma_db",
    "bend_db",
    "bend_sigma_db",
    "reflectance_db",
    "reflectance_sigma_db",
    "verdict",
    "waived",
];

/// A row for each fibre, joint or end connector, and wavelength.
fn joints(document: &Document) -> Sheet {
    let mut rows = Vec::new();
    for fiber in &document.fibers {
        for joint in &fiber.joints {
            rows.push(vec![
                fiber.fiber.into(),
                (&joint.name).into(),
                joint.at_m.into(),
                joint.at_sigma_m.into(),
                joint.wavelength_nm.into(),
                joint.loss_from_a_db.into(),
                joint.loss_from_a_sigma_db.into(),
                joint.loss_from_b_db.into(),
                joint.loss_from_b_sigma_db.into(),
                joint.loss_db.into(),
                joint.loss_sigma_db.into(),
                joint.step_db.into(),
                joint.step_sigma_db.into(),
                joint.bend_db.into(),
                joint.bend_sigma_db.into(),
                joint.reflectance_db.into(),
                joint.reflectance_sigma_db.into(),
                joint.verdict.into(),
                joint.waived.as_ref().into(),
            ]);
        }
    }
    Sheet::new("joints", &JOINTS, rows)
}

const SECTIONS: [&str; 9] = [
    "fiber",
    "wavelength_nm",
    "direction",
    "from_m",
    "to_m",
    "attenuation_db_per_km",
    "attenuation_sigma_db_per_km",
    "limit_db_per_km",
    "verdict",
];

/// A row for each section of each trace that counts.
fn sections(document: &Document) -> Sheet {
    let mut rows = Vec::new();
    for fiber in &document.fibers {
        for section in &fiber.sections {
            rows.push(vec![
                fiber.fiber.into(),
                section.wavelength_nm.into(),
                section.direction.into(),
                section.from_m.into(),
                section.to_m.into(),
                section.attenuation_db_per_km.into(),
                section.attenuation_sigma_db_per_km.into(),
                section.limit_db_per_km.into(),
                section.verdict.into(),
            ]);
        }
    }
    Sheet::new("sections", &SECTIONS, rows)
}

const FINDINGS: [&str; 8] = ["fiber", "severity", "kind", "where", "at_m", "says", "next", "files"];

/// A row for each finding; behind it each figure that any finding rests on, in a column of its own.
fn findings(document: &Document) -> Sheet {
    let of_fibers = document
        .fibers
        .iter()
        .flat_map(|fiber| fiber.findings.iter().map(move |found| (Some(fiber.fiber), found)));
    let all: Vec<(Option<u32>, &FindingData)> =
        of_fibers.chain(document.findings.iter().map(|found| (None, found))).collect();
    let names: BTreeSet<&str> =
        all.iter().flat_map(|(_, found)| found.evidence.keys().copied()).collect();
    let row = |(fiber, found): &(Option<u32>, &FindingData)| {
        let mut row = vec![
            (*fiber).into(),
            found.severity.into(),
            found.kind.into(),
            found.place.as_ref().into(),
            found.at_m.into(),
            (&found.says).into(),
            (&found.next).into(),
            (&found.files.join("; ")).into(),
        ];
        row.extend(names.iter().map(|name| Cell::from(found.evidence.get(name).copied())));
        row
    };
    let mut sheet = Sheet::new("findings", &FINDINGS, all.iter().map(row).collect());
    sheet.columns.extend(names.iter().map(|name| format!("evidence_{name}")));
    sheet
}

/// A table as CSV in UTF-8, the headings first.
///
/// # Errors
/// Never in practice: it writes to memory, and each row has a cell for every column.
pub fn csv(sheet: &Sheet) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(&sheet.columns)?;
    for row in &sheet.rows {
        writer.write_record(row.iter().map(|cell| match cell {
            Cell::Empty => String::new(),
            Cell::Text(text) => text.clone(),
            Cell::Number(value) => value.to_string(),
        }))?;
    }
    writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))
}
