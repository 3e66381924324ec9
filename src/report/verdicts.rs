//! Verdicts of one trace: for people, and for programs.

use std::collections::BTreeMap;

use serde::Serialize;

use super::events::{Look, with_sigma};
use super::rounded::rounded;
use super::table::{self, Align, Column};
use super::{data, escape};
use crate::budget;
use crate::event::{Analysis, Event, Peak, Role};
use crate::grade::{Limit, Verdict};
use crate::judge::{self, Doubts, Figure, Item, Judged, Of, Quantity};
use crate::plan::{Limits, LinkLimit, Plan};
use crate::trace::Trace;
use crate::units::{self, Measured};

const COLUMNS: [Column; 7] = [
    ("verdict", Align::Left),
    ("of", Align::Left),
    ("what", Align::Left),
    ("figure", Align::Right),
    ("limit", Align::Right),
    ("P within", Align::Right),
    ("would decide, or accepted", Align::Left),
];

/// Verdicts as lines of text, the link's at the bottom.
pub fn lines(
    judged: &Judged,
    plan: &Plan,
    trace: &Trace,
    analysis: &Analysis,
    look: Look,
) -> Vec<String> {
    let (link, parts): (Vec<&Item>, Vec<&Item>) =
        judged.items.iter().partition(|item| item.of == Of::Link);
    let rows: Vec<Vec<String>> = parts.iter().map(|item| row(item, analysis, look)).collect();
    let mut out = table::lines(&COLUMNS, &rows, look.width);
    for item in link {
        out.extend(table::hung(&link_line(item, look), look.width));
        if item.quantity == Quantity::Loss && matches!(item.limit, Limit::AtMost(_)) {
            out.extend(from_parts(plan, trace));
        }
    }
    out.extend(table::hung(&together(judged), look.width));
    let notes = judged.notes.iter().map(|note| format!("note: {note}"));
    let origin = plan.limits.origin().map(|origin| format!("limits: {origin}"));
    for text in notes.chain(origin) {
        out.extend(table::hung(&escape::terminal(&text), look.width));
    }
    out
}

fn row(item: &Item, analysis: &Analysis, look: Look) -> Vec<String> {
    let words = item.waived.as_ref().or(item.remedy.as_ref());
    let decide = words.map(|words| escape::terminal(words));
    vec![
        item.verdict.marked(),
        of(item, analysis),
        item.quantity.word().to_owned(),
        table::close(&figure(item, look)),
        limit(item, look),
        item.probability.map_or(String::new(), percent),
        decide.unwrap_or_default(),
    ]
}

fn of(item: &Item, analysis: &Analysis) -> String {
    match item.of {
        Of::Event(number) => format!("event {number}"),
        Of::Section(i) => {
            let section = analysis.sections[i];
            let number = |m| analysis.events.iter().find(|e| e.position_m == m).map(|e| e.number);
            match (number(section.from_m), number(section.to_m)) {
                (Some(a), Some(b)) => format!("fibre {a}–{b}"),
                _ => format!("section {}", i + 1),
            }
        }
        Of::Fiber => "all fibre".into(),
        Of::Splices => "splices".into(),
        Of::NearEnd => "near end".into(),
        Of::FarEnd => "far end".into(),
        Of::Link => "link".into(),
    }
}

fn decimals(quantity: Quantity, look: Look) -> usize {
    match quantity {
        Quantity::Reflectance | Quantity::ReturnLoss => 1,
        Quantity::Length => look.unit.decimals(),
        _ => 3,
    }
}

fn scaled(quantity: Quantity, look: Look) -> f64 {
    if quantity == Quantity::Length { 1.0 / look.unit.metres() } else { 1.0 }
}

fn unit(quantity: Quantity, look: Look) -> &'static str {
    if quantity == Quantity::Length { look.unit.symbol() } else { quantity.unit() }
}

