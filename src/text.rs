//! Two-column text exports: distance and level.

use crate::trace::{Instrument, Labels, Note, Scale, Settings, Stretch, Trace};
use crate::units::{GroupIndex, LengthUnit};

/// What a text file does not say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Unit of the first column.
    pub unit: LengthUnit,
    /// Group index its distances were computed with.
    pub index: GroupIndex,
    /// Pulse duration in ns.
    pub pulse_ns: u16,
    /// Wavelength in nm.
    pub wavelength_nm: Option<f64>,
    /// Backscatter for 1 ns in dB.
    pub backscatter_db: Option<f64>,
}

/// Why a text gave no trace.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TextError {
    /// A line that is not two numbers, after the first that is.
    #[error("line {line}: {found}, expected a distance and a level")]
    Line {
        /// Counted from 1.
        line: usize,
        /// What stands there, escaped.
        found: String,
    },
    /// Fewer than two rows of numbers.
    #[error("{0} rows of two numbers, expected 2 or more: a distance and a level in dB per line")]
    TooFew(usize),
    /// Distances that do not rise in even steps.
    #[error("line {line}: the distance is {found}, expected about {expected}: steps must be even")]
    Uneven {
        /// Counted from 1.
        line: usize,
        /// The distance found.
        found: String,
        /// The distance an even step leads to.
        expected: String,
    },
}

/// Reads a trace from text: a distance and a level in dB per line, separated by comma, semicolon,
/// tab or blanks; decimal commas where semicolons, tabs or blanks separate. Lines before the first
/// two numbers are headings.
///
/// Levels that fall along the trace are kept; a column of losses, which rises, is turned round and
/// noted.
///
/// # Errors
/// Where the rows are no trace.
pub fn read(text: &str, options: &Options) -> Result<Trace, TextError> {
    let rows = rows(text)?;
    if rows.len() < 2 {
        return Err(TextError::TooFew(rows.len()));
    }
    let step = even_step(&rows, options.unit)?;
    let mut notes = Vec::new();
    let mut say = |says: String| notes.push(Note { block: "text".into(), byte: None, says });
    let mut levels: Vec<f64> = rows.iter().map(|row| row.level_db).collect();
    // Light only gets weaker: where the last tenth lies above the first, the column counts loss.
    let tenth = (levels.len() / 10).max(1);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    if mean(&levels[levels.len() - tenth..]) > mean(&levels[..tenth]) {
        say("the second column rises along the trace, so it is read as loss".into());
        for level in &mut levels {
            *level = -*level;
        }
    }
    say("read from text: no labels, no averaging, no date; wavelength, pulse and index as given"
        .into());
    let top = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let depth = levels.iter().map(|level| top - level).fold(0.0, f64::max);
    // The finest scale in which the whole depth fits 65,535 counts.
    let count_micro_db = ((depth * 1e6 / 65_535.0).ceil() as u16).max(1000);
    let count = |level: &f64| ((top - level) * 1e6 / f64::from(count_micro_db)).round() as u16;
    let counts: Vec<u16> = levels.iter().map(count).collect();
    let seconds = |m: f64| options.index.seconds(m);
    let samples = counts.len();
    Ok(Trace {
        counts,
        scales: vec![Scale { samples, count_micro_db }],
        stretches: vec![Stretch {
            samples,
            pulse_ns: options.pulse_ns,
            spacing_1e_14_s: (seconds(step) * 1e14).round() as u32,
        }],
        settings: Settings {
            measured_at_unix_s: None,
            display_unit: Some(options.unit),
            wavelength_nm: options.wavelength_nm,
            index: options.index,
            file_index: options.index,
            first_sample_100_ps: (seconds(rows[0].distance * options.unit.metres()) * 1e10).round()
                as i32,
            user_offset_100_ps: 0,
            panel_offset_100_ps: 0,
            backscatter_db: options.backscatter_db,
            averages: None,
            averaging_s: None,
            range_100_ps: None,
            noise_floor_db: None,
            loss_threshold_db: None,
            reflectance_threshold_db: None,
            end_threshold_db: None,
        },
        labels: Labels::default(),
        instrument: Instrument::default(),
        table: None,
        notes,
    })
}

