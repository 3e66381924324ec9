//! A trace to the bytes of a file, from scratch.

use super::general::{GENERAL, SUPPLIER};
use super::raw::{self, Version};
use super::{SorError, data, events, fixed};
use crate::trace::{Label, Listed, Table, Trace};
use crate::units::LengthUnit;

/// "Write at most 32767": readers disagree whether the scale factor has a sign.
const LARGEST_SCALE: u16 = 32_767;

/// The bytes of a file of `version` with all of `trace` that the format has room for: standard
/// blocks in their usual order, the checksum last. [`super::decode`] reads them without a note where
/// the trace itself is not odd.
///
/// Version 1 has no room for the fibre type, the averaging time, and the markers of events. The group
/// index is the file's own, also where the user looks at the trace with another.
///
/// # Errors
/// Where a value does not fit the format; nothing is wrapped or cut.
pub fn encode(trace: &Trace, version: Version) -> Result<Vec<u8>, SorError> {
    let mut blocks = vec![
        (GENERAL, general(trace, version)?),
        (SUPPLIER, supplier(trace)),
        (fixed::NAME, acquisition(trace, version)?),
    ];
    if let Some(table) = &trace.table {
        blocks.push((events::NAME, key_events(trace, table, version)?));
    }
    blocks.push((data::NAME, samples(trace)?));
    raw::write(version, &blocks).ok_or_else(|| unfit("file", "longer than 2 GB"))
}

fn unfit(field: &'static str, says: impl Into<String>) -> SorError {
    SorError::Unfit { field, says: says.into() }
}

/// A value rounded to a whole number of the format's unit.
fn whole<T: TryFrom<i64>>(field: &'static str, value: f64) -> Result<T, SorError> {
    let rounded = value.round();
    let outside = || unfit(field, format!("{value} is out of the format's range"));
    if !rounded.is_finite() || rounded.abs() > 1e15 {
        return Err(outside());
    }
    T::try_from(rounded as i64).map_err(|_| outside())
}

/// The same for a value that may not be known, which the format writes as 0.
fn or_zero<T: TryFrom<i64>>(
    field: &'static str,
    value: Option<f64>,
    times: f64,
) -> Result<T, SorError> {
    whole(field, times * value.unwrap_or(0.0))
}

fn count<T: TryFrom<usize>>(field: &'static str, value: usize) -> Result<T, SorError> {
    T::try_from(value).map_err(|_| unfit(field, format!("{value} are too many")))
}

fn text(out: &mut Vec<u8>, label: &Label) {
    out.extend_from_slice(label.bytes());
    out.push(0);
}

/// Exactly `length` characters, with blanks behind what is shorter.
fn characters(
    out: &mut Vec<u8>,
    field: &'static str,
    label: &Label,
    length: usize,
) -> Result<(), SorError> {
    let blanks = length.checked_sub(label.bytes().len());
    let too_long = || unfit(field, format!("{label:?} is longer than {length} characters"));
    out.extend_from_slice(label.bytes());
    out.extend(std::iter::repeat_n(b' ', blanks.ok_or_else(too_long)?));
    Ok(())
}

/// Ten times a length in the display unit.
fn display_distance(trace: &Trace, time_100_ps: i32) -> Result<i32, SorError> {
    let unit = trace.settings.display_unit.unwrap_or(LengthUnit::M);
    let own_index = trace.settings.file_index;
    whole("distance", 10.0 * own_index.metres(f64::from(time_100_ps) * 1e-10) / unit.metres())
}

