//! Planned joints and end connectors of one fibre, measured from both ends; the joints judged.

use std::collections::BTreeMap;

use super::super::Severity;
use super::super::name::Direction;
use super::super::test::Content;
use super::{CLEAN, FiberReview, JointReview, Own, figures, highest};
use crate::combine::{self, Joined, Reading, TwoWay};
use crate::event::{Event, Peak, Role};
use crate::grade::{self, Limit, Verdict};
use crate::plan::{JointKind, Limits, Plan, PlannedJoint};
use crate::units::Measured;

/// A contradiction smaller than this is nobody's business: no limit is as small.
const LEAST_CONTRADICTION_DB: f64 = 0.05;

/// What both ends show at one wavelength.
struct Pair<'a> {
    a: Option<&'a Content>,
    b: Option<&'a Content>,
    plan: &'a Plan,
    wavelength_nm: u16,
}

impl Pair<'_> {
    /// A joint that nobody has judged.
    fn joint(&self, name: &str, at_m: f64, from: [Option<Measured>; 2]) -> JointReview {
        JointReview {
            name: name.to_owned(),
            at_m,
            at_sigma_m: 0.0,
            wavelength_nm: self.wavelength_nm,
            loss: combine::two_way(from[0], from[1], self.plan.limits.one_way_db),
            bend_db: None,
            reflectance_db: None,
            verdict: None,
            waived: None,
        }
    }

    fn end_a(&self) -> JointReview {
        let (near, far) = (self.a, self.b);
        let from = [near.and_then(|c| c.near_db), far.and_then(|c| c.far_db)];
        let reflectance_db = end_reflectance(near, far);
        JointReview { reflectance_db, ..self.joint("end a", 0.0, from) }
    }

    fn end_b(&self, at_m: f64) -> JointReview {
        let (near, far) = (self.b, self.a);
        let from = [far.and_then(|c| c.far_db), near.and_then(|c| c.near_db)];
        let reflectance_db = end_reflectance(near, far);
        JointReview { reflectance_db, ..self.joint("end b", at_m, from) }
    }

    /// The plan's `i`th joint, where the traces show it or would.
    fn planned(&self, i: usize, joint: &PlannedJoint) -> JointReview {
        let read = [self.a, self.b].map(|c| c.and_then(|c| c.joints.get(i).copied()));
        let from = read.map(|seen| seen.and_then(|(_, loss_db)| loss_db));
        let places: Vec<f64> =
            read.into_iter().flatten().filter(|j| j.1.is_some()).map(|j| j.0).collect();
        let mean = places.iter().sum::<f64>() / places.len().max(1) as f64;
        let at_m = if places.is_empty() { joint.at_m } else { mean };
        let spread = places.iter().map(|p| (p - at_m).abs()).fold(0.0, f64::max);
        let seen = |c: Option<&Content>, back: bool| {
            let c = c?;
            let length = c.length_m.map(|l| l.value).or(self.plan.cable.length_m);
            let from_near = if back { length? - at_m } else { at_m };
            reflection_at(c, c.near_m? + from_near)
        };
        JointReview {
            at_sigma_m: spread.max(0.1),
            reflectance_db: highest(seen(self.a, false), seen(self.b, true)),
            ..self.joint(&joint.name, at_m, from)
        }
    }
}

/// Of an end's connector, as near and as far end.
fn end_reflectance(near: Option<&Content>, far: Option<&Content>) -> Option<Measured> {
    let one = near.and_then(|c| reflection_at(c, c.near_m?));
    let other = far.and_then(|c| reflection_at(c, c.near_m? + c.length_m?.value));
    highest(one, other)
}

