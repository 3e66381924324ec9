//! The events document and its flat form, for programs.
//!
//! Types of their own: renaming a field inside the crate never renames one in the contract.

use jiff::Timestamp;
use serde::Serialize;

use super::rounded::{rounded, sigma, value};
use super::{escape, verdicts};
use crate::event::{Analysis, Event, Likely, Opinion, Peak, Role};
use crate::judge::{Doubts, Judged};
use crate::plan::{Limits, Plan};
use crate::trace::Trace;

/// The document `strandline.events/1`.
#[derive(Debug, Serialize)]
pub struct Document {
    schema: &'static str,
    caution: &'static str,
    traces: Vec<TraceData>,
}

/// One file's part of it.
#[derive(Debug, Serialize)]
#[serde(untagged)]
pub enum TraceData {
    /// A file that could not be read.
    Unreadable {
        /// Path as given.
        file: String,
        /// Why not.
        error: String,
    },
    /// A file that was.
    Read(Box<ReadData>),
}

/// What a readable file holds.
#[derive(Debug, Serialize)]
pub struct ReadData {
    file: String,
    error: Option<String>,
    notes: Vec<String>,
    trace: SettingsData,
    span: Option<SpanData>,
    events: Vec<EventData>,
    sections: Vec<SectionData>,
    noise: NoiseData,
    second_opinion: Vec<OpinionData>,
    /// Only where limits were given: without them nothing is judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    judgement: Option<verdicts::JudgementData>,
}

#[derive(Debug, Serialize)]
struct SettingsData {
    wavelength_nm: Option<f64>,
    pulse_ns: f64,
    group_index: f64,
    spacing_m: f64,
    samples: usize,
    averages: Option<u32>,
    averaging_s: Option<f64>,
    measured_at: Option<String>,
    cable: String,
    fiber: String,
    from: String,
    to: String,
    operator: String,
    backscatter_db: Option<f64>,
}

#[derive(Debug, Serialize)]
struct SpanData {
    start_m: f64,
    end_m: f64,
    length_m: f64,
    length_sigma_m: f64,
    loss_db: Option<f64>,
    loss_sigma_db: Option<f64>,
    orl_db: Option<f64>,
    orl_sigma_db: Option<f64>,
}

#[derive(Debug, Serialize)]
struct EventData {
    number: usize,
    position_m: f64,
    position_sigma_m: f64,
    role: &'static str,
    shape: &'static str,
    saturated: bool,
    likely: Option<&'static str>,
    reason: String,
    loss_db: Option<f64>,
    loss_sigma_db: Option<f64>,
    loss_at_least_db: Option<f64>,
    reflectance_db: Option<f64>,
    reflectance_sigma_db: Option<f64>,
    extent_m: f64,
    merged: usize,
    loss_doubt: Option<verdicts::LossDoubtData>,
    reflectance_doubt: Option<verdicts::ReflectanceDoubtData>,
    position_doubt: Option<verdicts::PlaceDoubtData>,
}

#[derive(Debug, Serialize)]
struct SectionData {
    from_m: f64,
    to_m: f64,
    attenuation_db_per_km: Option<f64>,
    attenuation_sigma_db_per_km: Option<f64>,
}

#[derive(Debug, Serialize)]
struct NoiseData {
    floor_db: Option<f64>,
    correlated_samples: f64,
    speckle: f64,
    receiver_m: f64,
    noise_from_m: Option<f64>,
}

#[derive(Debug, Serialize)]
struct OpinionData {
    says: &'static str,
    number: Option<usize>,
    position_m: Option<f64>,
    instrument_loss_db: Option<f64>,
    loss_db: Option<f64>,
    loss_sigma_db: Option<f64>,
}

/// Seconds since 1970 as RFC 3339 text, read as UTC.
pub fn utc(unix_s: u32) -> Option<String> {
    Timestamp::from_second(i64::from(unix_s)).ok().map(|time| time.to_string())
}

/// The word for a role.
fn role_word(role: Role) -> &'static str {
    match role {
        Role::Start => "start",
        Role::Joint => "joint",
        Role::End => "end",
        Role::Echo => "echo",
    }
}

/// The word for a likely cause.
pub fn likely_word(likely: Likely) -> &'static str {
    match likely {
        Likely::Splice => "splice",
        Likely::Connector => "connector",
        Likely::Bend => "bend",
        Likely::Splitter => "splitter",
        Likely::Break => "break",
        Likely::OpenEnd => "open end",
        Likely::Unknown => "unknown",
    }
}

