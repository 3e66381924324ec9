//! What likely makes a part lose too much, with the evidence, and what to do first.

use super::{Link, Part, PartKind};
use crate::combine;
use crate::job::Direction;
use crate::plan::JointKind;
use crate::units::Measured;

/// A likely cause.
#[derive(Clone, Debug, PartialEq)]
pub struct Cause {
    /// A word for programs: `bend`, `splice`, `connector`, `break`, `fibre`, `unequal-fibers`, `crush`.
    pub kind: &'static str,
    /// In words.
    pub what: String,
    /// What speaks for it.
    pub evidence: String,
}

fn cause(kind: &'static str, what: &str, evidence: String) -> Cause {
    Cause { kind, what: what.to_owned(), evidence }
}

/// A reflection that grew by this much since the baseline has changed. Common practice, no source.
const GREW_DB: f64 = 3.0;

/// Whether its reflection is over the limit, or has grown.
pub(super) fn reflects_too_much(part: &Part, link: &Link) -> bool {
    let Some(now) = part.reflectance_db else { return false };
    match (part.is_new, part.reflectance_before_db) {
        (Some(_), Some(before)) => now.value - before.value > GREW_DB + 2.0 * now.sigma,
        (Some(_), None) => false,
        (None, _) => {
            let limit = link.plan.limits.reflectance_db;
            limit.is_some_and(|limit| now.value - 2.0 * now.sigma > limit)
        }
    }
}

/// Likely causes, the likeliest first. `worst_nm`: the wavelength at which it loses most.
pub(super) fn of(part: &Part, link: &Link, worst_nm: Option<u16>) -> Vec<Cause> {
    match part.kind {
        PartKind::Break => vec![broken(part)],
        PartKind::Stretch => vec![stretch(part, link, worst_nm)],
        _ => joint(part, link),
    }
}

fn broken(part: &Part) -> Cause {
    let reflection = match part.reflectance_db {
        Some(r) => format!("the light stops there with a reflection of {r:.1} dB"),
        None => "the light stops there without a reflection, as at a crushed or torn fibre".into(),
    };
    let ends = part.seen_m.iter().flatten().count();
    let seen = if ends == 2 { "; seen from both ends" } else { "; seen from one end" };
    cause("break", "the fibre is broken, or open at a connector", reflection + seen)
}

fn stretch(part: &Part, link: &Link, worst_nm: Option<u16>) -> Cause {
    let km = part.km();
    let slope = |m: Measured| link.shown(m).times(1.0 / km);
    let figures: Vec<String> = part
        .figures
        .iter()
        .filter_map(|f| {
            let (loss, allowed) = (slope(f.loss_db?), slope(f.allowed_db?).value);
            Some(format!("{loss} dB/km at {} nm against {allowed:.3}", f.wavelength_nm))
        })
        .collect();
    let over = |nm: Option<u16>| {
        let figure = part.figures.iter().find(|f| Some(f.wavelength_nm) == nm)?;
        Some(figure.loss_db?.minus(figure.allowed_db?))
    };
    let shortest = part.figures.first().map(|f| f.wavelength_nm);
    let strained = match (over(shortest), over(worst_nm)) {
        (Some(short), Some(worst)) if shortest != worst_nm => {
            combine::grows_like_a_bend(short, worst)
        }
        _ => false,
    };
    let what = if strained {
        "strain or many small bends along the stretch"
    } else {
        "fibre that attenuates too much: strain, water, or other glass than planned"
    };
    cause(if strained { "bend" } else { "fibre" }, what, figures.join(", "))
}

fn joint(part: &Part, link: &Link) -> Vec<Cause> {
    let known: Vec<(u16, Measured)> =
        part.figures.iter().filter_map(|f| Some((f.wavelength_nm, f.loss_db?))).collect();
    let figures: Vec<String> =
        known.iter().map(|(nm, l)| format!("{} dB at {nm} nm", link.shown(*l))).collect();
    let mut figures = figures.join(", ");
    if part.is_new == Some(true) {
        figures.push_str("; the baseline has nothing here");
    }
    let mut causes = Vec::new();
    if reflects_too_much(part, link) || opens(part) {
        causes.push(connector(part, link, &figures));
    }
    let bend = is_bend(&known, link);
    if bend == Some(true) {
        let evidence = format!("{figures}: it grows with wavelength");
        causes.push(cause("bend", "a bend that is too tight", evidence));
    }
    if causes.is_empty() {
        causes.push(alike(part, bend, figures));
        if bend.is_none() && !matches!(part.kind, PartKind::End) {
            let evidence = "one wavelength cannot tell it from a bad splice".into();
            causes.push(cause("bend", "or a bend that is too tight", evidence));
        }
    }
    causes.extend(unequal(part, link));
    causes
}

