//! FxdParams: how the trace was taken. It carries the trace, so damage is an error.

use super::block::{characters, note, read_block};
use super::general::General;
use super::raw::{Damage, Fields, File, Version, shown};
use super::{Options, SorError};
use crate::trace::{Label, Note, Settings, Stretch};
use crate::units::{GroupIndex, LengthUnit};

pub(super) const NAME: &str = "FxdParams";
const PULSE_LEAST_BYTES: usize = 10;
const DAY_S: u32 = 86_400;
/// How far a range may be from the length of the samples when it decides between two readings.
const RANGE_TOLERANCE: f64 = 0.2;
/// A trace this many times shorter than its range states its spacing for one sample: 10,000 is
/// the exact factor, the set range may differ from the recorded one.
const SHORTER_PER_SAMPLE: f64 = 1e3;

/// The fields of FxdParams. Times are one-way in 100 ps.
#[derive(Default)]
pub(super) struct Fixed {
    measured_at_unix_s: Option<u32>,
    display_unit: Option<LengthUnit>,
    wavelength: i16,
    wavelength_at: usize,
    first_sample_100_ps: i32,
    pulses_ns: Vec<u16>,
    pulses_at: usize,
    spacings_1e_14_s: Vec<u32>,
    spacings_at: usize,
    points: Vec<i32>,
    points_at: usize,
    file_index: Option<GroupIndex>,
    index: Option<GroupIndex>,
    backscatter_db: Option<f64>,
    averages: Option<u32>,
    averaging_s: Option<f64>,
    range_100_ps: Option<i32>,
    panel_offset_100_ps: i32,
    noise_floor_db: Option<f64>,
    loss_threshold_db: Option<f64>,
    reflectance_threshold_db: Option<f64>,
    end_threshold_db: Option<f64>,
}

pub(super) fn read(
    file: &File<'_>,
    options: &Options,
    notes: &mut Vec<Note>,
) -> Result<Fixed, SorError> {
    let reading = read_block(file, NAME, notes, |fields, layout, fixed: &mut Fixed, notes| {
        fill_acquisition(fields, layout, fixed, options, notes)?;
        fill_index(fields, fixed, options, notes)?;
        fill_rest(fields, layout, fixed, notes)
    });
    let reading = reading.ok_or(SorError::Missing(NAME))?;
    reading.damage.map_or(Ok(reading.value), |damage| Err(damage.into()))
}

/// Fields 1 to 9.
fn fill_acquisition(
    fields: &mut Fields<'_>,
    layout: Version,
    fixed: &mut Fixed,
    options: &Options,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    let date = fields.u32("date and time")?;
    fixed.measured_at_unix_s = Some(date).filter(|date| *date != 0);
    if date == 0 {
        notes.push(note(&fields.damage("date and time", 0, "taken as not given")));
    }
    if options.clock_unix_s.is_some_and(|now| date > now.saturating_add(DAY_S)) {
        let expected = "more than a day in the future; the instrument's clock is not to be trusted";
        notes.push(note(&fields.damage("date and time", date, expected)));
    }
    let unit = fields.bytes("unit of distance", 2)?;
    fixed.display_unit = unit_of(unit);
    if fixed.display_unit.is_none() {
        let expected = "expected km, mt, ft, kf or mi; lengths are shown in metres";
        notes.push(note(&fields.damage("unit of distance", shown(unit), expected)));
    }
    fixed.wavelength = fields.i16("actual wavelength")?;
    fixed.wavelength_at = fields.last_at();
    fixed.first_sample_100_ps = fields.i32("acquisition offset")?;
    if fixed.first_sample_100_ps != 0 {
        let expected = "taken as the time of the first sample from the front panel in 100 ps";
        notes.push(note(&fields.damage("acquisition offset", fixed.first_sample_100_ps, expected)));
    }
    if layout == Version::V2 {
        fields.i32("acquisition offset distance")?;
    }
    let pulses = i32::from(fields.i16("number of pulse widths")?);
    let pulses = fields.count("number of pulse widths", pulses, 1, PULSE_LEAST_BYTES)?;
    fixed.pulses_at = fields.last_at();
    for _ in 0..pulses {
        let pulse_ns = fields.i16("pulse width")?;
        let positive = u16::try_from(pulse_ns).ok().filter(|pulse_ns| *pulse_ns > 0);
        let damage = || fields.damage("pulse width", pulse_ns, "expected 1 ns or more");
        fixed.pulses_ns.push(positive.ok_or_else(damage)?);
    }
    fixed.spacings_at = fields.at();
    for _ in 0..pulses {
        let spacing = fields.i32("data spacing")?;
        let positive = u32::try_from(spacing).ok().filter(|spacing| *spacing > 0);
        let expected = "expected the time of 10,000 samples in 100 ps, more than 0";
        let damage = || fields.damage("data spacing", spacing, expected);
        fixed.spacings_1e_14_s.push(positive.ok_or_else(damage)?);
    }
    fixed.points_at = fields.at();
    for _ in 0..pulses {
        fixed.points.push(fields.i32("number of points")?);
    }
    Ok(())
}