fn general(trace: &Trace, version: Version) -> Result<Vec<u8>, SorError> {
    let labels = &trace.labels;
    let is_v2 = version == Version::V2;
    let mut out = b"EN".to_vec();
    text(&mut out, &labels.cable);
    text(&mut out, &labels.fiber);
    if is_v2 {
        out.extend(labels.fiber_type.unwrap_or(0).to_le_bytes());
    }
    let nominal: i16 = or_zero("nominal wavelength", trace.settings.wavelength_nm, 1.0)?;
    out.extend(nominal.to_le_bytes());
    text(&mut out, &labels.from);
    text(&mut out, &labels.to);
    text(&mut out, &labels.cable_code);
    characters(&mut out, "data flag", &labels.plant_state, 2)?;
    out.extend(trace.settings.user_offset_100_ps.to_le_bytes());
    if is_v2 {
        out.extend(display_distance(trace, trace.settings.user_offset_100_ps)?.to_le_bytes());
    }
    text(&mut out, &labels.operator);
    text(&mut out, &labels.comment);
    Ok(out)
}

fn supplier(trace: &Trace) -> Vec<u8> {
    let i = &trace.instrument;
    let mut out = Vec::new();
    for label in [&i.supplier, &i.mainframe, &i.mainframe_serial, &i.module, &i.module_serial] {
        text(&mut out, label);
    }
    text(&mut out, &i.software);
    text(&mut out, &i.other);
    out
}

fn acquisition(trace: &Trace, version: Version) -> Result<Vec<u8>, SorError> {
    let s = &trace.settings;
    let is_v2 = version == Version::V2;
    let mut out = s.measured_at_unix_s.unwrap_or(0).to_le_bytes().to_vec();
    out.extend(match s.display_unit {
        Some(LengthUnit::Km) => b"km",
        Some(LengthUnit::Ft) => b"ft",
        Some(LengthUnit::Kft) => b"kf",
        Some(LengthUnit::Mi) => b"mi",
        Some(LengthUnit::M) | None => b"mt",
    });
    out.extend(or_zero::<i16>("actual wavelength", s.wavelength_nm, 10.0)?.to_le_bytes());
    out.extend(s.first_sample_100_ps.to_le_bytes());
    if is_v2 {
        out.extend(display_distance(trace, s.first_sample_100_ps)?.to_le_bytes());
    }
    stretches(&mut out, trace)?;
    out.extend(whole::<i32>("group index", 1e5 * s.file_index.value())?.to_le_bytes());
    out.extend(or_zero::<i16>("backscatter coefficient", s.backscatter_db, -10.0)?.to_le_bytes());
    out.extend(or_zero::<i32>("averages", s.averages.map(f64::from), 1.0)?.to_le_bytes());
    if is_v2 {
        out.extend(or_zero::<u16>("averaging time", s.averaging_s, 10.0)?.to_le_bytes());
    }
    let range = s.range_100_ps.unwrap_or(0);
    out.extend(range.to_le_bytes());
    if is_v2 {
        out.extend(display_distance(trace, range)?.to_le_bytes());
    }
    out.extend(s.panel_offset_100_ps.to_le_bytes());
    noise_floor(&mut out, s.noise_floor_db.unwrap_or(0.0))?;
    out.extend(0_u16.to_le_bytes()); // power offset of the first point
    out.extend(or_zero::<u16>("loss threshold", s.loss_threshold_db, 1e3)?.to_le_bytes());
    let reflectance: u16 = or_zero("reflectance threshold", s.reflectance_threshold_db, -1e3)?;
    out.extend(reflectance.to_le_bytes());
    out.extend(or_zero::<u16>("end-of-fibre threshold", s.end_threshold_db, 1e3)?.to_le_bytes());
    if is_v2 {
        out.extend(b"ST");
        out.extend([0; 16]); // a display window of nothing
    }
    Ok(out)
}

/// Pulse widths, spacings and numbers of points: three arrays one behind the other.
fn stretches(out: &mut Vec<u8>, trace: &Trace) -> Result<(), SorError> {
    out.extend(count::<i16>("pulse widths", trace.stretches.len())?.to_le_bytes());
    for stretch in &trace.stretches {
        out.extend(whole::<i16>("pulse width", f64::from(stretch.pulse_ns))?.to_le_bytes());
    }
    for stretch in &trace.stretches {
        let spacing = f64::from(stretch.spacing_1e_14_s);
        out.extend(whole::<i32>("data spacing", spacing)?.to_le_bytes());
    }
    for stretch in &trace.stretches {
        out.extend(count::<i32>("points", stretch.samples)?.to_le_bytes());
    }
    Ok(())
}

