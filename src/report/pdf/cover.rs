//! The first pages: what was measured, by what, against which limits, how sure, and the cautions.

use std::collections::BTreeMap;

use super::face::Weight;
use super::paper::{Cell, INK, INSIDE, Item, MARGIN, Paper, Role, Stand};
use super::{Source, counted};
use crate::plan::{self, LinkLimit, Part, Plan};
use crate::report::review::Document;

/// The full text on safety, the same as in the manual.
const SAFETY: &str = include_str!("../../../docs/safety.md");

pub(super) fn put(paper: &mut Paper, source: &Source, document: &Document) {
    paper.bookmark("Cover", false);
    let plan = source.plan;
    paper.y += 26.0;
    let (x, room) = (MARGIN, INSIDE);
    let title = Role::Heading(1, paper.faces.shown(&plan.cable.id));
    paper.part(title, |paper| {
        paper.text((x, paper.y), room, 24.0, Weight::Bold, &plan.cable.id);
    });
    paper.y += 22.0;
    let ends = format!("{} to {}", plan.cable.ends[0], plan.cable.ends[1]);
    paper.text((x, paper.y), room, 14.0, Weight::Regular, &ends);
    paper.y += 18.0;
    let what = "Record of optical time domain measurements";
    paper.text((x, paper.y), room, 10.0, Weight::Regular, what);
    paper.y += 14.0;
    answer(paper, source, document);
    job(paper, source, document);
    instruments(paper, document);
    limits(paper, plan);
    deviations(paper, source);
    method(paper, source);
    signatures(paper);
    safety(paper);
}

/// What came out, in words and counts.
fn answer(paper: &mut Paper, source: &Source, document: &Document) {
    let says = if source.review.is_clean() {
        "Everything that was planned is there and within its limits."
    } else {
        "There is something to object to."
    };
    paper.paragraph(says, 12.0, Weight::Bold, 0.0);
    let c = &document.counts;
    let counts = format!(
        "{} measurements planned, {} measured: {} passed, {} failed, {} undecided; {} missing, {} surplus, {} unreadable.",
        c.planned, c.measured, c.passed, c.failed, c.undecided, c.missing, c.surplus, c.unreadable
    );
    paper.paragraph(&counts, 9.0, Weight::Regular, 0.0);
    let mut by_verdict: BTreeMap<&str, Vec<u32>> = BTreeMap::new();
    for fiber in &document.fibers {
        by_verdict.entry(fiber.verdict).or_default().push(fiber.fiber);
    }
    for word in ["fail", "incomplete", "undecided", "pass"] {
        if let Some(fibers) = by_verdict.get(word) {
            let line = format!("{} {word}: {}", counted(fibers.len(), "fibre"), ranges(fibers));
            paper.paragraph(&line, 9.0, Weight::Regular, 10.0);
        }
    }
    for note in &document.notes {
        paper.paragraph(&format!("Note: {note}."), 9.0, Weight::Regular, 0.0);
    }
}

/// Numbers in a row as one: `1–4, 7`.
fn ranges(numbers: &[u32]) -> String {
    plan::ranges(numbers).replace('-', "–")
}

fn fact(paper: &mut Paper, key: &str, value: &str) {
    if value.trim().is_empty() {
        return;
    }
    let value = paper.faces.shown(value);
    let lines = paper.faces.wrap(&value, 9.0, Weight::Regular, INSIDE - 110.0);
    paper.part(Role::Paragraph, |paper| {
        for (n, line) in lines.into_iter().enumerate() {
            paper.need(12.5);
            paper.y += 12.5;
            if n == 0 {
                paper.text((MARGIN, paper.y), 105.0, 9.0, Weight::Bold, &format!("{key} "));
            }
            paper.text((MARGIN + 110.0, paper.y), INSIDE - 110.0, 9.0, Weight::Regular, &line);
        }
    });
}

fn job(paper: &mut Paper, source: &Source, document: &Document) {
    let plan = source.plan;
    paper.heading("Job and cable", 2, 11.0, 60.0);
    fact(paper, "job", &plan.job.name);
    fact(paper, "site", &plan.job.site);
    fact(paper, "operator", &plan.job.operator);
    fact(paper, "notes", &plan.job.notes);
    fact(paper, "cable", &plan.cable.id);
    fact(paper, "fibre type", &plan.cable.fiber_type);
    fact(paper, "fibres", &ranges(&plan.cable.fibers));
    if let Some(length) = plan.cable.length_m {
        fact(paper, "planned length", &format!("{length} m of fibre between the end connectors"));
    }
    let nm: Vec<String> = plan.measure.wavelengths_nm.iter().map(|w| format!("{w} nm")).collect();
    fact(paper, "wavelengths", &nm.join(", "));
    let times: Vec<&String> =
        document.tests.iter().filter_map(|test| test.measured_at.as_ref()).collect();
    if let (Some(first), Some(last)) = (times.iter().min(), times.iter().max()) {
        fact(paper, "measured", &format!("{first} to {last}, by the clocks of the instruments"));
    }
    fact(paper, "made with", &format!("strandline {}", env!("CARGO_PKG_VERSION")));
    fact(paper, "plan, SHA-256", document.plan.sha256);
    paper.y += 6.0;
}

