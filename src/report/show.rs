//! What a file says, in words.

use super::table::{self, Align, Column};
use super::{data, escape};
use crate::trace::{Label, Trace};
use crate::units::LengthUnit;

/// One file's settings, labels, notes and the instrument's own table as lines of text.
///
/// `noise_share`: share of its samples that are noise.
pub fn lines(
    file: &str,
    trace: &Trace,
    noise_share: f64,
    unit: LengthUnit,
    width: usize,
) -> Vec<String> {
    let mut out = vec![escape::terminal(file)];
    let rows: Vec<Vec<String>> = said(trace, noise_share, unit)
        .into_iter()
        .filter(|(_, text)| !text.is_empty())
        .map(|(name, text)| vec![name.to_owned(), text])
        .collect();
    let columns = [("", Align::Left), ("", Align::Left)];
    out.extend(table::lines(&columns, &rows, width).into_iter().skip(1));
    out.extend(own_events(trace, unit, width));
    for note in &trace.notes {
        for (i, line) in table::wrap(&escape::terminal(&note.to_string()), width.saturating_sub(10))
            .iter()
            .enumerate()
        {
            out.push(format!("  {}{line}", if i == 0 { "note: " } else { "      " }));
        }
    }
    out
}

fn said(trace: &Trace, noise_share: f64, unit: LengthUnit) -> Vec<(&'static str, String)> {
    let (s, l, i) = (&trace.settings, &trace.labels, &trace.instrument);
    let length =
        |m: f64| format!("{} {unit}", table::figure(Some(m / unit.metres()), unit.decimals()));
    let join = |labels: &[&Label]| {
        let texts: Vec<String> =
            labels.iter().filter(|l| !l.is_blank()).map(|l| escape::label(l)).collect();
        texts.join(" ")
    };
    let last_m = trace.position_m(trace.counts.len().saturating_sub(1)).0;
    let index = if s.index == s.file_index {
        format!("{:.5}", s.index.value())
    } else {
        format!("{:.5}, given; the file says {:.5}", s.index.value(), s.file_index.value())
    };
    let pulses: Vec<String> = trace
        .stretches
        .iter()
        .map(|p| format!("{} ns = {:.2} m", p.pulse_ns, s.index.pulse_m(f64::from(p.pulse_ns))))
        .collect();
    let averaging = match (s.averages, s.averaging_s) {
        (Some(n), Some(t)) => format!("{n} averages in {t:.1} s"),
        (Some(n), None) => format!("{n} averages"),
        (None, Some(t)) => format!("{t:.1} s"),
        (None, None) => String::new(),
    };
    vec![
        ("cable", join(&[&l.cable])),
        ("fibre", join(&[&l.fiber])),
        ("from", join(&[&l.from])),
        ("to", join(&[&l.to])),
        ("operator", join(&[&l.operator])),
        ("comment", join(&[&l.comment])),
        (
            "measured",
            s.measured_at_unix_s
                .and_then(data::utc)
                .map_or(String::new(), |t| format!("{t}, as the file says, read as UTC")),
        ),
        ("wavelength", s.wavelength_nm.map_or(String::new(), |nm| format!("{nm:.1} nm"))),
        ("pulse", pulses.join(", ")),
        (
            "samples",
            format!(
                "{} every {:.4} m, to {}",
                trace.counts.len(),
                trace.spacing_m(),
                length(last_m)
            ),
        ),
        ("index", index),
        ("averaging", averaging),
        (
            "backscatter",
            s.backscatter_db.map_or("not stated: no reflectance can be computed".into(), |b| {
                format!("{b:.1} dB for 1 ns")
            }),
        ),
        ("noise", format!("{:.0} % of the samples", 100.0 * noise_share)),
        ("instrument", join(&[&i.supplier, &i.mainframe, &i.module])),
        ("serials", join(&[&i.mainframe_serial, &i.module_serial])),
        ("software", join(&[&i.software])),
    ]
}

const COLUMNS: [Column; 6] = [
    ("no", Align::Right),
    ("at", Align::Right),
    ("code", Align::Left),
    ("loss dB", Align::Right),
    ("reflectance dB", Align::Right),
    ("comment", Align::Left),
];

/// The instrument's own event list, marked as such.
fn own_events(trace: &Trace, unit: LengthUnit, width: usize) -> Vec<String> {
    let Some(own) = trace.table.as_ref().filter(|t| !t.rows.is_empty()) else { return Vec::new() };
    let rows: Vec<Vec<String>> = own
        .rows
        .iter()
        .map(|row| {
            vec![
                row.number.to_string(),
                table::figure(
                    Some(trace.metres_100_ps(row.time_100_ps).0 / unit.metres()),
                    unit.decimals(),
                ),
                escape::label(&row.code),
                table::figure(Some(row.loss_db), 3),
                table::figure(row.reflectance_db, 1),
                escape::label(&row.comment),
            ]
        })
        .collect();
    let mut out =
        vec![format!("  the instrument's own events, places in {unit}; not checked here")];
    out.extend(table::lines(&COLUMNS, &rows, width));
    out
}
