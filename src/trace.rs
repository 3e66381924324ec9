//! One recorded trace: samples, settings, labels, the instrument's own event table, and notes on
//! what was odd in the file.

use std::fmt;

use ndarray::Array1;

use crate::units::{GroupIndex, LengthUnit, PanelM};

/// Text from a file: bytes of no stated encoding, possibly hostile.
///
/// It has no `Display`: an output escapes it its own way (`report::escape`).
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Label(Vec<u8>);

impl Label {
    /// A label of these bytes; a string in a file ends before its first zero byte.
    pub fn new(bytes: impl Into<Vec<u8>>) -> Label {
        let mut bytes = bytes.into();
        bytes.truncate(bytes.iter().position(|b| *b == 0).unwrap_or(bytes.len()));
        Label(bytes)
    }

    /// The bytes as they stand in the file.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// The text, not escaped for anything: UTF-8 where it is valid UTF-8, else Latin-1; without
    /// blanks at both ends. Never an error.
    pub fn text(&self) -> String {
        let text = match std::str::from_utf8(&self.0) {
            Ok(text) => text.to_owned(),
            Err(_) => self.0.iter().map(|byte| char::from(*byte)).collect(),
        };
        text.trim().to_owned()
    }

    /// Whether it says nothing: empty or blank.
    pub fn is_blank(&self) -> bool {
        self.0.iter().all(u8::is_ascii_whitespace)
    }
}

impl fmt::Debug for Label {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.text())
    }
}

impl From<&str> for Label {
    fn from(text: &str) -> Label {
        Label::new(text)
    }
}

/// A run of samples that share one scale factor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scale {
    /// Samples in the run.
    pub samples: usize,
    /// A sample of 1 is this many millionths of a dB below the reference: 1000 in most files.
    pub count_micro_db: u16,
}

/// A run of samples taken with one pulse and one spacing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Samples in the run.
    pub samples: usize,
    /// Pulse duration in ns.
    pub pulse_ns: u16,
    /// One-way time between two samples in 1e-14 s, greater than 0.
    pub spacing_1e_14_s: u32,
}

/// How the trace was taken. `None` where the file does not say.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Seconds since 1970 as the file states them; instruments may store local time.
    pub measured_at_unix_s: Option<u32>,
    /// The unit the instrument showed lengths in.
    pub display_unit: Option<LengthUnit>,
    /// Wavelength in nm.
    pub wavelength_nm: Option<f64>,
    /// Group index used for every distance.
    pub index: GroupIndex,
    /// Group index in the file; differs from `index` where the user gave another.
    pub file_index: GroupIndex,
    /// One-way time of the first sample in 100 ps; negative before the panel.
    pub first_sample_100_ps: i32,
    /// One-way time of the user's zero in 100 ps, such as the launch cord's end.
    pub user_offset_100_ps: i32,
    /// One-way time from the light source to the panel in 100 ps; not applied to anything.
    pub panel_offset_100_ps: i32,
    /// Backscatter coefficient for a pulse of 1 ns in dB, about -80.
    pub backscatter_db: Option<f64>,
    /// Number of averages.
    pub averages: Option<u32>,
    /// Averaging time in seconds.
    pub averaging_s: Option<f64>,
    /// The range that was set, one-way in 100 ps.
    pub range_100_ps: Option<i32>,
    /// The instrument's own noise floor, dB below the reference.
    pub noise_floor_db: Option<f64>,
    /// Loss threshold of the instrument's own event search in dB.
    pub loss_threshold_db: Option<f64>,
    /// Reflectance threshold of that search, negative dB.
    pub reflectance_threshold_db: Option<f64>,
    /// End-of-fibre threshold of that search in dB.
    pub end_threshold_db: Option<f64>,
}

impl Settings {
    /// Settings of a trace that states its index and no more; offsets are zero.
    pub fn bare(index: GroupIndex) -> Settings {
        Settings {
            measured_at_unix_s: None,
            display_unit: None,
            wavelength_nm: None,
            index,
            file_index: index,
            first_sample_100_ps: 0,
            user_offset_100_ps: 0,
            panel_offset_100_ps: 0,
            backscatter_db: None,
            averages: None,
            averaging_s: None,
            range_100_ps: None,
            noise_floor_db: None,
            loss_threshold_db: None,
            reflectance_threshold_db: None,
            end_threshold_db: None,
        }
    }
}

/// Who, where and what, in the words of the person who measured.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Labels {
    /// Cable id.
    pub cable: Label,
    /// Fibre id.
    pub fiber: Label,
    /// ITU-T number of the fibre, such as 652. `None` where not given.
    pub fiber_type: Option<i16>,
    /// Originating location.
    pub from: Label,
    /// Terminating location.
    pub to: Label,
    /// Cable code, free text.
    pub cable_code: Label,
    /// State of the plant: `BC` as built, `CC` as it is now, `RC` as repaired, `OT` other.
    pub plant_state: Label,
    /// Operator.
    pub operator: Label,
    /// Comment.
    pub comment: Label,
}

/// The instrument, in its own words.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Instrument {
    /// Maker.
    pub supplier: Label,
    /// Mainframe id.
    pub mainframe: Label,
    /// Mainframe serial number.
    pub mainframe_serial: Label,
    /// Optical module id.
    pub module: Label,
    /// Optical module serial number.
    pub module_serial: Label,
    /// Software revision.
    pub software: Label,
    /// Anything else.
    pub other: Label,
}

