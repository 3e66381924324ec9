//! Who a trace says it is: by its labels, by its file's name where they are blank.

use std::path::Path;

use crate::plan::Plan;
use crate::trace::Trace;

/// From which end a trace was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Direction {
    /// From end a.
    AToB,
    /// From end b.
    BToA,
}

impl Direction {
    /// Its word in the contract.
    pub fn word(self) -> &'static str {
        match self {
            Direction::AToB => "a-to-b",
            Direction::BToA => "b-to-a",
        }
    }
}

/// Which measurement of a plan a trace is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Identity {
    /// Fibre number by label, else by file name.
    pub fiber: Option<u32>,
    /// The planned wavelength it means, else its own.
    pub wavelength_nm: Option<u16>,
    /// From which end, by its locations, else by file name.
    pub direction: Option<Direction>,
    /// Whether the cable on its label is the plan's, or blank.
    pub own_cable: bool,
}

impl Identity {
    /// What labels, settings and name of a trace say.
    pub fn of(path: &Path, trace: &Trace, plan: &Plan) -> Identity {
        let named = Named::of(path, plan);
        let labels = &trace.labels;
        Identity {
            fiber: number(&labels.fiber.text()).or(named.fiber),
            wavelength_nm: trace
                .settings
                .wavelength_nm
                .map(|nm| plan.planned_wavelength_nm(nm).unwrap_or(nm.round() as u16)),
            direction: direction(trace, plan).or(named.direction),
            own_cable: labels.cable.is_blank()
                || labels.cable.text().eq_ignore_ascii_case(&plan.cable.id),
        }
    }
}

/// The last run of digits in a label, as fibres are labelled 7, 007, F07. `None` where there is none,
/// or where it is no count from 1.
pub fn number(text: &str) -> Option<u32> {
    let digits: Vec<&str> =
        text.split(|c: char| !c.is_ascii_digit()).filter(|d| !d.is_empty()).collect();
    digits.last().and_then(|d| d.parse().ok()).filter(|n| *n > 0)
}

/// From which end, by the locations on the labels. `None` where they are not the plan's ends.
fn direction(trace: &Trace, plan: &Plan) -> Option<Direction> {
    let same = |text: String, end: &str| !text.is_empty() && text.eq_ignore_ascii_case(end);
    let [a, b] = &plan.cable.ends;
    let (from, to) = (trace.labels.from.text(), trace.labels.to.text());
    if same(from.clone(), a) || same(to.clone(), b) {
        Some(Direction::AToB)
    } else if same(from, b) || same(to, a) {
        Some(Direction::BToA)
    } else {
        None
    }
}

/// What a file's name says, by the plan's pattern: a fall-back for blank labels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Named {
    /// Fibre number.
    pub fiber: Option<u32>,
    /// From which end.
    pub direction: Option<Direction>,
}

impl Named {
    /// Reads the name of `path`, or nothing where it does not follow the pattern.
    pub fn of(path: &Path, plan: &Plan) -> Named {
        let pattern =
            plan.measure.file_name.as_deref().unwrap_or("{cable}_{fiber}_{wavelength}_{direction}");
        let stem = path.file_stem().map_or(String::new(), |s| s.to_string_lossy().into_owned());
        let mut named = Named::default();
        for (field, part) in pattern.split('_').zip(stem.split('_')) {
            match field {
                "{fiber}" => named.fiber = number(part),
                "{direction}" => {
                    named.direction = match part.to_ascii_lowercase().as_str() {
                        "ab" | "a-to-b" => Some(Direction::AToB),
                        "ba" | "b-to-a" => Some(Direction::BToA),
                        _ => None,
                    };
                }
                _ => {}
            }
        }
        named
    }
}
