//! `strandline compare`: what has changed since the last round?

use std::collections::BTreeSet;
use std::path::PathBuf;

use strandline::diagnose::{self, Links};
use strandline::job::Test;
use strandline::plan::Plan;
use strandline::report::comparison::{self, Compared};

use super::diagnose as diagnosis;
use super::{Exit, Out, files, review};

/// Two rounds of one cable or link: the change at each joint and section, and whether chance explains it
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline compare round-1 round-2 --plan traces/job/plan.toml\n\nEnds with 1 where something is surely worse, the light stops, a fibre or wavelength is missing, or was not measured again."
)]
pub(crate) struct Args {
    /// Traces of the earlier round: a file or a folder
    #[arg(value_name = "OLD")]
    old: PathBuf,
    /// Traces of the later round, matched by fibre, wavelength and end
    #[arg(value_name = "NEW")]
    new: PathBuf,
    /// The plan, for names and places of joints; else those of the earlier round
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,
    /// Every figure, not only those that surely changed
    #[arg(long)]
    all: bool,
    /// The document strandline.comparison/1 for programs
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    if !files::all_there(&[args.old.clone(), args.new.clone()], out) {
        return Exit::CouldNot;
    }
    let (old, listed_old) = files::found(std::slice::from_ref(&args.old), out);
    let (new, listed_new) = files::found(std::slice::from_ref(&args.new), out);
    let listed = listed_old.max(listed_new);
    if old.is_empty() || new.is_empty() {
        return listed;
    }
    let plan = match &args.plan {
        Some(path) => review::read_plan(path).map(|read| read.0),
        None => diagnosis::drafted(&old, None, None),
    };
    let Some(plan) = out.told(plan) else { return Exit::CouldNot };
    let before = diagnosis::read(&old, &plan);
    let exit = listed.max(files::unreadable(&before, out));
    let now = diagnosis::read(&new, &plan);
    let exit = exit.max(files::unreadable(&now, out));
    for (round, tests) in [(&args.old, &before), (&args.new, &now)] {
        if tests.iter().all(|test| test.read().is_none()) {
            let says =
                format!("{}: no trace could be read, so nothing is compared", round.display());
            out.error(&says, None);
            return Exit::CouldNot;
        }
    }
    let (before, now) = (diagnosis::grouped(before, out), diagnosis::grouped(now, out));
    let (Some(before), Some(now)) = (before, now) else { return Exit::CouldNot };
    let compared = each_fiber(before, now, args, &plan, out);
    let exit = exit.max(if compared.iter().any(objects) { Exit::Objection } else { Exit::Done });
    if args.json {
        return out.document(comparison::json(&compared), exit);
    }
    out.lines(&comparison::lines(&compared, args.all, out.width));
    out.caution();
    exit
}

fn objects((_, comparison): &Compared) -> bool {
    match comparison {
        Err(_) => true,
        Ok(done) => {
            done.changes.iter().any(diagnose::Change::is_worse)
                || !done.missing_nm.is_empty()
                || done.copied > 0
                || (done.stops_m[1].is_some() && done.stops_m[0].is_none())
        }
    }
}

/// Compares the fibres one by one. Without a plan each has its own joints: those of its earlier round.
fn each_fiber(
    mut before: Links,
    mut now: Links,
    args: &Args,
    plan: &Plan,
    out: &Out,
) -> Vec<Compared> {
    // One link against one link, whatever their labels say.
    if before.len() == 1 && now.len() == 1 && before.keys().ne(now.keys()) {
        out.note("the labels name different fibres; both are taken for one link");
        let (fiber, tests) = now.pop_first().unwrap_or_default();
        now.insert(before.keys().next().copied().unwrap_or(fiber), tests);
    }
    let fibers: BTreeSet<Option<u32>> = before.keys().chain(now.keys()).copied().collect();
    let compared = fibers.into_iter().map(|fiber| {
        let comparison = match (before.remove(&fiber), now.remove(&fiber)) {
            (Some(old), Some(new)) if args.plan.is_some() => {
                Ok(diagnose::compare(&old, &new, plan))
            }
            (Some(old), Some(new)) => {
                let own = diagnose::with_baseline(plan.clone(), &old);
                let again = |tests: Vec<Test>| {
                    let files: Vec<PathBuf> = tests.into_iter().map(|t| t.path).collect();
                    diagnosis::read(&files, &own)
                };
                Ok(diagnose::compare(&again(old), &again(new), &own))
            }
            (Some(_), None) => Err("not in the later round".to_owned()),
            _ => Err("not in the earlier round".to_owned()),
        };
        (fiber, comparison)
    });
    compared.collect()
}
