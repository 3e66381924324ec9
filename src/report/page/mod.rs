//! The whole review as one page for a browser: no network, no other file.
//!
//! It shows what the review found. Of its own it computes nothing but what its two cursors read.

use std::ops::Range;

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::{CAUTION, data, escape, review};
use crate::event::Analysis;
use crate::job::{Content, Direction, Review};
use crate::plan::{JointKind, Plan};
use crate::trace::Trace;

mod samples;

/// One trace, packed for the page.
#[derive(Debug)]
pub struct Packed {
    /// What is known of it, as JSON.
    facts: String,
    /// Its samples, see `samples`.
    samples: String,
}

/// Groups of samples that the traces of a page share, apart from the neighbourhoods of events: with
/// about five characters a group a page stays below 16 MB.
const GROUPS_A_PAGE: usize = 3_000_000;

/// Fewest and most groups of one trace: a wide screen's columns, and more than most traces have samples.
const GROUPS_LEAST: usize = 4_000;
const GROUPS_MOST: usize = 60_000;

/// Packs one trace of a review of `tests` measurements.
///
/// `row`: its index in the document's `tests`.
///
/// # Errors
/// Never in practice: the facts have no keys that JSON could not hold.
pub fn packed(
    row: usize,
    tests: usize,
    trace: &Trace,
    content: &Content,
    plan: &Plan,
) -> Result<Packed, serde_json::Error> {
    let levels = trace.levels_db();
    let levels = levels.as_slice().unwrap_or_default();
    let groups = (GROUPS_A_PAGE / tests.max(1)).clamp(GROUPS_LEAST, GROUPS_MOST);
    let whole = neighbourhoods(trace, &content.analysis, groups);
    let (at_zero_m, at_per_m) = place(content, plan);
    let mut first = 0;
    let mut stretches = Vec::with_capacity(trace.stretches.len());
    for stretch in &trace.stretches {
        let (here_m, next_m) = (trace.position_m(first).0, trace.position_m(first + 1).0);
        stretches.push(Stretch { first, position_m: here_m, spacing_m: next_m - here_m });
        first += stretch.samples;
    }
    let facts = Facts {
        test: row,
        at_zero_m,
        at_per_m,
        pulse_m: trace.pulse_m(),
        top_db: levels.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        stretches,
        found: data::read("", trace, &content.analysis),
    };
    Ok(Packed {
        facts: serde_json::to_string(&facts)?,
        samples: samples::packed(levels, &whole, groups),
    })
}

#[derive(Serialize)]
struct Facts {
    test: usize,
    /// Place in the cable of the panel, and metres there for a metre of the trace: 1, or -1 from end b.
    at_zero_m: f64,
    at_per_m: f64,
    pulse_m: f64,
    top_db: f64,
    stretches: Vec<Stretch>,
    found: data::TraceData,
}

/// A run of equally spaced samples: its first sample and that one's distance from the panel.
#[derive(Serialize)]
struct Stretch {
    first: usize,
    position_m: f64,
    spacing_m: f64,
}

/// Where a trace lies in the cable: traces from end b are mirrored.
fn place(content: &Content, plan: &Plan) -> (f64, f64) {
    let near_m = content.near_m.or(plan.measure.launch_m).unwrap_or(0.0);
    let seen_m = content.length_m.map(|l| l.value);
    match (content.direction, seen_m.or(plan.cable.length_m)) {
        (Some(Direction::BToA), Some(length_m)) => (length_m + near_m, -1.0),
        _ => (-near_m, 1.0),
    }
}

/// Pulses around an event, and samples at least and at most, that are kept as they are.
const AROUND_PULSES: f64 = 4.0;
const AROUND_LEAST: usize = 40;
const AROUND_MOST: usize = 400;

