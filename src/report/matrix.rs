//! The review for people: counts, a matrix of fibres and measurements, the findings.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::review::undecided;
use super::{escape, table};
use crate::job::{Direction, FiberReview, Finding, NO_LIMIT, Review, Severity, TestVerdict};
use crate::plan::{self, Plan};

/// The whole review as lines of text.
pub fn lines(review: &Review, plan: &Plan, width: usize) -> Vec<String> {
    let c = review.counts;
    let mut out = vec![format!(
        "{}: {}",
        escape::terminal(&plan.cable.id),
        plan.cable.ends.each_ref().map(|e| escape::terminal(e)).join(" to ")
    )];
    let counts = [
        format!(
            "{} planned, {} measured: {} passed, {} failed, {} undecided",
            c.planned, c.measured, c.passed, c.failed, c.undecided
        ),
        format!("{} missing, {} surplus, {} unreadable", c.missing, c.surplus, c.unreadable),
    ];
    out.extend(counts.iter().flat_map(|text| table::hung(text, width)));
    if let Some(origin) = plan.limits.origin() {
        out.extend(table::hung(&origin, width));
    }
    if review.has_one_way_joints() {
        out.extend(table::hung(&review.one_way.words(), width));
    }
    out.extend(review.all_notes(plan).iter().flat_map(|note| table::hung(note, width)));
    out.push(String::new());
    out.extend(matrix(review, plan, width));
    out.push(String::new());
    out.extend(objections(review, width));
    out
}

/// The findings fibre by fibre, what is missing altogether, and what leaves a fibre undecided.
fn objections(review: &Review, width: usize) -> Vec<String> {
    let mut out = Vec::new();
    // Said once, where it holds of everything.
    let mut opens = review.fibers.iter().flat_map(|own| &own.open).peekable();
    let is_unlimited = opens.peek().is_some() && opens.all(|(_, says)| says == NO_LIMIT);
    let unmeasured = unmeasured(review);
    if !unmeasured.is_empty() {
        let fibers = plan::ranges(&unmeasured);
        let text = format!("fibres {fibers}: missing: none of their measurements is there");
        out.extend(table::hung(&text, width));
    }
    for own in &review.fibers {
        let whose = format!("fibre {}", own.fiber);
        if !unmeasured.contains(&own.fiber) {
            out.extend(own.findings.iter().flat_map(|found| finding_lines(&whose, found, width)));
        }
        for place in &own.unmet_waivers {
            let says = "a waiver of the plan meets nothing here; see whether it names the right fibre and place";
            let text = format!("{whose}: {}: {says}", escape::terminal(place));
            out.extend(table::hung(&text, width));
        }
        for says in undecided(own).iter().filter(|says| !is_unlimited || !says.ends_with(NO_LIMIT))
        {
            let text = format!("{whose}: undecided {says}");
            out.extend(table::hung(&escape::terminal(&text), width));
        }
    }
    if is_unlimited {
        let text = format!("{NO_LIMIT}: nothing is judged before it does");
        out.extend(table::hung(&text, width));
    }
    let surplus = surplus(review);
    let is_grouped = |found: &&Finding| found.kind == "surplus" && !surplus.is_empty();
    for found in review.findings.iter().filter(|found| !is_grouped(found)) {
        out.extend(finding_lines("job", found, width));
    }
    for text in surplus {
        out.extend(table::hung(&format!("job: surplus (remark): {text}"), width));
    }
    if out.is_empty() {
        out.push("  nothing to object to".into());
    }
    out
}

/// Files that the plan does not ask for, those of one reason together. Empty where they are few: each is told.
fn surplus(review: &Review) -> Vec<String> {
    const FEW: usize = 3;
    let found = review.findings.iter().filter(|found| found.kind == "surplus");
    let told: BTreeSet<&PathBuf> = found.flat_map(|found| &found.files).collect();
    let mut by_reason: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for row in review.rows.iter().filter(|row| row.verdict == TestVerdict::Surplus) {
        let Some(path) = row.test.map(|i| &review.tests[i].path) else { continue };
        if told.contains(path) {
            let why = row.reasons.first().map_or("", String::as_str);
            by_reason.entry(why).or_default().push(path.display().to_string());
        }
    }
    if by_reason.values().map(Vec::len).sum::<usize>() <= FEW {
        return Vec::new();
    }
    let says = |(why, files): (&str, Vec<String>)| {
        let rest = if files.len() > FEW { " …" } else { "" };
        let (count, first) = (files.len(), files[..FEW.min(files.len())].join(", "));
        let text = format!("{count} files that the plan does not ask for: {why} ({first}{rest})");
        escape::terminal(&text)
    };
    by_reason.into_iter().map(says).collect()
}

