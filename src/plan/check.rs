//! Plan text to a plan: what is written, then whether it can be.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{
    Cable, Colors, Directions, Job, JointKind, Measure, PerWavelength, Plan, PlannedJoint,
    RoutePoint, Waiver, colors, limits,
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
    limits: limits::Written,
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
    fiber_colors: Option<Vec<String>>,
    tube_colors: Option<Vec<String>>,
    fibers_per_tube: Option<u32>,
}

#[derive(Deserialize, Default)]
#[serde(untagged, expecting = "expected a group index, or a table such as { 1310 = 1.4677 }")]
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
    let limits = limits::limits(written.limits, &at)?;
    let mut joints = written.joint;
    for (n, joint) in joints.iter().enumerate() {
        check_joint(joint, cable.length_m)
            .map_err(|(key, says)| nth(text, "[[joint]]", n, key, says))?;
        if joints[..n].iter().any(|other| other.name == joint.name) {
            let says = format!("a second joint has the name {:?}", joint.name);
            return Err(nth(text, "[[joint]]", n, "name", says));
        }
    }
    joints.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
    for pair in joints.windows(2) {
        if pair[1].at_m - pair[0].at_m < 1e-3 {
            let says = format!("joints {} and {} have one place", pair[0].name, pair[1].name);
            return Err(at("[[joint]]", says));
        }
    }
    let mut route = written.route;
    for (n, point) in route.iter().enumerate() {
        check_place(point).map_err(|(key, says)| nth(text, "[[route]]", n, key, says))?;
    }
    route.sort_by(|a, b| a.sheath_m.total_cmp(&b.sheath_m));
    for (n, waiver) in written.waiver.iter().enumerate() {
        check_waiver(waiver, &cable)
            .map_err(|(key, says)| nth(text, "[[waiver]]", n, key, says))?;
    }
    Ok(Plan { job: written.job, cable, measure, joints, route, waivers: written.waiver, limits })
}

/// What findings and waivers call the ends.
const END_NAMES: [&str; 2] = ["end a", "end b"];

/// The longest fibre and cord that are believed: no OTDR sees as far.
const LONGEST_M: f64 = 1e6;