fn unit_of(unit: &[u8]) -> Option<LengthUnit> {
    match unit {
        b"km" => Some(LengthUnit::Km),
        b"mt" => Some(LengthUnit::M),
        b"ft" => Some(LengthUnit::Ft),
        b"kf" => Some(LengthUnit::Kft),
        b"mi" => Some(LengthUnit::Mi),
        _ => None,
    }
}

/// Field 10. The user's index wins; without one a nonsense in the file is an error.
fn fill_index(
    fields: &mut Fields<'_>,
    fixed: &mut Fixed,
    options: &Options,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    let stored = fields.i32("group index")?;
    fixed.file_index = GroupIndex::new(f64::from(stored) / 1e5);
    fixed.index = options.index.or(fixed.file_index);
    if fixed.index.is_none() {
        let expected = "expected 100000 to 200000, for 1.0 to 2.0";
        return Err(fields
            .damage("group index", stored, expected)
            .hint("give the fibre's group index, as in --index 1.4682"));
    }
    if let Some(own) = options.index.filter(|own| fixed.file_index != Some(*own)) {
        let expected = format!("distances are computed with {:.5} as given", own.value());
        notes.push(note(&fields.damage("group index", stored, expected)));
    }
    Ok(())
}

/// Fields 11 to 24.
fn fill_rest(
    fields: &mut Fields<'_>,
    layout: Version,
    fixed: &mut Fixed,
    notes: &mut Vec<Note>,
) -> Result<(), Damage> {
    let is_v2 = layout == Version::V2;
    let backscatter = fields.i16("backscatter coefficient")?;
    fixed.backscatter_db = backscatter_db(backscatter);
    if fixed.backscatter_db.is_none() {
        let why = match backscatter {
            0 => "not given",
            ..0 => "a positive number of dB",
            400..=600 => "for a pulse of 1 µs, it seems, and not of 1 ns",
            _ => "no fibre's",
        };
        let expected = format!("{why}; expected about 800 for -80 dB; no reflectance without it");
        notes.push(note(&fields.damage("backscatter coefficient", backscatter, expected)));
    }
    let averages = fields.i32("number of averages")?;
    fixed.averages = u32::try_from(averages).ok().filter(|averages| *averages > 0);
    if is_v2 {
        let averaging = fields.u16("averaging time")?;
        fixed.averaging_s = Some(f64::from(averaging) / 10.0).filter(|s| *s > 0.0);
    }
    fixed.range_100_ps = Some(fields.i32("acquisition range")?).filter(|range| *range > 0);
    if is_v2 {
        fields.i32("acquisition range distance")?;
    }
    fixed.panel_offset_100_ps = fields.i32("front panel offset")?;
    if fixed.panel_offset_100_ps != 0 {
        let expected = "not applied; a first reflection there instead of at 0 m would show that it \
                        should be";
        notes.push(note(&fields.damage("front panel offset", fixed.panel_offset_100_ps, expected)));
    }
    let noise = f64::from(fields.u16("noise floor level")?);
    let noise = noise * f64::from(fields.i16("noise floor scale factor")?) / 1e6;
    fixed.noise_floor_db = Some(noise).filter(|db| *db > 0.0);
    fields.u16("power offset of first point")?;
    let mut threshold =
        |field| Ok(Some(f64::from(fields.u16(field)?) / 1e3).filter(|db| *db > 0.0));
    fixed.loss_threshold_db = threshold("loss threshold")?;
    fixed.reflectance_threshold_db = threshold("reflectance threshold")?.map(|db| -db);
    fixed.end_threshold_db = threshold("end-of-fibre threshold")?;
    if is_v2 {
        fill_trace_type(fields, notes)?;
        fields.bytes("window coordinates", 16)?;
    }
    Ok(())
}

