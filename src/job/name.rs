//! Who a trace says it is: by its labels, by its file's name where they are blank.

use std::path::Path;

use crate::plan::Plan;
use crate::trace::{Labels, Trace};

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
            direction: direction(labels, plan).or(named.direction),
            own_cable: labels.cable.is_blank()
                || labels.cable.text().eq_ignore_ascii_case(&plan.cable.id),
        }
    }
}

/// The last run of digits in a label, as fibres are labelled 7, 007, F07. `None` where there is none,
/// or where it is no count from 1.
pub fn number(text: &str) -> Option<u32> {
    crate::plan::fiber_number(text)
}

/// From which end, by the locations on the labels. `None` where they are not the plan's ends.
pub fn direction(labels: &Labels, plan: &Plan) -> Option<Direction> {
    let is_from_b = plan.is_from_end_b(&labels.from.text(), &labels.to.text())?;
    Some(if is_from_b { Direction::BToA } else { Direction::AToB })
}

/// What a file's name says, by the plan's pattern: a fall-back for blank labels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Named {
    /// Whether it names the plan's cable; `None` where it names none.
    pub own_cable: Option<bool>,
    /// Fibre number.
    pub fiber: Option<u32>,
    /// From which end.
    pub direction: Option<Direction>,
}

/// How files are named where the plan does not say.
const USUAL_NAME: &str = "{cable}_{fiber}_{wavelength}_{direction}";

impl Named {
    /// Reads the name of `path` as far as it follows the pattern.
    pub fn of(path: &Path, plan: &Plan) -> Named {
        let pattern = plan.measure.file_name.as_deref().unwrap_or(USUAL_NAME);
        let stem = path.file_stem().map_or(String::new(), |s| s.to_string_lossy().into_owned());
        let mut named = Named::default();
        let (mut pattern, mut stem) = (pattern, stem.as_str());
        while let Some((literal, field, behind)) = first_field(pattern) {
            let Some(rest) = stem.strip_prefix(literal).filter(|rest| !rest.is_empty()) else {
                break;
            };
            let stop = behind.split('{').next().unwrap_or_default();
            let found = if stop.is_empty() { None } else { rest.find(stop) };
            // The cable's id may hold what stands between fields.
            let id = plan.cable.id.len();
            let is_cable = |end: usize| {
                rest.get(..end).is_some_and(|t| t.eq_ignore_ascii_case(&plan.cable.id))
            };
            let own = field == "cable" && id > 0 && is_cable(id);
            let (text, left) = rest.split_at(if own { id } else { found.unwrap_or(rest.len()) });
            match field {
                "cable" => named.own_cable = Some(own),
                "fiber" => named.fiber = number(text),
                "direction" => named.direction = direction_word(text),
                _ => {}
            }
            (pattern, stem) = (behind, left);
        }
        named
    }
}

/// The text before the first `{field}`, the field, and what follows.
fn first_field(pattern: &str) -> Option<(&str, &str, &str)> {
    let (literal, rest) = pattern.split_once('{')?;
    let (field, behind) = rest.split_once('}')?;
    Some((literal, field, behind))
}

fn direction_word(text: &str) -> Option<Direction> {
    match text.to_ascii_lowercase().as_str() {
        "ab" | "a-to-b" => Some(Direction::AToB),
        "ba" | "b-to-a" => Some(Direction::BToA),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan;

    #[test]
    fn a_file_name_says_what_the_plan_lets_it_say() {
        use Direction::{AToB, BToA};
        // cable id, pattern, name, own cable, fibre, direction
        let cases = [
            ("GS-04", None, "GS-04_003_1550_AB", Some(true), Some(3), Some(AToB)),
            ("GS_04", None, "gs_04_003_1550_b-to-a", Some(true), Some(3), Some(BToA)),
            ("GS-04", None, "XX-9_003_1550_AB", Some(false), Some(3), Some(AToB)),
            ("GS-04", None, "GS-04_F07", Some(true), Some(7), None),
            ("GS-04", Some("{fiber}{direction}"), "12", None, Some(12), None),
            ("GS-04", Some("f{fiber}-{direction}.{any}"), "f12-ba.9", None, Some(12), Some(BToA)),
            ("GS-04", Some("f{fiber}-{direction}"), "g12-ba", None, None, None),
            ("GS-04", None, "Ö_2\u{301}_é", Some(false), Some(2), None),
        ];
        for (id, pattern, name, own_cable, fiber, direction) in cases {
            let pattern = pattern.map_or(String::new(), |p| format!("file_name = {p:?}"));
            let text = format!(
                "schema = \"strandline.plan/1\"\n[cable]\nid = {id:?}\nfibers = \"1-12\"\n\
                 ends = [\"A\", \"B\"]\n[measure]\nwavelengths_nm = [1550]\n{pattern}\n"
            );
            let plan = plan::read(&text).expect("a plan");
            let named = Named::of(Path::new(&format!("x/{name}.sor")), &plan);
            assert_eq!(named, Named { own_cable, fiber, direction }, "{name}");
        }
    }
}
