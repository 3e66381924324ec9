//! KeyEvents, the instrument's own table, and a look at LnkParams.

use super::block::{characters, describing, note, read_block, string};
use super::raw::{Damage, Fields, File, Version, shown};
use crate::trace::{Label, Listed, Note, Table, Trace};

pub(super) const NAME: &str = "KeyEvents";
/// The four totals behind the last event.
const TOTALS_BYTES: usize = 22;

#[derive(Default)]
struct Found {
    table: Table,
    rows_at: Vec<usize>,
}

/// The table. `None` where the file has none.
pub(super) fn read(file: &File<'_>, trace: &Trace, notes: &mut Vec<Note>) -> Option<Table> {
    let found = describing(file, NAME, notes, fill)?;
    check_rows(&found, end_100_ps(trace), notes);
    Some(found.table)
}

fn fill(
    fields: &mut Fields<'_>,
    layout: Version,
    found: &mut Found,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    let claimed = fields.i16("number of events")?;
    let Ok(count) = usize::try_from(claimed) else {
        return Err(fields.damage("number of events", claimed, "expected 0 or more"));
    };
    let counted = fields.clone();
    let mut totals = fields.split_end(TOTALS_BYTES);
    while found.table.rows.len() < count {
        let mut ahead = fields.clone();
        let mut row_notes = Vec::new();
        let Ok(row) = read_row(&mut ahead, layout, &mut row_notes) else {
            let expected = format!("the block has room for {}", found.table.rows.len());
            notes.push(note(&counted.damage("number of events", claimed, expected)));
            break;
        };
        found.rows_at.push(fields.at());
        found.table.rows.push(row);
        notes.append(&mut row_notes);
        *fields = ahead;
    }
    let before_totals = fields.left();
    fields.skip_rest();
    if before_totals > 0 {
        // Then the totals may not be where they should be either.
        let found = format!("{before_totals} bytes");
        let expected = "expected none; no totals are read";
        notes.push(note(&fields.damage("rest behind the last event", found, expected)));
        return Ok(());
    }
    found.table.loss_db = total_db(&mut totals, "end-to-end loss", |fields| {
        Ok(f64::from(fields.i32("end-to-end loss")?))
    })?;
    found.table.orl_db = total_db(&mut totals, "optical return loss", |fields| {
        Ok(f64::from(fields.u16("optical return loss")?))
    })?;
    Ok(())
}

fn read_row(
    fields: &mut Fields<'_>,
    layout: Version,
    notes: &mut Vec<Note>,
) -> Result<Listed, Damage> {
    let mut row = Listed {
        number: fields.i16("event number")?,
        time_100_ps: fields.i32("propagation time")?,
        attenuation_db_per_km: f64::from(fields.i16("lead-in attenuation")?) / 1e3,
        loss_db: f64::from(fields.i16("loss")?) / 1e3,
        reflectance_db: Some(f64::from(fields.i32("reflectance")?) / 1e3).filter(|db| *db != 0.0),
        code: Label::default(),
        method: Label::default(),
        comment: Label::default(),
    };
    characters(fields, "event code", 6, &mut row.code, notes)?;
    characters(fields, "loss method", 2, &mut row.method, notes)?;
    if layout == Version::V2 {
        fields.bytes("marker times", 20)?;
    }
    string(fields, "event comment", &mut row.comment, notes)?;
    Ok(row)
}

/// A total with its two times; all three 0 is "not measured".
fn total_db(
    fields: &mut Fields<'_>,
    field: &'static str,
    value: impl Fn(&mut Fields<'_>) -> Result<f64, Damage>,
) -> Result<Option<f64>, Damage> {
    let thousandths = value(fields)?;
    let (start, finish) = (fields.i32(field)?, fields.i32(field)?);
    let measured = thousandths != 0.0 || start != 0 || finish != 0;
    Ok(measured.then_some(thousandths / 1e3))
}

/// One-way time in 100 ps at which the samples end.
fn end_100_ps(trace: &Trace) -> f64 {
    let stretches = trace.stretches.iter();
    let times = stretches.map(|s| s.samples as f64 * f64::from(s.spacing_1e_14_s) / 1e4);
    f64::from(trace.settings.first_sample_100_ps) + times.sum::<f64>()
}

/// One note for each kind of oddity: the first row that shows it, and how many do.
fn check_rows(found: &Found, end_100_ps: f64, notes: &mut Vec<Note>) {
    let rows = &found.table.rows;
    let mut say = |which: Vec<usize>, field, what: &dyn Fn(&Listed) -> String, expected: &str| {
        if let Some(first) = which.first() {
            let expected = format!("{expected} ({} in the table)", which.len());
            let at = found.rows_at[*first];
            notes.push(note(&Damage::new(NAME, at, field, what(&rows[*first]), expected)));
        }
    };
    let time = |row: &Listed| format!("{} for event {}", row.time_100_ps, row.number);
    let code = |row: &Listed| format!("{} for event {}", shown(row.code.bytes()), row.number);
    let all = || 0..rows.len();
    let early = all().skip(1).filter(|i| rows[*i].time_100_ps < rows[i - 1].time_100_ps).collect();
    say(early, "propagation time", &time, "earlier than the event before it");
    let late = all().filter(|i| f64::from(rows[*i].time_100_ps) > end_100_ps).collect();
    say(late, "propagation time", &time, &format!("the samples end at {end_100_ps:.0}"));
    let ends = all().filter(|i| rows[*i].is_end()).skip(1).collect();
    say(ends, "event code", &code, "a second end of fibre");
    let unknown = all().filter(|i| !is_known_code(rows[*i].code.bytes())).collect();
    say(unknown, "event code", &code, "expected such as 0F9999, 1F9999 or 1E9999");
}

fn is_known_code(code: &[u8]) -> bool {
    let [reflection, finder, landmark @ ..] = code else { return false };
    b"012".contains(reflection)
        && b"FAMEOD".contains(finder)
        && landmark.len() == 4
        && landmark.iter().all(u8::is_ascii_digit)
}

/// Landmarks are not used, and their layout is the least sure: where it does not fit, the block stays
/// opaque and is noted.
pub(super) fn check_landmarks(file: &File<'_>, notes: &mut Vec<Note>) {
    const NAME: &str = "LnkParams";
    const LEAST_BYTES: usize = 33; // its fixed part of 32 bytes, and the zero of its comment
    let mut own_notes = Vec::new();
    let Some(reading) = read_block(file, NAME, &mut own_notes, |fields, _, (): &mut (), notes| {
        let count = i32::from(fields.i16("number of landmarks")?);
        let count = fields.count("number of landmarks", count, 0, LEAST_BYTES)?;
        for _ in 0..count {
            fields.bytes("landmark", LEAST_BYTES - 1)?;
            string(fields, "landmark comment", &mut Label::default(), notes)?;
        }
        Ok(())
    }) else {
        return;
    };
    notes.append(&mut own_notes);
    notes.extend(reading.damage.as_ref().map(note).map(|mut note| {
        note.says.push_str("; landmarks are not read");
        note
    }));
}
