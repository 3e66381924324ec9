//! One fibre from all its measurements: joints, connectors, sections, links, and what is wrong.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::name::Direction;
use super::section::{self, SectionReview};
use super::test::Content;
use super::{Finding, Row, Severity, Test};
use crate::combine::{self, TwoWay};
use crate::event::{Event, Peak, Role};
use crate::grade::{self, Limit, Verdict};
use crate::plan::{JointKind, Plan};
use crate::units::Measured;

/// A joint of one fibre at one wavelength.
#[derive(Clone, Debug, PartialEq)]
pub struct JointReview {
    /// Its name, `end a` or `end b`.
    pub name: String,
    /// Fibre metres from end a's connector.
    pub at_m: f64,
    /// One sigma of that, from what both ends say.
    pub at_sigma_m: f64,
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Its loss from both ends.
    pub loss: TwoWay,
    /// Highest reflectance seen.
    pub reflectance_db: Option<Measured>,
    /// `None`: the plan sets no limit.
    pub verdict: Option<Verdict>,
}

/// A link of one fibre at one wavelength.
#[derive(Clone, Debug, PartialEq)]
pub struct LinkReview {
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Loss from end connector to end connector, both included; mean of both ends where measured.
    pub loss_db: Option<Measured>,
    /// The limit.
    pub limit_db: Option<f64>,
    /// `None`: no limit or no loss.
    pub verdict: Option<Verdict>,
}

/// What a fibre as a whole is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FiberVerdict {
    /// Everything that was planned is there and within its limits.
    Pass,
    /// Something cannot be told.
    Undecided,
    /// A planned measurement is missing.
    Incomplete,
    /// Something is beyond its limit, or a fault was found.
    Fail,
}

impl FiberVerdict {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            FiberVerdict::Pass => "pass",
            FiberVerdict::Undecided => "undecided",
            FiberVerdict::Incomplete => "incomplete",
            FiberVerdict::Fail => "fail",
        }
    }
}

/// One fibre.
#[derive(Clone, Debug)]
pub struct FiberReview {
    /// Its number.
    pub fiber: u32,
    /// Its verdict.
    pub verdict: FiberVerdict,
    /// Length between the end connectors, mean of all measurements.
    pub length_m: Option<f64>,
    /// Joints and end connectors per wavelength.
    pub joints: Vec<JointReview>,
    /// Links per wavelength.
    pub links: Vec<LinkReview>,
    /// Sections between joints, of each trace that counts.
    pub sections: Vec<SectionReview>,
    /// What is to be said.
    pub findings: Vec<Finding>,
    /// Where it is broken, in fibre metres from end a.
    pub(super) broken_m: Option<f64>,
    /// Verdicts that sections and their means give, by wavelength.
    pub(super) judged_sections: Vec<(u16, Verdict)>,
    /// Whether a planned measurement is missing, or one of its tests is undecided.
    pub(super) incomplete: bool,
    pub(super) doubtful: bool,
}

impl FiberReview {
    /// Sets the verdict from everything found: fail before incomplete before undecided before pass.
    pub(super) fn settle(&mut self) {
        let faults =
            self.findings.iter().any(|f| f.severity == Severity::Fault && f.kind != "missing");
        let parts = self.joints.iter().filter_map(|j| j.verdict);
        let worst = grade::worst(
            parts
                .chain(self.links.iter().filter_map(|l| l.verdict))
                .chain(self.judged_sections.iter().map(|s| s.1)),
        );
        self.verdict = match worst {
            Some(Verdict::Fail) => FiberVerdict::Fail,
            _ if faults && !self.findings.iter().any(|f| f.kind == "copy") => FiberVerdict::Fail,
            _ if self.incomplete => FiberVerdict::Incomplete,
            Some(Verdict::Pass) if !self.doubtful => FiberVerdict::Pass,
            _ => FiberVerdict::Undecided,
        };
    }

