//! A trace to the bytes of a file, from scratch.

use super::SorError;
use super::data::DATA;
use super::events::KEY;
use super::fixed::FXD;
use super::general::{GEN, SUP};
use super::raw::{self, Version};
use crate::trace::{Label, Listed, Table, Trace};
use crate::units::LengthUnit;

/// The bytes of a file of `version` with all of `trace` that the format has room for: standard
/// blocks in their usual order, the checksum last.
///
/// # Errors
/// Where a value does not fit the format; nothing is wrapped or cut.
pub fn encode(trace: &Trace, version: Version) -> Result<Vec<u8>, SorError> {
    let mut blocks = vec![
        (GEN, general(trace, version)?),
        (SUP, supplier(trace)),
        (FXD, fixed(trace, version)?),
    ];
    if let Some(table) = &trace.table {
        blocks.push((KEY, events(table, version)?));
    }
    blocks.push((DATA, data(trace)?));
    let too_long = || SorError::Unfit { field: "file", says: "longer than 2 GB".into() };
    raw::write(version, &blocks).ok_or_else(too_long)
}

/// A value rounded to a whole number of the format's unit.
fn whole<T: TryFrom<i64>>(field: &'static str, value: f64) -> Result<T, SorError> {
    let rounded = value.round();
    let unfit = || SorError::Unfit { field, says: format!("{value} is out of the format's range") };
    if !rounded.is_finite() || rounded.abs() > 1e15 {
        return Err(unfit());
    }
    T::try_from(rounded as i64).map_err(|_| unfit())
}

fn count<T: TryFrom<usize>>(field: &'static str, value: usize) -> Result<T, SorError> {
    T::try_from(value).map_err(|_| SorError::Unfit { field, says: format!("{value} are too many") })
}

fn text(out: &mut Vec<u8>, label: &Label) {
    out.extend_from_slice(label.bytes());
    out.push(0);
}

/// Exactly `length` bytes, blanks behind what is too short.
fn chars(out: &mut Vec<u8>, label: &Label, length: usize, blank: &[u8]) {
    let bytes = if label.is_blank() { blank } else { label.bytes() };
    out.extend(bytes.iter().copied().chain(std::iter::repeat(b' ')).take(length));
}

fn general(trace: &Trace, version: Version) -> Result<Vec<u8>, SorError> {
    let labels = &trace.labels;
    let v2 = version == Version::V2;
    let mut out = b"EN".to_vec();
    text(&mut out, &labels.cable);
    text(&mut out, &labels.fiber);
    if v2 {
        out.extend(labels.fiber_type.unwrap_or(0).to_le_bytes());
    }
    let nominal: i16 = whole("nominal wavelength", trace.settings.wavelength_nm.unwrap_or(0.0))?;
    out.extend(nominal.to_le_bytes());
    text(&mut out, &labels.from);
    text(&mut out, &labels.to);
    text(&mut out, &labels.cable_code);
    chars(&mut out, &labels.plant_state, 2, b"BC");
    out.extend(trace.settings.user_offset_100_ps.to_le_bytes());
    if v2 {
        out.extend(display_distance(trace, trace.settings.user_offset_100_ps)?.to_le_bytes());
    }
    text(&mut out, &labels.operator);
    text(&mut out, &labels.comment);
    Ok(out)
}

/// Ten times a length in the display unit.
fn display_distance(trace: &Trace, time_100_ps: i32) -> Result<i32, SorError> {
    let unit = trace.settings.display_unit.unwrap_or(LengthUnit::M);
    whole("distance", 10.0 * trace.metres_100_ps(time_100_ps).0 / unit.metres())
}

fn supplier(trace: &Trace) -> Vec<u8> {
    let i = &trace.instrument;
    let mut out = Vec::new();
    for label in [
        &i.supplier,
        &i.mainframe,
        &i.mainframe_serial,
        &i.module,
        &i.module_serial,
        &i.software,
        &i.other,
    ] {
        text(&mut out, label);
    }
    out
}

