//! Copies of traces: brought home from sticks and sync folders, or with corrected labels. The traces
//! themselves are never touched, no file is written over, and a journal says what was done.

mod collect;
mod journal;

pub use collect::{Became, CollectError, Collected, JOURNAL, UNREADABLE, collect};