impl Own<'_> {
    /// All joints and both end connectors at one wavelength, not yet judged.
    pub(super) fn joints(&self, wavelength_nm: u16, length_m: Option<f64>) -> Vec<JointReview> {
        let pair = Pair {
            a: self.of(wavelength_nm, Direction::AToB),
            b: self.of(wavelength_nm, Direction::BToA),
            plan: self.plan,
            wavelength_nm,
        };
        let has_cords = self.plan.measure.launch_m.is_some() || self.plan.measure.tail_m.is_some();
        let mut joints = Vec::new();
        joints.extend(has_cords.then(|| pair.end_a()));
        let planned = self.plan.joints.iter().enumerate();
        joints.extend(planned.map(|(i, joint)| pair.planned(i, joint)));
        let far_m = length_m.or(self.plan.cable.length_m).unwrap_or(0.0);
        joints.extend(has_cords.then(|| pair.end_b(far_m)));
        joints
    }

    /// Fits the readings of each joint from both ends and at all wavelengths together.
    pub(super) fn fit_together(&self, out: &mut FiberReview) {
        let mut by_name: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, joint) in out.joints.iter().enumerate() {
            by_name.entry(joint.name.clone()).or_default().push(i);
        }
        for (name, own) in by_name {
            let reading = |i: &usize| Reading {
                wavelength_nm: out.joints[*i].wavelength_nm,
                from_a_db: out.joints[*i].loss.from_a_db,
                from_b_db: out.joints[*i].loss.from_b_db,
            };
            let readings: Vec<Reading> = own.iter().map(reading).collect();
            let joined = combine::together(&readings, self.plan.limits.one_way_db);
            for (i, joint) in own.iter().enumerate() {
                out.joints[*joint].loss = joined.losses[i];
                out.joints[*joint].bend_db = joined.bends_db[i];
            }
            if joined.contradicts_itself() && self.plan.joints.iter().any(|j| j.name == name) {
                self.say_contradiction(&name, &readings, &joined, out);
            }
        }
    }

    /// Readings of one joint that no splice, bend or unequal fibres explain: one of them is not of this
    /// joint, or something changed in between.
    fn say_contradiction(
        &self,
        name: &str,
        readings: &[Reading],
        joined: &Joined,
        out: &mut FiberReview,
    ) {
        let off = |reading: Option<Measured>, two: &TwoWay, sign: f64| {
            let expected = two.loss_db?.value + sign * two.step_db?.value;
            Some((reading?.value - expected).abs())
        };
        let offs = readings.iter().zip(&joined.losses).flat_map(|(r, two)| {
            [off(r.from_a_db, two, 1.0), off(r.from_b_db, two, -1.0)].into_iter().flatten()
        });
        let most = offs.fold(0.0, f64::max);
        if most < LEAST_CONTRADICTION_DB {
            return;
        }
        let at_m = out.joints.iter().find(|j| j.name == name).map(|j| j.at_m);
        let mut finding = self.finding("loss-outlier", Severity::Fault, Some(name), at_m);
        finding.evidence.insert("chi_squared", joined.chi_squared);
        finding.evidence.insert("degrees_of_freedom", joined.degrees as f64);
        finding.evidence.insert("largest_misfit_db", most);
        let figure = |m: Option<Measured>| m.map_or("–".to_owned(), |m| m.to_string());
        let figures: Vec<String> = readings
            .iter()
            .map(|r| {
                let (a, b) = (figure(r.from_a_db), figure(r.from_b_db));
                format!("{a} from end a and {b} from end b at {} nm", r.wavelength_nm)
            })
            .collect();
        finding.says = format!(
            "the readings of {name} contradict each other: {} dB; no splice, bend or unequal fibres show that",
            figures.join(", ")
        );
        finding.next = "see which trace is odd, and measure that one again".into();
        out.findings.push(finding);
    }

    /// Judges planned joints; says high splices, bends, and unequal fibres.
    pub(super) fn judge_joints(&self, out: &mut FiberReview) {
        for joint in &self.plan.joints {
            let Some(limit) = self.plan.allowance_db(joint) else {
                self.say_bend(joint, out);
                continue;
            };
            let failed = self.judge_joint(joint, limit, out);
            let worst = failed.into_iter().max_by(|a, b| a.value.total_cmp(&b.value));
            if let Some(worst) = worst {
                self.say_too_much(joint, worst, limit, out);
            } else {
                self.say_unsure((&joint.name, joint.kind), limit, out);
                self.say_unequal(joint, limit, out);
            }
        }
    }

    /// Sets a joint's verdict at each wavelength. Returns the losses that fail.
    fn judge_joint(
        &self,
        joint: &PlannedJoint,
        limit_db: f64,
        out: &mut FiberReview,
    ) -> Vec<Measured> {
        let mut failed = Vec::new();
        let is_bend = grows(&joint.name, out);
        for own in out.joints.iter_mut().filter(|j| j.name == joint.name) {
            let Some(loss) = own.loss.loss_db else {
                // Hidden in every trace that was taken: nobody knows what it loses.
                let measured = self.is_measured(own.wavelength_nm);
                own.verdict = Some(Verdict::Undecided).filter(|_| measured);
                continue;
            };
            own.verdict = verdict_of(&own.loss, limit_db, is_bend, &self.plan.limits);
            if own.verdict == Some(Verdict::Fail) {
                failed.push(loss);
            }
        }
        failed
    }

    fn say_too_much(
        &self,
        joint: &PlannedJoint,
        worst: Measured,
        limit_db: f64,
        out: &mut FiberReview,
    ) {
        let known = known(&joint.name, out);
        let (kind, next) = match (is_bend(&known), joint.kind) {
            (true, _) => ("bend", LOOK_FOR_A_BEND),
            (false, JointKind::Connector) => ("high-connector", CLEAN),
            (false, _) if known.len() < 2 => ("high-splice", BEND_OR_SPLICE),
            (false, _) => ("high-splice", SPLICE_AGAIN),
        };
        let mut finding =
            self.finding(kind, Severity::Fault, Some(&joint.name), Some(at_m(joint, out)));
        finding.rests_on(["loss_db", "loss_sigma_db"], worst);
        finding.evidence.insert("limit_db", limit_db);
        finding.says =
            format!("{} loses {}; the limit is {limit_db} dB", joint.name, figures(&known));
        finding.next = next.into();
        out.findings.push(finding);
    }

    /// A remark where one end alone shows too much, and unequal fibres may be all there is to it.
    pub(super) fn say_unsure(
        &self,
        (name, kind): (&str, JointKind),
        limit_db: f64,
        out: &mut FiberReview,
    ) {
        let limit = Limit::AtMost(limit_db);
        let seems_bad = |own: &&JointReview| {
            let graded = own.loss.loss_db.map(|loss| self.plan.limits.judge_loss(loss, limit));
            own.name == name && graded.is_some_and(|graded| graded.verdict == Verdict::Fail)
        };
        let Some(own) = out.joints.iter().rfind(seems_bad) else { return };
        let (kind, what) = match kind {
            JointKind::Connector => ("high-connector", "a bad connector"),
            _ => ("high-splice", "a bad splice"),
        };
        let mut finding = self.finding(kind, Severity::Remark, Some(name), Some(own.at_m));
        if let Some(loss) = own.loss.loss_db {
            finding.rests_on(["loss_db", "loss_sigma_db"], loss);
        }
        finding.evidence.insert("limit_db", limit_db);
        finding.says = format!(
            "{name} seems to lose {}, read from one end alone; the limit is {limit_db} dB: {what}, or fibres of unequal backscatter",
            figures(&known(name, out))
        );
        finding.next = "measure it from the other end: unequal fibres then cancel".into();
        out.findings.push(finding);
    }

    /// A remark where the plan limits no loss of a joint, and it grows with wavelength.
    fn say_bend(&self, joint: &PlannedJoint, out: &mut FiberReview) {
        let known = known(&joint.name, out);
        let Some((_, longest)) = known.last().filter(|_| is_bend(&known)) else { return };
        let mut finding =
            self.finding("bend", Severity::Remark, Some(&joint.name), Some(at_m(joint, out)));
        finding.rests_on(["loss_db", "loss_sigma_db"], *longest);
        finding.says = format!(
            "{} loses {}, as at a tight bend; the plan sets no limit for it",
            joint.name,
            figures(&known)
        );
        finding.next = LOOK_FOR_A_BEND.into();
        out.findings.push(finding);
    }

    /// A remark where one end alone would be judged otherwise than the mean.
    fn say_unequal(&self, joint: &PlannedJoint, limit: f64, out: &mut FiberReview) {
        let confidence = self.plan.limits.confidence;
        let otherwise = out.joints.iter().find(|j| {
            let (Some(mean), Some(step)) = (j.verdict, j.loss.step_db) else { return false };
            let one = |m: Option<Measured>| {
                m.map(|m| grade::judge(m, Limit::AtMost(limit), confidence).verdict)
            };
            j.name == joint.name
                && mean == Verdict::Pass
                && step.value.abs() > 3.0 * step.sigma
                && j.loss.from_a_db.is_some()
                && j.loss.from_b_db.is_some()
                && (one(j.loss.from_a_db) == Some(Verdict::Fail)
                    || one(j.loss.from_b_db) == Some(Verdict::Fail))
        });
        let Some(found) = otherwise else { return };
        let (a, b) = (found.loss.from_a_db, found.loss.from_b_db);
        let value = |m: Option<Measured>| m.map_or(0.0, |m| m.value);
        let words = |m: Option<Measured>| m.map_or("–".to_owned(), |m| m.to_string());
        let mut finding =
            self.finding("unequal-fibers", Severity::Remark, Some(&joint.name), Some(found.at_m));
        finding.evidence.insert("loss_from_a_db", value(a));
        finding.evidence.insert("loss_from_b_db", value(b));
        let step = found.loss.step_db.map_or(0.0, |step| step.value);
        let ratio = combine::mode_field_ratio(step);
        finding.says = format!(
            "{} shows {} dB from end a and {} dB from end b: fibres of unequal backscatter, as mode fields {:.0} % apart would make it; the mean is good",
            joint.name,
            words(a),
            words(b),
            100.0 * (ratio.max(1.0 / ratio) - 1.0)
        );
        finding.evidence.insert("step_db", step);
        finding.evidence.insert("mode_field_loss_db", combine::mode_field_loss_db(ratio));
        finding.next = "nothing".into();
        out.findings.push(finding);
    }
}