/// The key that is wrong, and what is to be said.
type Wrong = (&'static str, String);

fn check_joint(joint: &PlannedJoint, length_m: Option<f64>) -> Result<(), Wrong> {
    let name = &joint.name;
    if name.trim().is_empty() {
        return Err(("name", "a joint has no name".into()));
    }
    if END_NAMES.contains(&name.trim().to_lowercase().as_str()) {
        return Err(("name", format!("a joint is called {name:?}, which is the name of an end")));
    }
    if !(joint.at_m > 0.0 && joint.at_m < length_m.unwrap_or(LONGEST_M)) {
        let at_m = joint.at_m;
        return Err((
            "at_m",
            format!("joint {name} is at {at_m} m, at or beyond an end of the cable"),
        ));
    }
    match (joint.kind, joint.ways) {
        (JointKind::Splitter, Some(ways)) if !(2..=MOST_WAYS).contains(&ways) => {
            Err(("ways", format!("splitter {name} has {ways} ways, expected 2 to {MOST_WAYS}")))
        }
        (JointKind::Splice | JointKind::Connector, Some(_)) => {
            Err(("ways", format!("joint {name} is no splitter and has ways")))
        }
        _ => Ok(()),
    }
}

fn check_place(point: &RoutePoint) -> Result<(), Wrong> {
    let name = &point.name;
    let within = |value: Option<f64>, most: f64| value.is_none_or(|v| v.abs() <= most);
    if !point.sheath_m.is_finite() {
        return Err(("sheath_m", format!("the sheath mark of {name} is {}", point.sheath_m)));
    }
    if !(point.slack_m.is_finite() && point.slack_m >= 0.0) {
        let says = format!("the slack at {name} is {} m, expected 0 or more", point.slack_m);
        return Err(("slack_m", says));
    }
    if !within(point.latitude, 90.0) {
        return Err(("latitude", format!("the latitude of {name} is not within 90 degrees")));
    }
    if !within(point.longitude, 180.0) {
        return Err(("longitude", format!("the longitude of {name} is not within 180 degrees")));
    }
    Ok(())
}

fn check_waiver(waiver: &Waiver, cable: &Cable) -> Result<(), Wrong> {
    if !cable.fibers.contains(&waiver.fiber) {
        return Err((
            "fiber",
            format!("a waiver is for fibre {}, which is not planned", waiver.fiber),
        ));
    }
    if waiver.reason.trim().is_empty() {
        return Err(("reason", "a waiver has no reason".into()));
    }
    Ok(())
}

/// Splitters end at 1:128: ITU-T G.984.1, from memory.
const MOST_WAYS: u32 = 128;

pub(super) type Locate<'a> = &'a dyn Fn(&str, String) -> PlanError;

pub(super) fn positive(
    key: &str,
    value: Option<f64>,
    at: Locate,
) -> Result<Option<f64>, PlanError> {
    match value {
        Some(v) if !(v.is_finite() && v > 0.0) => {
            Err(at(key, format!("{key} is {v}, expected more than 0")))
        }
        _ => Ok(value),
    }
}

fn length(key: &str, value: Option<f64>, at: Locate) -> Result<Option<f64>, PlanError> {
    match positive(key, value, at)? {
        Some(m) if m > LONGEST_M => {
            Err(at(key, format!("{key} is {m}, expected {LONGEST_M} m at most")))
        }
        length => Ok(length),
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
    let [a, b] = &written.ends;
    if !a.is_empty() && a.eq_ignore_ascii_case(b) {
        let says = format!("both ends are {a:?}, so no label tells from which end a trace is");
        return Err(at("ends", says));
    }
    let mut colors = Colors::default();
    for (key, names, own) in [
        ("fiber_colors", &written.fiber_colors, &mut colors.fibers),
        ("tube_colors", &written.tube_colors, &mut colors.tubes),
    ] {
        if let Some(names) = names {
            *own = colors::named(key, names).map_err(|says| at(key, says))?;
        }
    }
    if let Some(count) = written.fibers_per_tube {
        if count == 0 || count > MOST_FIBERS {
            let says = format!("fibers_per_tube is {count}, expected 1 to {MOST_FIBERS}");
            return Err(at("fibers_per_tube", says));
        }
        colors.fibers_per_tube = count;
    }
    Ok(Cable {
        fibers: fibers(&written.fibers).map_err(|says| at("fibers", says))?,
        id: written.id,
        fiber_type: written.fiber_type,
        ends: written.ends,
        length_m: length("length_m", written.length_m, at)?,
        fiber_per_sheath: ratio,
        colors,
    })
}

/// What glass fibre is used at, generously.
const WAVELENGTHS_NM: std::ops::RangeInclusive<u16> = 600..=2000;

/// Most fibres of one cable: a bound against slips such as "1-24000".
pub const MOST_FIBERS: u32 = 6912;

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
                    "fibers has {part:?}, expected numbers and ranges such as \"1-12, 15\", to {MOST_FIBERS} at most"
                ));
            }
        }
    }
    if numbers.is_empty() {
        return Err("fibers is empty, expected numbers and ranges such as \"1-12, 15\"".into());
    }
    Ok(numbers.into_iter().collect())
}

