//! `strandline relabel`: corrected labels in copies.

use std::path::{Path, PathBuf};

use strandline::disk;
use strandline::sor::{self, Change};

use super::{Exit, Out, files};

/// Corrects labels in copies of traces: samples, events and all other bytes stay as they are
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline relabel handset/fibre-12 --set fiber=013 --set cable=HFL-27 -o corrected\n\nThe traces themselves are never changed. Each copy's lengths, map and checksum are right again; what was changed stands in the folder's relabel-journal.csv."
)]
pub(crate) struct Args {
    /// Trace files, or folders of them
    #[arg(required = true, value_name = "FILE")]
    paths: Vec<PathBuf>,
    /// A label and its new text: cable, fiber, from, to, code, operator, comment
    #[arg(long, required = true, value_name = "LABEL=TEXT")]
    set: Vec<String>,
    /// Folder for the copies; files there are never written over
    #[arg(short, long, value_name = "DIR")]
    output: PathBuf,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let change = match change(&args.set) {
        Ok(change) => change,
        Err(message) => {
            out.error(&message, Some("such as --set fiber=013"));
            return Exit::CouldNot;
        }
    };
    let (files, mut exit) = files::found(&args.paths, out);
    let mut written = 0;
    for file in &files {
        match copy(file, &change, args) {
            Ok(()) => written += 1,
            Err(message) => {
                out.error(&format!("{}: {message}", file.display()), None);
                exit = Exit::CouldNot;
            }
        }
    }
    out.note(&format!("{written} of {} traces copied to {}", files.len(), args.output.display()));
    exit
}

fn change(set: &[String]) -> Result<Change, String> {
    let mut change = Change::default();
    for item in set {
        let Some((label, text)) = item.split_once('=') else {
            return Err(format!("--set {item:?} has no =, expected LABEL=TEXT"));
        };
        let field = match label.trim() {
            "cable" => &mut change.cable,
            "fiber" => &mut change.fiber,
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

fn copy(file: &Path, change: &Change, args: &Args) -> Result<(), String> {
    let bytes = disk::read(file).map_err(|error| format!("cannot be read: {error}"))?;
    let changed = sor::relabel(&bytes, change).map_err(|error| error.to_string())?;
    let name = file.file_name().ok_or("it has no name")?;
    let target = args.output.join(name);
    disk::write_new(&target, &changed).map_err(|error| format!("{}: {error}", target.display()))?;
    let line = format!(
        "{},{},{},{}\n",
        quoted(&file.to_string_lossy()),
        disk::sha256(&bytes),
        disk::sha256(&changed),
        quoted(&args.set.join("; "))
    );
    let journal = args.output.join("relabel-journal.csv");
    if !disk::exists(&journal) {
        disk::append(&journal, "file,sha256_before,sha256_after,set\n")
            .map_err(|error| error.to_string())?;
    }
    disk::append(&journal, &line).map_err(|error| error.to_string())
}

fn quoted(text: &str) -> String {
    format!("\"{}\"", strandline::report::escape::cell(text).replace('"', "\"\""))
}
