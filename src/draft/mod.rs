//! A plan drafted from a folder of traces: what they have in common, and what that leaves open.
//!
//! A draft is a guess, and says so line by line. It never sets a limit: traces show what a cable is,
//! not what was agreed.

mod cords;
mod joints;
mod labels;
mod text;

use std::path::PathBuf;

use rayon::prelude::*;

use crate::detect::{self, Cords};
use crate::event::Analysis;
use crate::job::Direction;
use crate::plan::{Directions, Measure, PerWavelength, Plan};
use crate::signal::order;
use crate::source;
use crate::trace::Labels;

/// A drafted plan.
#[derive(Debug)]
pub struct Draft {
    /// The plan.
    pub plan: Plan,
    /// Its file, with what was guessed as comments; reading it gives `plan`.
    pub text: String,
    /// Files that cannot be read, and why.
    pub unreadable: Vec<(PathBuf, String)>,
}

/// Why no plan could be drafted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DraftError {
    /// Nothing to draft from: each file, and why it cannot be read.
    #[error("none of the files is a trace that can be read")]
    NoTraces(Vec<(PathBuf, String)>),
    /// No fibre number anywhere.
    #[error("neither labels nor names say which fibre a trace is of, expected such as 007")]
    NoFibers,
    /// No wavelength anywhere.
    #[error("no trace says its wavelength")]
    NoWavelengths,
}

/// A trace, as far as a plan is concerned.
struct Sheet {
    path: PathBuf,
    labels: Labels,
    wavelength_nm: Option<u16>,
    pulse_ns: f64,
    pulse_m: f64,
    index: f64,
    averaging_s: Option<f64>,
    analysis: Analysis,
    /// Filled in from labels and name once the cable and its ends are known.
    fiber: Option<u32>,
    direction: Option<Direction>,
}

/// What was guessed, in words, for the place in the plan that it concerns.
#[derive(Default)]
struct Guesses {
    head: Vec<String>,
    cable: Vec<String>,
    measure: Vec<String>,
    /// One list a joint, in order.
    joints: Vec<Vec<String>>,
    /// After the joints, before the limits.
    limits: Vec<String>,
}

/// Drafts a plan. The order of files does not matter; several are read at a time, and `done` is
/// called after each.
///
/// # Errors
/// Where the traces do not even say which fibres they are of.
pub fn draft(
    mut files: Vec<PathBuf>,
    options: &source::Options,
    done: &(dyn Fn() + Sync),
) -> Result<Draft, DraftError> {
    files.sort();
    files.dedup();
    let read: Vec<Result<Sheet, (PathBuf, String)>> = files
        .into_par_iter()
        .map(|path| {
            let sheet = sheet(path, options);
            done();
            sheet
        })
        .collect();
    let (mut sheets, mut unreadable) = (Vec::new(), Vec::new());
    for one in read {
        match one {
            Ok(sheet) => sheets.push(sheet),
            Err(error) => unreadable.push(error),
        }
    }
    if sheets.is_empty() {
        return Err(DraftError::NoTraces(unreadable));
    }
    let mut guesses = Guesses::default();
    let mut plan = labels::plan(&mut sheets, &mut guesses)?;
    plan.measure = measure(&sheets, &mut guesses)?;
    let found = cords::find(&sheets, &mut guesses);
    (plan.measure.launch_m, plan.measure.tail_m) = (found.launch_m, found.tail_m);
    let frames = cords::frames(&sheets, &found);
    plan.cable.length_m = cords::length_m(&sheets, &frames, &mut guesses);
    if let Some(length_m) = plan.cable.length_m {
        plan.joints = joints::find(&sheets, &frames, length_m, &mut guesses);
    }
    text::head(&sheets, &unreadable, &mut guesses);
    let text = text::whole(&plan, &guesses);
    Ok(Draft { plan, text, unreadable })
}

fn sheet(path: PathBuf, options: &source::Options) -> Result<Sheet, (PathBuf, String)> {
    let trace = match source::read(&path, options) {
        Ok(trace) => trace,
        Err(error) => return Err((path, error.cause.to_string())),
    };
    let settings = &trace.settings;
    Ok(Sheet {
        wavelength_nm: settings.wavelength_nm.and_then(nominal_nm),
        pulse_ns: trace.pulse_ns(),
        pulse_m: trace.pulse_m(),
        index: settings.index.value(),
        averaging_s: settings.averaging_s,
        analysis: detect::events(&trace, &Cords::default()),
        labels: trace.labels,
        path,
        fiber: None,
        direction: None,
    })
}

/// Wavelengths that instruments are sold with, in nm. Common practice, no source.
const NOMINAL_NM: [u16; 11] = [850, 1300, 1310, 1383, 1490, 1550, 1577, 1610, 1625, 1650, 980];

/// The nominal wavelength that a laser's own means: within 15 nm, else its own in whole nm. `None`
/// where it is no wavelength of fibre.
fn nominal_nm(own_nm: f64) -> Option<u16> {
    let off = |nm: &u16| (f64::from(*nm) - own_nm).abs();
    let nearest = NOMINAL_NM.into_iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
    let own = (600.0..=2000.0).contains(&own_nm).then_some(own_nm.round() as u16)?;
    Some(if off(&nearest) <= 15.0 { nearest } else { own })
}

/// Wavelengths and directions; what else the traces agree on stands as a comment, for it is what was
/// done, not what was asked for.
fn measure(sheets: &[Sheet], guesses: &mut Guesses) -> Result<Measure, DraftError> {
    let mut wavelengths_nm: Vec<u16> = sheets.iter().filter_map(|s| s.wavelength_nm).collect();
    wavelengths_nm.sort_unstable();
    wavelengths_nm.dedup();
    if wavelengths_nm.is_empty() {
        return Err(DraftError::NoWavelengths);
    }
    let from = |direction| sheets.iter().filter(|s| s.direction == Some(direction)).count();
    let (a, b) = (from(Direction::AToB), from(Direction::BToA));
    let directions = match (a, b) {
        (_, 0) => Directions::AToB,
        (0, _) => Directions::BToA,
        _ => Directions::Both,
    };
    let unknown = match sheets.len() - a - b {
        0 => String::new(),
        n => format!(", {n} from an end that neither labels nor names tell"),
    };
    guesses.measure.push(format!(
        "directions: {a} traces are from end a, {b} from end b{unknown}; say what is asked for"
    ));
    let mut agree = |what: &str, mut values: Vec<String>| {
        values.sort_unstable();
        values.dedup();
        if let [one] = values.as_slice() {
            guesses.measure.push(format!("all traces agree; ask for it by: {what} = {one}"));
        } else {
            guesses.measure.push(format!("{what} differs among the traces: {}", values.join(", ")));
        }
    };
    let each = |value: fn(&Sheet) -> String| sheets.iter().map(value).collect();
    agree("pulse_ns", each(|s| format!("{:.0}", s.pulse_ns)));
    agree("group_index", each(|s| format!("{:.5}", s.index)));
    if let Some(least) = sheets.iter().filter_map(|s| s.averaging_s).min_by(f64::total_cmp) {
        guesses.measure.push(format!(
            "no trace was averaged for less than {least:.0} s; ask for it by: min_averaging_s = {least:.0}"
        ));
    }
    Ok(Measure {
        wavelengths_nm,
        group_index: PerWavelength::new(),
        pulse_ns: None,
        min_averaging_s: None,
        directions,
        launch_m: None,
        tail_m: None,
        file_name: None,
    })
}

/// The middle one of some figures. `None` of none.
fn median(mut values: Vec<f64>) -> Option<f64> {
    order::median(&mut values)
}

fn rounded(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
