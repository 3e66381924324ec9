//! A diagnosis as a page, a document, and points on a map.

use serde::Serialize;

use super::rounded::{rounded, sigma, value};
use super::table::{self, Align, Column};
use super::{CAUTION, escape, jobs};
use crate::diagnose::{Diagnosis, Excess, OnRoute, Part, PartKind, Place, Reference};
use crate::grade;
use crate::job::{Finding, Task};
use crate::plan::Plan;

/// The page. `plan`: what the traces were read against.
pub fn lines(diagnosis: &Diagnosis, plan: &Plan, width: usize) -> Vec<String> {
    let ends = match &plan.cable.ends {
        [a, b] if a.trim().is_empty() && b.trim().is_empty() => "a link without names".to_owned(),
        ends => ends.each_ref().map(|end| escape::terminal(end)).join(" to "),
    };
    let traces = diagnosis.files.len();
    let against = match diagnosis.reference {
        Reference::Plan => "held against the plan",
        Reference::Baseline => "held against the baseline",
        Reference::Preset => "held against usual limits, for want of a plan or a baseline",
    };
    let title = format!("{ends}: {traces} trace{}, {against}", if traces == 1 { "" } else { "s" });
    let linearity = plan.limits.linearity_db_per_db;
    let mut out = table::wrap(&title, width);
    for whole in &diagnosis.wholes {
        let allowed = whole.allowed_db.map_or(String::new(), |a| format!(", of {a:.2} dB allowed"));
        let loss = grade::with_linearity(whole.loss_db, linearity);
        let allowed =
            if whole.is_complete { allowed } else { ", without what is not seen".to_owned() };
        let line = format!("{} nm: {loss} dB{allowed}", whole.wavelength_nm);
        out.extend(table::hung(&line, width));
    }
    if diagnosis.reference == Reference::Preset {
        out.extend(plan.limits.origin().into_iter().flat_map(|text| table::hung(&text, width)));
    }
    out.push(String::new());
    if diagnosis.excesses.is_empty() {
        out.extend(table::hung(&nothing_found(diagnosis), width));
        out.push(String::new());
    }
    for (i, excess) in diagnosis.excesses.iter().enumerate() {
        out.extend(excess_lines(i + 1, excess, plan, width));
        out.push(String::new());
    }
    let beside = beside(diagnosis, plan);
    if !beside.is_empty() {
        out.extend(beside.iter().flat_map(|text| table::hung(text, width)));
        out.push(String::new());
    }
    for note in &diagnosis.notes {
        out.extend(table::hung(&escape::terminal(note), width));
    }
    if !diagnosis.notes.is_empty() {
        out.push(String::new());
    }
    out.push("where every dB goes, from end a on".into());
    let rows: Vec<Vec<String>> =
        diagnosis.parts.iter().flat_map(|p| part_rows(p, linearity)).collect();
    out.extend(table::lines(&COLUMNS, &rows, width));
    out
}

/// What stands beside the ranks: other faults, what was not seen or judged, and what would decide it.
fn beside(diagnosis: &Diagnosis, plan: &Plan) -> Vec<String> {
    let fault = |f: &Finding| match f.next.as_str() {
        "nothing" | "" => format!("fault: {}", f.says),
        next => format!("fault: {}; {next}", f.says),
    };
    let mut out: Vec<String> = diagnosis.faults.iter().map(fault).collect();
    out.extend(diagnosis.unseen.iter().map(|says| format!("not seen: {says}")));
    out.extend(diagnosis.open.iter().map(|says| format!("not judged: {says}")));
    let mut out: Vec<String> = out.iter().map(|text| escape::terminal(text)).collect();
    let decides = diagnosis.decides.iter();
    out.extend(decides.map(|task| {
        format!("to decide it: {}: {}", jobs::station(task, plan), escape::terminal(&task.does))
    }));
    out
}

/// What it means that no part loses too much: no more than there are limits.
fn nothing_found(diagnosis: &Diagnosis) -> String {
    let words = |wanted: bool| {
        let judged = diagnosis.judged_nm().into_iter().filter(|(_, judged)| *judged == wanted);
        let nm: Vec<String> = judged.map(|(nm, _)| nm.to_string()).collect();
        (!nm.is_empty()).then(|| format!("at {} nm", nm.join(" and ")))
    };
    match (words(true), words(false)) {
        (Some(_), None) if !diagnosis.open.is_empty() => {
            "nothing of what could be judged loses more than it may; what could not be judged may"
                .into()
        }
        (Some(_), None) if !diagnosis.unseen.is_empty() => {
            "nothing of what is seen loses more than it may; what is not seen may".into()
        }
        (Some(_), None) if !diagnosis.faults.is_empty() => {
            "nothing that these traces show loses more than it may; the fault below is another"
                .into()
        }
        (Some(_), None) => "nothing loses more than it may".into(),
        (Some(judged), Some(not)) => format!(
            "nothing loses more than it may {judged}; {not} there is no limit to hold it against"
        ),
        (None, _) => "nothing could be judged: there is no limit to hold it against".into(),
    }
}

