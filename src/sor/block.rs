//! One block read in the layout of its generation.

use super::raw::{Damage, Fields, File, Version, shown};
use crate::trace::{Label, Note};

/// A block that was read, perhaps not to its end.
pub(super) struct Reading<T> {
    /// What was read.
    pub(super) value: T,
    /// The layout that was used.
    pub(super) layout: Version,
    /// What stopped the reading, if anything did.
    pub(super) damage: Option<Damage>,
}

/// A damage that did not prevent reading.
pub(super) fn note(damage: &Damage) -> Note {
    Note { block: damage.block.clone(), byte: Some(damage.byte), says: damage.says() }
}

/// Reads the first block of this name. `None` where the file has none.
///
/// `fill` reads the fields in the layout of a generation. A block whose revision is not the file's
/// is tried in both layouts; the one that uses the block up counts.
pub(super) fn read_block<T: Default>(
    file: &File<'_>,
    name: &'static str,
    notes: &mut Vec<Note>,
    fill: impl Fn(&mut Fields<'_>, Version, &mut T, &mut Vec<Note>) -> Result<(), Damage>,
) -> Option<Reading<T>> {
    let block = file.block(name)?;
    let own = Version::of_revision(block.revision);
    if own == Some(file.version) && file.version == Version::V2 && !block.named {
        let front = &block.body[..block.body.len().min(name.len() + 1)];
        let expected = format!("expected {}", shown(name.as_bytes()));
        let damage = Damage::new(name, block.offset, "name in front", shown(front), expected);
        return Some(Reading { value: T::default(), layout: file.version, damage: Some(damage) });
    }
    let attempt = |layout: Version| {
        let mut fields = block.fields(name);
        let (mut value, mut notes) = (T::default(), Vec::new());
        let damage = fill(&mut fields, layout, &mut value, &mut notes).err();
        let rest = fields.left();
        if damage.is_none() && rest > 0 {
            let found = format!("{rest} bytes");
            let expected = "expected none; kept as they are";
            let odd = Damage::new(name, fields.at(), "rest behind the last field", found, expected);
            notes.push(note(&odd));
        }
        let misfit = (damage.is_some(), rest, notes.len());
        (misfit, notes, Reading { value, layout, damage })
    };
    let mut best = attempt(file.version);
    if own != Some(file.version) {
        let other = attempt(match file.version {
            Version::V1 => Version::V2,
            Version::V2 => Version::V1,
        });
        if other.0 < best.0 {
            best = other;
        }
        let expected =
            format!("expected {}; the layout that fits is used", file.version.revision());
        let odd = Damage::new(name, block.revision_at(), "revision", block.revision, expected);
        notes.push(note(&odd));
    }
    let (_, own_notes, reading) = best;
    notes.extend(own_notes);
    Some(reading)
}

/// The same for a block that only describes the trace: damage is a note, and what stands before it
/// counts. `None` where the file has no such block.
pub(super) fn describing<T: Default>(
    file: &File<'_>,
    name: &'static str,
    notes: &mut Vec<Note>,
    fill: impl Fn(&mut Fields<'_>, Version, &mut T, &mut Vec<Note>) -> Result<(), Damage>,
) -> Option<T> {
    let reading = read_block(file, name, notes, fill)?;
    if let Some(damage) = &reading.damage {
        let mut note = note(damage);
        note.says.push_str("; what stands before it counts");
        notes.push(note);
    }
    Some(reading.value)
}

/// A block that the standard wants and the file does not have.
pub(super) fn note_missing(name: &'static str, so: &str, notes: &mut Vec<Note>) {
    let says = format!("the block is missing, expected in the map; {so}");
    notes.push(Note { block: name.to_owned(), byte: None, says });
}

/// Reads a string into `label`. Control characters are noted; a string without its zero ends the
/// reading, with what it holds.
pub(super) fn string(
    fields: &mut Fields<'_>,
    field: &'static str,
    label: &mut Label,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    if fields.left() == 0 {
        return fields.bytes(field, 1).map(|_| ());
    }
    let (bytes, terminated) = fields.string();
    *label = Label::new(bytes);
    note_control(fields, field, label, notes);
    if terminated {
        return Ok(());
    }
    Err(fields.damage(
        field,
        shown(bytes),
        "expected a zero byte behind it; read to the block's end",
    ))
}

/// Reads `count` characters into `label`; they have no zero behind them.
pub(super) fn characters(
    fields: &mut Fields<'_>,
    field: &'static str,
    count: usize,
    label: &mut Label,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    *label = Label::new(fields.bytes(field, count)?);
    note_control(fields, field, label, notes);
    Ok(())
}

fn note_control(fields: &Fields<'_>, field: &'static str, label: &Label, notes: &mut Vec<Note>) {
    let bytes = label.bytes();
    let is_odd = match std::str::from_utf8(bytes) {
        Ok(text) => text.chars().any(char::is_control),
        Err(_) => bytes.iter().any(|byte| char::from(*byte).is_control()), // Latin-1
    };
    if is_odd {
        let expected = "expected no control characters; kept, and escaped where shown";
        notes.push(note(&fields.damage(field, shown(label.bytes()), expected)));
    }
}