fn fixed(trace: &Trace, version: Version) -> Result<Vec<u8>, SorError> {
    let s = &trace.settings;
    let v2 = version == Version::V2;
    let mut out = s.measured_at_unix_s.unwrap_or(0).to_le_bytes().to_vec();
    out.extend(match s.display_unit {
        Some(LengthUnit::Km) => b"km",
        Some(LengthUnit::Ft) => b"ft",
        Some(LengthUnit::Kft) => b"kf",
        Some(LengthUnit::Mi) => b"mi",
        Some(LengthUnit::M) | None => b"mt",
    });
    let tenths: i16 = whole("actual wavelength", 10.0 * s.wavelength_nm.unwrap_or(0.0))?;
    out.extend(tenths.to_le_bytes());
    out.extend(s.first_sample_100_ps.to_le_bytes());
    if v2 {
        out.extend(display_distance(trace, s.first_sample_100_ps)?.to_le_bytes());
    }
    out.extend(count::<i16>("pulse widths", trace.stretches.len())?.to_le_bytes());
    for stretch in &trace.stretches {
        out.extend(stretch.pulse_ns.to_le_bytes());
    }
    for stretch in &trace.stretches {
        let spacing: i32 = whole("data spacing", f64::from(stretch.spacing_1e_14_s))?;
        out.extend(spacing.to_le_bytes());
    }
    for stretch in &trace.stretches {
        out.extend(count::<i32>("points", stretch.samples)?.to_le_bytes());
    }
    out.extend(whole::<i32>("group index", s.file_index.value() * 1e5)?.to_le_bytes());
    out.extend(whole::<i16>("backscatter", -10.0 * s.backscatter_db.unwrap_or(0.0))?.to_le_bytes());
    out.extend(whole::<i32>("averages", f64::from(s.averages.unwrap_or(0)))?.to_le_bytes());
    if v2 {
        out.extend(
            whole::<u16>("averaging time", 10.0 * s.averaging_s.unwrap_or(0.0))?.to_le_bytes(),
        );
    }
    let range = s.range_100_ps.unwrap_or(0);
    out.extend(range.to_le_bytes());
    if v2 {
        out.extend(display_distance(trace, range)?.to_le_bytes());
    }
    out.extend(s.panel_offset_100_ps.to_le_bytes());
    out.extend(
        whole::<u16>("noise floor", 1000.0 * s.noise_floor_db.unwrap_or(0.0))?.to_le_bytes(),
    );
    out.extend(1000_i16.to_le_bytes());
    out.extend(0_u16.to_le_bytes());
    for (field, value) in [
        ("loss threshold", s.loss_threshold_db),
        ("reflectance threshold", s.reflectance_threshold_db.map(|r| -r)),
        ("end threshold", s.end_threshold_db),
    ] {
        out.extend(whole::<u16>(field, 1000.0 * value.unwrap_or(0.0))?.to_le_bytes());
    }
    if v2 {
        out.extend(b"ST");
        out.extend([0; 16]);
    }
    Ok(out)
}

fn events(table: &Table, version: Version) -> Result<Vec<u8>, SorError> {
    let mut out = count::<i16>("events", table.rows.len())?.to_le_bytes().to_vec();
    for row in &table.rows {
        event(&mut out, row, version)?;
    }
    let last = table.rows.last().map_or(0, |row| row.time_100_ps);
    out.extend(
        whole::<i32>("end-to-end loss", 1000.0 * table.loss_db.unwrap_or(0.0))?.to_le_bytes(),
    );
    out.extend(0_i32.to_le_bytes());
    out.extend(if table.loss_db.is_some() { last } else { 0 }.to_le_bytes());
    out.extend(whole::<u16>("return loss", 1000.0 * table.orl_db.unwrap_or(0.0))?.to_le_bytes());
    out.extend(0_i32.to_le_bytes());
    out.extend(if table.orl_db.is_some() { last } else { 0 }.to_le_bytes());
    Ok(out)
}

fn event(out: &mut Vec<u8>, row: &Listed, version: Version) -> Result<(), SorError> {
    out.extend(row.number.to_le_bytes());
    out.extend(row.time_100_ps.to_le_bytes());
    out.extend(
        whole::<i16>("lead-in attenuation", 1000.0 * row.attenuation_db_per_km)?.to_le_bytes(),
    );
    out.extend(whole::<i16>("loss", 1000.0 * row.loss_db)?.to_le_bytes());
    out.extend(
        whole::<i32>("reflectance", 1000.0 * row.reflectance_db.unwrap_or(0.0))?.to_le_bytes(),
    );
    chars(out, &row.code, 6, b"0F9999");
    chars(out, &row.method, 2, b"LS");
    if version == Version::V2 {
        for _ in 0..5 {
            out.extend(row.time_100_ps.to_le_bytes());
        }
    }
    text(out, &row.comment);
    Ok(())
}

fn data(trace: &Trace) -> Result<Vec<u8>, SorError> {
    let mut out = Vec::with_capacity(2 * trace.counts.len() + 64);
    out.extend(count::<i32>("points", trace.counts.len())?.to_le_bytes());
    out.extend(count::<i16>("scale factors", trace.scales.len())?.to_le_bytes());
    let mut rest = trace.counts.as_slice();
    for scale in &trace.scales {
        let (here, behind) = rest.split_at(scale.samples.min(rest.len()));
        out.extend(count::<i32>("points", here.len())?.to_le_bytes());
        out.extend(scale.count_micro_db.to_le_bytes());
        out.extend(here.iter().flat_map(|count| count.to_le_bytes()));
        rest = behind;
    }
    Ok(out)
}
