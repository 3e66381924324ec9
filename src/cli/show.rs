//! `strandline show`: what the files say.

use strandline::detect::{self, Cords};
use strandline::report::{data, show};

use super::files::Files;
use super::{Exit, Out};

/// What the files say: settings, labels, notes, and the instrument's own events
#[derive(clap::Args)]
#[command(after_help = "Example:\n  strandline show traces/ferry-clean-1550.sor --unit km")]
pub(crate) struct Args {
    #[command(flatten)]
    files: Files,
    /// The same as JSON: the events document, of which `trace` and `notes` are this command's
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let unit = args.files.unit.into();
    let (answers, exit) = args.files.each(out, |path, trace| {
        let analysis = detect::events(&trace, &Cords::default());
        let share = analysis.noise.noise_from_m.map_or(0.0, |from| {
            let dark = (0..trace.counts.len()).rev().take_while(|i| trace.position_m(*i) >= from);
            dark.count() as f64 / trace.counts.len().max(1) as f64
        });
        let name = path.to_string_lossy();
        let lines = show::lines(&name, &trace, share, unit, out.width);
        (lines, args.json.then(|| data::read(&name, &trace, &analysis)))
    });
    if args.json {
        let traces = answers.into_iter().map(|(path, answer)| match answer {
            Ok((_, Some(data))) => data,
            Ok((_, None)) => data::unreadable(&path.to_string_lossy(), "not asked for"),
            Err(error) => data::unreadable(&path.to_string_lossy(), &error),
        });
        return out.document(data::json(&data::document(traces.collect())), exit);
    }
    let mut first = true;
    for (_, answer) in &answers {
        let Ok((lines, _)) = answer else { continue };
        if !first {
            out.print("\n");
        }
        first = false;
        out.lines(lines);
    }
    if !first {
        out.caution();
    }
    exit
}
