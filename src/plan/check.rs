//! Plan text to a plan: what is written, then whether it can be.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::preset::{self, Preset};
use super::{
    Cable, Directions, Job, Limits, LinkLimit, Measure, PerWavelength, Plan, PlannedJoint,
    RoutePoint, Waiver,
};

/// Why a plan cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {says}")]
pub struct PlanError {
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1, in characters.
    pub column: usize,
    /// What was found, and what was expected.
    pub says: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    schema: String,
    #[serde(default)]
    job: Job,
    cable: WrittenCable,
    #[serde(default)]
    measure: WrittenMeasure,
    #[serde(default)]
    joint: Vec<PlannedJoint>,
    #[serde(default)]
    route: Vec<RoutePoint>,
    #[serde(default)]
    waiver: Vec<Waiver>,
    #[serde(default)]
    limits: WrittenLimits,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenCable {
    id: String,
    fibers: String,
    #[serde(default)]
    fiber_type: String,
    ends: [String; 2],
    length_m: Option<f64>,
    fiber_per_sheath: Option<f64>,
}

#[derive(Deserialize, Default)]
#[serde(untagged)]
enum Index {
    One(f64),
    Each(BTreeMap<String, f64>),
    #[default]
    Unsaid,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct WrittenMeasure {
    wavelengths_nm: Vec<u16>,
    group_index: Index,
    pulse_ns: Option<f64>,
    min_averaging_s: Option<f64>,
    directions: Option<String>,
    launch_m: Option<f64>,
    tail_m: Option<f64>,
    file_name: Option<String>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Link {
    Words(String),
    Each(BTreeMap<String, f64>),
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct WrittenLimits {
    preset: Option<String>,
    splice_db: Option<f64>,
    splice_mean_db: Option<f64>,
    connector_db: Option<f64>,
    splitter_db: Option<f64>,
    reflectance_db: Option<f64>,
    attenuation_db_per_km: BTreeMap<String, f64>,
    link_loss_db: Option<Link>,
    orl_db: Option<f64>,
    confidence: Option<f64>,
    one_way_db: Option<f64>,
    linearity_db_per_db: Option<f64>,
}

/// Common practice, no source: what unequal fibres do to a splice read from one end.
const ONE_WAY_DB: f64 = 0.05;
/// From memory of IEC 61746-1: linearity of an OTDR's level scale.
const LINEARITY_DB_PER_DB: f64 = 0.03;
const CONFIDENCE: f64 = 0.95;

/// Reads and checks a plan.
pub(super) fn plan(text: &str) -> Result<Plan, PlanError> {
    let written: Written = toml::from_str(text).map_err(|error| from_toml(text, &error))?;
    let at = |key: &str, says: String| located(text, key, says);
    if written.schema != "strandline.plan/1" {
        return Err(at(
            "schema",
            format!("schema is {:?}, expected \"strandline.plan/1\"", written.schema),
        ));
    }
    let cable = cable(written.cable, &at)?;
    let measure = measure(written.measure, &at)?;
    let limits = limits(written.limits, &at)?;
    let mut joints = written.joint;
    joints.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
    for joint in &joints {
        let end = cable.length_m.unwrap_or(f64::INFINITY);
        if !(joint.at_m > 0.0 && joint.at_m < end) {
            let place = format!("at_m = {}", joint.at_m);
            let says = format!(
                "joint {} is at {} m, at or beyond an end of the cable",
                joint.name, joint.at_m
            );
            return Err(located(text, &place, says));
        }
    }
    for pair in joints.windows(2) {
        if pair[0].name == pair[1].name || pair[1].at_m - pair[0].at_m < 1e-3 {
            let says =
                format!("joints {} and {} have one name or one place", pair[0].name, pair[1].name);
            return Err(at("[[joint]]", says));
        }
    }
    let mut route = written.route;
    route.sort_by(|a, b| a.sheath_m.total_cmp(&b.sheath_m));
    Ok(Plan { job: written.job, cable, measure, joints, route, waivers: written.waiver, limits })
}

type Locate<'a> = &'a dyn Fn(&str, String) -> PlanError;

fn positive(key: &str, value: Option<f64>, at: Locate) -> Result<Option<f64>, PlanError> {
    match value {
        Some(v) if !(v.is_finite() && v > 0.0) => {
            Err(at(key, format!("{key} is {v}, expected more than 0")))
        }
        _ => Ok(value),
    }
}

fn cable(written: WrittenCable, at: Locate) -> Result<Cable, PlanError> {
    let ratio = positive("fiber_per_sheath", written.fiber_per_sheath, at)?.unwrap_or(1.0);
    if !(0.9..=1.3).contains(&ratio) {
        return Err(at(
            "fiber_per_sheath",
            format!("fiber_per_sheath is {ratio}, expected 0.9 to 1.3"),
        ));
    }
    Ok(Cable {
        fibers: fibers(&written.fibers).map_err(|says| at("fibers", says))?,
        id: written.id,
        fiber_type: written.fiber_type,
        ends: written.ends,
        length_m: positive("length_m", written.length_m, at)?,
        fiber_per_sheath: ratio,
    })
}

/// Most fibres of one cable: a bound against slips such as "1-24000".
const MOST_FIBERS: u32 = 6912;

/// Numbers of a list of numbers and ranges, ascending, each once.
fn fibers(text: &str) -> Result<Vec<u32>, String> {
    let mut numbers = std::collections::BTreeSet::new();
    for part in text.split(',').map(str::trim).filter(|part| !part.is_empty()) {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let number =
            |text: &str| text.trim().parse::<u32>().ok().filter(|n| *n >= 1 && *n <= MOST_FIBERS);
        match (number(first), number(last)) {
            (Some(a), Some(b)) if a <= b => numbers.extend(a..=b),
            _ => {
                return Err(format!(
                    "fibers has {part:?}, expected numbers and ranges such as \"1-12, 15\""
                ));
            }
        }
    }
    if numbers.is_empty() {
        return Err("fibers is empty, expected numbers and ranges such as \"1-12, 15\"".into());
    }
    Ok(numbers.into_iter().collect())
}

fn table(
    key: &str,
    written: BTreeMap<String, f64>,
    at: Locate,
) -> Result<PerWavelength, PlanError> {
    let mut table = PerWavelength::new();
    for (wavelength, value) in written {
        let Some(nm) = wavelength.parse::<u16>().ok().filter(|nm| (600..=2000).contains(nm)) else {
            return Err(at(key, format!("{key} has {wavelength:?}, expected a wavelength in nm")));
        };
        if !(value.is_finite() && value > 0.0) {
            return Err(at(key, format!("{key} at {nm} nm is {value}, expected more than 0")));
        }
        table.insert(nm, value);
    }
    Ok(table)
}

fn measure(written: WrittenMeasure, at: Locate) -> Result<Measure, PlanError> {
    if written.wavelengths_nm.is_empty() {
        return Err(at(
            "[measure]",
            "wavelengths_nm is missing, expected such as [1310, 1550]".into(),
        ));
    }
    let group_index = match written.group_index {
        Index::Unsaid => PerWavelength::new(),
        Index::One(n) => written.wavelengths_nm.iter().map(|w| (*w, n)).collect(),
        Index::Each(each) => table("group_index", each, at)?,
    };
    if let Some(n) = group_index.values().find(|n| !(1.0..=2.0).contains(*n)) {
        return Err(at("group_index", format!("group_index is {n}, expected 1.0 to 2.0")));
    }
    let directions = match written.directions.as_deref() {
        None | Some("both") => Directions::Both,
        Some("a-to-b") => Directions::AToB,
        Some("b-to-a") => Directions::BToA,
        Some(other) => {
            let says =
                format!("directions is {other:?}, expected \"both\", \"a-to-b\" or \"b-to-a\"");
            return Err(at("directions", says));
        }
    };
    Ok(Measure {
        wavelengths_nm: written.wavelengths_nm,
        group_index,
        pulse_ns: positive("pulse_ns", written.pulse_ns, at)?,
        min_averaging_s: positive("min_averaging_s", written.min_averaging_s, at)?,
        directions,
        launch_m: positive("launch_m", written.launch_m, at)?,
        tail_m: positive("tail_m", written.tail_m, at)?,
        file_name: written.file_name,
    })
}

fn limits(written: WrittenLimits, at: Locate) -> Result<Limits, PlanError> {
    let preset: Option<&'static Preset> = match &written.preset {
        None => None,
        Some(name) => Some(preset::named(name).ok_or_else(|| {
            let known: Vec<&str> = preset::PRESETS.iter().map(|p| p.name).collect();
            at("preset", format!("preset is {name:?}, expected one of: {}", known.join(", ")))
        })?),
    };
    let confidence = written.confidence.unwrap_or(CONFIDENCE);
    if !(confidence > 0.5 && confidence < 1.0) {
        return Err(at(
            "confidence",
            format!("confidence is {confidence}, expected more than 0.5 and less than 1"),
        ));
    }
    if let Some(r) = written.reflectance_db.filter(|r| !(r.is_finite() && *r < 0.0)) {
        return Err(at("reflectance_db", format!("reflectance_db is {r}, expected less than 0")));
    }
    let mut attenuation = preset.map_or(PerWavelength::new(), Preset::attenuation);
    attenuation.extend(table("attenuation_db_per_km", written.attenuation_db_per_km, at)?);
    let link_loss_db = match written.link_loss_db {
        None => None,
        Some(Link::Words(words)) if words == "from parts" => Some(LinkLimit::FromParts),
        Some(Link::Words(words)) => {
            let says = format!("link_loss_db is {words:?}, expected \"from parts\" or a table");
            return Err(at("link_loss_db", says));
        }
        Some(Link::Each(each)) => Some(LinkLimit::PerWavelength(table("link_loss_db", each, at)?)),
    };
    let base = |value: fn(&Preset) -> Option<f64>| preset.and_then(value);
    Ok(Limits {
        splice_db: positive("splice_db", written.splice_db, at)?.or(base(|p| p.splice_db)),
        splice_mean_db: positive("splice_mean_db", written.splice_mean_db, at)?,
        connector_db: positive("connector_db", written.connector_db, at)?
            .or(base(|p| p.connector_db)),
        splitter_db: positive("splitter_db", written.splitter_db, at)?,
        reflectance_db: written.reflectance_db.or(base(|p| p.reflectance_db)),
        attenuation_db_per_km: attenuation,
        link_loss_db,
        orl_db: positive("orl_db", written.orl_db, at)?,
        confidence,
        one_way_db: positive("one_way_db", written.one_way_db, at)?.unwrap_or(ONE_WAY_DB),
        linearity_db_per_db: positive("linearity_db_per_db", written.linearity_db_per_db, at)?
            .unwrap_or(LINEARITY_DB_PER_DB),
        preset,
    })
}

/// An error where `key` first stands in the text, at the beginning otherwise.
fn located(text: &str, key: &str, says: String) -> PlanError {
    let begins = |line: &str| {
        let rest = line.trim_start().strip_prefix(key)?;
        (rest.is_empty() || !rest.starts_with(|c: char| c.is_alphanumeric() || c == '_'))
            .then(|| line.chars().take_while(|c| c.is_whitespace()).count() + 1)
    };
    let found =
        text.lines().enumerate().find_map(|(i, line)| begins(line).map(|column| (i + 1, column)));
    let (line, column) = found.unwrap_or((1, 1));
    PlanError { line, column, says }
}

fn from_toml(text: &str, error: &toml::de::Error) -> PlanError {
    let byte = error.span().map_or(0, |span| span.start).min(text.len());
    let before = text.get(..byte).unwrap_or("");
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    let mut says = error.message().trim().replace('\n', " ");
    if let Some(near) = nearest_field(&says) {
        says = format!("{says}; did you mean {near}?");
    }
    PlanError { line, column, says }
}

/// Of serde's "unknown field `x`, expected one of `a`, `b`" the known field nearest to the unknown.
fn nearest_field(says: &str) -> Option<String> {
    let mut names = says.strip_prefix("unknown field")?.split('`').skip(1).step_by(2);
    let unknown = names.next()?;
    names
        .min_by_key(|known| distance(unknown, known))
        .filter(|known| distance(unknown, known) <= 3)
        .map(str::to_owned)
}

/// Edits from one word to another. Source: Levenshtein 1966, in its textbook form.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, c) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, d) in b.iter().enumerate() {
            let next = (diagonal + usize::from(c != *d)).min(row[j] + 1).min(row[j + 1] + 1);
            diagonal = row[j + 1];
            row[j + 1] = next;
        }
    }
    row[b.len()]
}
