//! `strandline review`: may this job be handed over?

use std::path::{Path, PathBuf};

use rayon::prelude::*;
use strandline::job::Review;
use strandline::plan::{self, Plan};
use strandline::report::{escape, page, review, sheets, workbook};
use strandline::{disk, job, source};

use super::files;
use super::progress::Progress;
use super::{Exit, Out};

/// Everything a plan asks of a folder of traces: what is there, what fails, what is missing
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline review traces/job --plan traces/job/plan.toml\n\nEnds with 0 where all is well, 1 where something failed, is undecided or missing, 2 where a file could not be read."
)]
pub(crate) struct Args {
    /// Folders of traces, or trace files
    #[arg(required = true, value_name = "FOLDER")]
    paths: Vec<PathBuf>,
    /// The plan
    #[arg(long, value_name = "PLAN")]
    plan: PathBuf,
    /// The document strandline.review/1 for programs
    #[arg(long)]
    json: bool,
    /// Write the whole review into a folder: the document, a page for a browser, and tables for spreadsheets
    #[arg(long, value_name = "DIR")]
    report: Option<PathBuf>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let (plan, plan_sha256) = match read_plan(&args.plan) {
        Ok(read) => read,
        Err(message) => {
            out.error(&message, None);
            return Exit::CouldNot;
        }
    };
    let (files, listed) = files::found(&args.paths, out);
    let review = of(files, &plan);
    if args.json {
        match review::json(&review, &plan, &plan_sha256) {
            Ok(text) => out.print(&text),
            Err(error) => {
                out.error(&format!("the document could not be written: {error}"), None);
                return Exit::CouldNot;
            }
        }
    } else {
        out.lines(&review::lines(&review, &plan, out.width));
        out.caution();
    }
    let written = match &args.report {
        Some(folder) => write_report(folder, &review, &plan, &plan_sha256, out),
        None => Exit::Done,
    };
    let objection = if review.is_clean() { Exit::Done } else { Exit::Objection };
    objection.max(listed).max(unreadable(&review, out)).max(written)
}

/// Writes the files of a report. All are made before the first is written, and each appears whole.
fn write_report(folder: &Path, review: &Review, plan: &Plan, sha256: &str, out: &Out) -> Exit {
    let files = match report_files(review, plan, sha256) {
        Ok(files) => files,
        Err(message) => {
            out.error(&format!("the report could not be made: {message}"), None);
            return Exit::CouldNot;
        }
    };
    for (name, bytes) in &files {
        let path = folder.join(name);
        if let Err(error) = disk::write_whole(&path, bytes) {
            out.error(
                &format!("{}: cannot be written: {error}", path.display()),
                Some("the report is not complete: --report takes a folder that can be written"),
            );
            return Exit::CouldNot;
        }
    }
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    out.note(&format!("written into {}: {}", folder.display(), names.join(", ")));
    Exit::Done
}

/// Names and contents of a report's files.
fn report_files(
    review: &Review,
    plan: &Plan,
    sha256: &str,
) -> Result<Vec<(String, Vec<u8>)>, String> {
    let json = review::json(review, plan, sha256).map_err(|error| error.to_string())?;
    let html = page_of(review, plan, sha256)?;
    let mut files = vec![
        ("review.json".to_owned(), json.into_bytes()),
        ("review.html".to_owned(), html.into_bytes()),
    ];
    let tables = sheets::tables(review, plan);
    for sheet in &tables {
        let csv = sheets::csv(sheet).map_err(|error| error.to_string())?;
        files.push((format!("{}.csv", sheet.name), csv));
    }
    let title = format!("Review of {}", escape::terminal(&plan.cable.id));
    let xlsx = workbook::xlsx(&tables, &title, made_unix_s(review)?);
    files.push(("review.xlsx".to_owned(), xlsx.map_err(|error| error.to_string())?));
    Ok(files)
}

/// The page, with the samples of every measurement that counts: each file is read again, several at a
/// time, so that a job's samples are never all in memory.
fn page_of(review: &Review, plan: &Plan, sha256: &str) -> Result<String, String> {
    let rows: Vec<(usize, usize)> = review
        .rows
        .iter()
        .enumerate()
        .filter(|(_, row)| row.counts)
        .filter_map(|(n, row)| Some((n, row.test?)))
        .collect();
    let pack = |&(row, test): &(usize, usize)| {
        let test = &review.tests[test];
        let content = test.read()?;
        let packed = test.trace(plan, &source::Options::default()).and_then(|trace| {
            page::packed(row, rows.len(), &trace, content, plan).map_err(|error| error.to_string())
        });
        Some(packed.map_err(|error| format!("{}: {error}", test.path.display())))
    };
    let packed: Vec<Option<Result<page::Packed, String>>> = rows.par_iter().map(pack).collect();
    let packed: Vec<page::Packed> = packed.into_iter().flatten().collect::<Result<_, String>>()?;
    page::html(review, plan, sha256, &packed).map_err(|error| error.to_string())
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

/// The review of some files, with a bar for who waits.
pub(super) fn of(files: Vec<PathBuf>, plan: &Plan) -> Review {
    let progress = Progress::new(files.len());
    job::review(files, plan, &source::Options::default(), &|| progress.step())
}

/// Reports the files of a review that could not be read.
pub(super) fn unreadable(review: &Review, out: &Out) -> Exit {
    let mut exit = Exit::Done;
    for test in &review.tests {
        if let Err(error) = &test.content {
            out.error(&format!("{}: {error}", test.path.display()), None);
            exit = Exit::CouldNot;
        }
    }
    exit
}

pub(super) fn read_plan(path: &std::path::Path) -> Result<(Plan, String), String> {
    let text = disk::read_text(path)
        .map_err(|error| format!("{}: cannot be read: {error}", path.display()))?;
    let plan = plan::read(&text).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok((plan, disk::sha256(text.as_bytes())))
}