fn figure(item: &Item, look: Look) -> String {
    let (decimals, scale) = (decimals(item.quantity, look), scaled(item.quantity, look));
    match item.figure {
        Figure::Whole(m) => with_sigma(Some(m.times(scale)), decimals),
        Figure::AtLeast(least) => format!("≥ {}", table::figure(Some(least * scale), 1)),
        Figure::Unmeasured => "–".into(),
    }
}

fn limit(item: &Item, look: Look) -> String {
    let (decimals, scale) = (decimals(item.quantity, look), scaled(item.quantity, look));
    match item.limit {
        Limit::AtMost(limit) => format!("≤ {}", table::figure(Some(limit * scale), decimals)),
        Limit::AtLeast(limit) => format!("≥ {}", table::figure(Some(limit * scale), decimals)),
    }
}

/// A probability, rounded away from certainty: 94.96 % is not shown as 95 %. No line break parts it.
fn percent(p: f64) -> String {
    if p > 0.999 {
        ">\u{a0}99.9\u{a0}%".into()
    } else if p < 0.001 {
        "<\u{a0}0.1\u{a0}%".into()
    } else {
        let tenths = if p >= 0.5 { (p * 1000.0).floor() } else { (p * 1000.0).ceil() };
        format!("{:.1}\u{a0}%", tenths / 10.0)
    }
}

/// One verdict on the link in a line: figure, limit, margin, probability, and what would decide it.
pub fn link_line(item: &Item, look: Look) -> String {
    let unit = unit(item.quantity, look);
    let kind = match (item.quantity, item.limit) {
        (Quantity::Loss, Limit::AtMost(_)) => "allowed",
        (_, Limit::AtMost(_)) => "at most",
        (_, Limit::AtLeast(_)) => "at least",
    };
    let (Limit::AtMost(bare) | Limit::AtLeast(bare)) = item.limit;
    let scale = scaled(item.quantity, look);
    let digits = decimals(item.quantity, look);
    let mut text = format!(
        "link {}: {} {unit}, {kind} {} {unit}",
        item.quantity.word(),
        figure(item, look),
        table::figure(Some(bare * scale), digits)
    );
    if let Figure::Whole(m) = item.figure {
        let margin = match item.limit {
            Limit::AtMost(limit) => limit - m.value,
            Limit::AtLeast(limit) => m.value - limit,
        };
        let margin = table::figure(Some(margin * scale), digits);
        text.push_str(&format!(", margin {margin} {unit}"));
    }
    if let Some(p) = item.probability {
        text.push_str(&format!(", P within {}", percent(p)));
    }
    text.push_str(&format!(": {}", item.verdict.marked()));
    if let Some(remedy) = &item.remedy {
        text.push_str(&format!("; would decide: {remedy}"));
    }
    text
}

/// What the link may lose, part by part, where the plan says so.
fn from_parts(plan: &Plan, trace: &Trace) -> Vec<String> {
    let wavelength = trace.settings.wavelength_nm;
    if plan.limits.link_loss_db != Some(LinkLimit::FromParts) {
        return Vec::new();
    }
    let Some(parts) = wavelength.and_then(|nm| budget::seen(plan, nm)) else { return Vec::new() };
    let line = |line: &budget::Line| {
        format!(
            "    {} {} × {:.3} = {:.3} dB",
            line.counted(),
            line.part,
            line.each_db,
            line.loss_db()
        )
    };
    parts.iter().map(line).collect()
}

fn together(judged: &Judged) -> String {
    let Some(verdict) = judged.verdict() else {
        return "verdict: nothing was judged".to_owned();
    };
    let count = |verdict| judged.count(verdict);
    let mut text = format!(
        "verdict: {}, the worst of {} pass, {} undecided, {} fail",
        verdict.marked(),
        count(Verdict::Pass),
        count(Verdict::Undecided),
        count(Verdict::Fail)
    );
    if let Some(p) = judged.together() {
        text.push_str(&format!("; P of all joints together {}, shown, not judged", percent(p)));
    }
    text
}

