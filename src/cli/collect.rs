//! `strandline collect`: traces brought home.

use std::path::{Path, PathBuf};

use strandline::copies::{self, Became, Collected};
use strandline::report::escape;

use super::progress::Progress;
use super::{Exit, Out, files, review};

/// Brings traces home from sticks and sync folders: what is new by content is copied and checked
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline collect /media/stick-a /media/stick-b --into traces-of-the-job\n\nNothing is written over or removed. It may be interrupted at any moment and run again. Copies lie in folders by cable and fibre, files that are no traces in `unreadable`; collect-journal.jsonl says what came from where."
)]
pub(crate) struct Args {
    /// Folders to bring traces from, or trace files
    #[arg(required = true, value_name = "SOURCE")]
    sources: Vec<PathBuf>,
    /// Folder to bring them to; made where it is missing
    #[arg(long, value_name = "FOLDER")]
    into: PathBuf,
    /// A plan: files whose labels are blank are then named by it
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let read = args.plan.as_deref().map(review::read_plan).transpose();
    let Some(read) = out.told(read) else { return Exit::CouldNot };
    let plan = read.map(|(plan, _)| plan);
    let (files, listed) = files::found(&args.sources, out);
    let progress = Progress::new(files.len());
    let collected = copies::collect(files, &args.into, plan.as_ref(), &|| progress.step());
    drop(progress);
    match collected {
        Ok(all) => told(&all, &args.into, out).max(listed),
        Err(error) => {
            out.error(&error.to_string(), None);
            Exit::CouldNot
        }
    }
}

fn told(all: &[Collected], into: &Path, out: &Out) -> Exit {
    let (mut new, mut known, mut unreadable, mut lost) = (0, 0, 0, 0);
    for one in all {
        match &one.became {
            Became::New { to } => {
                new += 1;
                out.print(&said(one, &format!("new: {}", to.display())));
            }
            Became::Known { .. } => known += 1,
            Became::Unreadable { to, known, says } => {
                unreadable += 1;
                let was = if *known { "kept already as" } else { "kept as" };
                out.error(
                    &format!("{}: {says}; {was} {}", one.file.display(), to.display()),
                    Some("copy it from the handset again").filter(|_| !known),
                );
            }
            Became::Lost { says } => {
                lost += 1;
                out.error(&format!("{}: not collected: {says}", one.file.display()), None);
            }
        }
    }
    let mut sum = format!("{new} new, {known} known, {unreadable} unreadable");
    if lost > 0 {
        sum.push_str(&format!(", {lost} NOT COLLECTED"));
    }
    out.print(&format!("{}: {sum}\n", escape::terminal(&into.to_string_lossy())));
    if unreadable + lost > 0 { Exit::CouldNot } else { Exit::Done }
}

fn said(one: &Collected, became: &str) -> String {
    let text = format!("{}: {became}", one.file.display());
    escape::terminal(&text) + "\n"
}