struct Row {
    line: usize,
    distance: f64,
    level_db: f64,
}

fn rows(text: &str) -> Result<Vec<Row>, TextError> {
    let mut rows: Vec<Row> = Vec::new();
    for (i, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line_number = i + 1;
        if line.trim().is_empty() {
            continue;
        }
        match two_numbers(line) {
            Some((distance, level_db)) => rows.push(Row { line: line_number, distance, level_db }),
            None if rows.is_empty() => {} // a heading
            None => {
                let found: String = line.chars().take(40).flat_map(char::escape_default).collect();
                return Err(TextError::Line { line: line_number, found: format!("\"{found}\"") });
            }
        }
    }
    Ok(rows)
}

fn two_numbers(line: &str) -> Option<(f64, f64)> {
    let line = line.trim();
    let (parts, comma): (Vec<&str>, bool) = if line.contains(';') {
        (line.split(';').collect(), true)
    } else if line.contains('\t') {
        (line.split('\t').collect(), true)
    } else if line.contains(',') && line.split(',').count() == 2 {
        (line.split(',').collect(), false)
    } else {
        (line.split_whitespace().collect(), true)
    };
    let [distance, level] = parts.as_slice() else { return None };
    let number = |text: &str| {
        let text = if comma { text.trim().replace(',', ".") } else { text.trim().to_owned() };
        text.parse::<f64>().ok().filter(|value| value.is_finite() && value.abs() < 1e9)
    };
    Some((number(distance)?, number(level)?))
}

/// Metres from one row to the next, from the first and last; each row may be off by a rounding of
/// half a step.
fn even_step(rows: &[Row], unit: LengthUnit) -> Result<f64, TextError> {
    let first = rows[0].distance;
    let step = (rows[rows.len() - 1].distance - first) / (rows.len() - 1) as f64;
    for (i, row) in rows.iter().enumerate() {
        let expected = first + i as f64 * step;
        if step <= 0.0 || (row.distance - expected).abs() > 0.5 * step {
            return Err(TextError::Uneven {
                line: row.line,
                found: row.distance.to_string(),
                expected: format!("{expected:.3}"),
            });
        }
    }
    Ok(step * unit.metres())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn options() -> Options {
        let index = GroupIndex::new(1.4682).unwrap();
        Options {
            unit: LengthUnit::Km,
            index,
            pulse_ns: 100,
            wavelength_nm: Some(1550.0),
            backscatter_db: None,
        }
    }

    #[test]
    fn decimal_commas_headings_and_windows_line_ends_are_read() {
        let text = "\u{feff}distance;level\r\n0,000;-1,50\r\n0,001;-1,75\r\n0,002;-9,00\r\n";
        let trace = read(text, &options()).unwrap();
        assert_eq!(trace.counts, [0, 250, 7500]);
        assert!((trace.spacing_m() - 1.0).abs() < 1e-6);
    }

    #[test]
    fn a_column_of_losses_is_turned_round_and_noted() {
        let trace = read("0 1.5\n0.001 1.75\n0.002 9\n", &options()).unwrap();
        assert_eq!(trace.counts, [0, 250, 7500]);
        assert!(trace.notes[0].says.contains("loss"));
    }

    #[test]
    fn what_is_no_trace_is_an_error_with_its_line() {
        assert_eq!(read("hello\nworld", &options()), Err(TextError::TooFew(0)));
        let broken = read("0,1\n0.001,1\n<b>\n", &options()).unwrap_err().to_string();
        assert!(broken.starts_with("line 3:"), "{broken}");
        assert!(matches!(
            read("0,1\n0.1,1\n0.11,1", &options()),
            Err(TextError::Uneven { line: 2, .. })
        ));
    }
}
