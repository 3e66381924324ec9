//! `strandline plan`: a plan drafted from traces.

use std::path::PathBuf;

use strandline::draft::{self, DraftError};
use strandline::{disk, source};

use super::progress::Progress;
use super::{Exit, Out, files};

/// Drafts a plan from a folder of traces, and says line by line what was guessed
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline plan traces/job -o plan.toml\n\nA draft sets no limits: fill them in, check every guess, then run `strandline review` with it."
)]
pub(crate) struct Args {
    /// Folders of traces, or trace files
    #[arg(required = true, value_name = "FOLDER")]
    paths: Vec<PathBuf>,
    /// File for the plan, never written over; without it the plan goes to stdout
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    if !files::all_there(&args.paths, out) {
        return Exit::CouldNot;
    }
    let (files, listed) = files::found(&args.paths, out);
    let progress = Progress::new(files.len());
    let drafted = draft::draft(files, &source::Options::default(), &|| progress.step());
    drop(progress);
    let draft = match drafted {
        Ok(draft) => draft,
        Err(error) => {
            if let DraftError::NoTraces(unreadable) = &error {
                say_unreadable(unreadable, out);
            }
            out.error(&error.to_string(), None);
            return Exit::CouldNot;
        }
    };
    let mut exit = if draft.unreadable.is_empty() { listed } else { Exit::CouldNot };
    say_unreadable(&draft.unreadable, out);
    match &args.output {
        None => out.print(&draft.text),
        Some(path) => match disk::write_new(path, draft.text.as_bytes()) {
            Ok(()) => out.note(&format!(
                "{}: drafted, {} fibres, {} joints; it has no limits yet",
                path.display(),
                draft.plan.cable.fibers.len(),
                draft.plan.joints.len()
            )),
            Err(error) => {
                let taken = error.kind() == std::io::ErrorKind::AlreadyExists;
                out.error(
                    &format!("{}: {error}", path.display()),
                    taken.then_some("a plan is never written over: give another name"),
                );
                exit = Exit::CouldNot;
            }
        },
    }
    exit
}

fn say_unreadable(files: &[(PathBuf, String)], out: &Out) {
    for (path, says) in files {
        out.error(&format!("{}: {says}", path.display()), None);
    }
}