    /// Worst verdict of everything at one wavelength. `None` where nothing was judged.
    pub(super) fn worst_at(&self, wavelength_nm: u16) -> Option<Verdict> {
        let joints = self.joints.iter().filter(|j| j.wavelength_nm == wavelength_nm);
        let links = self.links.iter().filter(|l| l.wavelength_nm == wavelength_nm);
        let sections = self.judged_sections.iter().filter(|s| s.0 == wavelength_nm);
        grade::worst(
            joints
                .filter_map(|j| j.verdict)
                .chain(links.filter_map(|l| l.verdict))
                .chain(sections.map(|s| s.1)),
        )
    }
}

/// The measurements of one fibre that count.
struct Own<'a> {
    fiber: u32,
    plan: &'a Plan,
    tests: Vec<(u16, Direction, &'a Test, &'a Content)>,
}

/// Reviews one fibre.
pub(super) fn review(fiber: u32, tests: &[Test], rows: &[Row], plan: &Plan) -> FiberReview {
    let counting = rows.iter().filter(|r| r.fiber == Some(fiber) && r.counts);
    let own = Own {
        fiber,
        plan,
        tests: counting
            .filter_map(|r| {
                let test = &tests[r.test?];
                Some((r.wavelength_nm?, r.direction?, test, test.read()?))
            })
            .collect(),
    };
    let lengths: Vec<f64> =
        own.tests.iter().filter_map(|t| t.3.length_m).map(|l| l.value).collect();
    let length_m =
        (!lengths.is_empty()).then(|| lengths.iter().sum::<f64>() / lengths.len() as f64);
    let mut out = FiberReview {
        fiber,
        verdict: FiberVerdict::Undecided,
        length_m,
        joints: Vec::new(),
        links: Vec::new(),
        sections: Vec::new(),
        findings: Vec::new(),
        broken_m: None,
        judged_sections: Vec::new(),
        incomplete: false,
        doubtful: false,
    };
    own.find_break(&mut out);
    let (joints, links): (Vec<_>, Vec<_>) = plan
        .measure
        .wavelengths_nm
        .iter()
        .map(|w| (own.joints(*w, length_m), own.link(*w, out.broken_m)))
        .unzip();
    out.joints = joints.into_iter().flatten().collect();
    out.links = links;
    own.judge_joints(&mut out);
    own.judge_ends(&mut out);
    own.judge_sections(&mut out);
    own.judge_links(&mut out);
    out
}

