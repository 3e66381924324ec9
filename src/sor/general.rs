//! GenParams and SupParams: who, where, and with what.

use super::block::{characters, describing, note, note_missing, string};
use super::raw::{Damage, Fields, File, Version, shown};
use crate::trace::{Instrument, Label, Labels, Note};

pub(super) const GENERAL: &str = "GenParams";
pub(super) const SUPPLIER: &str = "SupParams";

/// The states of the plant that the format knows.
const PLANT_STATES: [&[u8]; 4] = [b"BC", b"CC", b"RC", b"OT"];

/// What GenParams holds.
#[derive(Default)]
pub(super) struct General {
    pub(super) labels: Labels,
    /// In nm where the instrument keeps to the format.
    pub(super) wavelength: i16,
    pub(super) wavelength_at: usize,
    pub(super) user_offset_100_ps: i32,
}

pub(super) fn read_general(file: &File<'_>, notes: &mut Vec<Note>) -> General {
    describing(file, GENERAL, notes, fill_general).unwrap_or_else(|| {
        note_missing(GENERAL, "labels stay blank", notes);
        General::default()
    })
}

pub(super) fn fill_general(
    fields: &mut Fields<'_>,
    layout: Version,
    general: &mut General,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    let labels = &mut general.labels;
    characters(fields, "language", 2, &mut Label::default(), notes)?;
    string(fields, "cable id", &mut labels.cable, notes)?;
    string(fields, "fibre id", &mut labels.fiber, notes)?;
    if layout == Version::V2 {
        labels.fiber_type = Some(fields.i16("fibre type")?).filter(|number| *number != 0);
    }
    general.wavelength = fields.i16("nominal wavelength")?;
    general.wavelength_at = fields.last_at();
    string(fields, "originating location", &mut labels.from, notes)?;
    string(fields, "terminating location", &mut labels.to, notes)?;
    string(fields, "cable code", &mut labels.cable_code, notes)?;
    characters(fields, "data flag", 2, &mut labels.plant_state, notes)?;
    let state = &labels.plant_state;
    if !state.is_blank() && !PLANT_STATES.contains(&state.bytes()) {
        let expected = "expected BC, CC, RC or OT";
        notes.push(note(&fields.damage("data flag", shown(state.bytes()), expected)));
    }
    general.user_offset_100_ps = fields.i32("user offset")?;
    if layout == Version::V2 {
        fields.i32("user offset distance")?; // the same again in a display unit
    }
    string(fields, "operator", &mut labels.operator, notes)?;
    string(fields, "comment", &mut labels.comment, notes)
}

pub(super) fn read_instrument(file: &File<'_>, notes: &mut Vec<Note>) -> Instrument {
    describing(file, SUPPLIER, notes, fill_instrument).unwrap_or_else(|| {
        note_missing(SUPPLIER, "the instrument stays blank", notes);
        Instrument::default()
    })
}

fn fill_instrument(
    fields: &mut Fields<'_>,
    _: Version,
    instrument: &mut Instrument,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    string(fields, "supplier name", &mut instrument.supplier, notes)?;
    string(fields, "mainframe id", &mut instrument.mainframe, notes)?;
    string(fields, "mainframe serial number", &mut instrument.mainframe_serial, notes)?;
    string(fields, "optical module id", &mut instrument.module, notes)?;
    string(fields, "optical module serial number", &mut instrument.module_serial, notes)?;
    string(fields, "software revision", &mut instrument.software, notes)?;
    string(fields, "other", &mut instrument.other, notes)
}
