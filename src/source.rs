//! A path in; a trace, or an error that names the file, out.

use std::borrow::Cow;
use std::io;
use std::path::{Path, PathBuf};

use crate::disk;
use crate::sor::{self, SorError};
use crate::text::{self, TextError};
use crate::trace::Trace;
use crate::units::GroupIndex;

/// In characters: where no digit stands until here, a file is no table of numbers.
const LONGEST_HEADING: usize = 4096;

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
#[error("{}: {cause}", disk::shown(.path))]
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
    #[error("two-column text does not say its pulse; `show`, `events` and `plot` can be told it")]
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
    if let Some(content) = as_text(bytes) {
        text::check(&content).map_err(|error| failed(error.into()))?;
        let Some(text) = options.text else { return Err(failed(Cause::TextUnsaid)) };
        return text::read(&content, &text).map_err(|error| failed(error.into()));
    }
    let options = sor::Options {
        index: options.index,
        spacing_per_sample: options.spacing_per_sample,
        clock_unix_s: options.clock_unix_s,
    };
    sor::decode(bytes, &options).map_err(|error| failed(error.into()))
}

/// The content as text. `None` where it begins like the open format, or is no text with digits.
fn as_text(bytes: &[u8]) -> Option<Cow<'_, str>> {
    let utf16 = |units: &[u8], unit: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = units.as_chunks().0.iter().map(|pair| unit(*pair)).collect();
        Cow::Owned(String::from_utf16_lossy(&units))
    };
    let text = match bytes {
        _ if sor::is_sor(bytes) => return None,
        [0xFF, 0xFE, rest @ ..] => utf16(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => utf16(rest, u16::from_be_bytes),
        _ => String::from_utf8_lossy(bytes),
    };
    let mut start = text.chars().take(LONGEST_HEADING);
    let is_printable = start.all(|c| !c.is_control() || matches!(c, '\t' | '\n' | '\r'));
    let has_digits = text.chars().take(LONGEST_HEADING).any(|c| c.is_ascii_digit());
    (is_printable && has_digits).then_some(text)
}
