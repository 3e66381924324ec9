//! New labels in an old file: one block is written anew, all others stay as they are.

use super::SorError;
use super::block::read_block;
use super::general::{GENERAL, fill_general};
use super::raw::{Damage, Fields, File, Version, shown};

/// Labels to change. `None` leaves one as it is.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Change {
    /// Cable id.
    pub cable: Option<String>,
    /// Fibre id.
    pub fiber: Option<String>,
    /// Originating location.
    pub from: Option<String>,
    /// Terminating location.
    pub to: Option<String>,
    /// Cable code.
    pub cable_code: Option<String>,
    /// Operator.
    pub operator: Option<String>,
    /// Comment.
    pub comment: Option<String>,
}

/// The file with changed labels: its map, lengths and checksum are right again, every other byte of
/// every block is as it was. Where nothing changes, the bytes stay the same altogether.
///
/// New text is written as UTF-8, which [`super::decode`] reads back. A private block is kept, and
/// may hold the old labels still.
///
/// # Errors
/// Where the bytes are no such file, GenParams is missing or damaged, or a text holds a control
/// character.
pub fn relabel(bytes: &[u8], change: &Change) -> Result<Vec<u8>, SorError> {
    let file = File::read(bytes)?;
    let reading = read_block(&file, GENERAL, &mut Vec::new(), fill_general)
        .ok_or(SorError::Missing(GENERAL))?;
    if let Some(damage) = reading.damage {
        return Err(damage.into());
    }
    let block = file.block(GENERAL).ok_or(SorError::Missing(GENERAL))?;
    let old = block.fields(GENERAL);
    let new = changed(old.clone(), reading.layout, change)?;
    if old.clone().bytes("labels", old.left())? == new {
        return Ok(bytes.to_vec());
    }
    let too_long = || SorError::Unfit { field: "labels", says: "longer than 2 GB".into() };
    file.with_fields(GENERAL, &new).ok_or_else(too_long)
}

/// GenParams with its changed strings; what stands behind its last field stays.
fn changed(mut fields: Fields<'_>, layout: Version, change: &Change) -> Result<Vec<u8>, SorError> {
    let is_v2 = layout == Version::V2;
    let mut out = Vec::new();
    copy(&mut out, &mut fields, 2)?; // language
    string(&mut out, &mut fields, "cable id", change.cable.as_deref())?;
    string(&mut out, &mut fields, "fibre id", change.fiber.as_deref())?;
    copy(&mut out, &mut fields, if is_v2 { 4 } else { 2 })?; // fibre type, wavelength
    string(&mut out, &mut fields, "originating location", change.from.as_deref())?;
    string(&mut out, &mut fields, "terminating location", change.to.as_deref())?;
    string(&mut out, &mut fields, "cable code", change.cable_code.as_deref())?;
    copy(&mut out, &mut fields, if is_v2 { 10 } else { 6 })?; // data flag, user offsets
    string(&mut out, &mut fields, "operator", change.operator.as_deref())?;
    string(&mut out, &mut fields, "comment", change.comment.as_deref())?;
    let rest = fields.left();
    copy(&mut out, &mut fields, rest)?;
    Ok(out)
}

fn copy(out: &mut Vec<u8>, fields: &mut Fields<'_>, count: usize) -> Result<(), Damage> {
    out.extend_from_slice(fields.bytes("labels", count)?);
    Ok(())
}

fn string(
    out: &mut Vec<u8>,
    fields: &mut Fields<'_>,
    field: &'static str,
    new: Option<&str>,
) -> Result<(), SorError> {
    let (old, _) = fields.string();
    if new.is_some_and(|text| text.chars().any(char::is_control)) {
        let found = shown(new.unwrap_or_default().as_bytes());
        let says = format!("{found} holds a control character, and no label should");
        return Err(SorError::Unfit { field, says });
    }
    out.extend_from_slice(new.map_or(old, str::as_bytes));
    out.push(0);
    Ok(())
}