/// What the uncertainty of each event's loss and place is made of, as lines of text.
pub fn doubts(trace: &Trace, analysis: &Analysis, limits: &Limits, look: Look) -> Vec<String> {
    let doubts = Doubts::of(trace, analysis);
    let mut out = Vec::new();
    for event in analysis.events.iter().filter(|event| event.role != Role::Start) {
        let mut text = format!("event {}: one sigma of", event.number);
        if let Some(loss) = event.loss_db {
            let d = doubts.of_loss(event, loss, limits);
            text.push_str(&format!(
                " its loss: noise {:.4}, roughness of the fibre {:.4}, extrapolation {:.4}, unequal fibres {:.4}, linearity {:.4}, quantisation {:.4}, together {:.4} dB;",
                d.noise_db,
                d.roughness_db,
                d.extrapolation_db,
                d.unequal_fibers_db,
                d.linearity_db,
                d.quantization_db,
                d.together_db()
            ));
        }
        if let Some(r) = reflectance_doubt(event, limits) {
            text.push_str(&format!(
                " its reflectance: fit {:.3}, backscatter coefficient {:.3}, together {:.3} dB;",
                r.fit_db, r.backscatter_db, r.together_db
            ));
        }
        let p = place(trace, event);
        let length = |m: f64| table::sigma(m / look.unit.metres(), look.unit.decimals());
        text.push_str(&format!(
            " its place: fit {}, index {}, time base {}, sampling {}, together {} {}",
            length(p.fit_m),
            length(p.index_m),
            length(p.time_base_m),
            length(p.sampling_m),
            length(p.together_m()),
            look.unit
        ));
        out.extend(table::hung(&text, look.width));
    }
    let basis = format!(
        "an index is taken to be right within {} (common practice, no source), the time base within {:e} (from memory); the file's backscatter coefficient is a setting, and what it is off by counts where a reflectance is judged",
        judge::INDEX_ERROR,
        units::TIME_BASE_ERROR
    );
    out.extend(table::hung(&basis, look.width));
    out
}

fn place(trace: &Trace, event: &Event) -> judge::PlaceDoubt {
    judge::place_doubt(trace, Measured::new(event.position_m.0, event.position_sigma_m))
}

/// What the uncertainty of a loss is made of, for programs.
#[derive(Debug, Serialize)]
pub(super) struct LossDoubtData {
    noise_db: f64,
    roughness_db: f64,
    extrapolation_db: f64,
    unequal_fibers_db: f64,
    linearity_db: f64,
    quantization_db: f64,
    together_db: f64,
}

/// The same of a place.
#[derive(Debug, Serialize)]
pub(super) struct PlaceDoubtData {
    fit_m: f64,
    index_m: f64,
    time_base_m: f64,
    sampling_m: f64,
    together_m: f64,
}

pub(super) fn loss_doubt(doubts: &Doubts, event: &Event, limits: &Limits) -> Option<LossDoubtData> {
    let d = doubts.of_loss(event, event.loss_db?, limits);
    Some(LossDoubtData {
        noise_db: rounded(d.noise_db),
        roughness_db: rounded(d.roughness_db),
        extrapolation_db: rounded(d.extrapolation_db),
        unequal_fibers_db: rounded(d.unequal_fibers_db),
        linearity_db: rounded(d.linearity_db),
        quantization_db: rounded(d.quantization_db),
        together_db: rounded(d.together_db()),
    })
}

/// What the uncertainty of a reflectance is made of where it is judged, for programs.
#[derive(Debug, Serialize)]
pub(super) struct ReflectanceDoubtData {
    fit_db: f64,
    backscatter_db: f64,
    together_db: f64,
}

pub(super) fn reflectance_doubt(event: &Event, limits: &Limits) -> Option<ReflectanceDoubtData> {
    let Some(Peak::Whole { reflectance_db: Some(fit) }) = event.peak else { return None };
    let backscatter_db = limits.backscatter_sigma_db;
    Some(ReflectanceDoubtData {
        fit_db: rounded(fit.sigma),
        backscatter_db: rounded(backscatter_db),
        together_db: rounded(fit.widened(backscatter_db).sigma),
    })
}

