//! New labels in an old file: one block is written anew, all others stay as they are.

use super::SorError;
use super::general::GEN;
use super::raw::{self, File, Version, checksum};

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
/// every block is as it was.
///
/// # Errors
/// Where the bytes are no such file, GenParams is missing or damaged, or a text holds a zero byte.
pub fn relabel(bytes: &[u8], change: &Change) -> Result<Vec<u8>, SorError> {
    let file = File::read(bytes)?;
    let block = file.block(GEN).ok_or(SorError::Missing(GEN))?;
    let body =
        changed(block, Version::of_revision(block.revision).unwrap_or(file.version), change)?;
    let mut out = Vec::with_capacity(bytes.len() + body.len());
    out.extend_from_slice(file.map);
    let size = i32::try_from(body.len())
        .map_err(|_| SorError::Unfit { field: "labels", says: "longer than 2 GB".into() })?;
    out[block.size_at()..block.size_at() + 4].copy_from_slice(&size.to_le_bytes());
    let mut sum_at = None;
    for other in &file.blocks {
        if other.offset == block.offset {
            out.extend_from_slice(&body);
            continue;
        }
        if other.name == b"Cksum" && sum_at.is_none() {
            sum_at = Some(out.len() + other.body.len() - other.fields("Cksum").left());
        }
        out.extend_from_slice(other.body);
    }
    out.extend_from_slice(file.behind);
    if let Some(at) = sum_at.filter(|at| at + 2 <= out.len()) {
        let sum = checksum(&out[..at]);
        out[at..at + 2].copy_from_slice(&sum.to_le_bytes());
    }
    Ok(out)
}

/// GenParams with its changed strings; what stands behind its last field stays.
fn changed(block: &raw::Block<'_>, version: Version, change: &Change) -> Result<Vec<u8>, SorError> {
    let mut fields = block.fields(GEN);
    let name_bytes = block.body.len() - fields.left();
    let mut out = block.body[..name_bytes].to_vec();
    let copy = |out: &mut Vec<u8>, fields: &mut raw::Fields<'_>, count| -> Result<(), SorError> {
        out.extend_from_slice(fields.bytes("labels", count)?);
        Ok(())
    };
    copy(&mut out, &mut fields, 2)?;
    string(&mut out, &mut fields, change.cable.as_deref())?;
    string(&mut out, &mut fields, change.fiber.as_deref())?;
    copy(&mut out, &mut fields, if version == Version::V2 { 4 } else { 2 })?;
    string(&mut out, &mut fields, change.from.as_deref())?;
    string(&mut out, &mut fields, change.to.as_deref())?;
    string(&mut out, &mut fields, change.cable_code.as_deref())?;
    copy(&mut out, &mut fields, if version == Version::V2 { 10 } else { 6 })?;
    string(&mut out, &mut fields, change.operator.as_deref())?;
    string(&mut out, &mut fields, change.comment.as_deref())?;
    let rest = fields.left();
    copy(&mut out, &mut fields, rest)?;
    Ok(out)
}

fn string(
    out: &mut Vec<u8>,
    fields: &mut raw::Fields<'_>,
    new: Option<&str>,
) -> Result<(), SorError> {
    let (old, terminated) = fields.string();
    if !terminated {
        return Err(fields
            .damage("label", raw::shown(old), "expected a zero byte behind it")
            .into());
    }
    let text = new.map_or(old, str::as_bytes);
    if text.contains(&0) {
        return Err(SorError::Unfit {
            field: "label",
            says: "a zero byte cannot stand in it".into(),
        });
    }
    out.extend_from_slice(text);
    out.push(0);
    Ok(())
}
