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
    /// A value that no trace has.
    #[error("{what} is {found}, expected {expected}")]
    Outside {
        /// Which value.
        what: &'static str,
        /// What it is.
        found: String,
        /// What a trace may have.
        expected: &'static str,
    },
}

/// Reads a trace from text: a distance and a level in dB per line, separated by comma, semicolon,
/// tab or blanks, in quotes or not; decimal commas where no comma separates. Lines before the first
/// two numbers are headings.
///
/// Levels that fall along the trace are kept; a column of losses, which rises, is turned round and
/// noted.
///
/// # Errors
/// Where the rows are no trace.
pub fn read(text: &str, options: &Options) -> Result<Trace, TextError> {
    let table = table(text)?;
    if table.rows.len() < 2 {
        return Err(TextError::TooFew(table.rows.len()));
    }
    let mut notes = Vec::new();
    note_heading(&table, options.unit, &mut notes);
    let step_m = even_step(&table.rows)? * options.unit.metres();
    let levels = falling(&table.rows, &mut notes);
    let (counts, count_micro_db) = counts(&levels, &mut notes)?;
    let says = "read from text: no labels, averaging or date; wavelength, pulse and index as given";
    notes.push(note(says.into()));
    let samples = counts.len();
    let first_m = table.rows[0].distance * options.unit.metres();
    Ok(Trace {
        counts,
        scales: vec![Scale { samples, count_micro_db }],
        stretches: vec![stretch(samples, step_m, options)?],
        settings: settings(first_m, options)?,
        labels: Labels::default(),
        instrument: Instrument::default(),
        table: None,
        notes,
    })
}

/// Whether a text is a table of two columns at all, before anybody is asked what it does not say.
///
/// # Errors
/// Where it is none.
pub fn check(text: &str) -> Result<(), TextError> {
    let rows = table(text)?.rows.len();
    if rows < 2 { Err(TextError::TooFew(rows)) } else { Ok(()) }
}

fn note(says: String) -> Note {
    Note { block: "text".into(), byte: None, says }
}

fn stretch(samples: usize, step_m: f64, options: &Options) -> Result<Stretch, TextError> {
    if options.pulse_ns == 0 {
        let (found, expected) = ("0 ns".into(), "1 ns or more");
        return Err(TextError::Outside { what: "the pulse", found, expected });
    }
    let spacing = (options.index.seconds(step_m) * 1e14).round();
    if !(1.0..f64::from(i32::MAX)).contains(&spacing) {
        let (found, expected) = (format!("{step_m} m"), "a few micrometres to 4 km");
        return Err(TextError::Outside { what: "the step from row to row", found, expected });
    }
    Ok(Stretch { samples, pulse_ns: options.pulse_ns, spacing_1e_14_s: spacing as u32 })
}

fn settings(first_m: f64, options: &Options) -> Result<Settings, TextError> {
    let first_100_ps = (options.index.seconds(first_m) * 1e10).round();
    if first_100_ps.abs() > f64::from(i32::MAX) {
        let (found, expected) = (format!("{first_m} m"), "less than 40,000 km");
        return Err(TextError::Outside { what: "the first distance", found, expected });
    }
    Ok(Settings {
        display_unit: Some(options.unit),
        wavelength_nm: options.wavelength_nm,
        first_sample_100_ps: first_100_ps as i32,
        backscatter_db: options.backscatter_db,
        ..Settings::bare(options.index)
    })
}

/// The second column as levels, which fall along the trace: light only gets weaker.
fn falling(rows: &[Row], notes: &mut Vec<Note>) -> Vec<f64> {
    let levels: Vec<f64> = rows.iter().map(|row| row.level_db).collect();
    let tenth = (levels.len() / 10).max(1);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let (first, last) = (mean(&levels[..tenth]), mean(&levels[levels.len() - tenth..]));
    if last <= first {
        if last.total_cmp(&first).is_eq() {
            notes.push(note("the second column neither falls nor rises; read as levels".into()));
        }
        return levels;
    }
    notes.push(note("the second column rises along the trace, so it is read as loss".into()));
    levels.iter().map(|level| -level).collect()
}

/// Levels as counts below the highest of them, in the finest scale in which all fit: 0.001 dB for up
/// to 65 dB.
fn counts(levels: &[f64], notes: &mut Vec<Note>) -> Result<(Vec<u16>, u16), TextError> {
    let top = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let depth_db = levels.iter().map(|level| top - level).fold(0.0, f64::max);
    let micro_db = (depth_db * 1e6 / f64::from(u16::MAX)).ceil().max(1000.0);
    if micro_db > f64::from(i16::MAX) {
        let (found, expected) = (format!("{depth_db} dB"), "at most some tens of dB");
        return Err(TextError::Outside { what: "the span of the levels", found, expected });
    }
    if micro_db > 1000.0 {
        let step = micro_db / 1e6;
        notes.push(note(format!("the levels span {depth_db:.1} dB, kept in steps of {step} dB")));
    }
    let count = |level: &f64| ((top - level) * 1e6 / micro_db).round() as u16;
    Ok((levels.iter().map(count).collect(), micro_db as u16))
}

