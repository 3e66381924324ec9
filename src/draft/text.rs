//! The draft as the text of a plan file, with what was guessed as comments.

use std::path::PathBuf;

use super::{Guesses, Sheet};
use crate::plan::{self, Plan};
use crate::report::{escape, table};

/// What stands at the top and above the limits.
pub(super) fn head(sheets: &[Sheet], unreadable: &[(PathBuf, String)], guesses: &mut Guesses) {
    guesses.head.push(format!(
        "Drafted from {} {}. Lines that begin with # say what was guessed: check each, then take them out.",
        sheets.len(),
        if sheets.len() == 1 { "trace" } else { "traces" }
    ));
    if !unreadable.is_empty() {
        guesses.head.push(format!("{} more files could not be read.", unreadable.len()));
    }
    let traces = sheets.iter().map(|s| (s.wavelength_nm.map(f64::from), s.labels.fiber_type));
    let preset = plan::usual_preset(traces);
    guesses.limits.push(
        "no limits yet: traces show what a cable is, not what was agreed, and nothing is judged until they are filled in here"
            .into(),
    );
    guesses.limits.push(format!(
        "the contract's come first; where it is silent, a preset from open standards may help to begin: preset = \"{preset}\""
    ));
    guesses.limits.push(
        "such as: splice_db, connector_db, reflectance_db, attenuation_db_per_km, link_loss_db"
            .into(),
    );
    guesses.limits.push(
        "confidence, one_way_db, linearity_db_per_db and backscatter_sigma_db are no limits but how verdicts are reached"
            .into(),
    );
}

/// The plan's text with comments above the tables that they concern. Reading it gives the plan.
pub(super) fn whole(plan: &Plan, guesses: &Guesses) -> String {
    let bare = plan::write(plan);
    let mut joints = guesses.joints.iter();
    let mut text = comment(&guesses.head);
    for line in bare.lines() {
        text.push_str(&match line {
            "[cable]" => comment(&guesses.cable),
            "[measure]" => comment(&guesses.measure),
            "[[joint]]" => joints.next().map_or(String::new(), |own| comment(own)),
            "[limits]" => comment(&guesses.limits),
            _ => String::new(),
        });
        text.push_str(line);
        text.push('\n');
    }
    // A label may hold a line that looks like a heading.
    if plan::read(&text).as_ref() == Ok(plan) {
        return text;
    }
    let all = [&guesses.head, &guesses.cable, &guesses.measure, &guesses.limits];
    all.iter().map(|own| comment(own)).collect::<String>() + &bare
}

/// Of a remark: with its mark it fits the narrowest usual terminal, 80 columns.
const WIDTH: usize = 76;

fn comment(lines: &[String]) -> String {
    let mut text = String::new();
    for line in lines {
        // The first line of a remark begins it, what follows stands in.
        for (i, part) in table::wrap(&escape::terminal(line), WIDTH).iter().enumerate() {
            text.push_str(if i == 0 { "# " } else { "#   " });
            text.push_str(part);
            text.push('\n');
        }
    }
    text
}
