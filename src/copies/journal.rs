//! Journals: files that only grow, one JSON object a line.

use std::io;
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::disk;
use crate::report::escape;

/// A journal, read.
pub(super) struct Journal<T> {
    path: PathBuf,
    /// Its entries, in order.
    pub(super) entries: Vec<T>,
    /// Numbers of lines that are no entries, counted from 1.
    pub(super) odd_lines: Vec<usize>,
    /// The beginning of a line whose writing was interrupted.
    tail: String,
}

impl<T: Serialize + DeserializeOwned> Journal<T> {
    /// Reads a journal; one that is not there has no entries.
    pub(super) fn read(path: &Path) -> io::Result<Journal<T>> {
        let text = match disk::read(path) {
            Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
            Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
            Err(error) => return Err(error),
        };
        let (whole, tail) = text.rsplit_once('\n').unwrap_or(("", &text));
        let mut journal = Journal {
            path: path.to_owned(),
            entries: Vec::new(),
            odd_lines: Vec::new(),
            tail: tail.to_owned(),
        };
        for (i, line) in whole.lines().enumerate() {
            match serde_json::from_str(line) {
                Ok(entry) => journal.entries.push(entry),
                Err(_) => journal.odd_lines.push(i + 1),
            }
        }
        Ok(journal)
    }

    /// Adds an entry, on the medium when this returns.
    pub(super) fn add(&mut self, entry: T) -> io::Result<()> {
        let line = escape::json(serde_json::to_string(&entry)?) + "\n";
        let tail = std::mem::take(&mut self.tail);
        // A line that was cut off is finished where it was this one, else ended: nothing is removed.
        let text = match line.strip_prefix(&tail) {
            Some(rest) => rest.to_owned(),
            None => format!("\n{line}"),
        };
        disk::append(&self.path, &text)?;
        self.entries.push(entry);
        Ok(())
    }
}
