//! What a scenario may not say. Each check runs while its value is read, so that the reader knows
//! the place.

use std::fmt::Display;

use serde::{Deserialize, Deserializer, de::Error};

use super::scenario::{Figure, Scenario, Stretch};

/// Why a scenario cannot be used, and where that stands in it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {says}")]
pub struct ScenarioError {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What was found and what was expected.
    pub says: String,
}

impl ScenarioError {
    pub(super) fn from_toml(text: &str, error: &toml::de::Error) -> ScenarioError {
        let byte = error.span().map_or(0, |span| span.start);
        ScenarioError::at(text, byte, error.message())
    }

    fn at(text: &str, byte: usize, says: impl Display) -> ScenarioError {
        let before = text.get(..byte).unwrap_or(text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        ScenarioError {
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            says: says.to_string(),
        }
    }
}

/// What no single value shows. The place named is that of the table concerned.
pub(super) fn whole(scenario: &Scenario, text: &str) -> Result<(), ScenarioError> {
    let find = |header: &str, number: usize| {
        text.match_indices(header).nth(number).map_or(0, |(byte, _)| byte)
    };
    if scenario.schema != "strandline.scenario/1" {
        let says = format!("schema is {:?}, expected \"strandline.scenario/1\"", scenario.schema);
        return Err(ScenarioError::at(text, find("schema", 0), says));
    }
    if scenario.wavelengths.is_empty() {
        return Err(ScenarioError::at(text, 0, "no [[wavelength]]; a trace needs one"));
    }
    for (number, section) in scenario.sections.iter().enumerate() {
        let last = number + 1 == scenario.sections.len();
        let says = if last && section.then.is_some() {
            "the last section has `then`; how it ends is said by `end_b`"
        } else if !last && section.then.is_none() {
            "a section before the last needs `then`: what joins it to the next"
        } else if !attenuates(&section.attenuation_db_per_km) {
            "attenuation_db_per_km must be greater than 0, and at most 50"
        } else {
            continue;
        };
        return Err(ScenarioError::at(text, find("[[section]]", number), says));
    }
    Ok(())
}

fn attenuates(figure: &Figure) -> bool {
    let good = |value: f64| value > 0.0 && value <= 50.0;
    match figure {
        Figure::All(value) => good(*value),
        Figure::Each(values) => !values.is_empty() && values.values().all(|value| good(*value)),
    }
}

/// A number for which `good` holds.
fn number<'de, D: Deserializer<'de>>(
    reader: D,
    good: impl Fn(f64) -> bool,
    expected: &str,
) -> Result<f64, D::Error> {
    let value = f64::deserialize(reader)?;
    if value.is_finite() && good(value) {
        return Ok(value);
    }
    Err(D::Error::custom(format!("{value} found, expected {expected}")))
}

macro_rules! numbers {
    ($($name:ident: $good:expr, $expected:literal;)*) => {$(
        pub(super) fn $name<'de, D: Deserializer<'de>>(reader: D) -> Result<f64, D::Error> {
            number(reader, $good, $expected)
        }
    )*};
}

numbers! {
    finite: |_| true, "a finite number";
    positive: |v| v > 0.0 && v < 1e9, "a number greater than 0";
    negative: |v| (-200.0..0.0).contains(&v), "a negative number of dB";
    index: |v| (1.0..=2.0).contains(&v), "a group index from 1 to 2";
    wavelength: |v| (200.0..=3000.0).contains(&v), "a wavelength in nm from 200 to 3000";
    share: |v| (0.0..=0.3).contains(&v), "a share from 0 to 0.3";
    fraction: |v| (-0.2..=0.2).contains(&v), "a share from -0.2 to 0.2";
    pole: |v| v > 0.0 && v <= 1.0, "a length from above 0 to 1 pulse";
}

pub(super) fn some_finite<'de, D: Deserializer<'de>>(reader: D) -> Result<Option<f64>, D::Error> {
    finite(reader).map(Some)
}

pub(super) fn some_index<'de, D: Deserializer<'de>>(reader: D) -> Result<Option<f64>, D::Error> {
    index(reader).map(Some)
}

pub(super) fn some_reflectance<'de, D: Deserializer<'de>>(
    reader: D,
) -> Result<Option<f64>, D::Error> {
    number(reader, |v| (-120.0..=0.0).contains(&v), "a reflectance from -120 to 0 dB").map(Some)
}

pub(super) fn poles<'de, D: Deserializer<'de>>(reader: D) -> Result<usize, D::Error> {
    whole_number(reader, 0, 5)
}

pub(super) fn samples<'de, D: Deserializer<'de>>(reader: D) -> Result<usize, D::Error> {
    whole_number(reader, 16, 1_000_000)
}

fn whole_number<'de, D: Deserializer<'de>>(
    reader: D,
    least: usize,
    most: usize,
) -> Result<usize, D::Error> {
    let value = usize::deserialize(reader)?;
    if (least..=most).contains(&value) {
        return Ok(value);
    }
    Err(D::Error::custom(format!("{value} found, expected a whole number from {least} to {most}")))
}

pub(super) fn scales<'de, D: Deserializer<'de>>(reader: D) -> Result<Vec<u16>, D::Error> {
    let scales = Vec::<u16>::deserialize(reader)?;
    if scales.is_empty() || scales.contains(&0) {
        return Err(D::Error::custom("expected at least one scale factor, none of them 0"));
    }
    Ok(scales)
}

pub(super) fn not_empty<'de, D: Deserializer<'de>>(reader: D) -> Result<Vec<Stretch>, D::Error> {
    let sections = Vec::<Stretch>::deserialize(reader)?;
    if sections.is_empty() {
        return Err(D::Error::custom("expected at least one [[section]]"));
    }
    Ok(sections)
}
