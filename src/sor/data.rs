//! DataPts: the samples. It carries the trace, so damage is an error.

use super::SorError;
use super::block::{note, read_block};
use super::raw::{Damage, Fields, File};
use crate::trace::{Note, Scale};

pub(super) const NAME: &str = "DataPts";
const SEGMENT_BYTES: usize = 6;
const SAMPLE_BYTES: usize = 2;

#[derive(Default)]
struct Samples {
    counts: Vec<u16>,
    scales: Vec<Scale>,
}

/// The samples, and how their counts become dB.
pub(super) fn read(
    file: &File<'_>,
    notes: &mut Vec<Note>,
) -> Result<(Vec<u16>, Vec<Scale>), SorError> {
    let reading = read_block(file, NAME, notes, |fields, _, samples: &mut Samples, notes| {
        fill(fields, samples, notes)
    });
    let reading = reading.ok_or(SorError::Missing(NAME))?;
    match reading.damage {
        Some(damage) => Err(damage.into()),
        None => Ok((reading.value.counts, reading.value.scales)),
    }
}

fn fill(
    fields: &mut Fields<'_>,
    samples: &mut Samples,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    let points = fields.i32("number of points")?;
    let points_at = fields.last_at();
    let segments = i32::from(fields.i16("number of scale factors")?);
    let segments = fields.count("number of scale factors", segments, 1, SEGMENT_BYTES)?;
    let damage =
        |expected: String| Damage::new(NAME, points_at, "number of points", points, expected);
    let room = (fields.left() - segments * SEGMENT_BYTES) / SAMPLE_BYTES;
    let hint = "the file is damaged; copy it from the instrument again";
    let Ok(points) = usize::try_from(points) else {
        return Err(damage("expected 1 or more".into()).hint(hint));
    };
    if points > room {
        return Err(damage(format!("the block has room for {room}")).hint(hint));
    }
    for _ in 0..segments {
        read_segment(fields, samples)?;
    }
    let held = samples.counts.len();
    match held {
        0 => Err(damage("the block holds no sample".into()).hint(hint)),
        _ if held == points => Ok(()),
        _ if held > points && fields.left() == 0 => {
            notes.push(note(&damage(format!("the block holds {held}; those are used"))));
            Ok(())
        }
        _ => Err(damage(format!("the segments hold {held}")).hint(hint)),
    }
}

fn read_segment(fields: &mut Fields<'_>, samples: &mut Samples) -> Result<(), Damage> {
    let claimed = fields.i32("points in the segment")?;
    let claimed_at = fields.last_at();
    let count_micro_db = fields.u16("scale factor")?;
    if count_micro_db == 0 {
        return Err(fields.damage("scale factor", 0, "expected 1 or more, 1000 in most files"));
    }
    let room = fields.left() / SAMPLE_BYTES;
    let Some(points) = usize::try_from(claimed).ok().filter(|points| *points <= room) else {
        let expected = format!("the block has room for {room}");
        return Err(Damage::new(NAME, claimed_at, "points in the segment", claimed, expected));
    };
    let bytes = fields.bytes("samples", points * SAMPLE_BYTES)?;
    let (pairs, _) = bytes.as_chunks::<SAMPLE_BYTES>();
    samples.counts.extend(pairs.iter().map(|pair| u16::from_le_bytes(*pair)));
    samples.scales.push(Scale { samples: points, count_micro_db });
    Ok(())
}