fn excess_lines(rank: usize, excess: &Excess, plan: &Plan, width: usize) -> Vec<String> {
    let name = escape::terminal(&excess.part.name);
    let head = match (excess.too_much_db, excess.wavelength_nm) {
        (Some(more), Some(nm)) if more.value > 0.0 => {
            format!("{rank}. {more} dB too much at {nm} nm: {name}")
        }
        (Some(_), _) => format!("{rank}. it reflects too much: {name}"),
        (None, _) => format!("{rank}. the light stops here: {name}"),
    };
    let mut out = table::wrap(&head, width);
    let mut say = |label: &str, text: &str| {
        for (i, line) in
            table::wrap(&escape::terminal(text), width.saturating_sub(12)).iter().enumerate()
        {
            let label = if i == 0 { label } else { "" };
            out.push(format!("   {label:<8} {line}"));
        }
    };
    for (i, cause) in excess.causes.iter().enumerate() {
        let label = if i == 0 { "likely" } else { "" };
        say(label, &format!("{} ({})", cause.what, cause.evidence));
    }
    let place = &excess.place;
    say("at", &fiber_words(place));
    if plan.cable.fiber_per_sheath != 1.0 || !plan.route.is_empty() {
        say("sheath", &format!("{} m from end a", place.sheath_m));
    }
    if let Some(route) = &place.route {
        say("route", &route_words(route));
    }
    say("first", &excess.first);
    out
}

fn fiber_words(place: &Place) -> String {
    let from_b = place.from_b_m.map_or(String::new(), |m| format!(", {m} m from end b"));
    format!("{} m of fibre from end a{from_b}", place.from_a_m)
}

/// `between pit 7 and pit 8, 41 ± 3 m past pit 7`.
pub fn route_words(route: &OnRoute) -> String {
    let after = &route.after;
    let between = match &route.before {
        Some(before) => format!("between {after} and {before}"),
        None => format!("beyond {after}"),
    };
    match route.past_m {
        Some(past) => {
            // Nobody digs by the decimetre; a sigma of less than a metre is shown as one.
            let sigma = past.sigma.max(1.0);
            format!("{between}, {:.0} ± {sigma:.0} m past {after}", past.value)
        }
        None => format!("in the loops at {after}"),
    }
}

const COLUMNS: [Column; 6] = [
    ("from m", Align::Right),
    ("nm", Align::Right),
    ("loss dB", Align::Right),
    ("allowed dB", Align::Right),
    ("too much dB", Align::Right),
    ("part", Align::Left),
];

/// A row for each wavelength; the first one names the part.
fn part_rows(part: &Part, linearity: f64) -> Vec<Vec<String>> {
    let name = match part.kind {
        PartKind::Stretch if part.name.chars().count() > 16 => "fibre".to_owned(),
        _ => escape::terminal(&part.name),
    };
    let mut rows: Vec<Vec<String>> = Vec::new();
    for figure in &part.figures {
        let more = figure.loss_db.zip(figure.allowed_db).map(|(l, a)| l.value - a.value);
        let loss = figure.loss_db.map(|m| grade::with_linearity(m, linearity));
        rows.push(vec![
            String::new(),
            figure.wavelength_nm.to_string(),
            loss.map_or(String::new(), |m| table::close(&m.to_string())),
            table::figure(figure.allowed_db.map(|a| a.value), 3),
            table::figure(more.filter(|m| *m > 0.0005), 3),
            String::new(),
        ]);
    }
    if rows.is_empty() {
        rows.push(vec![String::new(); COLUMNS.len()]);
    }
    rows[0][0] = format!("{:.1}", part.from_m);
    rows[0][COLUMNS.len() - 1] = name;
    rows
}

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    caution: &'static str,
    links: Vec<LinkData<'a>>,
}