/// An unreadable file's entry.
pub fn unreadable(file: &str, error: &str) -> TraceData {
    TraceData::Unreadable { file: file.to_owned(), error: error.to_owned() }
}

/// A readable file's entry. Uncertainty budgets have the usual figures of an instrument.
pub fn read(file: &str, trace: &Trace, analysis: &Analysis) -> TraceData {
    entry(file, trace, analysis, &Limits::of_presets(&[]), None)
}

/// The same with verdicts against a plan, and its figures in the uncertainty budgets.
pub fn judged(
    file: &str,
    trace: &Trace,
    analysis: &Analysis,
    plan: &Plan,
    judged: &Judged,
) -> TraceData {
    entry(file, trace, analysis, &plan.limits, Some(verdicts::judgement(judged, plan)))
}

fn entry(
    file: &str,
    trace: &Trace,
    analysis: &Analysis,
    limits: &Limits,
    judgement: Option<verdicts::JudgementData>,
) -> TraceData {
    let doubts = Doubts::of(trace, analysis);
    let notes = trace.notes.iter().map(ToString::to_string).chain(analysis.notes.iter().cloned());
    TraceData::Read(Box::new(ReadData {
        file: file.to_owned(),
        error: None,
        notes: notes.collect(),
        trace: settings(trace),
        span: analysis.span.map(|span| SpanData {
            start_m: metres(span.start_m.0),
            end_m: metres(span.end_m.0),
            length_m: metres(span.length_m.value),
            length_sigma_m: metres(span.length_m.sigma),
            loss_db: value(span.loss_db),
            loss_sigma_db: sigma(span.loss_db),
            orl_db: value(span.orl_db),
            orl_sigma_db: sigma(span.orl_db),
        }),
        events: analysis.events.iter().map(|e| event(e, trace, &doubts, limits)).collect(),
        sections: analysis
            .sections
            .iter()
            .map(|section| SectionData {
                from_m: metres(section.from_m.0),
                to_m: metres(section.to_m.0),
                attenuation_db_per_km: value(section.attenuation_db_per_km),
                attenuation_sigma_db_per_km: sigma(section.attenuation_db_per_km),
            })
            .collect(),
        noise: NoiseData {
            floor_db: analysis.noise.floor_db.map(rounded),
            correlated_samples: rounded(analysis.noise.correlated_samples),
            speckle: rounded(analysis.noise.speckle),
            receiver_m: rounded(analysis.noise.receiver_m),
            noise_from_m: analysis.noise.noise_from_m.map(|m| metres(m.0)),
        },
        second_opinion: analysis.opinions.iter().map(opinion).collect(),
        judgement,
    }))
}

fn settings(trace: &Trace) -> SettingsData {
    let (settings, labels) = (&trace.settings, &trace.labels);
    SettingsData {
        wavelength_nm: settings.wavelength_nm,
        pulse_ns: trace.pulse_ns(),
        group_index: settings.index.value(),
        spacing_m: trace.spacing_m(),
        samples: trace.counts.len(),
        averages: settings.averages,
        averaging_s: settings.averaging_s,
        measured_at: settings.measured_at_unix_s.and_then(utc),
        cable: labels.cable.text(),
        fiber: labels.fiber.text(),
        from: labels.from.text(),
        to: labels.to.text(),
        operator: labels.operator.text(),
        backscatter_db: settings.backscatter_db,
    }
}

fn event(event: &Event, trace: &Trace, doubts: &Doubts, limits: &Limits) -> EventData {
    let (reflectance_db, reflectance_sigma_db) = match event.peak {
        Some(Peak::Whole { reflectance_db }) => (value(reflectance_db), sigma(reflectance_db)),
        Some(Peak::Saturated { at_least_db }) => (at_least_db.map(rounded), None),
        None => (None, None),
    };
    EventData {
        number: event.number,
        position_m: metres(event.position_m.0),
        position_sigma_m: metres(event.position_sigma_m),
        role: role_word(event.role),
        shape: if event.is_reflective() { "reflective" } else { "non-reflective" },
        saturated: event.is_saturated(),
        likely: event.likely.map(likely_word),
        reason: event.reason.clone(),
        loss_db: value(event.loss_db),
        loss_sigma_db: sigma(event.loss_db),
        loss_at_least_db: event.loss_at_least_db.map(rounded),
        reflectance_db,
        reflectance_sigma_db,
        extent_m: metres(event.extent_m),
        merged: event.merged,
        loss_doubt: verdicts::loss_doubt(doubts, event, limits),
        reflectance_doubt: verdicts::reflectance_doubt(event, limits),
        position_doubt: verdicts::place_doubt(trace, event),
    }
}