/// In dB for a pulse of 1 ns, where the stored tenths are a fibre's: silica has -60 to -90 dB
/// (common practice, no source).
fn backscatter_db(stored: i16) -> Option<f64> {
    (601..=1000).contains(&stored).then(|| -f64::from(stored) / 10.0)
}

fn fill_trace_type(fields: &mut Fields<'_>, notes: &mut Vec<Note>) -> Result<(), Damage> {
    let mut kind = Label::default();
    characters(fields, "trace type", 2, &mut kind, notes)?;
    let expected = match kind.bytes() {
        b"ST" | b"RT" | b"RF" => return Ok(()),
        b"DT" => "a difference of two traces: its levels are no backscatter",
        _ if kind.is_blank() => return Ok(()),
        _ => "expected ST, RT, DT or RF",
    };
    notes.push(note(&fields.damage("trace type", shown(kind.bytes()), expected)));
    Ok(())
}

impl Fixed {
    /// Pulse and spacing along the trace of `samples` samples.
    pub(super) fn stretches(
        &mut self,
        samples: usize,
        options: &Options,
        notes: &mut Vec<Note>,
    ) -> Result<Vec<Stretch>, Damage> {
        let mut lengths = vec![samples];
        if self.points.len() > 1 {
            lengths = self.lengths(samples)?;
        } else if self.points.iter().any(|points| usize::try_from(*points) != Ok(samples)) {
            let expected = format!("DataPts has {samples} samples; those are used");
            let found = self.points.first().copied().unwrap_or_default();
            let odd = Damage::new(NAME, self.points_at, "number of points", found, expected);
            notes.push(note(&odd));
        }
        self.check_spacing(&lengths, options, notes)?;
        if lengths.len() > 1 {
            self.check_consecutive(&lengths)?;
        }
        let rows = lengths.iter().zip(&self.pulses_ns).zip(&self.spacings_1e_14_s);
        Ok(rows
            .map(|((samples, pulse_ns), spacing_1e_14_s)| Stretch {
                samples: *samples,
                pulse_ns: *pulse_ns,
                spacing_1e_14_s: *spacing_1e_14_s,
            })
            .collect())
    }

    /// The samples of each pulse width, which together must be all there are.
    fn lengths(&self, samples: usize) -> Result<Vec<usize>, Damage> {
        let lengths: Vec<usize> =
            self.points.iter().filter_map(|points| usize::try_from(*points).ok()).collect();
        let total = lengths.iter().map(|length| *length as u64).sum::<u64>();
        if lengths.len() == self.points.len() && total == samples as u64 {
            return Ok(lengths);
        }
        let found = format!("{total} for all pulse widths together");
        let expected = format!("expected the {samples} samples of DataPts");
        Err(Damage::new(NAME, self.points_at, "number of points", found, expected))
    }

    /// One-way time of each stretch in 100 ps.
    fn times_100_ps(&self, lengths: &[usize]) -> Vec<f64> {
        let rows = lengths.iter().zip(&self.spacings_1e_14_s);
        rows.map(|(samples, spacing)| *samples as f64 * f64::from(*spacing) / 1e4).collect()
    }

    /// Refuses a spacing that was stored for one sample and not for 10,000, unless the user
    /// confirms it.
    fn check_spacing(
        &mut self,
        lengths: &[usize],
        options: &Options,
        notes: &mut Vec<Note>,
    ) -> Result<(), Damage> {
        let time_100_ps = self.times_100_ps(lengths).iter().sum::<f64>();
        let shorter = self.range_100_ps.map(|range| f64::from(range) / time_100_ps);
        let looks_per_sample = shorter.is_some_and(|times| times >= SHORTER_PER_SAMPLE);
        let stored = self.spacings_1e_14_s.first().copied().unwrap_or_default();
        let damage =
            |expected: &str| Damage::new(NAME, self.spacings_at, "data spacing", stored, expected);
        if !options.spacing_per_sample {
            let expected = "which makes the trace thousands of times shorter than its range; expected \
                            the time of 10,000 samples";
            let hint =
                "if the instrument states the time of one sample, say so with --spacing-per-sample";
            return if looks_per_sample { Err(damage(expected).hint(hint)) } else { Ok(()) };
        }
        if !looks_per_sample && self.range_100_ps.is_some() {
            let expected = "taken for 10,000 samples all the same, for so it fits the range";
            notes.push(note(&damage(expected)));
            return Ok(());
        }
        notes.push(note(&damage("taken for one sample, as the user confirmed")));
        let too_large = damage("too large for the time of one sample");
        for spacing in &mut self.spacings_1e_14_s {
            *spacing = spacing.checked_mul(10_000).ok_or_else(|| too_large.clone())?;
        }
        Ok(())
    }

