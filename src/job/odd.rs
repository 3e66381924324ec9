//! What stands out in its cable: lengths, losses, and who measured it, when, how.

use std::collections::{BTreeMap, BTreeSet};

use super::check::finding;
use super::ends;
use super::fiber::{self, FiberReview};
use super::name::Direction;
use super::test::Content;
use super::{Finding, Row, Severity, Test, TestVerdict};
use crate::findings::{self, Spread, Usual};
use crate::plan::{JointKind, Plan};
use crate::signal::order::{self, MAD_TO_SIGMA};
use crate::units::Measured;

/// How many outliers a cable may be said to have, on average, although nothing is wrong. Lengths get
/// one half of it, losses the other.
const FALSE_ALARMS_PER_CABLE: f64 = 0.05;

/// Kinds after which a fibre's length and losses are not its own.
const NOT_ITSELF: [&str; 5] = ["break", "copy", "swapped", "wrong-index", "wrong-label"];

/// Lengths and losses that are unlike the other fibres'.
pub(super) fn outliers(fibers: &[FiberReview], plan: &Plan) -> Vec<Finding> {
    let sound: Vec<&FiberReview> = fibers
        .iter()
        .filter(|f| !f.findings.iter().any(|found| NOT_ITSELF.contains(&found.kind)))
        .collect();
    let own: Vec<(u32, Measured)> =
        sound.iter().filter_map(|f| Some((f.fiber, f.length_seen_m?))).collect();
    let mut found = lengths(&own);
    found.extend(few_lengths(&own, plan, &found));
    found.extend(losses(&sound, plan));
    found
}

/// Surplus lengths of fibres in one cable differ by about this share of the length in the best of
/// cables, and time bases by as much. Common practice, no source.
const LENGTH_SHARE: f64 = 1e-4;

fn lengths(all: &[(u32, Measured)]) -> Vec<Finding> {
    let mut values: Vec<f64> = all.iter().map(|a| a.1.value).collect();
    let least = LENGTH_SHARE * order::median(&mut values).unwrap_or(0.0);
    let alarms = 0.5 * FALSE_ALARMS_PER_CABLE;
    let Some(usual) = findings::usual(&values, Spread::Even, least, alarms) else {
        return Vec::new();
    };
    let odd = all.iter().filter(|a| usual.is_odd(a.1, Spread::Even));
    odd.map(|(fiber, length)| {
        let says = format!(
            "it is {length:.1} m long; {} fibres of this cable are usually {:.1} ± {:.1} m",
            usual.count, usual.middle, usual.scale
        );
        let kind = "length-outlier";
        let mut found = finding(kind, Severity::Fault, Some(*fiber), says, MAY_BE_ELSEWHERE);
        found.evidence = evidence(&usual, LENGTH_FIGURES, length.value);
        found
    })
    .collect()
}

/// Fibres whose length leaves what is usual in one cable, where too few or too unequal fibres are there for a
/// promise of false alarms: the others, the plan's length as one of them, agree in two of three. A remark; a fault
/// where it is so far off that it may be of another cable, or end elsewhere.
fn few_lengths(all: &[(u32, Measured)], plan: &Plan, said: &[Finding]) -> Vec<Finding> {
    let mut found = Vec::new();
    for (fiber, length) in all {
        if said.iter().any(|finding| finding.fiber == Some(*fiber)) {
            continue;
        }
        let others = all.iter().filter(|other| other.0 != *fiber).map(|other| other.1.value);
        let others: Vec<f64> = others.chain(plan.cable.length_m).collect();
        let is_odd = |usual: &Usual| usual.is_odd(*length, Spread::Even);
        found.extend(match (agreed(&others).filter(is_odd), plan.cable.length_m) {
            (Some(usual), _) => Some(unlike_the_others(*fiber, *length, &usual, (&others, plan))),
            (None, Some(planned_m)) if all.len() == 1 => {
                unlike_the_plan(*fiber, *length, planned_m)
            }
            _ => None,
        });
    }
    found
}

