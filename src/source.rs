//! A path in; a trace, or an error that names the file, out.

use std::io;
use std::path::{Path, PathBuf};

use crate::sor::{self, SorError};
use crate::text::{self, TextError};
use crate::trace::{Note, Trace};
use crate::units::GroupIndex;
use crate::{disk, units};

/// What the user says about files.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Options {
    /// Group index to use for every distance. `None`: the file's.
    pub index: Option<GroupIndex>,
    /// The user confirms that files state their spacing for one sample.
    pub spacing_per_sample: bool,
    /// The caller's clock in seconds since 1970. `None`: dates in the future are not noticed.
    pub clock_unix_s: Option<u32>,
    /// What two-column text files do not say. `None`: such files are refused.
    pub text: Option<text::Options>,
}

/// Why a file gave no trace.
#[derive(Debug, thiserror::Error)]
#[error("{}: {cause}", .path.display())]
pub struct OpenError {
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it.
    pub cause: Box<Cause>,
}

/// What is wrong with a file.
#[derive(Debug, thiserror::Error)]
pub enum Cause {
    /// It could not be read at all.
    #[error("cannot be read: {0}")]
    Unreadable(#[from] io::Error),
    /// It is no trace in the open format, or a damaged one.
    #[error(transparent)]
    Sor(#[from] SorError),
    /// It is no two-column text, or a broken one.
    #[error(transparent)]
    Text(#[from] TextError),
    /// Two-column text, and nobody said its wavelength, pulse and index.
    #[error("two-column text does not say its pulse")]
    TextUnsaid,
}

impl OpenError {
    /// What the user can do about it, in one line.
    pub fn hint(&self) -> Option<&'static str> {
        match &*self.cause {
            Cause::Sor(error) => error.hint(),
            Cause::TextUnsaid => {
                Some("give --pulse NS, and --wavelength NM and --index N where known")
            }
            _ => None,
        }
    }
}

/// Reads one file, by its content: the open format, or two columns of text.
///
/// # Errors
/// Names the file, and where in it what is wrong.
pub fn read(path: &Path, options: &Options) -> Result<Trace, OpenError> {
    let bytes = disk::read(path)
        .map_err(|error| OpenError { path: path.into(), cause: Box::new(error.into()) })?;
    decode(path, &bytes, options)
}

/// As [`read`], from bytes that were read already; `path` is for the error.
///
/// # Errors
/// As [`read`].
pub fn decode(path: &Path, bytes: &[u8], options: &Options) -> Result<Trace, OpenError> {
    let failed = |cause: Cause| OpenError { path: path.into(), cause: Box::new(cause) };
    if !sor::is_sor(bytes) && looks_like_text(bytes) {
        let Some(text) = options.text else { return Err(failed(Cause::TextUnsaid)) };
        let content = String::from_utf8_lossy(bytes);
        return text::read(&content, &text).map_err(|error| failed(error.into()));
    }
    let sor_options = sor::Options {
        index: options.index,
        spacing_per_sample: options.spacing_per_sample,
        clock_unix_s: options.clock_unix_s,
    };
    let mut trace = sor::decode(bytes, &sor_options).map_err(|error| failed(error.into()))?;
    note_index(&mut trace);
    Ok(trace)
}

fn note_index(trace: &mut Trace) {
    let (used, file): (units::GroupIndex, units::GroupIndex) =
        (trace.settings.index, trace.settings.file_index);
    if used != file {
        let says = format!(
            "distances computed anew with index {:.5}, the file says {:.5}",
            used.value(),
            file.value()
        );
        trace.notes.push(Note { block: "File".into(), byte: None, says });
    }
}

/// Whether the beginning is printable and holds a line of at least two numbers: a digit is enough.
fn looks_like_text(bytes: &[u8]) -> bool {
    let start = &bytes[..bytes.len().min(512)];
    !start.is_empty()
        && start.iter().all(|b| matches!(b, b'\t' | b'\n' | b'\r' | b' '..=b'~' | 0x80..))
        && start.iter().any(u8::is_ascii_digit)
}
