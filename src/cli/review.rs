//! `strandline review`: may this job be handed over?

use std::path::PathBuf;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use strandline::plan::{self, Plan};
use strandline::report::review;
use strandline::{disk, job, source};

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
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let (plan, plan_sha256) = match read_plan(&args.plan) {
        Ok(read) => read,
        Err(message) => {
            out.error(&message, None);
            return Exit::CouldNot;
        }
    };
    let mut files = Vec::new();
    let mut could_not = false;
    for path in &args.paths {
        if !disk::is_folder(path) {
            files.push(path.clone());
            continue;
        }
        match disk::traces_in(path) {
            Ok(inside) => files.extend(inside),
            Err(error) => {
                out.error(&format!("{}: cannot be read: {error}", path.display()), None);
                could_not = true;
            }
        }
    }
    let bar = progress(files.len() as u64);
    let review = job::review(files, &plan, &source::Options::default(), &|| bar.inc(1));
    bar.finish_and_clear();
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
    for test in &review.tests {
        if let Err(error) = &test.content {
            out.error(&format!("{}: {error}", test.path.display()), None);
        }
    }
    if could_not || review.counts.unreadable > 0 {
        Exit::CouldNot
    } else if review.is_clean() {
        Exit::Done
    } else {
        Exit::Objection
    }
}

pub(super) fn read_plan(path: &std::path::Path) -> Result<(Plan, String), String> {
    let text = disk::read_text(path)
        .map_err(|error| format!("{}: cannot be read: {error}", path.display()))?;
    let plan = plan::read(&text).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok((plan, disk::sha256(text.as_bytes())))
}

/// A bar on stderr, shown only on a terminal and only where it takes longer than half a second.
fn progress(files: u64) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(files), ProgressDrawTarget::stderr());
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} traces {wide_bar}") {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(500));
    bar
}