const LENGTH_FIGURES: [&str; 3] = ["length_m", "usual_length_m", "usual_spread_m"];
const MAY_BE_ELSEWHERE: &str =
    "check its label and both of its ends: it may not run where the others do";

fn unlike_the_others(
    fiber: u32,
    length: Measured,
    usual: &Usual,
    (others, plan): (&[f64], &Plan),
) -> Finding {
    let way = if length.value < usual.middle { "shorter" } else { "longer" };
    let off_m = (length.value - usual.middle).abs();
    let plans = if plan.cable.length_m.is_some() { ", the plan's length among them" } else { "" };
    let says = format!(
        "it is {length:.1} m long, {off_m:.1} m {way} than is usual here: {} of {} others are {:.1} ± {:.1} m{plans}",
        usual.count,
        others.len(),
        usual.middle,
        usual.scale
    );
    let is_far = off_m > ends::early_m(usual.middle);
    let severity = if is_far { Severity::Fault } else { Severity::Remark };
    let mut found = finding("length-outlier", severity, Some(fiber), says, MAY_BE_ELSEWHERE);
    found.evidence = evidence(usual, LENGTH_FIGURES, length.value);
    found
}

/// The only fibre is not as long as the plan's cable: nobody knows which of both is wrong.
fn unlike_the_plan(fiber: u32, length: Measured, planned_m: f64) -> Option<Finding> {
    let off_m = (length.value - planned_m).abs();
    (off_m > ends::early_m(planned_m).max(5.0 * length.sigma)).then(|| {
        let says = format!(
            "it is {length:.1} m long, {off_m:.1} m off the plan's {planned_m} m, and no other fibre tells which is right"
        );
        let next = "check its label and both of its ends, or correct length_m in the plan";
        let mut found = finding("length-outlier", Severity::Fault, Some(fiber), says, next);
        found.evidence =
            BTreeMap::from([("length_m", length.value), ("planned_length_m", planned_m)]);
        found
    })
}

/// The share of the others that must agree before one that does not stands out.
const TWO_OF_THREE: f64 = 0.66;

/// What lengths have in common, two of three of them at least, and two.
fn agreed(others: &[f64]) -> Option<Usual> {
    let middle = order::median(&mut others.to_vec())?;
    let mut off: Vec<f64> = others.iter().map(|m| (m - middle).abs()).collect();
    let unequal_m = fiber::unseen_m(middle);
    let count = off.iter().filter(|m| **m <= unequal_m).count();
    let scale = (MAD_TO_SIGMA * order::median(&mut off)?).max(LENGTH_SHARE * middle);
    let reach = unequal_m.max(5.0 * scale);
    let is_enough = count >= 2 && count as f64 >= TWO_OF_THREE * others.len() as f64;
    is_enough.then_some(Usual { middle, scale, reach, count })
}