fn instruments(paper: &mut Paper, document: &Document) {
    let mut used: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for test in &document.tests {
        if let (Some(instrument), Some(serial)) = (&test.instrument, &test.serial) {
            *used.entry((instrument, serial)).or_default() += 1;
        }
    }
    paper.heading("Instruments, as the files name them", 2, 11.0, 40.0);
    let columns = [
        ("instrument".into(), 250.0, Stand::Left),
        ("serial numbers".into(), 181.0, Stand::Left),
        ("files".into(), 80.0, Stand::Right),
    ];
    let named = |text: &str| Cell::plain(if text.is_empty() { "not named" } else { text });
    let rows: Vec<Vec<Cell>> = used
        .iter()
        .map(|((instrument, serial), files)| {
            vec![named(instrument), named(serial), Cell::plain(files.to_string())]
        })
        .collect();
    paper.table(&columns, &rows, 8.0);
}

/// What a limit is, the limit, and where it comes from.
type LimitRow = (String, String, String);

fn limit_rows(plan: &Plan) -> Vec<LimitRow> {
    let limits = &plan.limits;
    let mut rows: Vec<LimitRow> = Vec::new();
    let mut one = |what: &str, value: Option<f64>, says: &str, unit: &str, part: Option<Part>| {
        if let Some(value) = value {
            let from = part.map_or("the plan".to_owned(), |part| origin(plan, part, value));
            rows.push((what.to_owned(), format!("{says} {value} {unit}"), from));
        }
    };
    let splice = Some(Part::Splice);
    one("splice, mean of both ends", limits.splice_db, "at most", "dB", splice);
    one("mean of a fibre's splices", limits.splice_mean_db, "at most", "dB", None);
    one("connector pair", limits.connector_db, "at most", "dB", Some(Part::Connector));
    one("splitter", limits.splitter_db, "at most", "dB", None);
    let peak = Some(Part::Reflectance);
    one("reflectance of a connector", limits.reflectance_db, "at most", "dB", peak);
    for (&nm, &value) in &limits.attenuation_db_per_km {
        let what = format!("attenuation at {nm} nm");
        one(&what, Some(value), "at most", "dB/km", Some(Part::Attenuation(nm)));
    }
    for (&nm, &value) in &limits.min_link_loss_db {
        let what = format!("link at {nm} nm");
        one(&what, Some(value), "at least", "dB", Some(Part::MinLinkLoss(nm)));
    }
    one("length of the link", limits.max_length_m, "at most", "m", Some(Part::Length));
    one("optical return loss", limits.orl_db, "at least", "dB", None);
    match &limits.link_loss_db {
        Some(LinkLimit::PerWavelength(table)) => {
            for (&nm, &value) in table {
                let from = origin(plan, Part::LinkLoss(nm), value);
                rows.push((format!("link at {nm} nm"), format!("at most {value} dB"), from));
            }
        }
        Some(LinkLimit::FromParts) => {
            for &nm in &plan.measure.wavelengths_nm {
                if let Some(value) = plan.link_limit_db(f64::from(nm)) {
                    let from = "the sum of its parts by the limits above".to_owned();
                    rows.push((format!("link at {nm} nm"), format!("at most {value:.3} dB"), from));
                }
            }
        }
        None => {}
    }
    rows
}

/// Where a limit comes from: a preset that has the same figure, else the plan.
fn origin(plan: &Plan, part: Part, value: f64) -> String {
    let presets = plan.limits.presets.iter().rev();
    let found = presets.flat_map(|preset| preset.figures.iter().map(move |f| (preset.name, f)));
    let same = found.into_iter().find(|(_, figure)| figure.part == part && figure.value == value);
    same.map_or("the plan".to_owned(), |(name, figure)| {
        format!("{name}: {} ({})", figure.source.text, figure.source.standing.words())
    })
}

fn limits(paper: &mut Paper, plan: &Plan) {
    paper.heading("Limits and their sources", 2, 11.0, 40.0);
    let rows: Vec<Vec<Cell>> = limit_rows(plan)
        .into_iter()
        .map(|(what, limit, from)| [what, limit, from].map(Cell::plain).to_vec())
        .collect();
    if rows.is_empty() {
        paper.paragraph("The plan sets no limit: nothing was judged.", 9.0, Weight::Regular, 0.0);
        return;
    }
    let columns = [
        ("what".into(), 150.0, Stand::Wrapped),
        ("limit".into(), 110.0, Stand::Left),
        ("from".into(), 251.0, Stand::Wrapped),
    ];
    paper.table(&columns, &rows, 8.0);
    if !plan.limits.presets.is_empty() {
        let says =
            "The contract's limits come first; a preset only fills what the plan leaves open.";
        paper.paragraph(says, 8.0, Weight::Regular, 0.0);
    }
}

