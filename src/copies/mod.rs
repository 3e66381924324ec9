//! Copies of traces: brought home from sticks and sync folders, or with corrected labels. The traces
//! themselves are never touched, no file is written over, and a journal says what was done.

mod collect;
mod journal;
mod relabel;

use std::path::Path;

pub use collect::{Became, COLLECT_JOURNAL, CollectError, Collected, UNREADABLE, collect};
pub use relabel::{RELABEL_JOURNAL, Relabel, Relabelled, Relabelling, Undone, undo};

/// A path as journals write it, the same on every system.
fn slashed(path: &Path) -> String {
    let parts: Vec<_> = path.iter().map(|part| part.to_string_lossy()).collect();
    parts.join("/")
}
