//! FxdParams: how the trace was taken.

use super::block::{layout, note, note_rest};
use super::data;
use super::general::General;
use super::raw::{Damage, Fields, File, Version, shown};
use super::{Options, SorError};
use crate::trace::{Note, Scale, Settings, Stretch};
use crate::units::{GroupIndex, LengthUnit};

pub(super) const FXD: &str = "FxdParams";
const PULSE_BYTES: usize = 10;
const DAY_S: u32 = 86_400;

/// What FxdParams says; `at` holds where the fields stand that are judged later.
#[derive(Clone, Debug)]
pub(super) struct Fixed {
    measured_at_unix_s: u32,
    display_unit: Option<LengthUnit>,
    wavelength: i16,
    wavelength_at: usize,
    first_sample_100_ps: i32,
    pulses_ns: Vec<u16>,
    spacings: Vec<i32>,
    spacings_at: usize,
    points: Vec<i32>,
    points_at: usize,
    file_index: GroupIndex,
    index: GroupIndex,
    backscatter: i16,
    backscatter_at: usize,
    averages: i32,
    averaging: Option<u16>,
    range_100_ps: i32,
    panel_offset_100_ps: i32,
    noise_floor: (u16, i16),
    thresholds: [u16; 3],
}

pub(super) fn read(
    file: &File<'_>,
    options: &Options,
    notes: &mut Vec<Note>,
) -> Result<Fixed, SorError> {
    let block = file.block(FXD).ok_or(SorError::Missing(FXD))?;
    let uses_up = |version| {
        let mut fields = block.fields(FXD);
        fill(&mut fields, version, options, &mut Vec::new()).is_ok() && fields.left() == 0
    };
    let version = layout(file, block, FXD, notes, uses_up);
    let mut fields = block.fields(FXD);
    let fixed = fill(&mut fields, version, options, notes)?;
    note_rest(&fields, FXD, notes);
    Ok(fixed)
}

/// The fields in the standard's order.
fn fill(
    fields: &mut Fields<'_>,
    version: Version,
    options: &Options,
    notes: &mut Vec<Note>,
) -> Result<Fixed, Damage> {
    let v2 = version == Version::V2;
    let measured_at_unix_s = fields.u32("date and time")?;
    note_date(fields, measured_at_unix_s, options, notes);
    let display_unit = unit(fields, notes)?;
    let wavelength = fields.i16("actual wavelength")?;
    let wavelength_at = fields.last_at();
    let first_sample_100_ps = fields.i32("acquisition offset")?;
    if v2 {
        fields.i32("acquisition offset distance")?;
    }
    let pulses = i32::from(fields.i16("number of pulse widths")?);
    let pulses = fields.count("number of pulse widths", pulses, 1, PULSE_BYTES)?;
    let mut pulses_ns = Vec::with_capacity(pulses);
    for _ in 0..pulses {
        pulses_ns.push(fields.u16("pulse width")?);
    }
    let mut spacings = Vec::with_capacity(pulses);
    let spacings_at = fields.at();
    for _ in 0..pulses {
        let spacing = fields.i32("data spacing")?;
        if spacing <= 0 {
            return Err(fields.damage("data spacing", spacing, "expected more than 0"));
        }
        spacings.push(spacing);
    }
    let points_at = fields.at();
    let points = (0..pulses).map(|_| fields.i32("number of points")).collect::<Result<_, _>>()?;
    let (file_index, index) = group_index(fields, options, notes)?;
    let backscatter = fields.i16("backscatter coefficient")?;
    let backscatter_at = fields.last_at();
    let averages = fields.i32("number of averages")?;
    let averaging = if v2 { Some(fields.u16("averaging time")?) } else { None };
    let range_100_ps = fields.i32("acquisition range")?;
    if v2 {
        fields.i32("acquisition range distance")?;
    }
    let panel_offset_100_ps = fields.i32("front panel offset")?;
    let noise_floor = (fields.u16("noise floor level")?, fields.i16("noise floor scale factor")?);
    fields.u16("power offset of first point")?;
    let thresholds = [
        fields.u16("loss threshold")?,
        fields.u16("reflectance threshold")?,
        fields.u16("end-of-fibre threshold")?,
    ];
    if v2 {
        trace_type(fields, notes)?;
        fields.bytes("window coordinates", 16)?;
    }
    Ok(Fixed {
        measured_at_unix_s,
        display_unit,
        wavelength,
        wavelength_at,
        first_sample_100_ps,
        pulses_ns,
        spacings,
        spacings_at,
        points,
        points_at,
        file_index,
        index,
        backscatter,
        backscatter_at,
        averages,
        averaging,
        range_100_ps,
        panel_offset_100_ps,
        noise_floor,
        thresholds,
    })
}

