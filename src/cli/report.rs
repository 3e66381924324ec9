//! `strandline review --report`: a review as a folder of files.

use std::path::Path;

use rayon::prelude::*;
use strandline::job::{Review, TestVerdict};
use strandline::plan::Plan;
use strandline::report::{escape, page, pdf, review, sheets, workbook};
use strandline::{disk, source};

use super::{Exit, Out};

/// Writes the files of a report. All are made before the first is written, and each appears whole.
pub(super) fn write(folder: &Path, review: &Review, plan: &Plan, sha256: &str, out: &Out) -> Exit {
    let files = files(review, plan, sha256)
        .map_err(|message| format!("the report could not be made: {message}"));
    let Some(files) = out.told(files) else { return Exit::CouldNot };
    for (name, bytes) in &files {
        let path = folder.join(name);
        if let Err(error) = disk::write_whole(&path, bytes) {
            out.error(
                &format!("{}: cannot be written: {error}", path.display()),
                Some("the report is not complete: make it again where there is room and it may be written"),
            );
            return Exit::CouldNot;
        }
    }
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    out.note(&format!("written into {}: {}", folder.display(), names.join(", ")));
    Exit::Done
}

/// Names and contents of a report's files.
fn files(review: &Review, plan: &Plan, sha256: &str) -> Result<Vec<(String, Vec<u8>)>, String> {
    let made_unix_s = made_unix_s(review)?;
    let tables = sheets::tables(review, plan);
    let traces = traces(review, plan)?;
    let json = || review::json(review, plan, sha256).map(String::into_bytes).map_err(said);
    let html =
        || page::html(review, plan, sha256, &traces.packed).map(String::into_bytes).map_err(said);
    let pdf = || {
        let drawn = &traces.drawn;
        let source = pdf::Source { review, plan, plan_sha256: sha256, made_unix_s, drawn };
        pdf::pdf(&source).map_err(said)
    };
    let xlsx = || {
        let title = format!("Review of {}", escape::terminal(&plan.cable.id));
        workbook::xlsx(&tables, &title, made_unix_s).map_err(said)
    };
    let ((json, html), (pdf, xlsx)) =
        rayon::join(|| rayon::join(json, html), || rayon::join(pdf, xlsx));
    let mut files = vec![
        ("review.json".to_owned(), json?),
        ("review.html".to_owned(), html?),
        ("review.pdf".to_owned(), pdf?),
        ("review.xlsx".to_owned(), xlsx?),
    ];
    for sheet in &tables {
        files.push((format!("{}.csv", sheet.name), sheets::csv(sheet).map_err(said)?));
    }
    Ok(files)
}

#[expect(clippy::needless_pass_by_value, reason = "it stands in map_err")]
fn said(error: impl ToString) -> String {
    error.to_string()
}

/// What pages show of the samples.
struct Traces {
    packed: Vec<page::Packed>,
    drawn: Vec<pdf::Drawn>,
}

/// Every measurement that counts, made ready for both pages, and for the one for browsers what was
/// superseded or is surplus: each file is read again, once and several at a time, so that a job's samples
/// are never all in memory.
fn traces(review: &Review, plan: &Plan) -> Result<Traces, String> {
    let rows: Vec<(usize, usize)> = review
        .rows
        .iter()
        .enumerate()
        .filter(|(_, row)| row.counts || beside(row.verdict))
        .filter_map(|(n, row)| Some((n, row.test?)))
        .collect();
    let ready = |&(row, test): &(usize, usize)| {
        let test = &review.tests[test];
        let content = test.read()?;
        let ready = test.trace(plan, &source::Options::default()).and_then(|trace| {
            let packed = page::packed(row, rows.len(), &trace, content, plan).map_err(said)?;
            let counts = review.rows[row].counts;
            Ok((packed, pdf::Drawn::of(&trace, content, plan).filter(|_| counts)))
        });
        Some(ready.map_err(|error| format!("{}: {error}", test.path.display())))
    };
    let ready: Vec<Option<Result<_, String>>> = rows.par_iter().map(ready).collect();
    let mut traces = Traces { packed: Vec::new(), drawn: Vec::new() };
    for one in ready.into_iter().flatten() {
        let (packed, drawn) = one?;
        traces.packed.push(packed);
        traces.drawn.extend(drawn);
    }
    Ok(traces)
}

fn beside(verdict: TestVerdict) -> bool {
    matches!(verdict, TestVerdict::Superseded | TestVerdict::Surplus)
}

/// The date of a document: SOURCE_DATE_EPOCH where that is set, else when the last trace was taken.
/// The clock would make every run's bytes differ.
/// Source: reproducible-builds.org, "SOURCE_DATE_EPOCH specification".
fn made_unix_s(review: &Review) -> Result<u32, String> {
    let Some(stated) = std::env::var_os("SOURCE_DATE_EPOCH") else {
        let taken = review.tests.iter().filter_map(|test| test.read()?.measured_at_unix_s);
        return Ok(taken.max().unwrap_or(0));
    };
    stated.to_str().and_then(|text| text.parse().ok()).ok_or_else(|| {
        format!("SOURCE_DATE_EPOCH is {}, expected seconds since 1970", stated.display())
    })
}