fn opinion(opinion: &Opinion) -> OpinionData {
    let none = OpinionData {
        says: "",
        number: None,
        position_m: None,
        instrument_loss_db: None,
        loss_db: None,
        loss_sigma_db: None,
    };
    match opinion {
        Opinion::OnlyInstrument { position_m, loss_db } => OpinionData {
            says: "the instrument lists an event that was not found here",
            position_m: Some(metres(position_m.0)),
            instrument_loss_db: Some(*loss_db),
            ..none
        },
        Opinion::OnlyHere { number } => OpinionData {
            says: "found here and not listed by the instrument",
            number: Some(*number),
            ..none
        },
        Opinion::Loss { number, instrument_db, here_db } => OpinionData {
            says: "the losses differ by more than both uncertainties explain",
            number: Some(*number),
            instrument_loss_db: Some(*instrument_db),
            loss_db: Some(rounded(here_db.value)),
            loss_sigma_db: Some(rounded(here_db.sigma)),
            ..none
        },
    }
}

/// A tenth of a millimetre.
pub(super) fn metres(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

/// The document over all files, in the order given.
pub fn document(traces: Vec<TraceData>) -> Document {
    Document { schema: "strandline.events/1", caution: super::CAUTION, traces }
}

/// Its text, one line for each file so that a diff shows which changed.
///
/// # Errors
/// Never in practice: the document has no keys that JSON could not hold.
pub fn json(document: &Document) -> Result<String, serde_json::Error> {
    let mut text = format!(
        "{{\"schema\":{},\"caution\":{},\"traces\":[\n",
        serde_json::to_string(document.schema)?,
        serde_json::to_string(document.caution)?
    );
    for (i, trace) in document.traces.iter().enumerate() {
        text.push_str(if i > 0 { ",\n" } else { "" });
        text.push_str(&serde_json::to_string(trace)?);
    }
    text.push_str("\n]}\n");
    Ok(escape::json(text))
}

/// Headings of the flat form.
const COLUMNS: [&str; 18] = [
    "file",
    "cable",
    "fiber",
    "wavelength_nm",
    "number",
    "position_m",
    "position_sigma_m",
    "role",
    "shape",
    "likely",
    "loss_db",
    "loss_sigma_db",
    "loss_at_least_db",
    "reflectance_db",
    "reflectance_sigma_db",
    "saturated", // true: the reflectance is a bound, not a figure
    "extent_m",
    "merged",
];

/// The events of all files as CSV, a row each; units in the headings.
///
/// # Errors
/// Never in practice: it writes to memory.
pub fn csv(document: &Document) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let is_judged =
        |trace: &TraceData| matches!(trace, TraceData::Read(read) if read.judgement.is_some());
    // Without limits nothing is judged, and no column says so.
    let judged = document.traces.iter().any(is_judged);
    writer.write_record(COLUMNS.iter().chain(judged.then_some(&"verdict")))?;
    let number = |value: Option<f64>| value.map_or(String::new(), |v| v.to_string());
    for trace in &document.traces {
        let TraceData::Read(read) = trace else { continue };
        for event in &read.events {
            let row = [
                escape::cell(&read.file),
                escape::cell(&read.trace.cable),
                escape::cell(&read.trace.fiber),
                number(read.trace.wavelength_nm),
                event.number.to_string(),
                event.position_m.to_string(),
                event.position_sigma_m.to_string(),
                event.role.to_owned(),
                event.shape.to_owned(),
                event.likely.unwrap_or("").to_owned(),
                number(event.loss_db),
                number(event.loss_sigma_db),
                number(event.loss_at_least_db),
                number(event.reflectance_db),
                number(event.reflectance_sigma_db),
                event.saturated.to_string(),
                event.extent_m.to_string(),
                event.merged.to_string(),
            ];
            let verdict = read.judgement.as_ref().map_or("", |own| own.of_event(event.number));
            writer.write_record(row.into_iter().chain(judged.then(|| verdict.to_owned())))?;
        }
    }
    let bytes = writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