pub(super) fn place_doubt(trace: &Trace, event: &Event) -> Option<PlaceDoubtData> {
    let p = place(trace, event);
    (event.role != Role::Start).then(|| PlaceDoubtData {
        fit_m: data::metres(p.fit_m),
        index_m: data::metres(p.index_m),
        time_base_m: data::metres(p.time_base_m),
        sampling_m: data::metres(p.sampling_m),
        together_m: data::metres(p.together_m()),
    })
}

/// Verdicts for programs.
#[derive(Debug, Serialize)]
pub(super) struct JudgementData {
    verdict: Option<&'static str>,
    joints_together_probability: Option<f64>,
    confidence: f64,
    presets: Vec<&'static str>,
    limits_come_from: String,
    items: Vec<ItemData>,
    notes: Vec<String>,
    /// Of each event that was judged. In the document it stands with its figures.
    #[serde(skip)]
    events: BTreeMap<usize, Verdict>,
}

#[derive(Debug, Serialize)]
struct ItemData {
    of: &'static str,
    event: Option<usize>,
    section: Option<usize>,
    quantity: &'static str,
    unit: &'static str,
    value: Option<f64>,
    sigma: Option<f64>,
    at_least: Option<f64>,
    limit_at_most: Option<f64>,
    limit_at_least: Option<f64>,
    probability: Option<f64>,
    verdict: &'static str,
    counts: bool,
    would_decide: Option<String>,
    waived: Option<String>,
}

impl JudgementData {
    /// The worst verdict of an event's figures in a word; blank where none was judged.
    pub(super) fn of_event(&self, number: usize) -> &'static str {
        self.events.get(&number).map_or("", |verdict| verdict.word())
    }
}

pub(super) fn judgement(judged: &Judged, plan: &Plan) -> JudgementData {
    JudgementData {
        verdict: judged.verdict().map(Verdict::word),
        joints_together_probability: judged.together().map(rounded),
        confidence: plan.limits.confidence,
        presets: plan.limits.presets.iter().map(|preset| preset.name).collect(),
        limits_come_from: plan.limits.origin().unwrap_or_else(|| "the plan".into()),
        items: judged.items.iter().map(item_data).collect(),
        notes: judged.notes.clone(),
        events: judged.items.iter().filter_map(|item| of_event(judged, item)).collect(),
    }
}

fn of_event(judged: &Judged, item: &Item) -> Option<(usize, Verdict)> {
    let Of::Event(number) = item.of else { return None };
    Some((number, judged.of_event(number)?))
}

fn item_data(item: &Item) -> ItemData {
    let (of, event, section) = match item.of {
        Of::Event(number) => ("event", Some(number), None),
        Of::Section(i) => ("section", None, Some(i)),
        Of::Fiber => ("all fiber", None, None),
        Of::Splices => ("splices", None, None),
        Of::NearEnd => ("near end", None, None),
        Of::FarEnd => ("far end", None, None),
        Of::Link => ("link", None, None),
    };
    let (value, at_least) = match item.figure {
        Figure::Whole(m) => (Some(m), None),
        Figure::AtLeast(least) => (None, Some(rounded(least))),
        Figure::Unmeasured => (None, None),
    };
    let (most, least) = match item.limit {
        Limit::AtMost(limit) => (Some(rounded(limit)), None),
        Limit::AtLeast(limit) => (None, Some(rounded(limit))),
    };
    ItemData {
        of,
        event,
        section,
        quantity: item.quantity.word(),
        unit: item.quantity.unit(),
        value: value.map(|m| rounded(m.value)),
        sigma: value.map(|m| rounded(m.sigma)),
        at_least,
        limit_at_most: most,
        limit_at_least: least,
        probability: item.probability.map(rounded),
        verdict: item.verdict.word(),
        counts: item.counts,
        would_decide: item.remedy.clone(),
        waived: item.waived.clone(),
    }
}
