//! DataPts: the samples.

use super::SorError;
use super::block::{layout, note, note_rest};
use super::raw::{Fields, File};
use crate::trace::{Note, Scale};

pub(super) const DATA: &str = "DataPts";
const SEGMENT_LEAST_BYTES: usize = 6;
const SAMPLE_BYTES: usize = 2;

/// The samples and how they become dB.
pub(super) fn read(
    file: &File<'_>,
    notes: &mut Vec<Note>,
) -> Result<(Vec<u16>, Vec<Scale>), SorError> {
    let block = file.block(DATA).ok_or(SorError::Missing(DATA))?;
    layout(file, block, DATA, notes, |_| true);
    let mut fields = block.fields(DATA);
    let claimed = fields.i32("number of points")?;
    let points = fields.count("number of points", claimed, 1, SAMPLE_BYTES)?;
    let points_at = fields.last_at();
    let segments = i32::from(fields.i16("number of scale factors")?);
    let segments = fields.count("number of scale factors", segments, 1, SEGMENT_LEAST_BYTES)?;
    let mut counts = Vec::with_capacity(points);
    let mut scales = Vec::with_capacity(segments);
    for _ in 0..segments {
        scales.push(segment(&mut fields, &mut counts)?);
    }
    if counts.is_empty() {
        return Err(fields.damage("points in this segment", 0, "expected samples").into());
    }
    if counts.len() != points {
        let says = format!(
            "number of points is {points}, its segments hold {}; all are used",
            counts.len()
        );
        let proven = counts.len() > points && fields.left() == 0;
        if !proven {
            let expected = format!("its segments hold {}", counts.len());
            let damage =
                super::raw::Damage::new(DATA, points_at, "number of points", points, expected);
            return Err(damage.into());
        }
        notes.push(Note { block: DATA.into(), byte: Some(points_at), says });
    }
    note_rest(&fields, DATA, notes);
    Ok((counts, scales))
}

fn segment(fields: &mut Fields<'_>, counts: &mut Vec<u16>) -> Result<Scale, SorError> {
    let claimed = fields.i32("points in this segment")?;
    let at = fields.last_at();
    let count_micro_db = fields.u16("scale factor")?;
    if count_micro_db == 0 {
        return Err(fields
            .damage("scale factor", 0, "expected more than 0, 1000 in most files")
            .into());
    }
    let samples =
        fields.count("points in this segment", claimed, 0, SAMPLE_BYTES).map_err(|mut d| {
            d.byte = at;
            d.hint("the count is not to be believed; copy the file from the instrument again")
        })?;
    let bytes = fields.bytes("samples", samples * SAMPLE_BYTES)?;
    counts.extend(bytes.as_chunks::<SAMPLE_BYTES>().0.iter().map(|b| u16::from_le_bytes(*b)));
    Ok(Scale { samples, count_micro_db })
}

/// A claim of FxdParams that DataPts does not bear out.
pub(super) fn note_points(fields: &Fields<'_>, points: i32, counts: usize, notes: &mut Vec<Note>) {
    let expected = format!("DataPts holds {counts}, which is used");
    notes.push(note(&fields.damage("number of points", points, expected)));
}
