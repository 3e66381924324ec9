//! Files on the command line: paths and folders in, traces or error lines out, in their order.

use std::collections::HashSet;
use std::ops::RangeInclusive;
use std::path::{Component, Path, PathBuf};

use clap::{Args as ClapArgs, ValueEnum};
use rayon::prelude::*;
use strandline::detect::Cords;
use strandline::job::Test;
use strandline::source::{self, OpenError};
use strandline::trace::Trace;
use strandline::units::{GroupIndex, LengthUnit};
use strandline::{disk, text};

use super::progress::Progress;
use super::{Exit, Out};

/// A file and what was made of it, or why nothing could be.
pub(crate) type Answer<T> = (PathBuf, Result<T, String>);

/// Files, and what they may not say themselves.
#[derive(ClapArgs)]
pub(crate) struct Files {
    /// Trace files, or folders of them
    #[arg(required = true, value_name = "FILE")]
    pub(crate) paths: Vec<PathBuf>,
    /// Group index to compute every distance with, instead of the file's
    #[arg(long, value_name = "N", value_parser = index, allow_negative_numbers = true)]
    pub(crate) index: Option<GroupIndex>,
    /// Unit of lengths in what people read; JSON and CSV stay in metres
    #[arg(long, value_enum, default_value = "m")]
    pub(crate) unit: Unit,
    /// The files state their sample spacing for one sample, not for 10,000
    #[arg(long)]
    spacing_per_sample: bool,
    /// Pulse in ns, for two-column text files
    #[arg(
        long,
        value_name = "NS",
        help_heading = "Two-column text files",
        value_parser = clap::value_parser!(u16).range(1..)
    )]
    pulse: Option<u16>,
    /// Wavelength in nm, for two-column text files
    #[arg(
        long,
        value_name = "NM",
        help_heading = "Two-column text files",
        value_parser = wavelength,
        allow_negative_numbers = true
    )]
    wavelength: Option<f64>,
    /// Backscatter for a pulse of 1 ns in dB, such as -82, for two-column text files
    #[arg(
        long,
        value_name = "DB",
        allow_negative_numbers = true,
        value_parser = backscatter,
        help_heading = "Two-column text files"
    )]
    backscatter: Option<f64>,
    /// Unit of the first column of two-column text files
    #[arg(long, value_enum, default_value = "m", help_heading = "Two-column text files")]
    column_unit: Unit,
}

/// A unit of length by its symbol.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Unit {
    M,
    Km,
    Ft,
    Kft,
    Mi,
}

impl From<Unit> for LengthUnit {
    fn from(unit: Unit) -> LengthUnit {
        match unit {
            Unit::M => LengthUnit::M,
            Unit::Km => LengthUnit::Km,
            Unit::Ft => LengthUnit::Ft,
            Unit::Kft => LengthUnit::Kft,
            Unit::Mi => LengthUnit::Mi,
        }
    }
}

/// The index of common single-mode fibre at 1550 nm, where a text file's distances do not say theirs.
const USUAL_INDEX: f64 = 1.4682;

fn index(text: &str) -> Result<GroupIndex, String> {
    let number: f64 =
        text.parse().map_err(|_| format!("{text:?} is no number, expected 1.0 to 2.0"))?;
    GroupIndex::new(number)
        .ok_or_else(|| format!("{number} is no group index, expected 1.0 to 2.0"))
}

fn wavelength(text: &str) -> Result<f64, String> {
    within(text, 600.0..=2000.0, "a wavelength of 600 to 2000 nm")
}

fn backscatter(text: &str) -> Result<f64, String> {
    // as of the open format's files: a figure for 1 µs would put every reflectance 30 dB off
    within(text, -100.0..=-60.1, "-100 to -60.1 dB for a pulse of 1 ns")
}

/// A number that is believed.
fn within(text: &str, believed: RangeInclusive<f64>, expected: &str) -> Result<f64, String> {
    let number = text.parse().ok().filter(|number| believed.contains(number));
    number.ok_or_else(|| format!("{text:?} found, expected {expected}"))
}

impl Files {
    fn options(&self) -> source::Options {
        let text = self.pulse.map(|pulse_ns| text::Options {
            unit: self.column_unit.into(),
            index: self.index.or(GroupIndex::new(USUAL_INDEX)).unwrap_or_else(|| unreachable!()),
            pulse_ns,
            wavelength_nm: self.wavelength,
            backscatter_db: self.backscatter,
        });
        source::Options {
            index: self.index,
            spacing_per_sample: self.spacing_per_sample,
            clock_unix_s: now(),
            text,
        }
    }