/// The samples around each event, behind it as far as it reaches. Many events share `samples`, so that
/// the page stays small; each still gets the least.
fn neighbourhoods(trace: &Trace, analysis: &Analysis, samples: usize) -> Vec<Range<usize>> {
    let spacing_m = trace.spacing_m();
    let start_m = trace.position_m(0).0;
    if spacing_m <= 0.0 {
        return Vec::new();
    }
    let around = (AROUND_PULSES * trace.pulse_m() / spacing_m) as usize;
    let share = samples / (6 * analysis.events.len().max(1));
    let around = around.min(AROUND_MOST).min(share).max(AROUND_LEAST);
    let sample = |position_m: f64| ((position_m - start_m) / spacing_m).max(0.0) as usize;
    analysis
        .events
        .iter()
        .map(|event| {
            let from = sample(event.position_m.0);
            let to = sample(event.position_m.0 + event.extent_m).min(from + 4 * around);
            from.saturating_sub(around)..to + around
        })
        .collect()
}

#[derive(Serialize)]
struct PlanFacts<'a> {
    job: &'a str,
    site: &'a str,
    notes: &'a str,
    ends: &'a [String; 2],
    fiber_type: &'a str,
    length_m: Option<f64>,
    wavelengths_nm: &'a [u16],
    joints: Vec<JointFacts<'a>>,
    connector_limit_db: Option<f64>,
    confidence: f64,
    waivers: Vec<WaiverFacts<'a>>,
}

/// A deviation that the plan accepts.
#[derive(Serialize)]
struct WaiverFacts<'a> {
    fiber: u32,
    place: &'a str,
    says: String,
}

#[derive(Serialize)]
struct JointFacts<'a> {
    name: &'a str,
    at_m: f64,
    kind: &'static str,
    limit_db: Option<f64>,
}

fn plan_facts<'a>(plan: &'a Plan, review: &Review) -> PlanFacts<'a> {
    let joints = plan.joints.iter().map(|joint| JointFacts {
        name: &joint.name,
        at_m: joint.at_m,
        kind: match joint.kind {
            JointKind::Splice => "splice",
            JointKind::Connector => "connector",
            JointKind::Splitter => "splitter",
        },
        limit_db: plan.allowance_db(joint),
    });
    let waivers = plan.waivers.iter().map(|waiver| WaiverFacts {
        fiber: waiver.fiber,
        place: &waiver.place,
        says: if review.is_unmet(waiver) {
            format!("{}; it meets nothing there", waiver.words())
        } else {
            waiver.words()
        },
    });
    PlanFacts {
        job: &plan.job.name,
        site: &plan.job.site,
        notes: &plan.job.notes,
        ends: &plan.cable.ends,
        fiber_type: &plan.cable.fiber_type,
        length_m: plan.cable.length_m,
        wavelengths_nm: &plan.measure.wavelengths_nm,
        joints: joints.collect(),
        connector_limit_db: plan.limits.connector_db,
        confidence: plan.limits.confidence,
        waivers: waivers.collect(),
    }
}

/// The page's one script: the library that draws, with its licence, then our own parts in order.
fn script() -> String {
    let parts = [
        include_str!("../assets/page/samples.js"),
        include_str!("../assets/page/reading.js"),
        include_str!("../assets/page/words.js"),
        include_str!("../assets/page/overview.js"),
        include_str!("../assets/page/joints.js"),
        include_str!("../assets/page/marks.js"),
        include_str!("../assets/page/chart.js"),
        include_str!("../assets/page/cursors.js"),
        include_str!("../assets/page/fiber.js"),
        include_str!("../assets/page/start.js"),
    ];
    format!(
        "/* uPlot 1.6.32\n{}*/\n{}\n(() => {{\n\"use strict\";\n{}}})();\n",
        include_str!("../assets/uplot/LICENSE"),
        include_str!("../assets/uplot/uPlot.iife.min.js"),
        parts.concat()
    )
}

fn style() -> String {
    let parts =
        [include_str!("../assets/uplot/uPlot.min.css"), include_str!("../assets/page/page.css")];
    parts.concat()
}

