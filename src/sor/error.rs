//! What stops reading or writing.

use super::raw::Damage;

/// Why bytes gave no trace, or a trace no bytes.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SorError {
    /// A field that carries the trace is not what the format says.
    #[error(transparent)]
    Damaged(#[from] Damage),
    /// A block without which there is no trace, or nothing to change.
    #[error("File: the block {0} is missing, expected in the map")]
    Missing(&'static str),
    /// A value that the format has no room for, when writing.
    #[error("{field} cannot be written: {says}")]
    Unfit {
        /// The field, in the words of the format.
        field: &'static str,
        /// What it is and what would fit.
        says: String,
    },
}

impl SorError {
    /// What the user can do about it, in one line. `None` where there is no good advice.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            SorError::Damaged(damage) => damage.hint,
            SorError::Missing(_) => Some("copy the file from the instrument again"),
            SorError::Unfit { .. } => None,
        }
    }
}
