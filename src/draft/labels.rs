//! Cable, ends, fibres and directions, from labels and file names.

use std::collections::{BTreeMap, BTreeSet};

use super::{DraftError, Guesses, Sheet};
use crate::job::{self, Direction, Named};
use crate::plan::{self, Plan};

/// A plan with its cable; fills in each sheet's fibre and direction. Traces of other cables are taken
/// out of `sheets`.
pub(super) fn plan(sheets: &mut Vec<Sheet>, guesses: &mut Guesses) -> Result<Plan, DraftError> {
    let mut plan = empty();
    plan.cable.id = cable(sheets, guesses);
    plan.cable.ends = ends(sheets, &plan, guesses);
    for sheet in sheets.iter_mut() {
        let named = Named::of(&sheet.path, &plan);
        sheet.fiber = job::number(&sheet.labels.fiber.text()).or(named.fiber);
        sheet.direction = job::direction(&sheet.labels, &plan).or(named.direction);
    }
    let fibers: BTreeSet<u32> =
        sheets.iter().filter_map(|s| s.fiber).filter(|n| *n <= plan::MOST_FIBERS).collect();
    let (Some(first), Some(last)) = (fibers.first(), fibers.last()) else {
        return Err(DraftError::NoFibers);
    };
    let gaps: Vec<String> =
        (*first..=*last).filter(|n| !fibers.contains(n)).map(|n| n.to_string()).collect();
    guesses.cable.push(match gaps.as_slice() {
        [] => "fibres: those with a trace; add what was not measured yet".into(),
        gaps if gaps.len() > 20 => {
            format!("fibres: those with a trace; {} between have none", gaps.len())
        }
        gaps => format!("fibres: those with a trace; none of {}", gaps.join(", ")),
    });
    plan.cable.fibers = fibers.into_iter().collect();
    plan.cable.fiber_type = fiber_type(sheets);
    Ok(plan)
}

/// A plan that says nothing yet, with the reader's own defaults.
fn empty() -> Plan {
    let text = "schema = \"strandline.plan/1\"\n[cable]\nid = \"\"\nfibers = \"1\"\nends = [\"\", \"\"]\n[measure]\nwavelengths_nm = [1550]\n";
    plan::read(text).unwrap_or_else(|_| unreachable!())
}

/// Texts by how often they occur, the most frequent first, then in order of the alphabet. What
/// differs by case alone is one, in its first spelling.
fn ranked(texts: impl Iterator<Item = String>) -> Vec<(String, usize)> {
    let mut counts: BTreeMap<String, (String, usize)> = BTreeMap::new();
    for text in texts.filter(|text| !text.is_empty()) {
        counts.entry(text.to_lowercase()).or_insert_with(|| (text, 0)).1 += 1;
    }
    let mut ranked: Vec<(String, usize)> = counts.into_values().collect();
    ranked.sort_by_key(|(_, count)| std::cmp::Reverse(*count)); // stable: equal counts stay in order
    ranked
}

fn cable(sheets: &mut Vec<Sheet>, guesses: &mut Guesses) -> String {
    let ranked = ranked(sheets.iter().map(|s| s.labels.cable.text()));
    let Some(((id, count), others)) = ranked.split_first() else {
        guesses.cable.push("no trace names its cable: give the id that is on the labels".into());
        return "cable".into();
    };
    guesses.cable.push(format!("id: on the labels of {count} of {} traces", sheets.len()));
    if !others.is_empty() {
        let others: Vec<String> =
            others.iter().map(|(other, count)| format!("{other:?} ({count})")).collect();
        guesses.cable.push(format!("left out, labelled with other cables: {}", others.join(", ")));
    }
    sheets.retain(|s| s.labels.cable.is_blank() || s.labels.cable.text().eq_ignore_ascii_case(id));
    id.clone()
}

/// The two places that the labels name most often, end a first.
fn ends(sheets: &[Sheet], plan: &Plan, guesses: &mut Guesses) -> [String; 2] {
    let both = |s: &Sheet| [s.labels.from.text(), s.labels.to.text()];
    let ranked = ranked(sheets.iter().flat_map(both));
    let mut places = ranked.iter().map(|(place, _)| place.clone());
    let (Some(one), two) = (places.next(), places.next()) else {
        guesses
            .cable
            .push("no trace names a place: give both ends as they are on the labels".into());
        return ["end a".into(), "end b".into()];
    };
    let Some(two) = two else {
        guesses.cable.push("the labels name one place only: give the other end".into());
        return [one, "end b".into()];
    };
    let rest: Vec<String> = places.map(|place| format!("{place:?}")).collect();
    if !rest.is_empty() {
        guesses.cable.push(format!("other places on labels: {}", rest.join(", ")));
    }
    // Which of both is a: as the file names have it, else where most traces were taken.
    let is = |text: &str, place: &str| text.eq_ignore_ascii_case(place);
    let (mut by_name, mut by_count) = (0_i64, 0_i64);
    for sheet in sheets {
        let [from, to] = both(sheet);
        let vote = i64::from(is(&from, &one) || is(&to, &two))
            - i64::from(is(&from, &two) || is(&to, &one));
        by_count += vote;
        match Named::of(&sheet.path, plan).direction {
            Some(Direction::AToB) => by_name += vote,
            Some(Direction::BToA) => by_name -= vote,
            None => {}
        }
    }
    let (vote, why) = match by_name {
        0 => (by_count, "end a is where most traces were taken"),
        _ => (by_name, "which of both is end a follows the files' names"),
    };
    guesses.cable.push(format!("ends: from the labels; {why}"));
    match vote {
        0 => {
            let mut ends = [one, two];
            ends.sort();
            ends
        }
        1.. => [one, two],
        _ => [two, one],
    }
}

/// `G.652` where all labels agree on it; blank else.
fn fiber_type(sheets: &[Sheet]) -> String {
    let types: BTreeSet<i16> = sheets.iter().filter_map(|s| s.labels.fiber_type).collect();
    match types.first() {
        Some(one) if types.len() == 1 && (651..=657).contains(one) => format!("G.{one}"),
        _ => String::new(),
    }
}