/// The fibres that nobody has measured yet, and of which nothing else is to be said. Empty where it is one
/// alone.
fn unmeasured(review: &Review) -> Vec<u32> {
    let counting = review.rows.iter().filter(|row| row.counts);
    let measured: BTreeSet<u32> = counting.filter_map(|row| row.fiber).collect();
    let is_idle = |own: &&FiberReview| {
        let is_missing = matches!(&own.findings[..], [only] if only.kind == "missing");
        is_missing && !measured.contains(&own.fiber)
    };
    let idle: Vec<u32> = review.fibers.iter().filter(is_idle).map(|own| own.fiber).collect();
    if idle.len() > 1 { idle } else { Vec::new() }
}

/// A row a fibre, a column a wavelength and direction; several such blocks where one would be wider than
/// the terminal.
fn matrix(review: &Review, plan: &Plan, width: usize) -> Vec<String> {
    let cable = &plan.cable;
    let name = |own: &FiberReview| cable.colors.name(own.fiber, &cable.fibers);
    let tubes = cable.colors.need_tubes(&cable.fibers);
    let (heading, least) = if tubes { ("tube, colour", 14) } else { ("colour", 7) };
    let room =
        review.fibers.iter().map(|own| name(own).len()).max().map_or(least, |n| n.max(least));
    // no wider than its words: six columns fit where none says "undecided"
    let cells = review.rows.iter().map(|own| short(own.verdict).len());
    let wide = cells.max().unwrap_or(0).max(7);
    let row = |fiber: &str, color: &str, verdict: &str, cells: &mut dyn Iterator<Item = String>| {
        let start = format!("  {fiber:>5}  {color:<room$} {verdict:<10}");
        let line = cells.fold(start, |line, cell| format!("{line} {cell:<wide$}"));
        line.trim_end().to_owned()
    };
    let columns: Vec<(u16, Direction)> = (plan.measure.wavelengths_nm.iter())
        .flat_map(|nm| [(*nm, Direction::AToB), (*nm, Direction::BToA)])
        .collect();
    // both directions of a wavelength stay together
    let in_a_block = (width.saturating_sub(20 + room) / (wide + 1) / 2 * 2).max(2);
    let standing = standing(review);
    let mut out = Vec::new();
    for block in columns.chunks(in_a_block) {
        if !out.is_empty() {
            out.push(String::new());
        }
        let mut heads = block.iter().map(|(nm, direction)| {
            format!("{nm} {}", if *direction == Direction::AToB { "A" } else { "B" })
        });
        out.push(row("fibre", heading, "verdict", &mut heads));
        for own in &review.fibers {
            let mut cells = block.iter().map(|(nm, way)| {
                standing.get(&(own.fiber, *nm, *way)).map_or("-", |v| short(*v)).to_owned()
            });
            let number = own.fiber.to_string();
            out.push(row(&number, &name(own), own.verdict.word(), &mut cells));
        }
    }
    out
}

/// What each measurement is, by fibre, wavelength and direction: the planned one where there are others.
fn standing(review: &Review) -> BTreeMap<(u32, u16, Direction), TestVerdict> {
    let mut all = BTreeMap::new();
    for row in review.rows.iter().filter(|row| row.verdict != TestVerdict::Superseded) {
        if let (Some(fiber), Some(nm), Some(way)) = (row.fiber, row.wavelength_nm, row.direction) {
            all.entry((fiber, nm, way)).or_insert(row.verdict);
        }
    }
    all
}

fn short(verdict: TestVerdict) -> &'static str {
    match verdict {
        TestVerdict::Pass => "pass",
        TestVerdict::Fail => "FAIL",
        TestVerdict::Missing => "missing",
        other => other.word(),
    }
}

fn finding_lines(whose: &str, found: &Finding, width: usize) -> Vec<String> {
    let place =
        found.place.as_ref().map_or(String::new(), |p| format!(" at {}", escape::terminal(p)));
    let word = if found.severity == Severity::Remark { " (remark)" } else { "" };
    let text = format!("{whose}: {}{place}{word}: {}", found.kind, escape::terminal(&found.says));
    let mut lines: Vec<String> = Vec::new();
    for (i, line) in table::wrap(&text, width.saturating_sub(4)).into_iter().enumerate() {
        lines.push(if i == 0 { format!("  {line}") } else { format!("    {line}") });
    }
    if found.severity == Severity::Fault && !found.next.is_empty() {
        for line in table::wrap(
            &format!("next: {}", escape::terminal(&found.next)),
            width.saturating_sub(6),
        ) {
            lines.push(format!("    {line}"));
        }
    }
    lines
}
