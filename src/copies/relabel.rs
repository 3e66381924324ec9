//! Labels put right in copies, by the user's word, the plan and the files' names.

use std::collections::BTreeMap;
use std::io;
use std::path::{Component, Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::journal::Journal;
use super::slashed;
use crate::job::{self, Direction, Named};
use crate::plan::Plan;
use crate::sor::{self, Change};
use crate::trace::{Label, Labels};
use crate::{disk, source};

/// Name of the journal in the folder of the copies.
pub const RELABEL_JOURNAL: &str = "relabel-journal.jsonl";

/// What a label was and became.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Relabel {
    /// Its text before.
    pub from: String,
    /// Its text now.
    pub to: String,
}

/// A line of the journal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "did", rename_all = "lowercase", deny_unknown_fields)]
enum Entry {
    /// A copy was made.
    Copied {
        file: String,
        sha256_before: String,
        /// Relative to the journal's folder, with forward slashes.
        to: String,
        sha256_after: String,
        set: BTreeMap<String, Relabel>,
    },
    /// A copy was removed again.
    Undone { to: String, sha256_after: String },
}

/// A copy with its labels put right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Relabelled {
    /// The copy, relative to the folder of the copies.
    pub to: PathBuf,
    /// What was changed, by the label's name.
    pub set: BTreeMap<String, Relabel>,
    /// What was not, and why.
    pub remarks: Vec<String>,
    /// Whether exactly this copy was there already.
    pub known: bool,
}

/// A relabelling under way.
pub struct Relabelling<'a> {
    into: &'a Path,
    set: &'a Change,
    plan: Option<&'a Plan>,
    journal: Journal<Entry>,
}

impl<'a> Relabelling<'a> {
    /// Begins copies to the folder `into`. `set`: labels that become what they say here in every
    /// copy. `plan`: cable, fibre and locations become what the plan and the file's name say,
    /// where `set` does not.
    ///
    /// # Errors
    /// Where the folder's journal cannot be read.
    pub fn begin(
        into: &'a Path,
        set: &'a Change,
        plan: Option<&'a Plan>,
    ) -> io::Result<Relabelling<'a>> {
        let journal = Journal::read(&into.join(RELABEL_JOURNAL))?;
        Ok(Relabelling { into, set, plan, journal })
    }

    /// Copies one file; `to` is relative to the folder of the copies.
    ///
    /// # Errors
    /// What is wrong with the file, or with the place of the copy: another file is never written
    /// over.
    pub fn copy(&mut self, file: &Path, to: &Path) -> Result<Relabelled, String> {
        if to.as_os_str().eq_ignore_ascii_case(RELABEL_JOURNAL) {
            return Err("it has the name of the journal beside the copies; rename it".to_owned());
        }
        let bytes = disk::read(file).map_err(|error| format!("cannot be read: {error}"))?;
        let trace = source::decode(file, &bytes, &source::Options::default())
            .map_err(|error| error.cause.to_string())?;
        let (change, remarks) = wanted(file, &trace.labels, self.set, self.plan);
        let set = changes(&trace.labels, &change);
        let changed = if set.is_empty() {
            bytes.clone()
        } else {
            sor::relabel(&bytes, &change).map_err(|error| error.to_string())?
        };
        let target = self.into.join(to);
        let known = match disk::write_new_checked(&target, &changed) {
            Ok(()) => false,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let there = disk::read(&target).map_err(|error| error.to_string())?;
                if there != changed {
                    return Err(format!("{}: another file is there", target.display()));
                }
                true
            }
            Err(error) => return Err(format!("{}: {error}", target.display())),
        };
        let entry = Entry::Copied {
            file: file.to_string_lossy().into_owned(),
            sha256_before: disk::sha256(&bytes),
            to: slashed(to),
            sha256_after: disk::sha256(&changed),
            set: set.clone(),
        };
        // A copy that was made just before an interruption has no line yet.
        if !known || !standing(&self.journal.entries).contains_key(&slashed(to)) {
            self.journal.add(entry).map_err(|error| format!("the journal: {error}"))?;
        }
        Ok(Relabelled { to: to.to_owned(), set, remarks, known })
    }
}

/// Copies that a journal made and did not undo, with their hashes.
fn standing(entries: &[Entry]) -> BTreeMap<String, String> {
    let mut standing = BTreeMap::new();
    for entry in entries {
        match entry {
            Entry::Copied { to, sha256_after, .. } => {
                standing.insert(to.clone(), sha256_after.clone());
            }
            Entry::Undone { to, .. } => drop(standing.remove(to)),
        }
    }
    standing
}