/// Level and factor, whose product is in millionths of a dB; a deep floor needs the larger factor.
fn noise_floor(out: &mut Vec<u8>, floor_db: f64) -> Result<(), SorError> {
    let factor: i16 = if floor_db > 65.0 { 10_000 } else { 1000 };
    out.extend(whole::<u16>("noise floor", 1e6 * floor_db / f64::from(factor))?.to_le_bytes());
    out.extend(factor.to_le_bytes());
    Ok(())
}

fn key_events(trace: &Trace, table: &Table, version: Version) -> Result<Vec<u8>, SorError> {
    let mut out = count::<i16>("events", table.rows.len())?.to_le_bytes().to_vec();
    for row in &table.rows {
        event(&mut out, row, version)?;
    }
    // A total that was measured needs a time that is not 0; the trace does not keep which.
    let end = table.rows.last().map_or(0, |row| row.time_100_ps);
    let end = if end == 0 { trace.settings.range_100_ps.unwrap_or(1) } else { end };
    let finish = |total: Option<f64>| if total.is_some() { end } else { 0 };
    out.extend(or_zero::<i32>("end-to-end loss", table.loss_db, 1e3)?.to_le_bytes());
    out.extend(0_i32.to_le_bytes());
    out.extend(finish(table.loss_db).to_le_bytes());
    out.extend(or_zero::<u16>("optical return loss", table.orl_db, 1e3)?.to_le_bytes());
    out.extend(0_i32.to_le_bytes());
    out.extend(finish(table.orl_db).to_le_bytes());
    Ok(out)
}

fn event(out: &mut Vec<u8>, row: &Listed, version: Version) -> Result<(), SorError> {
    let attenuation: i16 = whole("lead-in attenuation", 1e3 * row.attenuation_db_per_km)?;
    out.extend(row.number.to_le_bytes());
    out.extend(row.time_100_ps.to_le_bytes());
    out.extend(attenuation.to_le_bytes());
    out.extend(whole::<i16>("loss", 1e3 * row.loss_db)?.to_le_bytes());
    out.extend(or_zero::<i32>("reflectance", row.reflectance_db, 1e3)?.to_le_bytes());
    characters(out, "event code", &row.code, 6)?;
    characters(out, "loss method", &row.method, 2)?;
    if version == Version::V2 {
        // Five markers that are all equal are markers that are not set.
        out.extend(row.time_100_ps.to_le_bytes().repeat(5));
    }
    text(out, &row.comment);
    Ok(())
}

fn samples(trace: &Trace) -> Result<Vec<u8>, SorError> {
    let scaled = trace.scales.iter().map(|scale| scale.samples).sum::<usize>();
    if scaled != trace.counts.len() {
        let says = format!("{} samples, scale factors for {scaled}", trace.counts.len());
        return Err(unfit("scale factors", says));
    }
    let mut out = Vec::with_capacity(2 * trace.counts.len() + 6 * trace.scales.len() + 6);
    out.extend(count::<i32>("points", trace.counts.len())?.to_le_bytes());
    out.extend(count::<i16>("scale factors", trace.scales.len())?.to_le_bytes());
    let mut rest = trace.counts.as_slice();
    for scale in &trace.scales {
        if scale.count_micro_db > LARGEST_SCALE {
            let says = format!("{}, at most {LARGEST_SCALE}", scale.count_micro_db);
            return Err(unfit("scale factor", says));
        }
        let (here, behind) = rest.split_at(scale.samples);
        out.extend(count::<i32>("points", here.len())?.to_le_bytes());
        out.extend(scale.count_micro_db.to_le_bytes());
        out.extend(here.iter().flat_map(|count| count.to_le_bytes()));
        rest = behind;
    }
    Ok(out)
}
