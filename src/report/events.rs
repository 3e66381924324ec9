//! The event table for people.

use super::table::{self, Align, Column};
use super::{data, escape};
use crate::event::{Analysis, DeadZones, Event, Opinion, Peak, Role, Section};
use crate::trace::{Label, Trace};
use crate::units::{LengthUnit, Measured};

/// How a table is to look.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// Unit of lengths.
    pub unit: LengthUnit,
    /// Characters per line.
    pub width: usize,
    /// Whether reasons are given.
    pub explain: bool,
}

/// One file's events as lines of text.
pub fn lines(file: &str, trace: &Trace, analysis: &Analysis, look: Look) -> Vec<String> {
    let mut out = table::wrap(&heading(file, trace), look.width);
    out.extend(event_table(analysis, look));
    out.extend(span(analysis, look));
    for event in analysis.events.iter().filter(|_| look.explain) {
        out.extend(table::hung(&format!("event {}: {}", event.number, event.reason), look.width));
    }
    for opinion in &analysis.opinions {
        out.extend(table::hung(
            &format!("instrument: {}", opinion_words(opinion, look)),
            look.width,
        ));
    }
    for note in &analysis.notes {
        out.extend(table::hung(&format!("note: {}", escape::terminal(note)), look.width));
    }
    out
}

/// File, labels, wavelength and pulse in one line; blank labels are left out.
pub fn heading(file: &str, trace: &Trace) -> String {
    let labels = &trace.labels;
    let mut parts = vec![escape::terminal(file)];
    let said = |words: &str, label: &Label| {
        (!label.is_blank()).then(|| format!("{words}{}", escape::label(label)))
    };
    parts.extend(said("", &labels.cable));
    parts.extend(said("fibre ", &labels.fiber));
    if let (Some(from), Some(to)) = (said("", &labels.from), said("", &labels.to)) {
        parts.push(format!("{from} to {to}"));
    }
    parts.extend(trace.settings.wavelength_nm.map(|nm| format!("{nm:.0} nm")));
    parts.push(format!("{:.0} ns", trace.pulse_ns()));
    parts.join(", ")
}

/// The unit of places stands in the heading once, not behind each place.
fn columns(unit: LengthUnit) -> [Column; 7] {
    let at = match unit {
        LengthUnit::M => "at m",
        LengthUnit::Km => "at km",
        LengthUnit::Ft => "at ft",
        LengthUnit::Kft => "at kft",
        LengthUnit::Mi => "at mi",
    };
    [
        ("no", Align::Right),
        (at, Align::Right),
        ("what", Align::Left),
        ("loss dB", Align::Right),
        ("refl. dB", Align::Right),
        ("dB/km", Align::Right),
        ("remarks", Align::Left),
    ]
}

fn event_table(analysis: &Analysis, look: Look) -> Vec<String> {
    let rows: Vec<Vec<String>> =
        analysis.events.iter().map(|event| row(event, &analysis.sections, look)).collect();
    table::lines(&columns(look.unit), &rows, look.width)
}

fn row(event: &Event, sections: &[Section], look: Look) -> Vec<String> {
    let then = sections.iter().find(|s| s.from_m == event.position_m);
    let attenuation = then.and_then(|s| s.attenuation_db_per_km);
    vec![
        event.number.to_string(),
        table::close(&place(event, look.unit)),
        what(event).to_owned(),
        table::close(&loss(event)),
        table::close(&reflectance(event)),
        table::close(&with_sigma(attenuation, 3)),
        remarks(event).join("; "),
    ]
}

fn place(event: &Event, unit: LengthUnit) -> String {
    let decimals = unit.decimals();
    let at = table::figure(Some(event.position_m.0 / unit.metres()), decimals);
    if event.role == Role::Start {
        return at;
    }
    format!("{at} ± {}", table::sigma(event.position_sigma_m / unit.metres(), decimals))
}

/// What an event is called: its role where that says all, else its likely cause.
pub fn what(event: &Event) -> &'static str {
    match (event.role, event.likely) {
        (Role::Start, _) => "start",
        (Role::Echo, _) => "echo",
        (Role::End, None) => "end",
        (_, Some(likely)) => data::likely_word(likely),
        (Role::Joint, None) => "joint",
    }
}