fn note_date(fields: &Fields<'_>, date: u32, options: &Options, notes: &mut Vec<Note>) {
    if date == 0 {
        notes.push(note(&fields.damage("date and time", 0, "so the file has no date")));
    }
    if options.clock_unix_s.is_some_and(|now| date > now.saturating_add(DAY_S)) {
        notes.push(note(&fields.damage("date and time", date, "which lies in the future")));
    }
}

fn unit(fields: &mut Fields<'_>, notes: &mut Vec<Note>) -> Result<Option<LengthUnit>, Damage> {
    let code = fields.bytes("unit of distance", 2)?;
    let unit = match code {
        b"km" => Some(LengthUnit::Km),
        b"mt" => Some(LengthUnit::M),
        b"ft" => Some(LengthUnit::Ft),
        b"kf" => Some(LengthUnit::Kft),
        b"mi" => Some(LengthUnit::Mi),
        _ => None,
    };
    if unit.is_none() {
        let expected = "expected km, mt, ft, kf or mi; metres are shown";
        notes.push(note(&fields.damage("unit of distance", shown(code), expected)));
    }
    Ok(unit)
}

/// The file's index and the one to use.
fn group_index(
    fields: &mut Fields<'_>,
    options: &Options,
    notes: &mut Vec<Note>,
) -> Result<(GroupIndex, GroupIndex), Damage> {
    let stored = fields.i32("group index")?;
    match (GroupIndex::new(f64::from(stored) / 100_000.0), options.index) {
        (Some(file), given) => Ok((file, given.unwrap_or(file))),
        (None, Some(given)) => {
            let expected = "expected 100000 to 200000; the index given is used";
            notes.push(note(&fields.damage("group index", stored, expected)));
            Ok((given, given))
        }
        (None, None) => Err(fields
            .damage("group index", stored, "expected 100000 to 200000 (1.0 to 2.0)")
            .hint("give the fibre's index, as in --index 1.4682")),
    }
}

fn trace_type(fields: &mut Fields<'_>, notes: &mut Vec<Note>) -> Result<(), Damage> {
    let kind = fields.bytes("trace type", 2)?;
    if kind == b"DT" {
        let expected = "a difference of two traces: it has no backscatter levels";
        notes.push(note(&fields.damage("trace type", shown(kind), expected)));
    } else if !matches!(kind, b"ST" | b"RT" | b"RF") {
        notes.push(note(&fields.damage("trace type", shown(kind), "expected ST, RT, DT or RF")));
    }
    Ok(())
}

impl Fixed {
    /// Pulse and spacing along the trace. Several pulse widths are read as stretches that follow one
    /// another, as their numbers of points then add up to the trace.
    pub(super) fn stretches(
        &self,
        counts: usize,
        _scales: &[Scale],
        options: &Options,
        notes: &mut Vec<Note>,
    ) -> Result<Vec<Stretch>, SorError> {
        self.check_spacing(counts, options)?;
        let spacing = |i: usize| {
            let stored = u32::try_from(self.spacings[i]).unwrap_or(1);
            if options.spacing_per_sample { stored.saturating_mul(10_000) } else { stored }
        };
        if self.pulses_ns.len() == 1 {
            if usize::try_from(self.points[0]).ok() != Some(counts) {
                let fields = Fields::new(FXD, &[], self.points_at);
                data::note_points(&fields, self.points[0], counts, notes);
            }
            let stretch = Stretch {
                samples: counts,
                pulse_ns: self.pulses_ns[0],
                spacing_1e_14_s: spacing(0),
            };
            return Ok(vec![stretch]);
        }
        let total: i64 = self.points.iter().map(|p| i64::from(*p)).sum();
        if total != counts as i64 || self.points.iter().any(|p| *p < 0) {
            let expected = format!(
                "DataPts holds {counts} and {} pulse widths do not add up to that: \
                 which samples belong to which pulse cannot be told",
                self.points.len()
            );
            return Err(
                Damage::new(FXD, self.points_at, "numbers of points", total, expected).into()
            );
        }
        Ok((0..self.pulses_ns.len())
            .map(|i| Stretch {
                samples: self.points[i] as usize,
                pulse_ns: self.pulses_ns[i],
                spacing_1e_14_s: spacing(i),
            })
            .collect())
    }