const LOOK_FOR_A_BEND: &str =
    "look for a tight bend in the tray before splicing anything: the loss grows with wavelength";
const SPLICE_AGAIN: &str = "splice again: the loss is alike at every wavelength";
const BEND_OR_SPLICE: &str =
    "look for a tight bend in the tray, then splice again: one wavelength does not tell them apart";

/// What a joint loses at each wavelength, ascending.
fn known(name: &str, out: &FiberReview) -> Vec<(u16, Measured)> {
    let own = out.joints.iter().filter(|own| own.name == name);
    let mut known: Vec<(u16, Measured)> =
        own.filter_map(|own| Some((own.wavelength_nm, own.loss.loss_db?))).collect();
    known.sort_by_key(|k| k.0);
    known
}

/// What two fibres of unequal backscatter may fake at a joint that one end alone shows, in sigmas of what is usual
/// (`one_way_db`). Two mode fields, each anywhere within 9.2 ± 0.4 µm (data sheets), are 0.55 µm apart or more in
/// one pair of twenty on the side that fakes a loss; `10·log10` of their ratio is 0.26 dB (docs/theory.md), 5.2 times
/// the usual 0.05 dB. Against it stands no more than that most splices are good, so that it is undecided which of
/// both rare things one reading shows; that both meet and hide each other is rarer still.
const UNEQUAL_SIGMAS: f64 = 5.2;

