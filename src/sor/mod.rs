//! SR-4731 blocks to a trace and back.

pub mod raw;