fn evidence(usual: &Usual, names: [&'static str; 3], value: f64) -> BTreeMap<&'static str, f64> {
    BTreeMap::from([(names[0], value), (names[1], usual.middle), (names[2], usual.scale)])
}

/// A loss of one fibre that may stand out: where, which group of likes, how much.
struct Loss<'a> {
    own: &'a FiberReview,
    place: Option<&'a str>,
    at_m: Option<f64>,
    wavelength_nm: u16,
    group: &'static str,
    loss_db: Measured,
}

/// What losses always differ by: an instrument's own trueness. Common practice, no source.
const LOSS_DB: f64 = 0.005;

fn losses(sound: &[&FiberReview], plan: &Plan) -> Vec<Finding> {
    let mut groups: BTreeMap<(&str, u16), Vec<Loss>> = BTreeMap::new();
    for loss in sound.iter().flat_map(|own| losses_of(own, plan)) {
        groups.entry((loss.group, loss.wavelength_nm)).or_default().push(loss);
    }
    let alarms = 0.5 * FALSE_ALARMS_PER_CABLE / groups.len().max(1) as f64;
    let mut said: BTreeMap<(u32, Option<&str>), Finding> = BTreeMap::new();
    for ((group, nm), all) in &groups {
        let spread = if *group == LINK { Spread::Even } else { Spread::Long };
        let values: Vec<f64> = all.iter().map(|l| l.loss_db.value).collect();
        let Some(usual) = findings::usual(&values, spread, LOSS_DB, alarms) else { continue };
        for one in all {
            let high = one.loss_db.value > usual.middle && usual.is_odd(one.loss_db, spread);
            if !high || explained(one) {
                continue;
            }
            let says = format!(
                "it loses {} dB at {nm} nm; the {} {group} of this cable usually lose {:.3} dB and hardly ever more than {:.3}",
                one.loss_db,
                usual.count,
                usual.middle,
                usual.middle + usual.reach
            );
            let next =
                "no limit stops it, yet it is unlike the others: look at it before hand-over";
            let mut found =
                finding("loss-outlier", Severity::Fault, Some(one.own.fiber), says, next);
            found.place = one.place.map(str::to_owned);
            found.at_m = one.at_m;
            let names = ["loss_db", "usual_loss_db", "usual_spread_db"];
            found.evidence = evidence(&usual, names, one.loss_db.value);
            said.entry((one.own.fiber, one.place)).or_insert(found);
        }
    }
    said.into_values().collect()
}

const LINK: &str = "links";

fn losses_of<'a>(own: &'a FiberReview, plan: &Plan) -> Vec<Loss<'a>> {
    let group = |name: &str| match plan.joints.iter().find(|j| j.name == name).map(|j| j.kind) {
        Some(JointKind::Splice) => "splices",
        Some(JointKind::Splitter) => "splitters",
        _ => "connectors",
    };
    // One end alone shows unequal glass as loss.
    let both = |j: &&super::JointReview| j.loss.step_db.is_some();
    let joints = own.joints.iter().filter(both).filter_map(|joint| {
        Some(Loss {
            own,
            place: Some(joint.name.as_str()),
            at_m: Some(joint.at_m),
            wavelength_nm: joint.wavelength_nm,
            group: group(&joint.name),
            loss_db: joint.loss.loss_db?,
        })
    });
    let links = own.links.iter().filter_map(|link| {
        let (place, at_m) = (None, None);
        let loss_db = link.loss_db?;
        Some(Loss { own, place, at_m, wavelength_nm: link.wavelength_nm, group: LINK, loss_db })
    });
    joints.chain(links).collect()
}

/// Whether something else is said of it already, or accepted: a cause is named once.
fn explained(one: &Loss) -> bool {
    let is_here = |name: &str| one.place.is_none_or(|place| place == name);
    if one.own.joints.iter().any(|joint| joint.waived.is_some() && is_here(&joint.name)) {
        return true;
    }
    let faults = one.own.findings.iter().filter(|f| f.severity == Severity::Fault);
    match one.place {
        Some(place) => faults.into_iter().any(|f| f.place.as_deref() == Some(place)),
        None => faults.into_iter().any(|f| f.kind != "missing"),
    }
}

/// The share that must agree before the others are odd, and the share that may be odd.
const MOST: f64 = 0.8;
const FEW: f64 = 0.05;