/// Whether a loss over its limit is more than unequal fibres may fake from one end.
pub(super) fn is_beyond_unequal(excess_db: f64, limits: &Limits) -> bool {
    excess_db > UNEQUAL_SIGMAS * limits.one_way_db
}

/// A joint's loss against its limit: from one end alone what unequal fibres may fake is no fault yet. What grows with
/// wavelength as a bend's does they fake at none. `None` where the loss is not known.
pub(super) fn verdict_of(
    loss: &TwoWay,
    limit_db: f64,
    is_bend: bool,
    limits: &Limits,
) -> Option<Verdict> {
    let loss_db = loss.loss_db?;
    let graded = limits.judge_loss(loss_db, Limit::AtMost(limit_db)).verdict;
    let is_sure =
        is_bend || loss.step_db.is_some() || is_beyond_unequal(loss_db.value - limit_db, limits);
    Some(if is_sure { graded } else { graded.min(Verdict::Undecided) })
}

/// Whether what a joint loses grows with wavelength as a bend's loss does.
pub(super) fn grows(name: &str, out: &FiberReview) -> bool {
    is_bend(&known(name, out))
}

/// Whether a loss grows from the shortest wavelength to the longest.
fn is_bend(known: &[(u16, Measured)]) -> bool {
    match known {
        [(short_nm, short), .., (long_nm, long)] => {
            short_nm < long_nm && combine::grows_like_a_bend(*short, *long)
        }
        _ => false,
    }
}

/// Where a joint lies, as the longest wavelength of the plan shows it.
fn at_m(joint: &PlannedJoint, out: &FiberReview) -> f64 {
    let own = out.joints.iter().rfind(|own| own.name == joint.name);
    own.map_or(joint.at_m, |own| own.at_m)
}

/// The whole reflection of an event within a pulse of a place.
fn reflection_at(content: &Content, panel_m: f64) -> Option<Measured> {
    let off = |e: &&Event| (e.position_m.0 - panel_m).abs();
    let event = content
        .analysis
        .events
        .iter()
        .filter(|e| e.role == Role::Joint)
        .min_by(|a, b| off(a).total_cmp(&off(b)))
        .filter(|e| off(e) < content.pulse_m.max(3.0))?;
    match event.peak? {
        Peak::Whole { reflectance_db } => reflectance_db,
        // A lower bound is the least that it reflects.
        Peak::Saturated { at_least_db } => at_least_db.map(|r| Measured::new(r, 0.0)),
    }
}
