//! Planned joints and end connectors of one fibre, measured from both ends; the joints judged.

use std::collections::BTreeMap;

use super::super::Severity;
use super::super::name::Direction;
use super::super::test::Content;
use super::{FiberReview, JointReview, Own, highest};
use crate::combine::{self, Joined, Reading, TwoWay};
use crate::event::{Event, Peak, Role};
use crate::grade::{self, Limit, Verdict};
use crate::plan::{JointKind, PlannedJoint};
use crate::units::Measured;

/// A contradiction smaller than this is nobody's business: no limit is as small.
const LEAST_CONTRADICTION_DB: f64 = 0.05;

impl Own<'_> {
    /// All joints and both end connectors at one wavelength, not yet judged.
    pub(super) fn joints(&self, wavelength_nm: u16, length_m: Option<f64>) -> Vec<JointReview> {
        let (a, b) =
            (self.of(wavelength_nm, Direction::AToB), self.of(wavelength_nm, Direction::BToA));
        let one_way = self.plan.limits.one_way_db;
        let reflectance = |near: Option<&Content>, far: Option<&Content>| {
            let one = near.and_then(|c| c.near_m.and_then(|m| reflection_at(c, m)));
            let other = far.and_then(|c| {
                c.near_m.zip(c.length_m).and_then(|(m, l)| reflection_at(c, m + l.value))
            });
            highest(one, other)
        };
        let end = |name: &str, at_m: f64, loss: TwoWay, reflectance_db| JointReview {
            name: name.into(),
            at_m,
            at_sigma_m: 0.0,
            wavelength_nm,
            loss,
            bend_db: None,
            reflectance_db,
            verdict: None,
            waived: None,
        };
        let mut joints = Vec::new();
        if self.plan.measure.launch_m.is_some() || self.plan.measure.tail_m.is_some() {
            let loss =
                combine::two_way(a.and_then(|c| c.near_db), b.and_then(|c| c.far_db), one_way);
            joints.push(end("end a", 0.0, loss, reflectance(a, b)));
        }
        for (i, joint) in self.plan.joints.iter().enumerate() {
            let of = |c: Option<&Content>| c.and_then(|c| c.joints.get(i).copied());
            let (from_a, from_b) = (of(a), of(b));
            let loss =
                combine::two_way(from_a.and_then(|j| j.1), from_b.and_then(|j| j.1), one_way);
            let places: Vec<f64> = [from_a, from_b]
                .into_iter()
                .flatten()
                .filter(|j| j.1.is_some())
                .map(|j| j.0)
                .collect();
            let mean = places.iter().sum::<f64>() / places.len().max(1) as f64;
            let at_m = if places.is_empty() { joint.at_m } else { mean };
            let spread = places.iter().map(|p| (p - at_m).abs()).fold(0.0, f64::max);
            let seen = |c: Option<&Content>, back: bool| {
                let c = c?;
                let length = c.length_m.map(|l| l.value).or(self.plan.cable.length_m);
                let from_near = if back { length? - at_m } else { at_m };
                reflection_at(c, c.near_m? + from_near)
            };
            joints.push(JointReview {
                name: joint.name.clone(),
                at_m,
                at_sigma_m: spread.max(0.1),
                wavelength_nm,
                loss,
                bend_db: None,
                reflectance_db: highest(seen(a, false), seen(b, true)),
                verdict: None,
                waived: None,
            });
        }
        let loss = combine::two_way(a.and_then(|c| c.far_db), b.and_then(|c| c.near_db), one_way);
        let at_m = length_m.or(self.plan.cable.length_m).unwrap_or(0.0);
        if self.plan.measure.tail_m.is_some() || self.plan.measure.launch_m.is_some() {
            joints.push(end("end b", at_m, loss, reflectance(b, a)));
        }
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
        let limits = &self.plan.limits;
        for joint in &self.plan.joints {
            let Some(limit) = self.plan.allowance_db(joint) else { continue };
            let mut failed: Vec<(u16, Measured)> = Vec::new();
            let mut known: Vec<(u16, Measured)> = Vec::new();
            let mut place = joint.at_m;
            for own in out.joints.iter_mut().filter(|j| j.name == joint.name) {
                place = own.at_m;
                let Some(loss) = own.loss.loss_db else {
                    // Hidden in every trace that was taken: nobody knows what it loses.
                    let measured = self.is_measured(own.wavelength_nm);
                    own.verdict = Some(Verdict::Undecided).filter(|_| measured);
                    continue;
                };
                let graded = limits.judge_loss(loss, Limit::AtMost(limit));
                own.verdict = Some(graded.verdict);
                known.push((own.wavelength_nm, loss));
                if graded.verdict == Verdict::Fail {
                    failed.push((own.wavelength_nm, loss));
                }
            }
            known.sort_by_key(|k| k.0);
            let bend = known
                .first()
                .zip(known.last())
                .filter(|(s, l)| s.0 < l.0 && combine::grows_like_a_bend(s.1, l.1));
            if let Some((_, worst)) = failed.iter().max_by(|a, b| a.1.value.total_cmp(&b.1.value)) {
                let kind = match (bend.is_some(), joint.kind) {
                    (true, _) => "bend",
                    (false, JointKind::Connector) => "high-connector",
                    (false, _) => "high-splice",
                };
                let mut finding =
                    self.finding(kind, Severity::Fault, Some(&joint.name), Some(place));
                finding.rests_on(["loss_db", "loss_sigma_db"], *worst);
                finding.evidence.insert("limit_db", limit);
                let figures: Vec<String> =
                    known.iter().map(|(w, l)| format!("{l} dB at {w} nm")).collect();
                finding.says =
                    format!("{} loses {}; the limit is {limit} dB", joint.name, figures.join(", "));
                finding.next = if bend.is_some() {
                    "look for a tight bend in the tray before splicing anything: the loss grows with wavelength".into()
                } else {
                    "splice again: the loss is alike at every wavelength".into()
                };
                out.findings.push(finding);
            } else {
                self.say_unequal(joint, limit, out);
            }
        }
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
