//! `strandline review` over several jobs: a line each.

use std::cmp::Reverse;
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use strandline::disk;
use strandline::report::jobs::{self, JobLine};

use super::{Exit, Out, files, review};

/// Order of several jobs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Order {
    /// By their names
    Name,
    /// The one last measured first
    Date,
    /// The one with most left to do first
    Open,
}

/// What is to be reviewed against what.
pub(super) enum Work {
    /// Everything against one plan.
    One(PathBuf),
    /// Each folder against its own.
    Several(Vec<(PathBuf, PathBuf)>),
}

/// Pairs folders with plans: one plan for all, as many as folders, or each folder's own `plan.toml`.
pub(super) fn paired(paths: &[PathBuf], plans: &[PathBuf]) -> Result<Work, String> {
    let own = |folder: &Path| folder.join("plan.toml");
    match (paths, plans) {
        (_, [plan]) => Ok(Work::One(plan.clone())),
        ([folder], []) => Ok(Work::One(own(folder))),
        (_, []) => {
            Ok(Work::Several(paths.iter().map(|folder| (folder.clone(), own(folder))).collect()))
        }
        _ if plans.len() == paths.len() => {
            Ok(Work::Several(paths.iter().cloned().zip(plans.iter().cloned()).collect()))
        }
        _ => Err(format!(
            "{} plans for {} folders, expected one for all or one for each",
            plans.len(),
            paths.len()
        )),
    }
}

/// Reviews each job and prints a line for it. One that cannot be reviewed is reported; the others
/// are still done.
pub(super) fn run(work: &[(PathBuf, PathBuf)], order: Order, json: bool, out: &Out) -> Exit {
    let mut exit = Exit::Done;
    let mut lines = Vec::new();
    for (folder, plan) in work {
        match line(folder, plan, out) {
            Ok((line, own)) => {
                exit = exit.max(own);
                lines.push(line);
            }
            Err(message) => {
                let hint = Some(review::NO_PLAN).filter(|_| !disk::exists(plan));
                out.error(&message, hint);
                exit = Exit::CouldNot;
            }
        }
    }
    lines.sort_by(|a, b| (&a.name, &a.cable).cmp(&(&b.name, &b.cable)));
    match order {
        Order::Name => {}
        Order::Date => lines.sort_by_key(|line| Reverse(line.last_measured_at.clone())),
        Order::Open => lines.sort_by_key(|line| Reverse(line.open)),
    }
    if json {
        return out.document(jobs::json(&lines), exit);
    }
    out.lines(&jobs::lines(&lines, out.width));
    out.caution();
    exit
}

fn line(folder: &Path, plan: &Path, out: &Out) -> Result<(JobLine, Exit), String> {
    let (plan, _) = review::read_plan(plan)?;
    let (files, listed) = files::found(&[folder.to_owned()], out);
    let answer = review::of(files, &plan);
    let line = JobLine::of(&answer, &plan, &folder.to_string_lossy());
    let objection = if answer.is_clean() { Exit::Done } else { Exit::Objection };
    Ok((line, objection.max(listed).max(files::unreadable(&answer.tests, out))))
}
