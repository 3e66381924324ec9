//! Power becomes counts, and a trace with its settings, labels and the instrument's own table.

use super::answer;
use super::light::Grid;
use super::path::{Path, PlaceKind};
use super::random::Random;
use super::scenario::{Direction, Kind, OwnTable, Recording, Scenario, Tags, Wavelength};
use crate::trace::{Instrument, Label, Labels, Listed, Scale, Settings, Stretch, Table, Trace};
use crate::units::{GroupIndex, LengthUnit, level_db};

/// One-way time in 1e-14 s of the unit that files count times in, 100 ps.
const UNIT_1E_14_S: f64 = 1e4;

/// Sample spacing in the file's unit, 1e-14 s.
pub(super) fn spacing_1e_14_s(wavelength: &Wavelength, index: GroupIndex) -> u32 {
    (index.seconds(wavelength.spacing_m) * 1e14).round().clamp(1.0, f64::from(u32::MAX)) as u32
}

/// Where the samples lie, from the integers of the file.
pub(super) fn grid(scenario: &Scenario, wavelength: &Wavelength, index: GroupIndex) -> Grid {
    let first_s = f64::from(scenario.recording.first_sample_100_ps) * 1e-10;
    Grid {
        first_m: index.metres(first_s),
        spacing_m: index.metres(f64::from(spacing_1e_14_s(wavelength, index)) * 1e-14),
        samples: wavelength.samples.max(1),
    }
}

/// The counts of `levels`, and which samples have which scale factor.
pub(super) fn counts(levels: &[f64], recording: &Recording) -> (Vec<u16>, Vec<Scale>) {
    let runs = recording.scales_micro_db.len().max(1);
    let mut counts = Vec::with_capacity(levels.len());
    let mut scales = Vec::new();
    for (i, micro_db) in recording.scales_micro_db.iter().enumerate() {
        let run = levels.len() * i / runs..levels.len() * (i + 1) / runs;
        if run.is_empty() {
            continue;
        }
        scales.push(Scale { samples: run.len(), count_micro_db: *micro_db });
        let per_db = 1e6 / f64::from((*micro_db).max(1));
        let most = recording.floor_db.map_or(65535.0, |floor| (floor * per_db).clamp(0.0, 65535.0));
        let count = |level: &f64| {
            let below = if *level > 0.0 {
                (recording.top_db - level_db(*level)) * per_db
            } else {
                f64::INFINITY
            };
            below.round().clamp(0.0, most.round()) as u16
        };
        counts.extend(levels[run].iter().map(count));
    }
    (counts, scales)
}

pub(super) struct Taken<'a> {
    pub scenario: &'a Scenario,
    pub wavelength: &'a Wavelength,
    pub direction: Direction,
    pub index: GroupIndex,
    pub path: &'a Path,
    /// Number of the trace among those of its scenario.
    pub number: usize,
    pub noise_seed: u64,
}