    /// Refuses a spacing that makes the trace a thousand times shorter than the range that was set:
    /// it is stored per sample, but nothing proves it.
    fn check_spacing(&self, counts: usize, options: &Options) -> Result<(), SorError> {
        let length_1e_14_s = counts as f64 * f64::from(self.spacings[0]);
        let range_1e_14_s = f64::from(self.range_100_ps) * 1e4;
        if options.spacing_per_sample || range_1e_14_s < 1000.0 * length_1e_14_s {
            return Ok(());
        }
        let expected = format!(
            "which makes the trace {:.0} times shorter than its range: stored per sample, not per 10,000?",
            range_1e_14_s / length_1e_14_s
        );
        Err(Damage::new(FXD, self.spacings_at, "data spacing", self.spacings[0], expected)
            .hint("if the spacing is stored per sample, say so with --spacing-per-sample")
            .into())
    }

    pub(super) fn settings(&self, general: &General, notes: &mut Vec<Note>) -> Settings {
        let offsets = [
            ("acquisition offset", self.first_sample_100_ps),
            ("front panel offset", self.panel_offset_100_ps),
        ];
        if offsets.iter().any(|(_, value)| *value != 0) {
            let says = format!(
                "acquisition offset is {}, front panel offset {} (100 ps): the first sample is placed by the \
                 first alone; if the first reflection is not at 0 m, the instrument meant it otherwise",
                offsets[0].1, offsets[1].1
            );
            notes.push(Note { block: FXD.into(), byte: None, says });
        }
        let db = |value: u16| f64::from(value) / 1000.0;
        let (level, factor) = self.noise_floor;
        let [loss, reflectance, end] = self.thresholds;
        Settings {
            measured_at_unix_s: (self.measured_at_unix_s != 0).then_some(self.measured_at_unix_s),
            display_unit: self.display_unit,
            wavelength_nm: self.wavelength_nm(general, notes),
            index: self.index,
            file_index: self.file_index,
            first_sample_100_ps: self.first_sample_100_ps,
            user_offset_100_ps: general.user_offset_100_ps,
            panel_offset_100_ps: self.panel_offset_100_ps,
            backscatter_db: self.backscatter_db(notes),
            averages: u32::try_from(self.averages).ok().filter(|n| *n > 0),
            averaging_s: self.averaging.filter(|t| *t > 0).map(|t| f64::from(t) / 10.0),
            range_100_ps: (self.range_100_ps > 0).then_some(self.range_100_ps),
            noise_floor_db: (level > 0 && factor > 0)
                .then(|| f64::from(level) * f64::from(factor) / 1e6),
            loss_threshold_db: (loss > 0).then(|| db(loss)),
            reflectance_threshold_db: (reflectance > 0).then(|| -db(reflectance)),
            end_threshold_db: (end > 0).then(|| db(end)),
        }
    }

    /// The actual wavelength, else the nominal one; 600 to 2000 is nm, 6000 to 20000 a tenth of it,
    /// whichever the field should hold.
    fn wavelength_nm(&self, general: &General, notes: &mut Vec<Note>) -> Option<f64> {
        let read = |value: i16| match value {
            600..=2000 => Some((f64::from(value), true)),
            6000..=20000 => Some((f64::from(value) / 10.0, false)),
            _ => None,
        };
        let mut say = |says: String| {
            notes.push(Note { block: FXD.into(), byte: Some(self.wavelength_at), says });
        };
        match (read(self.wavelength), read(general.wavelength_nm)) {
            (Some((nm, in_nm)), nominal) => {
                if in_nm {
                    say(format!(
                        "actual wavelength is {}, read as nm, expected 0.1 nm",
                        self.wavelength
                    ));
                }
                if nominal.is_some_and(|(_, in_nm)| !in_nm) {
                    say(format!("nominal wavelength is {}, expected nm", general.wavelength_nm));
                }
                Some(nm)
            }
            (None, Some((nm, _))) => {
                say(format!(
                    "actual wavelength is {}, the nominal {nm} nm is used",
                    self.wavelength
                ));
                Some(nm)
            }
            (None, None) => {
                say(format!(
                    "actual wavelength is {}, so the wavelength is not known",
                    self.wavelength
                ));
                None
            }
        }
    }

    /// Backscatter for 1 ns in dB; about 45 to 95 below the pulse in all fibre that is measured.
    fn backscatter_db(&self, notes: &mut Vec<Note>) -> Option<f64> {
        let db = -f64::from(self.backscatter) / 10.0;
        if (600..=950).contains(&self.backscatter) {
            return Some(db);
        }
        let expected = match self.backscatter {
            350..=599 => {
                "expected 600 to 950 (-60 to -95 dB for 1 ns); for 1 µs? No reflectance is computed"
            }
            _ => "expected 600 to 950 (-60 to -95 dB for 1 ns); no reflectance is computed",
        };
        let damage = Damage::new(
            FXD,
            self.backscatter_at,
            "backscatter coefficient",
            self.backscatter,
            expected,
        );
        notes.push(note(&damage));
        None
    }
}
