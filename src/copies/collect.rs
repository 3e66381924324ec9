//! Traces from sticks and sync folders, copied home by content.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::journal::Journal;
use super::slashed;
use crate::job::{self, Identity};
use crate::plan::Plan;
use crate::report::escape;
use crate::trace::{Label, Trace};
use crate::{disk, source};

/// Name of the journal in the folder that traces are brought to.
pub const COLLECT_JOURNAL: &str = "collect-journal.jsonl";

/// Folder in it for files that cannot be read as traces. Their names there end in `.unreadable`, so
/// that nothing that walks the folder for traces stumbles over them; the bytes are as they were.
pub const UNREADABLE: &str = "unreadable";

/// Held while a run writes; it stays, empty.
const LOCK: &str = ".collect-lock";

/// Folder name where a label says nothing.
const UNLABELLED: &str = "unlabelled";

/// A file of the sources, and what became of it.
#[derive(Debug)]
pub struct Collected {
    /// The file.
    pub file: PathBuf,
    /// What became of it.
    pub became: Became,
}

/// What became of a file. Paths are relative to the folder that traces are brought to.
#[derive(Debug, PartialEq, Eq)]
pub enum Became {
    /// Copied, and the copy read back.
    New {
        /// The copy.
        to: PathBuf,
    },
    /// Its content was there already.
    Known {
        /// The file with that content.
        to: PathBuf,
    },
    /// No trace; kept apart.
    Unreadable {
        /// The copy.
        to: PathBuf,
        /// Whether it was there already.
        known: bool,
        /// What is wrong with it.
        says: String,
    },
    /// It could not be read from its source, or not be copied.
    Lost {
        /// Why.
        says: String,
    },
}

/// Why nothing could be collected.
#[derive(Debug, thiserror::Error)]
pub enum CollectError {
    /// Another run is writing to the folder.
    #[error("{}: another run collects into this folder", .0.display())]
    Busy(PathBuf),
    /// The folder or its journal cannot be read or written.
    #[error("{}: {error}", .path.display())]
    Folder {
        /// Which of both.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
}

/// A line of the journal: a copy that was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    sha256: String,
    bytes: u64,
    /// As the user named it.
    from: String,
    /// Relative to the folder, with forward slashes.
    to: String,
    readable: bool,
}

/// Copies every file of `files` whose content is not in the folder `into` yet. Nothing that is there
/// is changed or removed, but for what an interrupted run left unfinished. Interrupted at any moment
/// and run again, it comes to the same files and the same journal. The order of `files` does not
/// matter; the answer is in order of path. `done` is called after each.
///
/// `plan`: files without a cable label are taken for its cable, and names say what labels do not.
///
/// # Errors
/// Where the folder itself cannot be used. A single file that cannot is [`Became::Lost`].
pub fn collect(
    mut files: Vec<PathBuf>,
    into: &Path,
    plan: Option<&Plan>,
    done: &dyn Fn(),
) -> Result<Vec<Collected>, CollectError> {
    files.sort();
    files.dedup();
    let journal_path = into.join(COLLECT_JOURNAL);
    let failed = |error| CollectError::Folder { path: into.to_owned(), error };
    let _held = disk::hold(&into.join(LOCK)).map_err(|error| match error.kind() {
        io::ErrorKind::WouldBlock => CollectError::Busy(into.to_owned()),
        _ => failed(error),
    })?;
    disk::clear_unfinished(into).map_err(failed)?;
    let mut home = Home {
        into,
        known: contents(into).map_err(failed)?,
        journal: Journal::read(&journal_path).map_err(failed)?,
        plan,
    };
    let all = files.into_iter().map(|file| {
        let became = home.bring(&file);
        done();
        Collected { file, became }
    });
    Ok(all.collect())
}

/// The files in a folder by the SHA-256 of their bytes; of several the first by path.
///
/// All are read each time: the journal says what was copied once, not what is there today.
fn contents(into: &Path) -> io::Result<BTreeMap<String, PathBuf>> {
    let mut known = BTreeMap::new();
    for path in disk::files_in(into)? {
        if path.file_name().is_some_and(|name| name == COLLECT_JOURNAL || name == LOCK) {
            continue;
        }
        let Ok(bytes) = disk::read(&path) else { continue }; // too large to be a trace, or not ours
        let inside = path.strip_prefix(into).unwrap_or(&path).to_owned();
        known.entry(disk::sha256(&bytes)).or_insert(inside);
    }
    Ok(known)
}

/// The folder that traces are brought to.
struct Home<'a> {
    into: &'a Path,
    known: BTreeMap<String, PathBuf>,
    journal: Journal<Entry>,
    plan: Option<&'a Plan>,
}