fn loss(event: &Event) -> String {
    match (event.loss_db, event.loss_at_least_db) {
        (Some(loss), _) => with_sigma(Some(loss), 3),
        (None, Some(least)) => format!("≥ {}", table::figure(Some(least), 1)),
        (None, None) => String::new(),
    }
}

fn reflectance(event: &Event) -> String {
    match event.peak {
        Some(Peak::Whole { reflectance_db }) => with_sigma(reflectance_db, 1),
        Some(Peak::Saturated { at_least_db: Some(least) }) => {
            format!("≥ {}", table::figure(Some(least), 1))
        }
        _ => String::new(),
    }
}

/// What each reflection hides behind itself, by event number, as lines of text.
pub fn dead_zones(zones: &[(usize, DeadZones)], look: Look) -> Vec<String> {
    let unit = look.unit;
    let length = |m: Measured| with_sigma(Some(m.times(1.0 / unit.metres())), unit.decimals());
    let mut out = Vec::new();
    for (number, zone) in zones {
        let event = zone.event_m.map(|m| format!("event dead zone {} {unit}", length(m)));
        let attenuation =
            zone.attenuation_m.map(|m| format!("attenuation dead zone {} {unit}", length(m)));
        let both: Vec<String> = [event, attenuation].into_iter().flatten().collect();
        if !both.is_empty() {
            out.extend(table::hung(&format!("event {number}: {}", both.join(", ")), look.width));
        }
    }
    if !out.is_empty() {
        let meaning = "a peak's width 1.5 dB below its top, and from a reflection until the trace stays within 0.5 dB of the backscatter (IEC 61746-1, from memory)";
        out.extend(table::hung(&format!("dead zones: {meaning}"), look.width));
    }
    out
}

/// A figure and its sigma, the sigma with more digits where it would show as 0.
pub fn with_sigma(measured: Option<Measured>, decimals: usize) -> String {
    let Some(m) = measured else { return String::new() };
    format!("{} ± {}", table::figure(Some(m.value), decimals), table::sigma(m.sigma, decimals))
}

fn remarks(event: &Event) -> Vec<String> {
    let mut remarks = Vec::new();
    if event.role == Role::End {
        remarks.push("end".to_owned());
    }
    if event.is_saturated() {
        remarks.push("receiver at its limit".to_owned());
    }
    if event.merged > 1 {
        remarks.push(format!("{} places share this loss", event.merged));
    }
    if event.loss_db.is_some_and(|l| l.value < -2.0 * l.sigma) {
        remarks.push("gain: read it from both ends".to_owned());
    }
    remarks
}

fn span(analysis: &Analysis, look: Look) -> Vec<String> {
    let Some(span) = &analysis.span else { return vec!["  no span: no end was found".to_owned()] };
    let unit = look.unit;
    let length = |m: f64| table::figure(Some(m / unit.metres()), unit.decimals());
    let mut text = format!(
        "span {} to {} {unit}: {} ± {} {unit}",
        length(span.start_m.0),
        length(span.end_m.0),
        length(span.length_m.value),
        table::sigma(span.length_m.sigma / unit.metres(), unit.decimals()),
    );
    if span.loss_db.is_some() {
        text.push_str(&format!(", loss {} dB", with_sigma(span.loss_db, 3)));
    }
    if span.orl_db.is_some() {
        text.push_str(&format!(", return loss {} dB", with_sigma(span.orl_db, 1)));
    }
    table::hung(&text, look.width)
}

fn opinion_words(opinion: &Opinion, look: Look) -> String {
    let unit = look.unit;
    match opinion {
        Opinion::OnlyInstrument { position_m, loss_db } => format!(
            "its table has an event at {} {unit} ({loss_db:.3} dB) that was not found here",
            table::figure(Some(position_m.0 / unit.metres()), unit.decimals())
        ),
        Opinion::OnlyHere { number } => format!("its table does not have event {number}"),
        Opinion::Loss { number, instrument_db, here_db } => format!(
            "event {number}: its table says {instrument_db:.3} dB, here {} dB",
            with_sigma(Some(*here_db), 3)
        ),
    }
}