/// Who measured, when and how, unlike all the rest of the traces from the same end. Of `copies` nobody
/// knows whose they are, and that is said already.
pub(super) fn odd_ones(rows: &[Row], tests: &[Test], copies: &BTreeSet<usize>) -> Vec<Finding> {
    let again: BTreeSet<(Option<u32>, Option<u16>, Option<Direction>)> = rows
        .iter()
        .filter(|r| r.verdict == TestVerdict::Superseded)
        .map(|r| (r.fiber, r.wavelength_nm, r.direction))
        .collect();
    let mut says: BTreeMap<u32, (BTreeSet<String>, BTreeSet<usize>)> = BTreeMap::new();
    for end in [Direction::AToB, Direction::BToA] {
        let counting = rows.iter().filter(|r| r.counts && r.direction == Some(end));
        let all: Vec<Taken> = counting
            .filter_map(|r| {
                let test = r.test.filter(|i| !copies.contains(i))?;
                let retest = again.contains(&(r.fiber, r.wavelength_nm, r.direction));
                Some(Taken { fiber: r.fiber?, test, content: tests[test].read()?, retest })
            })
            .collect();
        let mut odd = unlike(&all, "operator", |c| or_blank(&c.operator));
        odd.extend(unlike(&all, "instrument", |c| or_blank(&c.serial)));
        let averaging = |c: &Content| match c.averaging_s {
            Some(s) => format!("{s:.0} s"),
            None => "not stated".into(),
        };
        odd.extend(unlike(&all, "averaging time", averaging));
        odd.extend(dates(&all));
        for (fiber, test, text) in odd {
            let own = says.entry(fiber).or_default();
            own.0.insert(text);
            own.1.insert(test);
        }
    }
    says.into_iter()
        .map(|(fiber, (texts, files))| {
            let texts: Vec<String> = texts.into_iter().collect();
            let next = "ask who measured it; measure again where nobody knows";
            let mut found =
                finding("odd-one-out", Severity::Fault, Some(fiber), texts.join("; "), next);
            found.files = files.iter().map(|i| tests[*i].path.clone()).collect();
            found
        })
        .collect()
}

struct Taken<'a> {
    fiber: u32,
    test: usize,
    content: &'a Content,
    retest: bool,
}

fn or_blank(text: &str) -> String {
    if text.trim().is_empty() { "blank".into() } else { text.trim().to_lowercase() }
}

type Odd = (u32, usize, String);

/// Traces of one fibre, or one in ten, whose `word` differs from the one that most share.
fn unlike(all: &[Taken], what: &str, word: impl Fn(&Content) -> String) -> Vec<Odd> {
    let mut by_word: BTreeMap<String, Vec<&Taken>> = BTreeMap::new();
    for one in all {
        by_word.entry(word(one.content)).or_default().push(one);
    }
    let fibers = |of: &[&Taken]| of.iter().map(|t| t.fiber).collect::<BTreeSet<u32>>().len();
    let Some((most, theirs)) = by_word.iter().max_by_key(|(_, of)| of.len()) else {
        return Vec::new();
    };
    let enough = (theirs.len() as f64) >= MOST * all.len() as f64
        && fibers(theirs) >= findings::LEAST_VALUES;
    let few = (FEW * all.len() as f64).max(1.0) as usize;
    let mut odd = Vec::new();
    for (own, of) in by_word.iter().filter(|(own, _)| enough && *own != most) {
        if fibers(of) <= 2 || of.len() <= few {
            odd.extend(
                of.iter()
                    .map(|t| (t.fiber, t.test, format!("{what} {own}, of most others {most}"))),
            );
        }
    }
    odd
}

/// A month: work on one cable takes weeks. Common practice, no source.
const MONTH_S: f64 = 30.0 * 86_400.0;

/// Traces dated far from the rest; measuring again later is no oddity.
fn dates(all: &[Taken]) -> Vec<Odd> {
    let time = |c: &Content| c.measured_at_unix_s.map(f64::from);
    let mut times: Vec<f64> = all.iter().filter_map(|t| time(t.content)).collect();
    if times.len() < findings::LEAST_VALUES {
        return Vec::new();
    }
    let Some(middle) = order::median(&mut times) else { return Vec::new() };
    let mut off: Vec<f64> = times.iter().map(|t| (t - middle).abs()).collect();
    let scale = MAD_TO_SIGMA * order::median(&mut off).unwrap_or(0.0);
    let reach = MONTH_S.max(10.0 * scale);
    let odd = all
        .iter()
        .filter(|t| !t.retest && time(t.content).is_some_and(|time| (time - middle).abs() > reach));
    let days = |t: &Taken| (time(t.content).unwrap_or(middle) - middle).abs() / 86_400.0;
    odd.map(|t| {
        let text = format!("dated {:.0} days away from the others", days(t));
        (t.fiber, t.test, text)
    })
    .collect()
}
