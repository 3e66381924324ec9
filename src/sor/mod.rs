//! SR-4731 blocks to a trace and back.
//!
//! Map, FxdParams and DataPts carry the trace: damage there is an error, unless the rest of the file
//! proves the right value. The other blocks only describe it: damage there is a note, and what was
//! read before it counts. Format from memory of Telcordia SR-4731 and Bellcore GR-196.

use crate::trace::{Note, Trace};
use crate::units::GroupIndex;

mod block;
mod data;
mod error;
mod events;
mod fixed;
mod general;
pub mod raw;
mod relabel;
mod write;

pub use error::SorError;
pub use raw::{Version, stated_bytes};
pub use relabel::{Change, relabel};
pub use write::encode;

use block::{describing, note, note_missing};
use raw::Fit;

const CKSUM: &str = "Cksum";

/// What the user knows better than the file.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Options {
    /// Group index to use instead of the file's. `None`: the file's.
    pub index: Option<GroupIndex>,
    /// The user confirms that the file states its spacing for one sample, not for 10,000.
    pub spacing_per_sample: bool,
    /// The caller's clock in seconds since 1970, to notice dates in the future. `None`: no check.
    pub clock_unix_s: Option<u32>,
}

/// Whether the bytes begin like such a file.
pub fn is_sor(bytes: &[u8]) -> bool {
    raw::version(bytes).is_some()
}

/// Reads a trace from the bytes of a file, version 1 or 2.
///
/// What was odd stands in the trace's notes; none means that a strict reader accepts the file too.
///
/// # Errors
/// Where a block that carries the trace is missing or damaged.
pub fn decode(bytes: &[u8], options: &Options) -> Result<Trace, SorError> {
    let file = raw::File::read(bytes)?;
    let mut notes: Vec<Note> = file.oddities.iter().map(note).collect();
    let general = general::read_general(&file, &mut notes);
    let instrument = general::read_instrument(&file, &mut notes);
    let mut fixed = fixed::read(&file, options, &mut notes)?;
    let (counts, scales) = data::read(&file, &mut notes)?;
    let stretches = fixed.stretches(counts.len(), options, &mut notes)?;
    let settings = fixed.settings(&general, &mut notes)?;
    let mut trace = Trace {
        counts,
        scales,
        stretches,
        settings,
        labels: general.labels,
        instrument,
        table: None,
        notes: Vec::new(),
    };
    trace.table = events::read(&file, &trace, &mut notes);
    events::check_landmarks(&file, &mut notes);
    note_checksum(&file, &mut notes);
    notes.sort_by_key(|note| note.byte);
    trace.notes = notes;
    Ok(trace)
}

fn note_checksum(file: &raw::File<'_>, notes: &mut Vec<Note>) {
    let read = describing(file, CKSUM, notes, |fields, _, stored: &mut Option<(u16, usize)>, _| {
        *stored = Some((fields.u16("checksum")?, fields.last_at()));
        Ok(())
    });
    let Some(stored) = read else {
        return note_missing(CKSUM, "nothing shows whether the file is whole", notes);
    };
    let Some((stored, byte)) = stored else {
        return; // its own damage was noted
    };
    let says = match file.checksum_fit() {
        Some(Fit::Standard) | None => return,
        Some(Fit::Zero) => "checksum is 0, which some writers store for none".to_owned(),
        Some(Fit::Variant(how)) => {
            format!("checksum is {stored:04X}h, right but written in another way: {how}")
        }
        Some(Fit::Wrong(right)) => format!(
            "checksum is {stored:04X}h, expected {right:04X}h: the file was changed or damaged"
        ),
    };
    notes.push(Note { block: CKSUM.into(), byte: Some(byte), says });
}
