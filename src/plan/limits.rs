//! The table `[limits]`: what is written, then whether it can be.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::check::{Locate, PlanError, nearest, positive, table};
use super::{Limits, LinkLimit, PRESETS, Part, Preset};

#[derive(Deserialize)]
#[serde(untagged, expecting = "expected \"from parts\" or a table such as { 1310 = 6.0 }")]
enum Link {
    Words(String),
    Each(BTreeMap<String, f64>),
}

#[derive(Deserialize)]
#[serde(untagged, expecting = "expected a preset's name, or a list of names")]
enum Names {
    One(String),
    Several(Vec<String>),
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Written {
    preset: Option<Names>,
    splice_db: Option<f64>,
    splice_mean_db: Option<f64>,
    connector_db: Option<f64>,
    splitter_db: Option<f64>,
    reflectance_db: Option<f64>,
    attenuation_db_per_km: BTreeMap<String, f64>,
    link_loss_db: Option<Link>,
    min_link_loss_db: BTreeMap<String, f64>,
    max_length_m: Option<f64>,
    orl_db: Option<f64>,
    confidence: Option<f64>,
    one_way_db: Option<f64>,
    linearity_db_per_db: Option<f64>,
    backscatter_sigma_db: Option<f64>,
}

/// Common practice, no source: what unequal fibres do to a splice read from one end.
const ONE_WAY_DB: f64 = 0.05;
/// From memory of IEC 61746-1: linearity of an OTDR's level scale.
const LINEARITY_DB_PER_DB: f64 = 0.03;
/// The backscatter coefficient that a file states is its instrument's setting, no measurement. Data
/// sheets of one kind of fibre lie between -77 and -80 dB at 1310 nm (E10 and trap 9 of the tests'
/// reference values): rectangular, 3/√12 dB.
const BACKSCATTER_SIGMA_DB: f64 = 0.87;
const CONFIDENCE: f64 = 0.95;

impl Limits {
    /// Limits of presets alone. Where two say the same, the later one counts.
    pub fn of_presets(presets: &[&'static Preset]) -> Limits {
        let one = |part| presets.iter().rev().find_map(|preset| preset.one(part));
        let each = |wavelength: fn(Part) -> Option<u16>| {
            presets.iter().flat_map(|preset| preset.each(wavelength)).collect::<BTreeMap<_, _>>()
        };
        let link = each(|part| match part {
            Part::LinkLoss(nm) => Some(nm),
            _ => None,
        });
        Limits {
            splice_db: one(Part::Splice),
            splice_mean_db: one(Part::SpliceMean),
            connector_db: one(Part::Connector),
            splitter_db: None,
            reflectance_db: one(Part::Reflectance),
            attenuation_db_per_km: each(|part| match part {
                Part::Attenuation(nm) => Some(nm),
                _ => None,
            }),
            link_loss_db: (!link.is_empty()).then_some(LinkLimit::PerWavelength(link)),
            min_link_loss_db: each(|part| match part {
                Part::MinLinkLoss(nm) => Some(nm),
                _ => None,
            }),
            max_length_m: one(Part::Length),
            orl_db: None,
            confidence: CONFIDENCE,
            one_way_db: ONE_WAY_DB,
            linearity_db_per_db: LINEARITY_DB_PER_DB,
            backscatter_sigma_db: BACKSCATTER_SIGMA_DB,
            presets: presets.to_vec(),
        }
    }
}

/// Limits as written, over those of the presets they name.
pub(super) fn limits(written: Written, at: Locate) -> Result<Limits, PlanError> {
    let mut limits = Limits::of_presets(&presets(written.preset.as_ref(), at)?);
    let least_from =
        if written.min_link_loss_db.is_empty() { "preset" } else { "min_link_loss_db" };
    let confidence = written.confidence.unwrap_or(CONFIDENCE);
    if !(confidence > 0.5 && confidence < 1.0) {
        return Err(at(
            "confidence",
            format!("confidence is {confidence}, expected more than 0.5 and less than 1"),
        ));
    }
    limits.confidence = confidence;
    if let Some(r) = written.reflectance_db.filter(|r| !(r.is_finite() && *r < 0.0)) {
        return Err(at("reflectance_db", format!("reflectance_db is {r}, expected less than 0")));
    }
    limits.reflectance_db = written.reflectance_db.or(limits.reflectance_db);
    for (key, value, own) in [
        ("splice_db", written.splice_db, &mut limits.splice_db),
        ("splice_mean_db", written.splice_mean_db, &mut limits.splice_mean_db),
        ("connector_db", written.connector_db, &mut limits.connector_db),
        ("splitter_db", written.splitter_db, &mut limits.splitter_db),
        ("max_length_m", written.max_length_m, &mut limits.max_length_m),
        ("orl_db", written.orl_db, &mut limits.orl_db),
    ] {
        *own = positive(key, value, at)?.or(*own);
    }
    for (key, value, own) in [
        ("one_way_db", written.one_way_db, &mut limits.one_way_db),
        ("linearity_db_per_db", written.linearity_db_per_db, &mut limits.linearity_db_per_db),
        ("backscatter_sigma_db", written.backscatter_sigma_db, &mut limits.backscatter_sigma_db),
    ] {
        *own = positive(key, value, at)?.unwrap_or(*own);
    }
    for (key, value, own) in [
        ("attenuation_db_per_km", written.attenuation_db_per_km, &mut limits.attenuation_db_per_km),
        ("min_link_loss_db", written.min_link_loss_db, &mut limits.min_link_loss_db),
    ] {
        own.extend(table(key, value, at)?);
    }
    limits.link_loss_db = match (written.link_loss_db, limits.link_loss_db) {
        (None, base) => base,
        (Some(Link::Words(words)), _) if words == "from parts" => Some(LinkLimit::FromParts),
        (Some(Link::Words(words)), _) => {
            let says = format!("link_loss_db is {words:?}, expected \"from parts\" or a table");
            return Err(at("link_loss_db", says));
        }
        (Some(Link::Each(each)), base) => {
            let mut own = match base {
                Some(LinkLimit::PerWavelength(own)) => own,
                _ => BTreeMap::new(),
            };
            own.extend(table("link_loss_db", each, at)?);
            Some(LinkLimit::PerWavelength(own))
        }
    };
    least_below_most(&limits, least_from, at)?;
    Ok(limits)
}

fn presets(names: Option<&Names>, at: Locate) -> Result<Vec<&'static Preset>, PlanError> {
    let names = match names {
        None => &[],
        Some(Names::One(name)) => std::slice::from_ref(name),
        Some(Names::Several(names)) => names.as_slice(),
    };
    let known = |name: &String| {
        Preset::named(name).ok_or_else(|| {
            let known: Vec<&str> = PRESETS.iter().map(|p| p.name).collect();
            let near = nearest(name, known.iter().copied())
                .map_or(String::new(), |near| format!("; did you mean {near}?"));
            at("preset", format!("preset is {name:?}, expected one of: {}{near}", known.join(", ")))
        })
    };
    names.iter().map(known).collect()
}

fn least_below_most(limits: &Limits, key: &str, at: Locate) -> Result<(), PlanError> {
    let Some(LinkLimit::PerWavelength(most)) = &limits.link_loss_db else { return Ok(()) };
    for (nm, least) in &limits.min_link_loss_db {
        if let Some(most) = most.get(nm).filter(|most| *most <= least) {
            let says =
                format!("min_link_loss_db at {nm} nm is {least}, not below link_loss_db, {most}");
            return Err(at(key, says));
        }
    }
    Ok(())
}
