//! KeyEvents and LnkParams: what the instrument itself found. Damage here is a note.

use super::block::{label, layout, note, note_rest};
use super::raw::{Damage, Fields, File, Version, shown};
use crate::trace::{Label, Listed, Note, Table, Trace};

pub(super) const KEY: &str = "KeyEvents";
const LNK: &str = "LnkParams";
const TOTALS_BYTES: usize = 22;
const LANDMARK_LEAST_BYTES: usize = 33;

fn event_least_bytes(version: Version) -> usize {
    match version {
        Version::V1 => 23,
        Version::V2 => 43,
    }
}

/// The instrument's own table. `None` without the block.
pub(super) fn read(file: &File<'_>, trace: &Trace, notes: &mut Vec<Note>) -> Option<Table> {
    let block = file.block(KEY)?;
    let uses_up = |version| {
        let mut fields = block.fields(KEY);
        fill(&mut fields, version, &mut Table::default(), &mut Vec::new()).is_ok()
            && fields.left() == 0
    };
    let version = layout(file, block, KEY, notes, uses_up);
    let mut fields = block.fields(KEY);
    let mut table = Table::default();
    if let Err(damage) = fill(&mut fields, version, &mut table, notes) {
        notes.push(note(&damage));
    }
    note_odd_rows(&table, trace, notes);
    Some(table)
}

fn fill(
    fields: &mut Fields<'_>,
    version: Version,
    table: &mut Table,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    let claimed = i32::from(fields.i16("number of events")?);
    let mut totals = fields.split_end(TOTALS_BYTES);
    let least = event_least_bytes(version);
    let mut count = usize::try_from(claimed).unwrap_or(0);
    if claimed < 0 || count > fields.left() / least {
        let room = fields.left() / least;
        let expected = format!("the block has room for {room}; those are read");
        notes.push(note(&fields.damage("number of events", claimed, expected)));
        count = room;
    }
    for _ in 0..count {
        if fields.left() < least {
            return Err(fields.damage("events", "cut short", format!("expected {count}")));
        }
        table.rows.push(row(fields, version, notes)?);
    }
    if fields.left() > 0 {
        let found = format!("{} bytes left before the totals", fields.left());
        notes.push(note(&Damage::new(
            KEY,
            fields.at(),
            "events",
            found,
            "expected none; no totals are read",
        )));
        return Ok(());
    }
    read_totals(&mut totals, table)?;
    note_rest(&totals, KEY, notes);
    fields.bytes("events", 0)?;
    Ok(())
}

fn row(fields: &mut Fields<'_>, version: Version, notes: &mut Vec<Note>) -> Result<Listed, Damage> {
    let number = fields.i16("event number")?;
    let time_100_ps = fields.i32("propagation time")?;
    let attenuation_db_per_km = f64::from(fields.i16("lead-in attenuation")?) / 1000.0;
    let loss_db = f64::from(fields.i16("loss")?) / 1000.0;
    let reflectance = fields.i32("reflectance")?;
    let code = Label::new(fields.bytes("event code", 6)?);
    let known = matches!(code.bytes(), [b'0'..=b'2', b'F' | b'A' | b'M' | b'E' | b'O' | b'D', ..]);
    if !known {
        notes.push(note(&fields.damage("event code", shown(code.bytes()), "which is not known")));
    }
    let method = Label::new(fields.bytes("loss method", 2)?);
    if version == Version::V2 {
        fields.bytes("marker times", 20)?;
    }
    let comment = label(fields, "comment", notes);
    let reflectance_db = (reflectance != 0).then(|| f64::from(reflectance) / 1000.0);
    Ok(Listed {
        number,
        time_100_ps,
        attenuation_db_per_km,
        loss_db,
        reflectance_db,
        code,
        method,
        comment,
    })
}

/// A figure of 0 between two times of 0 means "not measured".
fn read_totals(fields: &mut Fields<'_>, table: &mut Table) -> Result<(), Damage> {
    let loss = fields.i32("end-to-end loss")?;
    let ends = [fields.i32("its start")?, fields.i32("its finish")?];
    table.loss_db = (loss != 0 || ends != [0, 0]).then(|| f64::from(loss) / 1000.0);
    let orl = fields.u16("optical return loss")?;
    let ends = [fields.i32("its start")?, fields.i32("its finish")?];
    table.orl_db = (orl != 0 || ends != [0, 0]).then(|| f64::from(orl) / 1000.0);
    Ok(())
}

fn note_odd_rows(table: &Table, trace: &Trace, notes: &mut Vec<Note>) {
    let mut say = |says: &str| {
        notes.push(Note { block: KEY.into(), byte: None, says: says.into() });
    };
    if !table.rows.is_sorted_by_key(|row| row.time_100_ps) {
        say("events are out of order; kept as stored");
    }
    if table.rows.iter().filter(|row| row.is_end()).count() > 1 {
        say("two events are called the end; kept as stored");
    }
    let last_m = trace.position_m(trace.counts.len().saturating_sub(1));
    if table.rows.iter().any(|row| trace.metres_100_ps(row.time_100_ps) > last_m) {
        say("an event lies beyond the trace; kept as stored");
    }
}

/// Notes a landmark block that this layout does not use up; it stays as bytes.
pub(super) fn check_landmarks(file: &File<'_>, notes: &mut Vec<Note>) {
    let Some(block) = file.block(LNK) else { return };
    let mut fields = block.fields(LNK);
    let read = |fields: &mut Fields<'_>| -> Result<(), Damage> {
        let claimed = i32::from(fields.i16("number of landmarks")?);
        let count = fields.count("number of landmarks", claimed, 0, LANDMARK_LEAST_BYTES)?;
        for _ in 0..count {
            fields.bytes("landmark", LANDMARK_LEAST_BYTES - 1)?;
            fields.string();
        }
        Ok(())
    };
    if read(&mut fields).is_err() || fields.left() > 0 {
        let says = "the landmarks are not laid out as expected; kept as bytes".into();
        notes.push(Note { block: LNK.into(), byte: Some(block.offset), says });
    }
}
