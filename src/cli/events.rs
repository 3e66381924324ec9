//! `strandline events`: the event table.

use strandline::detect;
use strandline::report::data::{self, TraceData};
use strandline::report::events::{self, Look};

use super::files::{CordArgs, Files};
use super::{Exit, Out};

/// Every event of the files: place, kind, loss, reflectance, each with its uncertainty
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  strandline events traces\n  strandline events link.sor --launch 500 --explain\n  strandline events --json traces > events.json\n\nA figure behind ± is one standard deviation."
)]
pub(crate) struct Args {
    #[command(flatten)]
    files: Files,
    #[command(flatten)]
    cords: CordArgs,
    /// Say why each event is called what it is
    #[arg(long)]
    explain: bool,
    /// The document strandline.events/1 for programs, in metres and dB
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// A row an event for spreadsheets, in metres and dB
    #[arg(long)]
    csv: bool,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let cords = args.cords.cords();
    let look = Look { unit: args.files.unit.into(), width: out.width, explain: args.explain };
    let machine = args.json || args.csv;
    let (answers, exit) = args.files.each(out, |path, trace| {
        let analysis = detect::events(&trace, &cords);
        let name = path.to_string_lossy();
        if machine {
            (data::read(&name, &trace, &analysis), Vec::new(), Vec::new())
        } else {
            let notes: Vec<String> =
                trace.notes.iter().map(|n| format!("{name}: note: {n}")).collect();
            (data::unreadable("", ""), events::lines(&name, &trace, &analysis, look), notes)
        }
    });
    if machine {
        let traces: Vec<TraceData> = answers
            .into_iter()
            .map(|(path, answer)| match answer {
                Ok((data, ..)) => data,
                Err(error) => data::unreadable(&path.to_string_lossy(), &error),
            })
            .collect();
        return if args.csv { print_csv(out, traces, exit) } else { print_json(out, traces, exit) };
    }
    let mut first = true;
    for (_, answer) in &answers {
        let Ok((_, lines, notes)) = answer else { continue };
        if !first {
            out.print("\n");
        }
        first = false;
        out.lines(lines);
        for note in notes {
            out.note(note);
        }
    }
    if !first {
        out.caution();
    }
    exit
}

pub(super) fn print_json(out: &Out, traces: Vec<TraceData>, exit: Exit) -> Exit {
    match data::json(&data::document(traces)) {
        Ok(text) => out.print(&text),
        Err(error) => {
            out.error(&format!("the document could not be written: {error}"), None);
            return Exit::CouldNot;
        }
    }
    exit
}

fn print_csv(out: &Out, traces: Vec<TraceData>, exit: Exit) -> Exit {
    match data::csv(&data::document(traces)) {
        Ok(text) => out.print(&text),
        Err(error) => {
            out.error(&format!("the table could not be written: {error}"), None);
            return Exit::CouldNot;
        }
    }
    exit
}
