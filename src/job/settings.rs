//! Settings that are not the job's: index, pulse, averaging, cords.

use std::collections::{BTreeMap, BTreeSet};

use super::check::finding;
use super::fiber::{FiberReview, JointReview};
use super::test::Content;
use super::{Direction, Finding, Row, Severity, Test};
use crate::grade::{self, Limit, Verdict};
use crate::plan::{PerWavelength, Plan};
use crate::units::Measured;

/// What a job's traces should have been taken with, per wavelength: the plan's word, else what most
/// traces have.
pub(super) struct Agreed {
    index: PerWavelength,
    pulse_ns: PerWavelength,
    /// The least and the highest index at wavelengths of which neither the plan nor most traces tell one.
    open_index: BTreeMap<u16, (f64, f64)>,
}

/// Indices nearer to each other than this are one: 2 m in 14 km.
const INDEX_REACH: f64 = 2e-4;

/// The share of at least three traces that makes a setting the job's: two of three, as with lengths.
const MOST: f64 = 0.66;
const LEAST_TRACES: usize = 3;

impl Agreed {
    /// Whether a trace's distances come from an index that is not the job's. Where the plan gives one
    /// they never do.
    pub(super) fn is_other_scale(&self, nm: u16, content: &Content, plan: &Plan) -> bool {
        let agreed = self.index.get(&nm).filter(|_| !plan.measure.group_index.contains_key(&nm));
        agreed.is_some_and(|n| !is_same_index(*n, content.used_index))
    }

    /// Of the traces that count.
    pub(super) fn of(rows: &[Row], tests: &[Test], plan: &Plan) -> Agreed {
        let mut index = PerWavelength::new();
        let mut pulse_ns = PerWavelength::new();
        let mut open_index = BTreeMap::new();
        for nm in &plan.measure.wavelengths_nm {
            let all: Vec<&Content> = rows
                .iter()
                .filter(|r| r.counts && r.wavelength_nm == Some(*nm))
                .filter_map(|r| tests[r.test?].read())
                .collect();
            let own = plan.measure.group_index.get(nm).copied();
            if let Some(n) = own.or_else(|| shared(&all, |c| c.index)) {
                index.insert(*nm, n);
            } else {
                let own = || all.iter().map(|content| content.index);
                let ends = (own().fold(f64::INFINITY, f64::min), own().fold(0.0, f64::max));
                open_index.extend((ends.0 < ends.1).then_some((*nm, ends)));
            }
            if let Some(ns) = plan.measure.pulse_ns.or_else(|| shared(&all, |c| c.pulse_ns)) {
                pulse_ns.insert(*nm, ns);
            }
        }
        Agreed { index, pulse_ns, open_index }
    }
}

/// A finding's kind, what it says, and what to do.
type Said = (&'static str, String, &'static str);

impl Agreed {
    /// A remark where a wavelength's files differ in their index and nothing tells which is wrong.
    fn unsettled(&self, content: &Content, nm: u16) -> Option<(Severity, Said)> {
        let (least, most) = self.open_index.get(&nm).filter(|n| !is_same_index(n.0, n.1))?;
        let says = format!(
            "the file's index is {:.4}; at {nm} nm those of this job are {least:.4} to {most:.4}, and nobody knows which holds",
            content.index
        );
        let next = "say in the plan which index holds (group_index)";
        Some((Severity::Remark, ("wrong-index", says, next)))
    }
}

/// The index that most readable files of a wavelength share, where the plan gives none.
pub(super) fn usual_index(tests: &[Test], plan: &Plan) -> PerWavelength {
    let open = |nm: &&u16| !plan.measure.group_index.contains_key(nm);
    let usual = |nm: &u16| {
        let own = tests.iter().filter_map(Test::read).filter(|c| c.wavelength_nm == Some(*nm));
        Some((*nm, shared(&own.collect::<Vec<_>>(), |c| c.index)?))
    };
    plan.measure.wavelengths_nm.iter().filter(open).filter_map(usual).collect()
}

pub(super) fn is_same_index(one: f64, other: f64) -> bool {
    (one - other).abs() <= INDEX_REACH
}

/// The figure that most of them share.
fn shared(all: &[&Content], figure: impl Fn(&Content) -> f64) -> Option<f64> {
    let mut count: BTreeMap<u64, usize> = BTreeMap::new();
    for content in all {
        *count.entry(figure(content).to_bits()).or_default() += 1;
    }
    let (bits, most) = count.into_iter().max_by_key(|(_, n)| *n)?;
    (all.len() >= LEAST_TRACES && most as f64 >= MOST * all.len() as f64)
        .then(|| f64::from_bits(bits))
}

const MORE_LIGHT: &str = "measure again, averaging longer or with a longer pulse";

/// Of one fibre's counting traces: what is not as agreed.
pub(super) fn of(
    own: &FiberReview,
    rows: &[Row],
    tests: &[Test],
    plan: &Plan,
    agreed: &Agreed,
) -> Vec<Finding> {
    let fiber = own.fiber;
    let loses_much = own.findings.iter().any(|f| f.kind == "high-attenuation");
    let mut found: BTreeMap<(Severity, &str), Finding> = BTreeMap::new();
    for row in rows.iter().filter(|r| r.fiber == Some(fiber) && r.counts) {
        let Some(test) = row.test.map(|i| &tests[i]) else { continue };
        let (Some(content), Some(nm)) = (test.read(), row.wavelength_nm) else { continue };
        let has_cord = rows
            .iter()
            .filter(|r| (r.fiber, r.direction, r.counts) == (Some(fiber), row.direction, true))
            .filter_map(|r| tests[r.test?].read())
            .any(|c| c.near_m.is_some());
        let known = Known { has_cord, loses_much };
        let faults = of_trace(content, nm, plan, agreed, known).into_iter();
        let said = faults.map(|said| (Severity::Fault, said));
        for (severity, (kind, says, next)) in said.chain(agreed.unsettled(content, nm)) {
            let own = found
                .entry((severity, kind))
                .or_insert_with(|| finding(kind, severity, Some(fiber), says, next));
            own.files.push(test.path.clone());
        }
    }
    found.into_values().collect()
}