#[derive(Serialize)]
struct LinkData<'a> {
    fiber: Option<u32>,
    reference: &'static str,
    files: Vec<String>,
    wholes: Vec<WholeData>,
    excesses: Vec<ExcessData<'a>>,
    parts: Vec<PartData<'a>>,
    splitter_m: Option<f64>,
    unseen: &'a [String],
    open: &'a [String],
    decides: Vec<DecidesData<'a>>,
    faults: Vec<FaultData<'a>>,
    notes: &'a [String],
}

#[derive(Serialize)]
struct DecidesData<'a> {
    /// The name of the place to stand at.
    place: &'a str,
    does: &'a str,
}

#[derive(Serialize)]
struct FaultData<'a> {
    kind: &'static str,
    r#where: Option<&'a str>,
    at_m: Option<f64>,
    says: &'a str,
    next: &'a str,
}

#[derive(Serialize)]
struct WholeData {
    wavelength_nm: u16,
    loss_db: f64,
    loss_sigma_db: f64,
    is_complete: bool,
    allowed_db: Option<f64>,
}

#[derive(Serialize)]
struct ExcessData<'a> {
    rank: usize,
    part: &'a str,
    wavelength_nm: Option<u16>,
    too_much_db: Option<f64>,
    too_much_sigma_db: Option<f64>,
    place: PlaceData<'a>,
    causes: Vec<CauseData<'a>>,
    first: &'a str,
}

#[derive(Serialize)]
struct CauseData<'a> {
    kind: &'static str,
    what: &'a str,
    evidence: &'a str,
}

#[derive(Serialize)]
struct PlaceData<'a> {
    from_a_m: f64,
    from_a_sigma_m: f64,
    from_b_m: Option<f64>,
    from_b_sigma_m: Option<f64>,
    sheath_m: f64,
    sheath_sigma_m: f64,
    after: Option<&'a str>,
    before: Option<&'a str>,
    past_m: Option<f64>,
    past_sigma_m: Option<f64>,
    latitude: Option<f64>,
    longitude: Option<f64>,
}

#[derive(Serialize)]
struct PartData<'a> {
    name: &'a str,
    from_m: f64,
    to_m: f64,
    figures: Vec<FigureData>,
    reflectance_db: Option<f64>,
    reflectance_before_db: Option<f64>,
}

#[derive(Serialize)]
struct FigureData {
    wavelength_nm: u16,
    loss_db: Option<f64>,
    loss_sigma_db: Option<f64>,
    allowed_db: Option<f64>,
}

/// The document `strandline.diagnosis/1`: a link for each fibre, with its number where known.
///
/// # Errors
/// Never in practice: the document has no keys that JSON could not hold.
pub fn json(links: &[(Option<u32>, Diagnosis)]) -> Result<String, serde_json::Error> {
    let links = links.iter().map(|(fiber, d)| link(*fiber, d)).collect();
    let document = Document { schema: "strandline.diagnosis/1", caution: CAUTION, links };
    Ok(escape::json(serde_json::to_string_pretty(&document)?) + "\n")
}

fn link(fiber: Option<u32>, diagnosis: &Diagnosis) -> LinkData<'_> {
    LinkData {
        fiber,
        reference: match diagnosis.reference {
            Reference::Plan => "plan",
            Reference::Baseline => "baseline",
            Reference::Preset => "preset",
        },
        files: diagnosis.files.iter().map(|f| f.to_string_lossy().into_owned()).collect(),
        wholes: diagnosis
            .wholes
            .iter()
            .map(|w| WholeData {
                wavelength_nm: w.wavelength_nm,
                loss_db: rounded(w.loss_db.value),
                loss_sigma_db: rounded(w.loss_db.sigma),
                is_complete: w.is_complete,
                allowed_db: w.allowed_db.map(rounded),
            })
            .collect(),
        excesses: diagnosis.excesses.iter().enumerate().map(excess_data).collect(),
        parts: diagnosis.parts.iter().map(part_data).collect(),
        splitter_m: diagnosis.splitter_m.map(rounded),
        unseen: &diagnosis.unseen,
        open: &diagnosis.open,
        decides: diagnosis.decides.iter().map(decides).collect(),
        faults: diagnosis.faults.iter().map(fault).collect(),
        notes: &diagnosis.notes,
    }
}

fn decides(task: &Task) -> DecidesData<'_> {
    DecidesData { place: &task.place, does: &task.does }
}

fn fault(found: &Finding) -> FaultData<'_> {
    FaultData {
        kind: found.kind,
        r#where: found.place.as_deref(),
        at_m: found.at_m.map(rounded),
        says: &found.says,
        next: &found.next,
    }
}