    /// Several pulse widths are stretches of one trace only where the range says so: they might be
    /// traces laid over one another.
    fn check_consecutive(&self, lengths: &[usize]) -> Result<(), Damage> {
        let times_100_ps = self.times_100_ps(lengths);
        let range = f64::from(self.range_100_ps.unwrap_or_default());
        let near = |time: f64| (range - time).abs() <= RANGE_TOLERANCE * time;
        if near(times_100_ps.iter().sum()) && !times_100_ps.iter().all(|time| near(*time)) {
            return Ok(());
        }
        let expected = "the range does not show them to be stretches of one trace; traces laid over \
                        one another are not read";
        let found = lengths.len();
        Err(Damage::new(NAME, self.pulses_at, "number of pulse widths", found, expected)
            .hint("measure with a single pulse width, or save each trace in a file of its own"))
    }

    /// The settings; `stretches` comes first, for it decides about the spacing.
    pub(super) fn settings(
        self,
        general: &General,
        notes: &mut Vec<Note>,
    ) -> Result<Settings, SorError> {
        let index = self.index.ok_or(SorError::Missing(NAME))?; // read before, or there is no `self`
        Ok(Settings {
            measured_at_unix_s: self.measured_at_unix_s,
            display_unit: self.display_unit,
            wavelength_nm: self.wavelength_nm(general, notes),
            index,
            file_index: self.file_index.unwrap_or(index),
            first_sample_100_ps: self.first_sample_100_ps,
            user_offset_100_ps: general.user_offset_100_ps,
            panel_offset_100_ps: self.panel_offset_100_ps,
            backscatter_db: self.backscatter_db,
            averages: self.averages,
            averaging_s: self.averaging_s,
            range_100_ps: self.range_100_ps,
            noise_floor_db: self.noise_floor_db,
            loss_threshold_db: self.loss_threshold_db,
            reflectance_threshold_db: self.reflectance_threshold_db,
            end_threshold_db: self.end_threshold_db,
        })
    }

    /// The actual wavelength, else the nominal one. Instruments mix up their units, nm and 0.1 nm,
    /// but no fibre is measured where that would leave a doubt.
    fn wavelength_nm(&self, general: &General, notes: &mut Vec<Note>) -> Option<f64> {
        let nominal = nanometres(general.wavelength);
        let actual = nanometres(self.wavelength);
        let nominal_odd = |expected: String| {
            let (at, found) = (general.wavelength_at, general.wavelength);
            note(&Damage::new("GenParams", at, "nominal wavelength", found, expected))
        };
        let actual_odd = |expected: String| {
            let (at, found) = (self.wavelength_at, self.wavelength);
            note(&Damage::new(NAME, at, "actual wavelength", found, expected))
        };
        match nominal {
            Some((nm, Unit::TenthNm)) => {
                notes.push(nominal_odd(format!("expected nm; taken as {nm:.1} nm")));
            }
            None if general.wavelength != 0 => {
                notes.push(nominal_odd("expected 600 to 2000 nm; taken as not given".into()));
            }
            _ => {}
        }
        match actual {
            Some((nm, Unit::Nm)) => {
                notes.push(actual_odd(format!("expected tenths of a nm; taken as {nm:.1} nm")));
            }
            None if self.wavelength != 0 => {
                notes.push(actual_odd("expected 6000 to 20000 tenths of a nm; not used".into()));
            }
            None => notes.push(actual_odd(match nominal {
                Some((nm, _)) => format!("the nominal {nm:.0} nm counts"),
                None => "neither block states one; taken as not given".into(),
            })),
            Some((_, Unit::TenthNm)) => {}
        }
        actual.or(nominal).map(|(nm, _)| nm)
    }
}

#[derive(Clone, Copy)]
enum Unit {
    Nm,
    TenthNm,
}

/// A stored wavelength in nm, and the unit that makes sense of it.
fn nanometres(stored: i16) -> Option<(f64, Unit)> {
    match stored {
        600..=2000 => Some((f64::from(stored), Unit::Nm)),
        6000..=20_000 => Some((f64::from(stored) / 10.0, Unit::TenthNm)),
        _ => None,
    }
}
