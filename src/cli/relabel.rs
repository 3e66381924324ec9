//! `strandline relabel`: corrected labels in copies.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use clap::ArgGroup;
use strandline::copies::{self, Relabelled, Relabelling, Undone};
use strandline::disk;
use strandline::plan::Plan;
use strandline::report::escape;
use strandline::sor::Change;

use super::{Exit, Out, files, review};

/// Corrects labels in copies of traces: samples, events and all other bytes stay as they are
#[derive(clap::Args)]
#[command(
    override_usage = "strandline relabel FILE... --set LABEL=TEXT... -o DIR\n       strandline relabel FILE... --plan PLAN -o DIR\n       strandline relabel --undo JOURNAL",
    group = ArgGroup::new("what").required(true).multiple(true).args(["set", "plan", "undo"]),
    after_help = "Examples:\n  strandline relabel handset/fibre-12 --set fiber=013 -o corrected\n  strandline relabel handset --plan plan.toml -o corrected\n  strandline relabel --undo corrected/relabel-journal.jsonl\n\nThe traces themselves are never changed. Each copy's lengths, map and checksum are right again; what was changed stands in the folder's relabel-journal.jsonl."
)]
pub(crate) struct Args {
    /// Trace files, or folders of them
    #[arg(required_unless_present = "undo", value_name = "FILE")]
    paths: Vec<PathBuf>,
    /// A label and its new text: cable, fiber, from, to, code, operator, comment
    #[arg(long, value_name = "LABEL=TEXT")]
    set: Vec<String>,
    /// A plan: cable, fibre and locations become what it and the file's name say
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,
    /// Folder for the copies; files there are never written over
    #[arg(short, long, value_name = "DIR", required_unless_present = "undo")]
    output: Option<PathBuf>,
    /// Removes the copies that this journal made, where they are still what was made
    #[arg(long, value_name = "JOURNAL", conflicts_with_all = ["paths", "set", "plan", "output"])]
    undo: Option<PathBuf>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    match (&args.undo, &args.output) {
        (Some(journal), _) => undo(journal, out),
        (None, Some(output)) => match prepared(args, output) {
            Ok((change, plan)) => copied(args, output, &change, plan.as_ref(), out),
            Err((message, hint)) => {
                out.error(&message, hint);
                Exit::CouldNot
            }
        },
        (None, None) => Exit::CouldNot, // clap asks for one of both
    }
}

type Prepared = (Change, Option<Plan>);

fn prepared(args: &Args, output: &Path) -> Result<Prepared, (String, Option<&'static str>)> {
    let change = change(&args.set).map_err(|message| (message, Some("such as --set fiber=013")))?;
    let plan = match &args.plan {
        Some(path) => Some(review::read_plan(path).map_err(|message| (message, None))?.0),
        None => None,
    };
    // A second run would take the copies for traces.
    if let Some(path) = args.paths.iter().find(|path| disk::lies_in(output, path)) {
        let says = format!("{}: lies in {}", output.display(), path.display());
        return Err((says, Some("give a folder for the copies outside of the traces'")));
    }
    Ok((change, plan))
}

fn copied(args: &Args, output: &Path, change: &Change, plan: Option<&Plan>, out: &Out) -> Exit {
    let (files, mut exit) = files::found(&args.paths, out);
    let work = Relabelling::begin(output, change, plan)
        .map_err(|error| format!("{}: {error}", output.display()));
    let Some(mut work) = out.told(work) else { return Exit::CouldNot };
    let (mut written, mut changed, mut known) = (0, 0, 0);
    let mut numbers: BTreeSet<String> = BTreeSet::new();
    for file in &files {
        match work.copy(file, &inside(file, &args.paths)) {
            Ok(copy) => {
                written += 1;
                changed += usize::from(!copy.set.is_empty());
                known += usize::from(copy.known);
                numbers.extend(copy.set.get("fiber").map(|own| own.from.clone()));
                out.print(&told(file, &copy));
            }
            Err(message) => {
                out.error(&format!("{}: {message}", file.display()), None);
                exit = Exit::CouldNot;
            }
        }
    }
    if change.fiber.is_some() && numbers.len() > 1 {
        let count = numbers.len();
        out.note(&format!("note: traces of {count} fibres bear one number now: was that meant?"));
    }
    let there = if known > 0 { format!("; {known} were there already") } else { String::new() };
    out.note(&format!(
        "{written} of {} traces copied to {}, {changed} with other labels{there}",
        files.len(),
        output.display()
    ));
    exit
}

/// Where a file's copy lies in the folder of the copies: as it lies in the folder that was named.
fn inside(file: &Path, paths: &[PathBuf]) -> PathBuf {
    let below = paths.iter().find_map(|path| {
        file.strip_prefix(path).ok().filter(|below| !below.as_os_str().is_empty())
    });
    let name = file.file_name().map_or(PathBuf::new(), PathBuf::from);
    below.map_or(name, Path::to_owned)
}

/// What is to be said of a copy: nothing where its labels stay, so that those which change are seen.
fn told(file: &Path, copy: &Relabelled) -> String {
    let mut parts: Vec<String> = copy
        .set
        .iter()
        .map(|(label, change)| {
            let (from, to) = (escape::cut(&change.from), escape::cut(&change.to));
            format!("{label} {from:?} is now {to:?}")
        })
        .collect();
    parts.extend(copy.remarks.iter().cloned());
    if parts.is_empty() {
        return String::new();
    }
    if copy.known {
        parts.push("this copy was there already".into());
    }
    escape::terminal(&format!("{}: {}", file.display(), parts.join("; "))) + "\n"
}

fn undo(journal: &Path, out: &Out) -> Exit {
    let all = copies::undo(journal).map_err(|error| format!("{}: {error}", journal.display()));
    let Some(all) = out.told(all) else { return Exit::CouldNot };
    let count = |wanted| all.iter().filter(|(_, undone)| *undone == wanted).count();
    for (copy, _) in all.iter().filter(|(_, undone)| *undone == Undone::Changed) {
        let says = format!("{}: changed since it was made, so it stays", copy.display());
        out.error(&says, None);
    }
    out.print(&format!(
        "{} copies removed, {} gone already, {} changed and kept\n",
        count(Undone::Removed),
        count(Undone::Gone),
        count(Undone::Changed)
    ));
    if count(Undone::Changed) > 0 { Exit::CouldNot } else { Exit::Done }
}

fn change(set: &[String]) -> Result<Change, String> {
    let mut change = Change::default();
    for item in set {
        let Some((label, text)) = item.split_once('=') else {
            return Err(format!("--set {item:?} has no =, expected LABEL=TEXT"));
        };
        let field = match label.trim() {
            "cable" => &mut change.cable,
            "fiber" | "fibre" => &mut change.fiber,
            "from" => &mut change.from,
            "to" => &mut change.to,
            "code" => &mut change.cable_code,
            "operator" => &mut change.operator,
            "comment" => &mut change.comment,
            other => {
                return Err(format!(
                    "--set {other:?} is no label, expected cable, fiber, from, to, code, operator or comment"
                ));
            }
        };
        *field = Some(text.to_owned());
    }
    Ok(change)
}