impl Own<'_> {
    fn of(&self, wavelength_nm: u16, direction: Direction) -> Option<&Content> {
        self.tests.iter().find(|t| t.0 == wavelength_nm && t.1 == direction).map(|t| t.3)
    }

    fn files(&self) -> Vec<PathBuf> {
        self.tests.iter().map(|t| t.2.path.clone()).collect()
    }

    fn finding(
        &self,
        kind: &'static str,
        severity: Severity,
        place: Option<&str>,
        at_m: Option<f64>,
    ) -> Finding {
        Finding {
            kind,
            severity,
            fiber: Some(self.fiber),
            place: place.map(str::to_owned),
            at_m,
            files: self.files(),
            evidence: BTreeMap::new(),
            says: String::new(),
            next: String::new(),
        }
    }

    /// A break: the light stops early, from one end or from both; then both distances add up.
    fn find_break(&self, out: &mut FiberReview) {
        let stops = |direction| {
            let all: Vec<f64> = self
                .tests
                .iter()
                .filter(|t| t.1 == direction)
                .filter_map(|t| t.3.stops_m)
                .map(|m| m.value)
                .collect();
            (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
        };
        let length = self.plan.cable.length_m;
        let from_b = stops(Direction::BToA);
        let at_m = match (stops(Direction::AToB), from_b.zip(length).map(|(b, l)| l - b)) {
            (Some(a), Some(b)) => {
                let together = (a - b).abs() < 0.01 * length.unwrap_or(0.0) + 20.0;
                if together { a } else { a.min(b) }
            }
            (Some(a), None) => a,
            (None, Some(b)) => b,
            (None, None) => return,
        };
        out.broken_m = Some(at_m);
        let section = self.section_name(at_m);
        let mut finding = self.finding("break", Severity::Fault, Some(&section), Some(at_m));
        finding.evidence.insert("at_m", at_m);
        if let Some(b) = from_b {
            finding.evidence.insert("from_b_m", b);
        }
        let b_words = from_b.map_or(String::new(), |b| format!(", {b:.1} m from end b"));
        finding.says = format!("the light stops {at_m:.1} m from end a{b_words}, in {section}");
        finding.next =
            "find the place, repair it, and measure the fibre again from both ends".into();
        out.findings.push(finding);
    }

    /// `C2–C3`, with the ends as `end a` and `end b`.
    fn section_name(&self, at_m: f64) -> String {
        let names = |joint: Option<&crate::plan::PlannedJoint>, end: &str| {
            joint.map_or(end.to_owned(), |j| j.name.clone())
        };
        let before = self.plan.joints.iter().rev().find(|j| j.at_m <= at_m);
        let behind = self.plan.joints.iter().find(|j| j.at_m > at_m);
        format!("{}–{}", names(before, "end a"), names(behind, "end b"))
    }

    /// All joints and both end connectors at one wavelength, not yet judged.
    fn joints(&self, wavelength_nm: u16, length_m: Option<f64>) -> Vec<JointReview> {
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
            reflectance_db,
            verdict: None,
        };
        let mut joints = Vec::new();
        if self.plan.measure.launch_m.is_some() {
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
                reflectance_db: highest(seen(a, false), seen(b, true)),
                verdict: None,
            });
        }
        let loss = combine::two_way(a.and_then(|c| c.far_db), b.and_then(|c| c.near_db), one_way);
        let at_m = length_m.or(self.plan.cable.length_m).unwrap_or(0.0);
        if self.plan.measure.tail_m.is_some() || self.plan.measure.launch_m.is_some() {
            joints.push(end("end b", at_m, loss, reflectance(b, a)));
        }
        joints
    }

    /// Judges planned joints; says high splices, bends, and unequal fibres.
    fn judge_joints(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        for joint in &self.plan.joints {
            let Some(limit) = self.plan.joint_limit_db(joint.kind) else { continue };
            let mut failed: Vec<(u16, Measured)> = Vec::new();
            let mut known: Vec<(u16, Measured)> = Vec::new();
            let mut place = joint.at_m;
            for own in out.joints.iter_mut().filter(|j| j.name == joint.name) {
                place = own.at_m;
                let Some(loss) = own.loss.loss_db else { continue };
                let with = grade::with_linearity(loss, limits.linearity_db_per_db);
                let graded = grade::judge(with, Limit::AtMost(limit), limits.confidence);
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
                finding.evidence.insert("loss_db", worst.value);
                finding.evidence.insert("loss_sigma_db", worst.sigma);
                finding.evidence.insert("limit_db", limit);
                let figures: Vec<String> = known
                    .iter()
                    .map(|(w, l)| format!("{:.3} ± {:.3} dB at {w} nm", l.value, l.sigma))
                    .collect();
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
    fn say_unequal(&self, joint: &crate::plan::PlannedJoint, limit: f64, out: &mut FiberReview) {
        let confidence = self.plan.limits.confidence;
        let otherwise = out.joints.iter().find(|j| {
            let (Some(mean), Some(step)) = (j.verdict, j.loss.step_db) else { return false };
            let one = |m: Option<Measured>| {
                m.map(|m| grade::judge(m, Limit::AtMost(limit), confidence).verdict)
            };
            j.name == joint.name
                && mean == Verdict::Pass
                && step.value.abs() > 3.0 * step.sigma
                && (one(j.loss.from_a_db) == Some(Verdict::Fail)
                    || one(j.loss.from_b_db) == Some(Verdict::Fail))
        });
        let Some(found) = otherwise else { return };
        let (a, b) = (found.loss.from_a_db, found.loss.from_b_db);
        let value = |m: Option<Measured>| m.map_or(0.0, |m| m.value);
        let mut finding =
            self.finding("unequal-fibers", Severity::Remark, Some(&joint.name), Some(found.at_m));
        finding.evidence.insert("loss_from_a_db", value(a));
        finding.evidence.insert("loss_from_b_db", value(b));
        finding.says = format!(
            "{} shows {:.3} dB from end a and {:.3} dB from end b: fibres of unequal backscatter; the mean is good",
            joint.name,
            value(a),
            value(b)
        );
        finding.next = "nothing".into();
        out.findings.push(finding);
    }

    /// Judges both end connectors: loss and reflectance.
    fn judge_ends(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        for name in ["end a", "end b"] {
            let mut worst_loss: Option<Measured> = None;
            let mut worst_peak: Option<Measured> = None;
            let mut at_m = 0.0;
            for own in out.joints.iter_mut().filter(|j| j.name == name) {
                at_m = own.at_m;
                let mut verdicts = Vec::new();
                if let (Some(loss), Some(limit)) = (own.loss.loss_db, limits.connector_db) {
                    let with = grade::with_linearity(loss, limits.linearity_db_per_db);
                    let graded = grade::judge(with, Limit::AtMost(limit), limits.confidence);
                    verdicts.push(graded.verdict);
                    if graded.verdict == Verdict::Fail {
                        worst_loss = highest(worst_loss, Some(loss));
                    }
                }
                if let (Some(peak), Some(limit)) = (own.reflectance_db, limits.reflectance_db) {
                    let graded = grade::judge(peak, Limit::AtMost(limit), limits.confidence);
                    verdicts.push(graded.verdict);
                    if graded.verdict == Verdict::Fail {
                        worst_peak = highest(worst_peak, Some(peak));
                    }
                }
                own.verdict = grade::worst(verdicts);
            }
            if let (Some(loss), Some(limit)) = (worst_loss, limits.connector_db) {
                let mut finding =
                    self.finding("high-connector", Severity::Fault, Some(name), Some(at_m));
                finding.evidence.insert("loss_db", loss.value);
                finding.evidence.insert("loss_sigma_db", loss.sigma);
                finding.evidence.insert("limit_db", limit);
                finding.says = format!(
                    "the connector at {name} loses {:.2} ± {:.2} dB; the limit is {limit} dB",
                    loss.value, loss.sigma
                );
                finding.next =
                    "clean it, look at both end faces with a camera scope, and measure again"
                        .into();
                out.findings.push(finding);
            }
            if let (Some(peak), Some(limit)) = (worst_peak, limits.reflectance_db) {
                let mut finding =
                    self.finding("high-reflectance", Severity::Fault, Some(name), Some(at_m));
                finding.evidence.insert("reflectance_db", peak.value);
                finding.evidence.insert("reflectance_sigma_db", peak.sigma);
                finding.evidence.insert("limit_db", limit);
                finding.says = format!(
                    "the connector at {name} reflects {:.1} dB; the limit is {limit} dB",
                    peak.value
                );
                finding.next = "clean it, check that it is seated, and measure again".into();
                out.findings.push(finding);
            }
        }
    }

    /// Judges the attenuation of the fibre between joints: the longer sections of each trace, and
    /// their mean at each wavelength.
    fn judge_sections(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        for (wavelength, direction, _, content) in &self.tests {
            out.sections.extend(section::of_trace(content, *wavelength, *direction, self.plan));
        }
        let mut worst: Option<(&SectionReview, Measured, f64)> = None;
        let mut sums: BTreeMap<u16, (f64, f64, f64)> = BTreeMap::new(); // weighted value, weight, limit
        for own in &out.sections {
            let (Some(verdict), Some(attenuation), Some(limit)) =
                (own.verdict, own.attenuation_db_per_km, own.limit_db_per_km)
            else {
                continue;
            };
            if attenuation.sigma > 0.0 {
                let weight = attenuation.sigma.powi(-2);
                let sum = sums.entry(own.wavelength_nm).or_insert((0.0, 0.0, limit));
                *sum = (sum.0 + weight * attenuation.value, sum.1 + weight, limit);
            }
            // A short section alone rarely decides; one that fails does.
            if verdict == Verdict::Fail {
                out.judged_sections.push((own.wavelength_nm, Verdict::Fail));
                if worst.is_none_or(|w| attenuation.value / limit > w.1.value / w.2) {
                    worst = Some((own, attenuation, limit));
                }
            }
        }
        for (wavelength, (value, weight, limit)) in sums {
            let mean = Measured::new(value / weight, weight.powf(-0.5));
            let with = mean.widened(limits.linearity_db_per_db * mean.value);
            out.judged_sections.push((
                wavelength,
                grade::judge(with, Limit::AtMost(limit), limits.confidence).verdict,
            ));
        }
        if let Some((own, attenuation, limit)) = worst {
            let at_m = own.middle_m();
            let place = at_m.map_or("a section".to_owned(), |m| self.section_name(m));
            let mut finding = self.finding("high-attenuation", Severity::Fault, Some(&place), at_m);
            finding.evidence.insert("attenuation_db_per_km", attenuation.value);
            finding.evidence.insert("attenuation_sigma_db_per_km", attenuation.sigma);
            finding.evidence.insert("limit_db_per_km", limit);
            finding.says = format!(
                "{place} loses {:.3} ± {:.3} dB/km at {} nm; the limit is {limit} dB/km",
                attenuation.value, attenuation.sigma, own.wavelength_nm
            );
            finding.next =
                "look along this stretch for strain or bends; measure at a longer wavelength"
                    .into();
            out.findings.push(finding);
        }
    }

    fn link(&self, wavelength_nm: u16, broken_m: Option<f64>) -> LinkReview {
        let loss = |direction| {
            let content = self.of(wavelength_nm, direction)?;
            content.length_m?; // both end connectors are in it only where both are seen
            content.analysis.span.as_ref()?.loss_db
        };
        let both = combine::two_way(
            loss(Direction::AToB),
            loss(Direction::BToA),
            self.plan.limits.one_way_db,
        );
        LinkReview {
            wavelength_nm,
            loss_db: both.loss_db.filter(|_| broken_m.is_none()),
            limit_db: self.plan.link_limit_db(f64::from(wavelength_nm)),
            verdict: None,
        }
    }

    fn judge_links(&self, out: &mut FiberReview) {
        let limits = &self.plan.limits;
        let mut failed = None;
        for link in &mut out.links {
            let (Some(loss), Some(limit)) = (link.loss_db, link.limit_db) else { continue };
            // The scale's linearity holds for each dB of the whole link.
            let with = grade::with_linearity(loss, limits.linearity_db_per_db);
            let graded = grade::judge(with, Limit::AtMost(limit), limits.confidence);
            link.verdict = Some(graded.verdict);
            if graded.verdict == Verdict::Fail {
                failed = Some((link.wavelength_nm, loss, limit));
            }
        }
        // A cause is named once, at its root.
        let explained = out.findings.iter().any(|f| f.severity == Severity::Fault);
        if let Some((wavelength, loss, limit)) = failed.filter(|_| !explained) {
            let mut finding = self.finding("link-loss", Severity::Fault, None, None);
            finding.evidence.insert("loss_db", loss.value);
            finding.evidence.insert("loss_sigma_db", loss.sigma);
            finding.evidence.insert("limit_db", limit);
            finding.says = format!(
                "the link loses {:.2} ± {:.2} dB at {wavelength} nm; the limit is {limit:.2} dB",
                loss.value, loss.sigma
            );
            finding.next = "no part alone is over its limit: see which are near theirs".into();
            out.findings.push(finding);
        }
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

fn highest(a: Option<Measured>, b: Option<Measured>) -> Option<Measured> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if a.value >= b.value { a } else { b }),
        (one, other) => one.or(other),
    }
}