/// What becomes of a copy when its journal is undone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Undone {
    /// It was as it had been made, and is removed.
    Removed,
    /// It was not there any more.
    Gone,
    /// It was changed since, and stays.
    Changed,
}

/// Removes the copies that a journal made, where they are still exactly what was made; the traces
/// that they were made from are not touched. Answers with the path of each copy, in order.
///
/// # Errors
/// Where the journal cannot be read or has lines that are none of its own: then nothing is removed.
/// Where a copy cannot be removed.
pub fn undo(path: &Path) -> io::Result<Vec<(PathBuf, Undone)>> {
    disk::stamp(path)?; // a journal that is not there would read as an empty one
    let mut journal: Journal<Entry> = Journal::read(path)?;
    if let Some(line) = journal.odd_lines.first() {
        let says = format!("line {line} is no line of a journal of relabel; nothing was removed");
        return Err(io::Error::new(io::ErrorKind::InvalidData, says));
    }
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut all = Vec::new();
    for (to, sha256_after) in standing(&journal.entries) {
        if !Path::new(&to).components().all(|part| matches!(part, Component::Normal(_))) {
            let says = format!("{to:?} leaves the journal's folder; no copy was made there");
            return Err(io::Error::new(io::ErrorKind::InvalidData, says));
        }
        let copy = folder.join(&to);
        let undone = match disk::remove_exactly(&copy, &sha256_after) {
            Ok(true) => Undone::Removed,
            Ok(false) => Undone::Changed,
            Err(error) if error.kind() == io::ErrorKind::NotFound => Undone::Gone,
            Err(error) => return Err(error),
        };
        if undone != Undone::Changed {
            journal.add(Entry::Undone { to, sha256_after })?;
        }
        all.push((copy, undone));
    }
    Ok(all)
}

/// What the labels are to be, and what stays as it is although it looks wrong.
fn wanted(
    file: &Path,
    labels: &Labels,
    set: &Change,
    plan: Option<&Plan>,
) -> (Change, Vec<String>) {
    let mut change = set.clone();
    let Some(plan) = plan else { return (change, Vec::new()) };
    let mut remarks = Vec::new();
    let named = Named::of(file, plan);
    let cable = labels.cable.text();
    let ours = cable.is_empty() || cable.eq_ignore_ascii_case(&plan.cable.id);
    if !ours && named.own_cable != Some(true) {
        remarks.push(format!("its cable is {cable:?}, not the plan's: left as it is"));
        return (change, remarks);
    }
    change.cable.get_or_insert_with(|| plan.cable.id.clone());
    // A name that begins with something else follows another pattern, and its numbers mean nothing.
    let named = if named.own_cable == Some(false) { Named::default() } else { named };
    let labelled = job::number(&labels.fiber.text());
    match named.fiber.or(labelled) {
        Some(number) if !plan.cable.fibers.contains(&number) => {
            remarks.push(format!("fibre {number} is not in the plan: left as it is"));
        }
        Some(number) if labelled != Some(number) => {
            change.fiber.get_or_insert_with(|| format!("{number:03}"));
        }
        Some(_) => {}
        None => remarks.push("neither label nor name says its fibre".into()),
    }
    match named.direction.or_else(|| job::direction(labels, plan)) {
        Some(direction) => {
            let [a, b] = &plan.cable.ends;
            let (from, to) = if direction == Direction::AToB { (a, b) } else { (b, a) };
            change.from.get_or_insert_with(|| from.clone());
            change.to.get_or_insert_with(|| to.clone());
        }
        None => remarks.push("neither labels nor name say from which end it was measured".into()),
    }
    (change, remarks)
}

/// What a change does to some labels; what it leaves as it is does not count.
fn changes(labels: &Labels, change: &Change) -> BTreeMap<String, Relabel> {
    let all: [(&str, &Label, &Option<String>); 7] = [
        ("cable", &labels.cable, &change.cable),
        ("code", &labels.cable_code, &change.cable_code),
        ("comment", &labels.comment, &change.comment),
        ("fiber", &labels.fiber, &change.fiber),
        ("from", &labels.from, &change.from),
        ("operator", &labels.operator, &change.operator),
        ("to", &labels.to, &change.to),
    ];
    all.into_iter()
        .filter_map(|(name, label, new)| {
            let to = new.clone().filter(|new| *new != label.text())?;
            Some((name.to_owned(), Relabel { from: label.text(), to }))
        })
        .collect()
}