/// Whether the loss grows with wavelength. `None`: one wavelength alone.
fn is_bend(known: &[(u16, Measured)], link: &Link) -> Option<bool> {
    match known {
        [(_, short), .., (_, long)] => Some(combine::grows_like_a_bend(*short, *long)),
        // Seen at the longest alone, although a shorter one was measured too: too small there.
        [(nm, loss)] => {
            let shorter = link.tests.iter().any(|t| t.0 + 100 < *nm);
            shorter.then_some(loss.value > 0.1)
        }
        [] => None,
    }
}

/// Whether it is a place where fibres are only held together.
fn opens(part: &Part) -> bool {
    let connector = matches!(part.kind, PartKind::End | PartKind::Planned(JointKind::Connector));
    connector || (part.kind == PartKind::Unplanned && part.reflectance_db.is_some())
}

fn connector(part: &Part, link: &Link, figures: &str) -> Cause {
    let limit = link.plan.limits.reflectance_db;
    let evidence = match (part.reflectance_db, part.reflectance_before_db, limit) {
        (Some(now), Some(before), _) => {
            format!("it reflects {now:.1} dB, in the baseline {before:.1} dB")
        }
        (Some(now), None, Some(limit)) => {
            format!("it reflects {now:.1} dB, the limit is {limit} dB")
        }
        (Some(now), None, None) => format!("it reflects {now:.1} dB"),
        (None, ..) => "no reflection stands out: dirt, or an angled connector".into(),
    };
    let evidence = format!("{figures}; {evidence}");
    cause("connector", "a dirty, damaged or badly seated connector", evidence)
}

fn alike(part: &Part, bend: Option<bool>, figures: String) -> Cause {
    let evidence = if bend.is_some() { format!("{figures}: alike, so no bend") } else { figures };
    match part.kind {
        PartKind::Unplanned => {
            cause("crush", "a crushed or cracked fibre, or a splice that is in no plan", evidence)
        }
        PartKind::Planned(JointKind::Splitter) => {
            cause("splitter", "a splitter that loses more than it should", evidence)
        }
        _ => cause("splice", "a bad splice", evidence),
    }
}

/// From one end alone unequal glass looks like loss.
fn unequal(part: &Part, link: &Link) -> Option<Cause> {
    let one_end = [Direction::AToB, Direction::BToA]
        .iter()
        .any(|end| !link.tests.iter().any(|t| t.1 == *end));
    let fused = matches!(part.kind, PartKind::Planned(JointKind::Splice) | PartKind::Unplanned)
        && part.reflectance_db.is_none();
    (one_end && fused).then(|| {
        cause(
            "unequal-fibers",
            "in part unequal glass, which one end shows as loss",
            format!("one end alone; one sigma of that is {} dB", link.plan.limits.one_way_db),
        )
    })
}

/// What to do before anything else.
pub(super) fn first(part: &Part, link: &Link, causes: &[Cause]) -> String {
    let nm = link.wavelengths_nm();
    let longer = nm.last().is_none_or(|nm| *nm < 1600);
    let kinds: Vec<&str> = causes.iter().map(|c| c.kind).collect();
    let text = match kinds.first() {
        Some(&"break") if part.seen_m.iter().flatten().count() < 2 => {
            "measure from the other end: both distances together fix the place; then go there"
        }
        Some(&"break") => "go there: look for digging, a crushed pit, an open connector",
        Some(&"connector") => {
            "make sure that no light is on the fibre, clean the connector, look at both end faces with a camera scope, measure again"
        }
        Some(&"bend") if part.kind == PartKind::Stretch => {
            "look along the stretch for strain: clamps, a cable pulled tight, frost"
        }
        Some(&"bend") => "look there for a tight bend, in the tray first, before splicing anything",
        Some(&"fibre") if longer => {
            "measure at 1625 or 1650 nm as well, through a filter where the fibre carries light: strain shows more there"
        }
        Some(&"fibre") => "ask which glass lies there, then look along it for strain",
        _ if kinds.contains(&"unequal-fibers") => {
            "measure from the other end before anything is opened"
        }
        _ if kinds.contains(&"bend") && longer => {
            "measure again at 1625 or 1650 nm, through a filter where the fibre carries light: a bend grows, a splice does not"
        }
        Some(&"splice") if kinds.contains(&"bend") => {
            "open the closure, look for a bend, then splice again"
        }
        Some(&"splice") => "open the closure and splice again",
        _ => "measure again with a shorter pulse to see it alone, then go there",
    };
    text.to_owned()
}