fn excess_data((i, excess): (usize, &Excess)) -> ExcessData<'_> {
    let causes = excess.causes.iter();
    ExcessData {
        rank: i + 1,
        part: &excess.part.name,
        wavelength_nm: excess.wavelength_nm,
        too_much_db: value(excess.too_much_db),
        too_much_sigma_db: sigma(excess.too_much_db),
        place: place_data(&excess.place),
        causes: causes
            .map(|c| CauseData { kind: c.kind, what: &c.what, evidence: &c.evidence })
            .collect(),
        first: &excess.first,
    }
}

fn place_data(place: &Place) -> PlaceData<'_> {
    let route = place.route.as_ref();
    let on_map = route.and_then(|r| r.latitude_longitude);
    let past = route.and_then(|r| r.past_m);
    PlaceData {
        from_a_m: rounded(place.from_a_m.value),
        from_a_sigma_m: rounded(place.from_a_m.sigma),
        from_b_m: value(place.from_b_m),
        from_b_sigma_m: sigma(place.from_b_m),
        sheath_m: rounded(place.sheath_m.value),
        sheath_sigma_m: rounded(place.sheath_m.sigma),
        after: route.map(|r| r.after.as_str()),
        before: route.and_then(|r| r.before.as_deref()),
        past_m: value(past),
        past_sigma_m: sigma(past),
        latitude: on_map.map(|m| degrees(m.0)),
        longitude: on_map.map(|m| degrees(m.1)),
    }
}

/// A centimetre on the ground.
fn degrees(value: f64) -> f64 {
    (value * 1e7).round() / 1e7
}

fn part_data(part: &Part) -> PartData<'_> {
    PartData {
        name: &part.name,
        from_m: rounded(part.from_m),
        to_m: rounded(part.to_m),
        figures: part
            .figures
            .iter()
            .map(|f| FigureData {
                wavelength_nm: f.wavelength_nm,
                loss_db: value(f.loss_db),
                loss_sigma_db: sigma(f.loss_db),
                allowed_db: value(f.allowed_db),
            })
            .collect(),
        reflectance_db: value(part.reflectance_db),
        reflectance_before_db: value(part.reflectance_before_db),
    }
}

#[derive(Serialize)]
struct Collection<'a> {
    r#type: &'static str,
    /// A foreign member, as RFC 7946, section 6.1 allows.
    caution: &'static str,
    features: Vec<Feature<'a>>,
}

#[derive(Serialize)]
struct Feature<'a> {
    r#type: &'static str,
    geometry: Point,
    properties: Properties<'a>,
}

#[derive(Serialize)]
struct Point {
    r#type: &'static str,
    coordinates: [f64; 2],
}

#[derive(Serialize)]
struct Properties<'a> {
    fiber: Option<u32>,
    rank: usize,
    part: &'a str,
    wavelength_nm: Option<u16>,
    too_much_db: Option<f64>,
    likely: Option<&'a str>,
    route: Option<String>,
    sigma_m: Option<f64>,
    first: &'a str,
}

/// A point for each place that the plan's route puts on the map, as GeoJSON (RFC 7946: longitude
/// first), and how many places are on none.
///
/// # Errors
/// Never in practice: the document has no keys that JSON could not hold.
pub fn geojson(links: &[(Option<u32>, Diagnosis)]) -> Result<(String, usize), serde_json::Error> {
    let mut features = Vec::new();
    let mut nowhere = 0;
    for (fiber, diagnosis) in links {
        for (i, excess) in diagnosis.excesses.iter().enumerate() {
            let route = excess.place.route.as_ref();
            let Some((latitude, longitude)) = route.and_then(|r| r.latitude_longitude) else {
                nowhere += 1;
                continue;
            };
            let coordinates = [degrees(longitude), degrees(latitude)];
            features.push(Feature {
                r#type: "Feature",
                geometry: Point { r#type: "Point", coordinates },
                properties: Properties {
                    fiber: *fiber,
                    rank: i + 1,
                    part: &excess.part.name,
                    wavelength_nm: excess.wavelength_nm,
                    too_much_db: value(excess.too_much_db),
                    likely: excess.causes.first().map(|c| c.kind),
                    route: route.map(route_words),
                    sigma_m: sigma(route.and_then(|r| r.past_m)),
                    first: &excess.first,
                },
            });
        }
    }
    let collection = Collection { r#type: "FeatureCollection", caution: CAUTION, features };
    Ok((escape::json(serde_json::to_string_pretty(&collection)?) + "\n", nowhere))
}