    /// Reads all files, several at a time, and makes of each what `make` does. Unreadable ones are
    /// reported on stderr; their place in the answer holds the message.
    pub(crate) fn each<T: Send>(
        &self,
        out: &Out,
        make: impl Fn(&Path, Trace) -> T + Sync,
    ) -> (Vec<Answer<T>>, Exit) {
        let options = self.options();
        let listed = listed(&self.paths);
        let progress = Progress::new(listed.len());
        let read = |listed: Listed| {
            let path = match listed {
                Ok(path) => path,
                Err((path, message)) => return (path, Err((message, None))),
            };
            let made = match source::read(&path, &options) {
                Ok(trace) => Ok(make(&path, trace)),
                Err(error) => Err(said(&error)),
            };
            progress.step();
            (path, made)
        };
        let made: Vec<_> = listed.into_par_iter().map(read).collect();
        drop(progress); // before any error line, so that none is drawn over
        let mut exit = Exit::Done;
        let answers = made
            .into_iter()
            .map(|(path, made)| {
                let made = made.map_err(|(message, hint): (String, Option<&'static str>)| {
                    exit = Exit::CouldNot;
                    out.error(&format!("{}: {message}", path.display()), hint);
                    message
                });
                (path, made)
            })
            .collect();
        (answers, exit)
    }
}

/// A file to read, or a path that gives none and why.
pub(crate) type Listed = Result<PathBuf, (PathBuf, String)>;

/// All files, folders walked, in the order given. One that is named twice, or once and with its
/// folder, counts once, with `./` in front or without.
pub(crate) fn listed(paths: &[PathBuf]) -> Vec<Listed> {
    let mut seen = HashSet::new();
    let mut all = walked(paths);
    let plain = |path: &Path| -> PathBuf {
        path.components().filter(|part| *part != Component::CurDir).collect()
    };
    all.retain(|one| one.as_ref().map_or(true, |path| seen.insert(plain(path))));
    all
}

fn walked(paths: &[PathBuf]) -> Vec<Listed> {
    let mut all = Vec::new();
    for path in paths {
        if !disk::is_folder(path) {
            all.push(Ok(path.clone()));
            continue;
        }
        match disk::traces_in(path) {
            Ok(inside) if inside.is_empty() => {
                all.push(Err((path.clone(), "no trace files (*.sor) in this folder".to_owned())));
            }
            Ok(inside) => all.extend(inside.into_iter().map(Ok)),
            Err(error) => all.push(Err((path.clone(), format!("cannot be read: {error}")))),
        }
    }
    all
}

/// Whether every path is there; one that is not was mistyped, and is reported. What would be said of
/// the rest would be said of another job.
pub(crate) fn all_there(paths: &[PathBuf], out: &Out) -> bool {
    let lost: Vec<&PathBuf> = paths.iter().filter(|path| !disk::exists(path)).collect();
    for path in &lost {
        out.error(&format!("{}: there is no such folder or file", path.display()), None);
    }
    lost.is_empty()
}

/// The files of [`listed`]; what gives none is reported and ends with [`Exit::CouldNot`].
pub(crate) fn found(paths: &[PathBuf], out: &Out) -> (Vec<PathBuf>, Exit) {
    let mut exit = Exit::Done;
    let mut files = Vec::new();
    for one in listed(paths) {
        match one {
            Ok(path) => files.push(path),
            Err((path, message)) => {
                out.error(&format!("{}: {message}", path.display()), None);
                exit = Exit::CouldNot;
            }
        }
    }
    (files, exit)
}

/// Reports the files that could not be read.
pub(crate) fn unreadable(tests: &[Test], out: &Out) -> Exit {
    let mut exit = Exit::Done;
    for test in tests {
        if let Err(error) = &test.content {
            out.error(&format!("{}: {}", test.path.display(), error.says), error.hint);
            exit = Exit::CouldNot;
        }
    }
    exit
}

/// Lengths of the cords, as the user knows them.
#[derive(ClapArgs)]
pub(crate) struct CordArgs {
    /// Launch cord in metres: the link then begins at its connector
    #[arg(long, value_name = "M", value_parser = metres, allow_negative_numbers = true)]
    launch: Option<f64>,
    /// Tail cord in metres: the link then ends at its connector
    #[arg(long, value_name = "M", value_parser = metres, allow_negative_numbers = true)]
    tail: Option<f64>,
}

impl CordArgs {
    pub(crate) fn cords(&self) -> Cords {
        Cords { launch_m: self.launch, tail_m: self.tail }
    }
}

/// The longest cord that is believed: no OTDR sees as far.
const LONGEST_CORD_M: f64 = 1e6;

pub(super) fn metres(text: &str) -> Result<f64, String> {
    let number: f64 =
        text.parse().map_err(|_| format!("{text:?} is no number, expected metres from 0 on"))?;
    if (0.0..LONGEST_CORD_M).contains(&number) {
        Ok(number)
    } else {
        Err(format!("{number} is no length of a cord, expected metres from 0 on"))
    }
}

fn said(error: &OpenError) -> (String, Option<&'static str>) {
    (error.cause.to_string(), error.hint())
}

/// Seconds since 1970, to notice dates in the future; nothing else hangs on it.
#[expect(
    clippy::disallowed_methods,
    reason = "only a note hangs on it, never a figure or a byte of output"
)]
fn now() -> Option<u32> {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).ok()?;
    u32::try_from(since.as_secs()).ok()
}