fn deviations(paper: &mut Paper, source: &Source) {
    let plan = source.plan;
    paper.heading("Accepted deviations", 2, 11.0, 30.0);
    if plan.waivers.is_empty() {
        paper.paragraph("None.", 9.0, Weight::Regular, 0.0);
    }
    for waiver in &plan.waivers {
        let by = if waiver.by.is_empty() { "nobody named" } else { &waiver.by };
        let unmet = if source.review.is_unmet(waiver) { "; it meets nothing there" } else { "" };
        let says = format!(
            "Fibre {}, {}: {} (accepted by {by}){unmet}",
            waiver.fiber, waiver.place, waiver.reason
        );
        paper.paragraph(&says, 9.0, Weight::Regular, 0.0);
    }
}

fn method(paper: &mut Paper, source: &Source) {
    let limits = &source.plan.limits;
    let percent = |share: f64| format!("{:.1} %", 100.0 * share).replace(".0 %", " %");
    let says = [
        "Every figure was measured anew from the samples of the files listed at the end; none is taken from the table that an instrument keeps.".to_owned(),
        "Level against distance is fitted by least squares: a straight line between events, and the step, reflection and decay at each. The loss of a joint is the step between both lines at its place. Every planned joint is measured in every trace, whether an event shows there or not.".to_owned(),
        format!("The loss of a joint is the mean of the readings from both ends. Two fibres that scatter light unequally fake a step from one end and its opposite from the other; only the mean is free of it; {}.", source.review.one_way.words()),
        "What stands behind ± is one standard deviation (JCGM 100:2008), found from the noise of the trace itself, how it is correlated, and all that was fitted together. A blank is a figure that cannot be had. A reflectance without ± is the least that a saturated receiver saw.".to_owned(),
        format!("For a verdict on a loss the linearity of the instrument's scale, {} dB a dB, one standard deviation, is added. A figure passes where the probability that the true value is within its limit is at least {}, fails where it is at most {}, and is undecided between (JCGM 106:2012).", limits.linearity_db_per_db, percent(limits.confidence), percent(1.0 - limits.confidence)),
        "Not in the uncertainties: a wrong group index, the calibration of the instrument's distance scale, receivers that ring or droop. A trace shows one wavelength at one moment; it does not show that the fibre is still so.".to_owned(),
    ];
    paper.heading("Method and uncertainty", 2, 11.0, 40.0);
    for line in says {
        paper.paragraph(&line, 8.5, Weight::Regular, 0.0);
    }
}

/// Room to sign: by whoever measured, and by whoever accepts.
fn signatures(paper: &mut Paper) {
    paper.need(64.0);
    paper.y += 44.0;
    for (n, who) in ["measured by: name, date, signature", "accepted by: name, date, signature"]
        .into_iter()
        .enumerate()
    {
        let x = MARGIN + n as f32 * (INSIDE / 2.0 + 10.0);
        let room = INSIDE / 2.0 - 10.0;
        let points = vec![(x, paper.y), (x + room, paper.y)];
        paper.put(Item::Line { points, color: INK, thick: 0.6, dash: None });
        paper.text((x, paper.y + 9.0), room, 7.0, Weight::Regular, who);
    }
    paper.y += 14.0;
}

/// The page on safety, in full, from the manual's own text.
fn safety(paper: &mut Paper) {
    let plain = |text: &str| text.replace("**", "");
    let mut open = String::new();
    let flush = |paper: &mut Paper, open: &mut String| {
        let text = std::mem::take(open);
        if let Some(title) = text.strip_prefix("# ") {
            paper.need(320.0);
            paper.bookmark(title, true);
            paper.heading(title, 2, 11.0, 40.0);
        } else if let Some(point) = text.strip_prefix("- ") {
            paper.paragraph(&format!("– {}", plain(point)), 8.5, Weight::Regular, 8.0);
        } else if !text.is_empty() {
            paper.paragraph(&plain(&text), 8.5, Weight::Regular, 0.0);
        }
    };
    for line in SAFETY.lines() {
        let line = line.trim();
        if line.is_empty() || line.starts_with("- ") {
            flush(paper, &mut open);
        }
        if !open.is_empty() {
            open.push(' ');
        }
        open.push_str(line);
    }
    flush(paper, &mut open);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_a_row_are_one_range() {
        assert_eq!(ranges(&[1, 2, 3, 7, 9, 10]), "1–3, 7, 9–10");
        assert_eq!(ranges(&[]), "");
    }
}
