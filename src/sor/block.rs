//! One block, read leniently: what it says as far as it can be read, and notes on the rest.

use super::raw::{Block, Damage, Fields, File, Version, shown};
use crate::trace::{Label, Note};

/// A damage that did not prevent reading, as a note.
pub(super) fn note(damage: &Damage) -> Note {
    Note { block: damage.block.clone(), byte: Some(damage.byte), says: damage.says() }
}

/// The layout a block is in: the file's, unless the block states the other generation's revision
/// and only that layout uses it up exactly.
pub(super) fn layout(
    file: &File<'_>,
    block: &Block<'_>,
    name: &'static str,
    notes: &mut Vec<Note>,
    fits: impl Fn(Version) -> bool,
) -> Version {
    let Some(own) = Version::of_revision(block.revision) else {
        let says = format!("revision is {}, expected {}", block.revision, file.version.revision());
        notes.push(Note { block: name.into(), byte: Some(block.offset), says });
        return file.version;
    };
    if own == file.version {
        return own;
    }
    let says = format!(
        "revision is {}, the map's is of the other generation; read as fits the block's size",
        block.revision
    );
    notes.push(Note { block: name.into(), byte: Some(block.offset), says });
    if fits(own) { own } else { file.version }
}

/// The next string as a label, with notes on a missing zero byte and on control characters.
pub(super) fn label(fields: &mut Fields<'_>, field: &'static str, notes: &mut Vec<Note>) -> Label {
    let (text, terminated) = fields.string();
    if !terminated {
        let damage = fields.damage(
            field,
            shown(text),
            "expected a zero byte behind it; read to the block's end",
        );
        notes.push(note(&damage));
    }
    let label = Label::new(text);
    if text.iter().any(u8::is_ascii_control) {
        let damage = fields.damage(
            field,
            shown(text),
            "which holds control characters; kept, and escaped where shown",
        );
        notes.push(note(&damage));
    }
    label
}

/// Notes bytes that are left behind a block's last field.
pub(super) fn note_rest(fields: &Fields<'_>, name: &'static str, notes: &mut Vec<Note>) {
    if fields.left() > 0 {
        let says = format!(
            "{} bytes behind the last field, expected none; kept as they are",
            fields.left()
        );
        notes.push(Note { block: name.into(), byte: Some(fields.at()), says });
    }
}