struct Row {
    line: usize,
    distance: f64,
    level_db: f64,
    /// Decimals of the distance as printed.
    decimals: usize,
}

struct Table<'a> {
    headings: Vec<&'a str>,
    rows: Vec<Row>,
}

/// How a file separates its columns.
#[derive(Clone, Copy)]
enum Separator {
    /// A sign; decimal commas where it is none itself.
    Sign(char),
    Blanks,
}

/// The first separator that makes two numbers of a line holds for the whole file.
fn table(text: &str) -> Result<Table<'_>, TextError> {
    let lines = || {
        let numbered = text.trim_start_matches('\u{feff}').lines().enumerate();
        numbered.filter(|(_, line)| !line.trim().is_empty())
    };
    let separators =
        [Separator::Sign(';'), Separator::Sign('\t'), Separator::Sign(','), Separator::Blanks];
    let first = lines().find_map(|(i, line)| {
        let fits = separators.into_iter().find(|s| two_numbers(line, *s).is_some());
        fits.map(|separator| (i, separator))
    });
    let Some((first, separator)) = first else { return Err(TextError::TooFew(0)) };
    let headings = lines().take_while(|(i, _)| *i < first).map(|(_, line)| line).collect();
    let rows = lines().skip_while(|(i, _)| *i < first).map(|(i, line)| {
        let shown = || line.chars().take(40).flat_map(char::escape_default).collect::<String>();
        let error = || TextError::Line { line: i + 1, found: format!("\"{}\"", shown()) };
        let (distance, level_db, decimals) = two_numbers(line, separator).ok_or_else(error)?;
        Ok(Row { line: i + 1, distance, level_db, decimals })
    });
    Ok(Table { headings, rows: rows.collect::<Result<_, _>>()? })
}

/// Distance, level, and the decimals of the distance.
fn two_numbers(line: &str, separator: Separator) -> Option<(f64, f64, usize)> {
    let mut columns: Vec<&str> = match separator {
        Separator::Sign(sign) => columns(line, sign),
        Separator::Blanks => line.split_whitespace().collect(),
    };
    if columns.len() > 2 {
        // some exports close each line with their separator
        columns.truncate(columns.iter().rposition(|column| !column.is_empty())? + 1);
    }
    let [distance, level] = *columns else { return None };
    let plain = |text: &str| {
        let text = text.replace('\u{2212}', "-");
        if matches!(separator, Separator::Sign(',')) && !line.contains('"') {
            text
        } else {
            text.replace(',', ".")
        }
    };
    let number = |text: &str| {
        text.parse::<f64>().ok().filter(|value| value.is_finite() && value.abs() < 1e9)
    };
    let distance = plain(distance);
    let decimals = distance.split('.').nth(1).map_or(0, |decimals| decimals.len().min(12));
    Some((number(&distance)?, number(&plain(level))?, decimals))
}

/// The columns of a line without their quotes and blanks; a separator in quotes separates nothing.
fn columns(line: &str, sign: char) -> Vec<&str> {
    let mut in_quotes = false;
    let separates = |c: char| {
        in_quotes ^= c == '"';
        c == sign && !in_quotes
    };
    let is_edge = |c: char| c == '"' || c.is_whitespace();
    line.split(separates).map(|column| column.trim_matches(is_edge)).collect()
}

/// A heading that names another unit of length than the one given.
fn note_heading(table: &Table<'_>, given: LengthUnit, notes: &mut Vec<Note>) {
    let words = table.headings.iter().flat_map(|line| line.split(|c: char| !c.is_alphanumeric()));
    let mut named: Vec<LengthUnit> = words.filter_map(unit_word).collect();
    named.dedup();
    if let [unit] = named[..] {
        if unit != given {
            let says = format!("the heading says {unit}, distances are read in {given} as given");
            notes.push(note(says));
        }
    }
}

fn unit_word(word: &str) -> Option<LengthUnit> {
    match word.to_ascii_lowercase().as_str() {
        "m" | "metre" | "metres" | "meter" | "meters" => Some(LengthUnit::M),
        "km" | "kilometre" | "kilometres" | "kilometer" | "kilometers" => Some(LengthUnit::Km),
        "ft" | "foot" | "feet" => Some(LengthUnit::Ft),
        "kft" | "kilofoot" | "kilofeet" => Some(LengthUnit::Kft),
        "mi" | "mile" | "miles" => Some(LengthUnit::Mi),
        _ => None,
    }
}

/// The step from row to row, from the first and last; a row may be off by half a step, or
/// by its last printed decimal where that is coarser.
fn even_step(rows: &[Row]) -> Result<f64, TextError> {
    let first = rows[0].distance;
    let step = (rows[rows.len() - 1].distance - first) / (rows.len() - 1) as f64;
    let decimals = rows.iter().map(|row| row.decimals).max().unwrap_or_default();
    let tolerance = (0.5 * step).max(10_f64.powi(-(decimals as i32)));
    for (i, row) in rows.iter().enumerate() {
        let expected = first + i as f64 * step;
        if step <= 0.0 || (row.distance - expected).abs() > tolerance {
            return Err(TextError::Uneven {
                line: row.line,
                found: row.distance.to_string(),
                expected: format!("{expected:.3}"),
            });
        }
    }
    Ok(step)
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
