//! GenParams and SupParams: who, where, with what. Damage here is a note.

use super::block::{label, layout, note, note_rest};
use super::raw::{Damage, Fields, File, Version};
use crate::trace::{Instrument, Label, Labels, Note};

pub(super) const GEN: &str = "GenParams";
pub(super) const SUP: &str = "SupParams";

/// What GenParams says.
#[derive(Clone, Debug, Default)]
pub(super) struct General {
    pub labels: Labels,
    pub wavelength_nm: i16,
    pub user_offset_100_ps: i32,
}

pub(super) fn read_general(file: &File<'_>, notes: &mut Vec<Note>) -> General {
    let mut general = General::default();
    let Some(block) = file.block(GEN) else {
        notes.push(missing(GEN));
        return general;
    };
    let uses_up = |version| {
        let (mut ignored, mut spare) = (Vec::new(), General::default());
        let mut fields = block.fields(GEN);
        fill(&mut fields, version, &mut spare, &mut ignored).is_ok() && fields.left() == 0
    };
    let version = layout(file, block, GEN, notes, uses_up);
    let mut fields = block.fields(GEN);
    match fill(&mut fields, version, &mut general, notes) {
        Ok(()) => note_rest(&fields, GEN, notes),
        Err(damage) => notes.push(note(&damage)),
    }
    general
}

fn missing(name: &str) -> Note {
    Note {
        block: name.into(),
        byte: None,
        says: "the block is missing; its fields are blank".into(),
    }
}

/// Fills in what can be read; what was read before a damage counts.
fn fill(
    fields: &mut Fields<'_>,
    version: Version,
    general: &mut General,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    fields.bytes("language", 2)?;
    let labels = &mut general.labels;
    labels.cable = label(fields, "cable id", notes);
    labels.fiber = label(fields, "fibre id", notes);
    if version == Version::V2 {
        labels.fiber_type = Some(fields.i16("fibre type")?).filter(|number| *number != 0);
    }
    general.wavelength_nm = fields.i16("nominal wavelength")?;
    labels.from = label(fields, "originating location", notes);
    labels.to = label(fields, "terminating location", notes);
    labels.cable_code = label(fields, "cable code", notes);
    labels.plant_state = Label::new(fields.bytes("data flag", 2)?);
    if !matches!(labels.plant_state.bytes(), b"BC" | b"CC" | b"RC" | b"OT") {
        let found = super::raw::shown(labels.plant_state.bytes());
        notes.push(note(&fields.damage("data flag", found, "expected BC, CC, RC or OT")));
    }
    general.user_offset_100_ps = fields.i32("user offset")?;
    if version == Version::V2 {
        fields.i32("user offset distance")?;
    }
    labels.operator = label(fields, "operator", notes);
    labels.comment = label(fields, "comment", notes);
    Ok(())
}

pub(super) fn read_instrument(file: &File<'_>, notes: &mut Vec<Note>) -> Instrument {
    let Some(block) = file.block(SUP) else {
        notes.push(missing(SUP));
        return Instrument::default();
    };
    // Seven strings in both generations: a foreign revision is only noted.
    layout(file, block, SUP, notes, |_| true);
    let mut fields = block.fields(SUP);
    let mut next = |field| {
        if fields.left() == 0 {
            let damage = Damage::new(SUP, fields.at(), field, "missing", "expected seven strings");
            notes.push(note(&damage));
            Label::default()
        } else {
            label(&mut fields, field, notes)
        }
    };
    let instrument = Instrument {
        supplier: next("supplier name"),
        mainframe: next("mainframe id"),
        mainframe_serial: next("mainframe serial number"),
        module: next("optical module id"),
        module_serial: next("optical module serial number"),
        software: next("software revision"),
        other: next("other"),
    };
    note_rest(&fields, SUP, notes);
    instrument
}