pub(super) fn trace(taken: &Taken<'_>, levels: &[f64]) -> Trace {
    let Taken { scenario, wavelength, index, path, .. } = taken;
    let (counts, scales) = counts(levels, &scenario.recording);
    let stated = scenario.stated_index.and_then(GroupIndex::new).unwrap_or(*index);
    let units_100_ps = |z_m: f64| (index.seconds(z_m) * 1e10).round() as i32;
    let launch_100_ps =
        if scenario.recording.state_launch { units_100_ps(path.launch_m) } else { 0 };
    let range_100_ps =
        f64::from(spacing_1e_14_s(wavelength, *index)) * counts.len() as f64 / UNIT_1E_14_S;
    Trace {
        stretches: vec![Stretch {
            samples: counts.len(),
            pulse_ns: wavelength.pulse_ns.max(1),
            spacing_1e_14_s: spacing_1e_14_s(wavelength, *index),
        }],
        counts,
        scales,
        settings: Settings {
            measured_at_unix_s: scenario
                .labels
                .measured_at_unix_s
                .map(|first| first.saturating_add(90 * taken.number as u32)),
            display_unit: Some(LengthUnit::Km),
            wavelength_nm: Some(wavelength.nm),
            index: stated,
            file_index: stated,
            first_sample_100_ps: scenario.recording.first_sample_100_ps,
            user_offset_100_ps: launch_100_ps,
            panel_offset_100_ps: 0,
            backscatter_db: Some((wavelength.backscatter_db * 10.0).round() / 10.0),
            averages: wavelength.averages,
            averaging_s: wavelength.averaging_s,
            range_100_ps: Some(range_100_ps.round().min(f64::from(i32::MAX)) as i32),
            noise_floor_db: None,
            loss_threshold_db: scenario.table.map(|table| table.threshold_db),
            reflectance_threshold_db: None,
            end_threshold_db: None,
        },
        labels: labels(&scenario.labels, taken.direction),
        instrument: Instrument {
            supplier: "invented by simulation".into(),
            mainframe: "LAMPLIGHT 4".into(),
            mainframe_serial: "0001".into(),
            module: format!("LL-{:.0}", wavelength.nm).as_str().into(),
            module_serial: "0002".into(),
            software: "1.0".into(),
            other: Label::default(),
        },
        table: scenario.table.map(|own| table(taken, &own)),
        notes: Vec::new(),
    }
}

fn labels(tags: &Tags, direction: Direction) -> Labels {
    let (from, to) = match direction {
        Direction::AToB => (&tags.a, &tags.b),
        Direction::BToA => (&tags.b, &tags.a),
    };
    Labels {
        cable: tags.cable.as_str().into(),
        fiber: tags.fiber.as_str().into(),
        fiber_type: tags.fiber_type,
        from: from.as_str().into(),
        to: to.as_str().into(),
        cable_code: Label::default(),
        plant_state: "BC".into(),
        operator: tags.operator.as_str().into(),
        comment: tags.comment.as_str().into(),
    }
}

/// What the instrument would list: the shown events, each a little off.
fn table(taken: &Taken<'_>, own: &OwnTable) -> Table {
    let mut random = Random::for_purpose(taken.noise_seed, 0x7461_626c_6500 + taken.number as u64);
    let path = taken.path;
    let mut rows = Vec::new();
    let mut loss_db = 0.0;
    for (place, loss, attenuation_db_per_km) in answer::shown(path) {
        let (off_m, off_db) =
            (random.normal() * own.position_sigma_m, random.normal() * own.loss_sigma_db);
        let seen_db = loss.map_or(0.0, |loss| loss + off_db);
        loss_db += loss.unwrap_or(0.0);
        let is_end = matches!(place.kind, PlaceKind::End | PlaceKind::Joint(Kind::Break));
        if !is_end && place.reflectance_db.is_none() && seen_db.abs() < own.threshold_db {
            continue;
        }
        let code = match (place.reflectance_db.is_some(), is_end) {
            (true, true) => "1E9999",
            (true, false) => "1F9999",
            (false, true) => "0E9999",
            (false, false) => "0F9999",
        };
        rows.push(Listed {
            number: i16::try_from(rows.len() + 1).unwrap_or(i16::MAX),
            time_100_ps: (taken.index.seconds(place.position_m + off_m) * 1e10).round() as i32,
            attenuation_db_per_km: (attenuation_db_per_km * 1e3).round() / 1e3,
            loss_db: (seen_db * 1e3).round() / 1e3,
            reflectance_db: place.reflectance_db.map(|value| (value * 1e3).round() / 1e3),
            code: code.into(),
            method: "LS".into(),
            comment: Label::default(),
        });
    }
    let glass: f64 =
        path.glass.iter().map(|g| g.attenuation_db_per_km * g.length_m() / 1000.0).sum();
    Table { rows, loss_db: Some(((loss_db + glass) * 1e3).round() / 1e3), orl_db: None }
}