pub(super) fn table(
    key: &str,
    written: BTreeMap<String, f64>,
    at: Locate,
) -> Result<PerWavelength, PlanError> {
    let mut table = PerWavelength::new();
    for (wavelength, value) in written {
        let Some(nm) = wavelength.parse::<u16>().ok().filter(|nm| WAVELENGTHS_NM.contains(nm))
        else {
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
    let mut sorted = written.wavelengths_nm.clone();
    sorted.sort_unstable();
    if sorted.windows(2).any(|pair| pair[0] == pair[1])
        || sorted.iter().any(|nm| !WAVELENGTHS_NM.contains(nm))
    {
        let says = format!(
            "wavelengths_nm is {:?}, expected wavelengths of 600 to 2000 nm, each once",
            written.wavelengths_nm
        );
        return Err(at("wavelengths_nm", says));
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
    if let Some(name) = &written.file_name {
        check_name(name).map_err(|says| at("file_name", says))?;
    }
    Ok(Measure {
        wavelengths_nm: written.wavelengths_nm,
        group_index,
        pulse_ns: positive("pulse_ns", written.pulse_ns, at)?,
        min_averaging_s: positive("min_averaging_s", written.min_averaging_s, at)?,
        directions,
        launch_m: length("launch_m", written.launch_m, at)?,
        tail_m: length("tail_m", written.tail_m, at)?,
        file_name: written.file_name,
    })
}

/// What a pattern of file names knows; the last one stands for what is to be passed over.
const NAME_FIELDS: [&str; 5] = ["cable", "fiber", "wavelength", "direction", "any"];

fn check_name(pattern: &str) -> Result<(), String> {
    for part in pattern.split('{').skip(1) {
        let Some((field, _)) = part.split_once('}') else {
            return Err(format!("file_name is {pattern:?}, expected a }} behind each {{"));
        };
        if !NAME_FIELDS.contains(&field) {
            let known = NAME_FIELDS.map(|known| format!("{{{known}}}")).join(", ");
            let near = nearest(field, NAME_FIELDS)
                .map_or(String::new(), |near| format!("; did you mean {{{near}}}?"));
            return Err(format!("file_name has {{{field}}}, expected of {known}{near}"));
        }
    }
    Ok(())
}

/// An error where `key` first stands in the text, at the beginning otherwise.
fn located(text: &str, key: &str, says: String) -> PlanError {
    let found = text.lines().enumerate().find_map(|(i, line)| Some((i + 1, begins(line, key)?)));
    let (line, column) = found.unwrap_or((1, 1));
    PlanError { line, column, says }
}

/// An error at a key of the `n`th table (from 0) of a heading, at the heading where it lacks the key.
fn nth(text: &str, heading: &str, n: usize, key: &str, says: String) -> PlanError {
    let mut tables =
        text.lines().enumerate().skip_while(|(_, line)| begins(line, heading).is_none());
    let mut heads = text.lines().enumerate().filter(|(_, line)| begins(line, heading).is_some());
    let Some((first, _)) = heads.nth(n) else { return located(text, heading, says) };
    let place = tables
        .by_ref()
        .skip_while(|(i, _)| *i <= first)
        .take_while(|(_, line)| !line.trim_start().starts_with('['))
        .find_map(|(i, line)| Some((i + 1, begins(line, key)?)));
    let (line, column) = place.unwrap_or((first + 1, 1));
    PlanError { line, column, says }
}

/// Column, counted from 1, of a key that a line begins with.
fn begins(line: &str, key: &str) -> Option<usize> {
    let rest = line.trim_start().strip_prefix(key)?;
    (rest.is_empty() || !rest.starts_with(|c: char| c.is_alphanumeric() || c == '_'))
        .then(|| line.chars().take_while(|c| c.is_whitespace()).count() + 1)
}

fn from_toml(text: &str, error: &toml::de::Error) -> PlanError {
    let byte = error.span().map_or(0, |span| span.start).min(text.len());
    let before = text.get(..byte).unwrap_or("");
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    let mut says = error.message().trim().replace('\n', " ");
    // serde speaks of types, a plan's writer does not
    for (own, plain) in [
        (
            "missing field `schema`",
            "missing field `schema`, expected schema = \"strandline.plan/1\"",
        ),
        ("expected f64", "expected a number"),
        ("expected u16", "expected a whole number"),
        ("expected u32", "expected a whole number"),
        ("expected an array of length 2", "expected the names of end a and end b"),
    ] {
        says = says.replace(own, plain);
    }
    let is_digit = |c: char| c.is_ascii_digit();
    if before.ends_with(is_digit) && text[before.len()..].starts_with(',') {
        says = String::from("a figure has a decimal point, no comma");
    }
    if says == "duplicate key" {
        let is_key = |c: &char| c.is_alphanumeric() || matches!(c, '_' | '-');
        let key: String = text[before.len()..].chars().take_while(is_key).collect();
        says = format!("{key} stands here a second time; put both into one");
    }
    if let Some(near) = nearest_field(&says) {
        says = format!("{says}; did you mean {near}?");
    }
    PlanError { line, column, says }
}

/// Of serde's "unknown field `x`, expected one of `a`, `b`" the known field nearest to the unknown; the
/// same of a word that is no kind of joint.
fn nearest_field(says: &str) -> Option<String> {
    let behind =
        says.strip_prefix("unknown field").or_else(|| says.strip_prefix("unknown variant"))?;
    let mut names = behind.split('`').skip(1).step_by(2);
    let unknown = names.next()?;
    nearest(unknown, names).map(str::to_owned)
}

/// The known word that a slip may have meant.
pub(super) fn nearest<'a>(
    unknown: &str,
    known: impl IntoIterator<Item = &'a str>,
) -> Option<&'a str> {
    let off = |known: &&str| distance(unknown, known);
    known.into_iter().min_by_key(off).filter(|known| off(known) <= 3)
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