/// One row of the instrument's own event table.
#[derive(Clone, Debug, PartialEq)]
pub struct Listed {
    /// The instrument's number.
    pub number: i16,
    /// One-way time from the panel in 100 ps.
    pub time_100_ps: i32,
    /// Attenuation of the fibre before it in dB/km.
    pub attenuation_db_per_km: f64,
    /// Loss in dB, negative for an apparent gain.
    pub loss_db: f64,
    /// Reflectance in dB. `None` where none was measured.
    pub reflectance_db: Option<f64>,
    /// Six characters that say what it is; see [`Listed::is_end`].
    pub code: Label,
    /// `LS` least squares, `2P` two points, `OT` other.
    pub method: Label,
    /// Comment.
    pub comment: Label,
}

impl Listed {
    /// Whether the instrument calls it the end of the fibre.
    pub fn is_end(&self) -> bool {
        matches!(self.code.bytes().get(1), Some(b'E' | b'D' | b'O'))
    }

    /// Whether the instrument saw a reflection there.
    pub fn is_reflective(&self) -> bool {
        matches!(self.code.bytes().first(), Some(b'1' | b'2'))
    }
}

/// The instrument's own event table.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Table {
    /// Its rows, as they stand in the file.
    pub rows: Vec<Listed>,
    /// End-to-end loss in dB. `None` where not measured.
    pub loss_db: Option<f64>,
    /// Optical return loss in dB. `None` where not measured.
    pub orl_db: Option<f64>,
}

/// Something odd in the file that did not prevent reading it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// The block it stands in, such as `GenParams`; may come from the file.
    pub block: String,
    /// Byte offset in the file. `None` for text files or the file as a whole.
    pub byte: Option<usize>,
    /// In words: what was found, what was expected, what was used.
    pub says: String,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.byte {
            Some(byte) => write!(f, "{} at byte {byte}: {}", self.block, self.says),
            None => write!(f, "{}: {}", self.block, self.says),
        }
    }
}

/// One recorded trace.
///
/// The readers guarantee: at least one sample, `scales` and `stretches` each add up to the number
/// of samples, no scale or spacing is zero.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// Samples: counts *below* the reference, so a smaller count is more light. 65535 means "at or
    /// below", 0 "at or above".
    pub counts: Vec<u16>,
    /// How counts become dB; in order along the trace.
    pub scales: Vec<Scale>,
    /// Pulse and spacing; in order along the trace, nearly always one.
    pub stretches: Vec<Stretch>,
    /// How it was taken.
    pub settings: Settings,
    /// Who and where.
    pub labels: Labels,
    /// With what.
    pub instrument: Instrument,
    /// The instrument's own events.
    pub table: Option<Table>,
    /// What was odd in the file.
    pub notes: Vec<Note>,
}

impl Trace {
    /// The same recording with its distances from another group index.
    #[must_use]
    pub fn with_index(mut self, index: GroupIndex) -> Trace {
        self.settings.index = index;
        self
    }

    /// Metres from the panel for a one-way time in 100 ps.
    pub fn metres_100_ps(&self, time_100_ps: i32) -> PanelM {
        PanelM(self.settings.index.metres(f64::from(time_100_ps) * 1e-10))
    }

    /// Place of sample `i`, from the stored integers. A place behind the last sample continues the
    /// last stretch.
    pub fn position_m(&self, i: usize) -> PanelM {
        // Multiplied, not added up: a rounded spacing alone is 8 mm off at 5 km.
        let mut seconds = f64::from(self.settings.first_sample_100_ps) * 1e-10;
        let mut left = i;
        for (n, stretch) in self.stretches.iter().enumerate() {
            let here = if n + 1 == self.stretches.len() { left } else { left.min(stretch.samples) };
            seconds += here as f64 * (f64::from(stretch.spacing_1e_14_s) * 1e-14);
            left -= here;
        }
        PanelM(self.settings.index.metres(seconds))
    }

    /// Metres between two samples of the first stretch.
    pub fn spacing_m(&self) -> f64 {
        let spacing_s =
            self.stretches.first().map_or(0.0, |s| f64::from(s.spacing_1e_14_s) * 1e-14);
        self.settings.index.metres(spacing_s)
    }

    /// Pulse duration of the first stretch in ns.
    pub fn pulse_ns(&self) -> f64 {
        self.stretches.first().map_or(0.0, |s| f64::from(s.pulse_ns))
    }

    /// Length of the first stretch's pulse as the trace shows it, in metres.
    pub fn pulse_m(&self) -> f64 {
        self.settings.index.pulse_m(self.pulse_ns())
    }

    /// Level of one sample as [`Trace::levels_db`] has it. `None` behind the last.
    pub fn level_db(&self, sample: usize) -> Option<f64> {
        let count = f64::from(*self.counts.get(sample)?);
        let mut until = 0;
        let scale = self.scales.iter().find(|scale| {
            until += scale.samples;
            sample < until
        })?;
        Some(-count * (f64::from(scale.count_micro_db) * 1e-6))
    }

    /// Levels in dB, 0 at the reference and negative below it; one value a sample.
    pub fn levels_db(&self) -> Array1<f64> {
        let mut levels = Vec::with_capacity(self.counts.len());
        let mut rest = self.counts.as_slice();
        for scale in &self.scales {
            let (here, behind) = rest.split_at(scale.samples.min(rest.len()));
            let count_db = f64::from(scale.count_micro_db) * 1e-6;
            levels.extend(here.iter().map(|count| -f64::from(*count) * count_db));
            rest = behind;
        }
        Array1::from_vec(levels)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_label_is_utf8_where_it_can_be_and_latin1_where_not() {
        assert_eq!(Label::new(*b" caf\xc3\xa9 ").text(), "café");
        assert_eq!(Label::new(*b"caf\xe9").text(), "café");
        assert_eq!(Label::new(*b"cut\0here").bytes(), b"cut");
        assert!(Label::from("  ").is_blank());
    }
}