/// The page.
///
/// `packed`: the traces to draw. `plan_sha256`: hash of the plan file's bytes.
///
/// # Errors
/// Never in practice: the documents have no keys that JSON could not hold.
pub fn html(
    review: &Review,
    plan: &Plan,
    plan_sha256: &str,
    packed: &[Packed],
) -> Result<String, serde_json::Error> {
    let (script, style) = (script(), style());
    let mut blocks = String::new();
    block(&mut blocks, "review", review::json(review, plan, plan_sha256)?);
    block(&mut blocks, "plan", serde_json::to_string(&plan_facts(plan, review))?);
    let facts: Vec<&str> = packed.iter().map(|p| p.facts.as_str()).collect();
    block(&mut blocks, "traces", format!("[{}]", facts.join(",\n")));
    let mut samples = String::new();
    for (i, one) in packed.iter().enumerate() {
        block(&mut samples, &format!("samples-{i}"), format!("\"{}\"", one.samples));
    }
    let policy = format!(
        "default-src 'none'; script-src {}; style-src {}; base-uri 'none'; form-action 'none'",
        hash(&script),
        hash(&style)
    );
    let fill = |mark: &str| match mark {
        "POLICY" => policy.clone(),
        "TITLE" => escape::markup(&format!("{} – review", plan.cable.id)),
        "STYLE" => style.clone(),
        "CAUTION" => escape::markup(CAUTION),
        "TOOL" => format!("strandline {}", env!("CARGO_PKG_VERSION")),
        "BLOCKS" => blocks.clone(),
        "SAMPLES" => samples.clone(),
        "SCRIPT" => script.clone(),
        other => other.to_owned(),
    };
    // Marks stand between two bars each; what is filled in is never looked at again.
    let template = include_str!("../assets/page/page.html");
    Ok(template
        .split("||")
        .enumerate()
        .map(|(i, part)| if i % 2 == 1 { fill(part) } else { part.to_owned() })
        .collect())
}

/// A block of data. Source: HTML standard, "Restrictions for contents of script elements": nothing in
/// it may look like a tag or a comment, so `<`, `>` and `&` become escapes of JSON.
fn block(out: &mut String, name: &str, json: String) {
    let json = escape::json(json);
    let json = json.replace('<', "\\u003c").replace('>', "\\u003e").replace('&', "\\u0026");
    out.push_str(&format!(
        "<script type=\"application/json\" id=\"data-{name}\">{json}</script>\n"
    ));
}

/// The source expression that allows one inline element. Source: CSP Level 3, section 2.3.1.
fn hash(text: &str) -> String {
    format!("'sha256-{}'", samples::base64(&Sha256::digest(text.as_bytes())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_label_ends_its_block_of_data() {
        let mut out = String::new();
        let hostile = serde_json::to_string("</script><!--<script>\u{2028}&lt;").expect("text");
        block(&mut out, "x", hostile);
        let inner = out.split_once('>').unwrap().1.rsplit_once("</script>").unwrap().0;
        assert!(!inner.contains(['<', '>', '&', '\u{2028}']), "{inner}");
        let back: String = serde_json::from_str(inner).unwrap();
        assert_eq!(back, "</script><!--<script>\u{2028}&lt;");
    }

    #[test]
    fn script_and_style_do_not_end_their_own_elements() {
        // HTML standard, "Restrictions for contents of script elements"
        for word in ["</script", "<script", "<!--"] {
            assert!(!script().to_lowercase().contains(word), "{word}");
        }
        assert!(!style().to_lowercase().contains("</style"));
    }

    #[test]
    fn the_page_asks_for_nothing_from_outside() {
        let own = [include_str!("../assets/page/page.html"), &style()].concat();
        for word in ["src=", "url(", "@import", "<link", "<base"] {
            assert!(!own.contains(word), "{word}");
        }
    }
}
