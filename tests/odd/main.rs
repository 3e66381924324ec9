//! Odd and broken files: what must come out of each.

mod draft;
mod make;
mod property;
mod walk;