/// What the other traces of a fibre say.
#[derive(Clone, Copy)]
struct Known {
    /// One from the same end, taken with the same plug in, shows the launch cord's connector.
    has_cord: bool,
    /// Its glass loses more than it may: that is why light is lost on the way.
    loses_much: bool,
}

/// What is not as agreed in one trace.
fn of_trace(content: &Content, nm: u16, plan: &Plan, agreed: &Agreed, known: Known) -> Vec<Said> {
    let mut all = Vec::new();
    let whose = |own: bool| if own { "agreed was" } else { "that of the other traces is" };
    if let Some(n) = agreed.index.get(&nm).filter(|n| !is_same_index(**n, content.index)) {
        let own = plan.measure.group_index.contains_key(&nm);
        let says = format!("the file's index is {:.4}, {} {n:.4}", content.index, whose(own));
        let next = if own {
            "distances here are computed with the agreed one; set it in the instrument"
        } else {
            "say in the plan which index holds (group_index); set it in the instrument"
        };
        all.push(("wrong-index", says, next));
    }
    if let Some(p) = agreed.pulse_ns.get(&nm).filter(|p| (*p - content.pulse_ns).abs() > 0.5) {
        let own = plan.measure.pulse_ns.is_some();
        let says = format!("the pulse is {:.0} ns, {} {p:.0} ns", content.pulse_ns, whose(own));
        all.push(("wrong-pulse", says, "measure again with the job's pulse"));
    }
    let short = |t: &f64| content.averaging_s.is_some_and(|own| own < *t);
    if let Some(t) = plan.measure.min_averaging_s.filter(short) {
        let averaged = content.averaging_s.unwrap_or(0.0);
        let says = format!("averaged {averaged:.0} s, agreed was {t:.0} s at least");
        all.push(("too-noisy", says, "measure again, averaging longer"));
    }
    if let Some(m) = content.fades_m.filter(|_| !known.loses_much) {
        let says = format!("the light is lost in the noise after {m:.0} m, before the fibre ends");
        all.push(("too-noisy", says, MORE_LIGHT));
    }
    // Noise or a break may hide the connector: that is said.
    let hidden = content.fades_m.is_some()
        || content.stops_m.is_some()
        || (known.has_cord && !content.is_bare);
    if plan.measure.launch_m.is_some() && content.near_m.is_none() && !hidden {
        let says = "no connector of a launch cord is seen, so the first connector cannot be graded";
        all.push(("no-cord", says.to_owned(), "measure again with the launch cord"));
    }
    all
}

/// Joints that even a loss of half their limit could not have passed: the traces are too noisy for
/// the limits. Said of the noisier trace of both ends.
pub(super) fn noisy(
    own: &FiberReview,
    rows: &[Row],
    tests: &[Test],
    plan: &Plan,
) -> Option<Finding> {
    let confidence = plan.limits.confidence;
    let hopeless = |joint: &&JointReview| {
        let planned = plan.joints.iter().find(|p| p.name == joint.name);
        let limit = planned.and_then(|p| plan.joint_limit_db(p.kind));
        let both = joint.loss.step_db.is_some();
        let (Some(limit), Some(loss), true) = (limit, joint.loss.loss_db, both) else {
            return false;
        };
        let half = grade::with_linearity(
            Measured::new(0.5 * limit, loss.sigma),
            plan.limits.linearity_db_per_db,
        );
        joint.verdict == Some(Verdict::Undecided)
            && grade::judge(half, Limit::AtMost(limit), confidence).verdict != Verdict::Pass
    };
    let joints: Vec<&JointReview> = own.joints.iter().filter(hopeless).collect();
    let first = joints.first()?;
    let noisier = |joint: &JointReview| {
        let sigma = |m: Option<Measured>| m.map_or(0.0, |m| m.sigma);
        let from_b = sigma(joint.loss.from_b_db) > sigma(joint.loss.from_a_db);
        (joint.wavelength_nm, if from_b { Direction::BToA } else { Direction::AToB })
    };
    let wanted: BTreeSet<(u16, Direction)> = joints.iter().map(|j| noisier(j)).collect();
    let names: BTreeSet<&str> = joints.iter().map(|j| j.name.as_str()).collect();
    let loss = first.loss.loss_db?;
    let says = format!(
        "{} at {} nm is known to {loss} dB: too noisy to be judged by the limits ({} in all)",
        first.name,
        first.wavelength_nm,
        names.len()
    );
    let mut found = finding("too-noisy", Severity::Fault, Some(own.fiber), says, MORE_LIGHT);
    found.place = Some(first.name.clone());
    found.at_m = Some(first.at_m);
    found.evidence.insert("loss_sigma_db", loss.sigma);
    found.files = rows
        .iter()
        .filter(|r| r.counts && r.fiber == Some(own.fiber))
        .filter(|r| r.wavelength_nm.zip(r.direction).is_some_and(|key| wanted.contains(&key)))
        .filter_map(|r| Some(tests[r.test?].path.clone()))
        .collect();
    Some(found)
}
