//! `strandline simulate`: described fibres to trace files with their truth.

use std::path::{Path, PathBuf};

use clap::builder::PossibleValuesParser;
use strandline::disk;
use strandline::simulate::family::{self, Family};
use strandline::simulate::{self, Rendered, Scenario};
use strandline::sor::{self, Version};

use super::{Exit, Out};

/// Renders described fibres into trace files, each with its truth beside it
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  strandline simulate traces/ferry-clean.toml -o out\n  strandline simulate --family metro --count 20 --seed 7 -o out\n\nEvery field of a scenario: docs/scenario.md.\nNo file is ever written over; one that is there already with the same bytes stays."
)]
pub(crate) struct Args {
    /// Scenario files
    #[arg(value_name = "SCENARIO", required_unless_present = "family")]
    scenarios: Vec<PathBuf>,
    /// Folder for the files; it is made if it is not there
    #[arg(short, long, value_name = "DIR")]
    output: PathBuf,
    /// Draw random fibres of this family instead
    #[arg(long, value_name = "NAME", conflicts_with = "scenarios", value_parser = families())]
    family: Option<String>,
    /// How many of the family
    #[arg(long, value_name = "N", default_value_t = 10, requires = "family", value_parser = clap::value_parser!(u64).range(1..=1_000_000))]
    count: u64,
    /// First seed of the family
    #[arg(long, value_name = "N", default_value_t = 1, requires = "family", value_parser = clap::value_parser!(u64).range(..=u64::MAX / 2))]
    seed: u64,
    /// Write files of version 1 of the format
    #[arg(long)]
    version_1: bool,
}

/// Their names: help lists them, and a wrong one is told which was meant.
fn families() -> PossibleValuesParser {
    Family::ALL.iter().map(|family| family.name()).collect::<Vec<_>>().into()
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let mut exit = Exit::Done;
    let mut files = 0;
    let mut save = |rendered: Vec<Rendered>, name: Option<String>| {
        for one in rendered {
            match write(&one, name.as_deref(), args) {
                Ok(()) => files += 1,
                Err(message) => {
                    out.error(&message, None);
                    exit = Exit::CouldNot;
                }
            }
        }
    };
    if let Some((name, family)) =
        args.family.as_ref().and_then(|n| Some((n, Family::from_name(n)?)))
    {
        for seed in args.seed..args.seed + args.count {
            save(simulate::render(&family::draw(family, seed)), Some(format!("{name}-{seed:04}")));
        }
    }
    let mut unread = false;
    for path in &args.scenarios {
        match scenario(path) {
            Ok(scenario) => save(simulate::render(&scenario), None),
            Err(message) => {
                out.error(&message, None);
                unread = true;
            }
        }
    }
    if files > 0 || !unread {
        let folder = args.output.display();
        let what = if files == 1 { "trace file, with its" } else { "trace files, each with its" };
        out.note(&format!("{files} {what} truth, in {folder}"));
    }
    exit.max(if unread { Exit::CouldNot } else { Exit::Done })
}

fn scenario(path: &Path) -> Result<Scenario, String> {
    let text = disk::read_text(path)
        .map_err(|error| format!("{}: cannot be read: {error}", path.display()))?;
    Scenario::from_toml(&text).map_err(|error| format!("{}: {error}", path.display()))
}

fn write(one: &Rendered, name: Option<&str>, args: &Args) -> Result<(), String> {
    let name = name.unwrap_or(&one.name);
    let version = if args.version_1 { Version::V1 } else { Version::V2 };
    let bytes = sor::encode(&one.trace, version).map_err(|error| format!("{name}: {error}"))?;
    let truth = one.truth.to_json();
    let files = [("sor", bytes.as_slice()), ("truth.json", truth.as_bytes())]
        .map(|(ending, content)| (args.output.join(format!("{name}.{ending}")), content));
    // Both are looked at before either is written: a trace beside another's truth would teach wrongly.
    for (path, content) in &files {
        if disk::exists(path) && !is_the_same(path, content) {
            return Err(format!(
                "{}: another file of this name is there, and none is ever written over",
                path.display()
            ));
        }
    }
    for (path, content) in files.iter().filter(|(path, _)| !disk::exists(path)) {
        disk::write_new(path, content)
            .map_err(|error| format!("{}: cannot be written: {error}", path.display()))?;
    }
    Ok(())
}

/// Whether the file holds just these bytes: then it was rendered before, and all is well.
fn is_the_same(path: &Path, content: &[u8]) -> bool {
    disk::read(path).is_ok_and(|there| there == content)
}
