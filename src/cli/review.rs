//! `strandline review`: may this job be handed over?

use std::path::{Path, PathBuf};

use strandline::job::Review;
use strandline::plan::{self, Plan};
use strandline::report::{jobs as listing, matrix, review};
use strandline::{disk, job, source};

use super::files;
use super::jobs::{self, Order, Work};
use super::progress::Progress;
use super::report;
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
    /// The plan, else the folder's own plan.toml; one for each folder reviews several jobs
    #[arg(long, value_name = "PLAN")]
    plan: Vec<PathBuf>,
    /// Several jobs: their order
    #[arg(long, value_enum, default_value = "name", value_name = "ORDER")]
    sort: Order,
    /// The worklist instead: what to measure or repair next, on the way from end a to end b
    #[arg(long, conflicts_with = "json")]
    todo: bool,
    /// The document strandline.review/1 for programs
    #[arg(long)]
    json: bool,
    /// Write the whole review into a folder: the document, a page for a browser, a record to print and sign, and tables for spreadsheets
    #[arg(long, value_name = "DIR")]
    report: Option<PathBuf>,
}

/// What helps where a plan cannot be read.
pub(super) const NO_PLAN: &str =
    "give --plan PLAN, or lay plan.toml into the folder; `strandline plan FOLDER` drafts one";

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    if !files::all_there(&args.paths, out) {
        return Exit::CouldNot;
    }
    let path = match jobs::paired(&args.paths, &args.plan) {
        Ok(Work::One(plan)) => plan,
        Ok(Work::Several(_)) if args.todo || args.report.is_some() => {
            out.error("--todo and --report take one job at a time", None);
            return Exit::CouldNot;
        }
        Ok(Work::Several(work)) => return jobs::run(&work, args.sort, args.json, out),
        Err(message) => {
            out.error(&message, None);
            return Exit::CouldNot;
        }
    };
    let (plan, plan_sha256) = match read_plan(&path) {
        Ok(read) => read,
        Err(message) => {
            let is_wanted = args.plan.is_empty() && !disk::exists(&path);
            out.error(&message, is_wanted.then(|| no_plan(&args.paths)).as_deref());
            return Exit::CouldNot;
        }
    };
    let (files, listed) = files::found(&args.paths, out);
    let review = of(files, &plan);
    let told = if args.json {
        out.document(review::json(&review, &plan, &plan_sha256), Exit::Done)
    } else if args.todo {
        out.lines(&listing::todo(&review, &plan, out.width));
        out.caution();
        Exit::Done
    } else {
        tell(&review, &plan, out)
    };
    let written = match &args.report {
        Some(folder) => report::write(folder, &review, &plan, &plan_sha256, out),
        None => Exit::Done,
    };
    let objection = if review.is_clean() { Exit::Done } else { Exit::Objection };
    let unreadable = files::unreadable(&review.tests, out);
    objection.max(told).max(listed).max(unreadable).max(written)
}

/// What helps where no plan is found: to name the folders inside, where the plans lie there.
fn no_plan(paths: &[PathBuf]) -> String {
    let inside = paths.iter().filter_map(|path| disk::files_in(path).ok()).flatten();
    let plans = inside.filter(|file| file.file_name().is_some_and(|name| name == "plan.toml"));
    let jobs: Vec<PathBuf> = plans.filter_map(|plan| Some(plan.parent()?.to_owned())).collect();
    let shown: Vec<String> = jobs.iter().take(3).map(|folder| disk::shown(folder)).collect();
    match jobs.len() {
        0 => NO_PLAN.to_owned(),
        1..=3 => format!("plans lie inside: strandline review {}", shown.join(" ")),
        _ => format!("plans lie inside: name their folders, as {} …", shown.join(" ")),
    }
}

/// The plan that is named, else the own one of a single folder.
///
/// # Errors
/// Where there is neither.
pub(super) fn plan_of(paths: &[PathBuf], plan: Option<&PathBuf>) -> Result<PathBuf, String> {
    match (plan, paths) {
        (Some(plan), _) => Ok(plan.clone()),
        (None, [folder]) if disk::exists(&folder.join("plan.toml")) => Ok(folder.join("plan.toml")),
        _ => Err(format!("no plan is named, and there is none of its own: {NO_PLAN}")),
    }
}

/// The review of some files, with a bar for who waits.
pub(super) fn of(files: Vec<PathBuf>, plan: &Plan) -> Review {
    let progress = Progress::new(files.len());
    job::review(files, plan, &source::Options::default(), &|| progress.step())
}

/// Prints a review for people.
pub(super) fn tell(review: &Review, plan: &Plan, out: &Out) -> Exit {
    out.lines(&matrix::lines(review, plan, out.width));
    out.caution();
    if review.is_clean() { Exit::Done } else { Exit::Objection }
}

/// A plan, and the hash of its file.
///
/// # Errors
/// In words for people, the file named.
pub(super) fn read_plan(path: &Path) -> Result<(Plan, String), String> {
    let text = disk::read_text(path)
        .map_err(|error| format!("{}: cannot be read: {error}", path.display()))?;
    let plan = plan::read(&text).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok((plan, disk::sha256(text.as_bytes())))
}