impl Home<'_> {
    fn bring(&mut self, file: &Path) -> Became {
        let lost = |error: io::Error| Became::Lost { says: error.to_string() };
        let bytes = match disk::read(file) {
            Ok(bytes) => bytes,
            Err(error) => return lost(error),
        };
        let trace = source::decode(file, &bytes, &source::Options::default());
        let places = places(file, &bytes, trace.as_ref().ok(), self.plan);
        let readable = trace.is_ok();
        let (to, known) = match self.keep(file, &bytes, &places, readable) {
            Ok(kept) => kept,
            Err(error) => return lost(error),
        };
        match trace {
            Err(error) => Became::Unreadable { to, known, says: error.cause.to_string() },
            Ok(_) if known => Became::Known { to },
            Ok(_) => Became::New { to },
        }
    }

    /// Where the content is now, and whether it was before.
    fn keep(
        &mut self,
        file: &Path,
        bytes: &[u8],
        places: &[PathBuf],
        readable: bool,
    ) -> io::Result<(PathBuf, bool)> {
        let sha256 = disk::sha256(bytes);
        let known = self.known.get(&sha256).cloned();
        let to = match &known {
            Some(to) => to.clone(),
            None => self.copy(bytes, places)?,
        };
        // A copy that was made just before an interruption has no line yet.
        if places.contains(&to) && !self.journal.entries.iter().any(|e| e.sha256 == sha256) {
            self.journal.add(Entry {
                sha256: sha256.clone(),
                bytes: bytes.len() as u64,
                from: file.to_string_lossy().into_owned(),
                to: slashed(&to),
                readable,
            })?;
        }
        self.known.insert(sha256, to.clone());
        Ok((to, known.is_some()))
    }

    /// Writes the bytes to the first place that is free.
    fn copy(&self, bytes: &[u8], places: &[PathBuf]) -> io::Result<PathBuf> {
        for place in places {
            match disk::write_new_checked(&self.into.join(place), bytes) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                other => return other.map(|()| place.clone()),
            }
        }
        Err(io::ErrorKind::AlreadyExists.into())
    }
}

/// Where a file may be put, in order of preference; the later names carry its hash, for the earlier
/// ones may be taken by other content.
fn places(file: &Path, bytes: &[u8], trace: Option<&Trace>, plan: Option<&Plan>) -> Vec<PathBuf> {
    let folder = match trace {
        Some(trace) => labelled(file, trace, plan),
        None => PathBuf::from(UNREADABLE),
    };
    let part = |text: Option<&std::ffi::OsStr>| {
        text.map(|text| safe(&text.to_string_lossy())).unwrap_or_default()
    };
    let (stem, ending) = (part(file.file_stem()), part(file.extension()));
    let sha256 = disk::sha256(bytes);
    ["", &sha256[..8], &sha256[..]]
        .iter()
        .map(|hash| {
            let mut name = stem.clone();
            for (separator, part) in [("-", *hash), (".", ending.as_str())] {
                if !part.is_empty() {
                    name.extend([separator, part]);
                }
            }
            if trace.is_none() {
                name.push_str(".unreadable");
            }
            folder.join(name)
        })
        .collect()
}

/// `CABLE/FIBRE`, made of the labels.
fn labelled(file: &Path, trace: &Trace, plan: Option<&Plan>) -> PathBuf {
    let text = |label: &Label| {
        if label.is_blank() { UNLABELLED.to_owned() } else { safe(&label.text()) }
    };
    let labels = &trace.labels;
    let who = plan.map(|plan| (plan, Identity::of(file, trace, plan)));
    let (cable, fiber) = match who {
        Some((plan, who)) if who.own_cable => (safe(&plan.cable.id), who.fiber),
        _ => (text(&labels.cable), job::number(&labels.fiber.text())),
    };
    // A folder of that name would leave no room for the journal.
    let is_taken = cable.eq_ignore_ascii_case(COLLECT_JOURNAL);
    let cable = if is_taken { format!("_{cable}") } else { cable };
    let fiber = fiber.map_or_else(|| text(&labels.fiber), |number| format!("{number:03}"));
    Path::new(&cable).join(fiber)
}

/// Bytes that are left for a name besides a hash and its endings: most file systems take 255.
const LONGEST_NAME_BYTES: usize = 120;

fn safe(text: &str) -> String {
    let mut name = escape::path(text);
    while name.len() > LONGEST_NAME_BYTES {
        name.pop();
    }
    // Windows drops a dot at the end of a name, and would then find another file.
    while name.ends_with('.') {
        name.pop();
        name.push('_');
    }
    name
}
