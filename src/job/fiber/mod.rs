//! One fibre from all its measurements: joints, connectors, sections, links, and what is wrong.

use std::path::PathBuf;

mod cut;
mod end;
mod joint;
mod link;
mod open;
mod opinion;
mod section;
mod unplanned;
mod waive;
mod whole;

pub use open::NO_LIMIT;
pub use section::SectionReview;
use whole::Doubt;
pub use whole::not_whole;
pub(super) use whole::unseen_m;

use super::check;
use super::name::Direction;
use super::settings::Agreed;
use super::test::Content;
use super::{Finding, Row, Severity, Test};
use crate::combine::TwoWay;
use crate::grade::{self, Verdict};
use crate::plan::{Plan, PlannedJoint};
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
    /// Its loss, from both ends and all wavelengths together.
    pub loss: TwoWay,
    /// The part of it that grows with wavelength as a bend's does. `None` from one wavelength alone.
    pub bend_db: Option<Measured>,
    /// Highest reflectance seen.
    pub reflectance_db: Option<Measured>,
    /// `None`: the plan sets no limit.
    pub verdict: Option<Verdict>,
    /// Why a verdict other than pass was accepted. `None`: it was not, or passes.
    pub waived: Option<String>,
}

impl JointReview {
    /// The verdict as far as it counts: an accepted deviation does not.
    fn counting(&self) -> Option<Verdict> {
        if self.waived.is_some() { Some(Verdict::Pass) } else { self.verdict }
    }
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
    /// What the plan does not say, so that its limit from parts is not known.
    pub limit_lacks: Option<&'static str>,
    /// `None`: no limit or no loss.
    pub verdict: Option<Verdict>,
    /// Whether a connector that the limit holds is not in the loss: so it can fail and not pass.
    pub lacks_connector: bool,
    /// Whether an end hung open when its return loss was measured: that can pass so and not fail.
    pub is_open: bool,
    /// Optical return loss, the lower of both ends', positive dB.
    pub return_loss_db: Option<Measured>,
    /// `None`: no limit or no figure.
    pub return_loss_verdict: Option<Verdict>,
    /// Mean loss over the planned splices. `None` where one of them has none.
    pub splice_mean_db: Option<Measured>,
    /// `None`: no limit or no splice.
    pub splice_mean_verdict: Option<Verdict>,
    /// Length from end connector to end connector, with the doubt about index and time base.
    pub length_m: Option<Measured>,
    /// `None`: no limit or no length.
    pub length_verdict: Option<Verdict>,
}

impl LinkReview {
    fn verdicts(&self) -> impl Iterator<Item = Verdict> + use<> {
        let own =
            [self.verdict, self.return_loss_verdict, self.splice_mean_verdict, self.length_verdict];
        own.into_iter().flatten()
    }
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
    /// Length between the end connectors, mean of all measurements weighted by their sigmas.
    pub length_m: Option<f64>,
    /// Joints and end connectors per wavelength.
    pub joints: Vec<JointReview>,
    /// Links per wavelength.
    pub links: Vec<LinkReview>,
    /// Sections between joints, of each trace that counts.
    pub sections: Vec<SectionReview>,
    /// What is to be said.
    pub findings: Vec<Finding>,
    /// Places at which a waiver of the plan meets nothing that is over its limit.
    pub unmet_waivers: Vec<String>,
    /// What leaves it undecided: wavelength in nm, and why.
    pub open: Vec<(u16, String)>,
    /// Which of its traces do not show it whole.
    pub(super) doubts: Vec<Doubt>,
    /// That length, with the sigma of both places.
    pub(super) length_seen_m: Option<Measured>,
    /// Where it is broken, in fibre metres from end a.
    pub(super) broken_m: Option<f64>,
    /// Verdicts that sections and their means give, by wavelength.
    pub(super) judged_sections: Vec<(u16, Verdict)>,
    /// Whether a planned measurement is missing, or one of its tests is undecided.
    pub(super) incomplete: bool,
    pub(super) doubtful: bool,
}

/// Faults that are to be put right, and leave open whether the fibre itself is good.
const LEAVE_OPEN: [&str; 7] = [
    "copy",
    "length-outlier",
    "loss-outlier",
    "missing",
    "odd-one-out",
    "too-noisy",
    "wrong-label",
];

impl FiberReview {
    /// A fibre of which nothing is known.
    fn of_nothing(fiber: u32) -> FiberReview {
        FiberReview {
            fiber,
            verdict: FiberVerdict::Undecided,
            length_m: None,
            joints: Vec::new(),
            links: Vec::new(),
            sections: Vec::new(),
            findings: Vec::new(),
            unmet_waivers: Vec::new(),
            open: Vec::new(),
            doubts: Vec::new(),
            length_seen_m: None,
            broken_m: None,
            judged_sections: Vec::new(),
            incomplete: false,
            doubtful: false,
        }
    }

    /// Sets the verdict from everything found: fail before incomplete before undecided before pass.
    pub(super) fn settle(&mut self) {
        let faults = self.findings.iter().filter(|f| f.severity == Severity::Fault);
        let fails = faults.clone().any(|f| !LEAVE_OPEN.contains(&f.kind));
        let open = faults.into_iter().any(|f| f.kind != "missing");
        let parts = self.joints.iter().filter_map(JointReview::counting);
        let worst = grade::worst(
            parts
                .chain(self.links.iter().flat_map(LinkReview::verdicts))
                .chain(self.judged_sections.iter().map(|s| s.1)),
        );
        self.verdict = match worst {
            Some(Verdict::Fail) => FiberVerdict::Fail,
            _ if fails && !self.findings.iter().any(|f| f.kind == "copy") => FiberVerdict::Fail,
            _ if self.incomplete => FiberVerdict::Incomplete,
            Some(Verdict::Pass) if !self.doubtful && !open => FiberVerdict::Pass,
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
                .filter_map(JointReview::counting)
                .chain(links.flat_map(LinkReview::verdicts))
                .chain(sections.map(|s| s.1)),
        )
    }
}

/// The measurements of one fibre that count.
struct Own<'a> {
    fiber: u32,
    plan: &'a Plan,
    tests: Vec<Counted<'a>>,
}

/// A measurement that counts.
struct Counted<'a> {
    wavelength_nm: u16,
    direction: Direction,
    test: &'a Test,
    content: &'a Content,
}

/// Reviews one fibre.
pub(super) fn review(
    fiber: u32,
    (tests, rows): (&[Test], &[Row]),
    plan: &Plan,
    agreed: &Agreed,
) -> FiberReview {
    // With another index and no end in sight nobody knows where its joints lie.
    let is_placed = |nm: u16, content: &Content| {
        content.length_m.is_some() || !agreed.is_other_scale(nm, content, plan)
    };
    let counting = rows.iter().filter(|r| r.fiber == Some(fiber) && r.counts);
    let own = Own {
        fiber,
        plan,
        tests: counting
            .filter_map(|r| {
                let test = &tests[r.test?];
                Some(Counted {
                    wavelength_nm: r.wavelength_nm?,
                    direction: r.direction?,
                    test,
                    content: test.read()?,
                })
            })
            .filter(|t| is_placed(t.wavelength_nm, t.content))
            .collect(),
    };
    let length_seen_m = Measured::mean(own.tests.iter().filter_map(|t| t.content.length_m));
    let length_m = length_seen_m.map(|l| l.value);
    let mut out = FiberReview { length_m, length_seen_m, ..FiberReview::of_nothing(fiber) };
    own.find_break(&mut out);
    own.doubt_ends(&mut out);
    let (joints, links): (Vec<_>, Vec<_>) = plan
        .measure
        .wavelengths_nm
        .iter()
        .map(|w| (own.joints(*w, length_m), own.link(*w, out.broken_m)))
        .unzip();
    out.joints = joints.into_iter().flatten().collect();
    out.links = links;
    own.fit_together(&mut out);
    own.judge_joints(&mut out);
    own.judge_ends(&mut out);
    own.judge_reflectances(&mut out);
    own.judge_sections(&mut out);
    own.find_unplanned(&mut out);
    own.waive(&mut out);
    own.judge_links(&mut out);
    own.judge_splice_means(&mut out);
    own.judge_return_loss(&mut out);
    own.judge_length(&mut out);
    own.say_second_opinion(&mut out);
    out
}

impl Own<'_> {
    fn of(&self, wavelength_nm: u16, direction: Direction) -> Option<&Content> {
        let is_it = |t: &&Counted| t.wavelength_nm == wavelength_nm && t.direction == direction;
        self.tests.iter().find(is_it).map(|t| t.content)
    }

    /// Whether a trace of this wavelength counts.
    fn is_measured(&self, wavelength_nm: u16) -> bool {
        self.tests.iter().any(|t| t.wavelength_nm == wavelength_nm)
    }

    fn files(&self) -> Vec<PathBuf> {
        self.tests.iter().map(|t| t.test.path.clone()).collect()
    }

    fn finding(
        &self,
        kind: &'static str,
        severity: Severity,
        place: Option<&str>,
        at_m: Option<f64>,
    ) -> Finding {
        Finding {
            place: place.map(str::to_owned),
            at_m,
            files: self.files(),
            ..check::finding(kind, severity, Some(self.fiber), String::new(), "")
        }
    }

    /// `C2–C3`, with the ends as `end a` and `end b`.
    fn section_name(&self, at_m: f64) -> String {
        let names = |joint: Option<&PlannedJoint>, end: &str| {
            joint.map_or(end.to_owned(), |j| j.name.clone())
        };
        let before = self.plan.joints.iter().rev().find(|j| j.at_m <= at_m);
        let behind = self.plan.joints.iter().find(|j| j.at_m > at_m);
        format!("{}–{}", names(before, "end a"), names(behind, "end b"))
    }
}

/// What to do with a connector that loses too much.
const CLEAN: &str = "clean it, look at both end faces with a camera scope, and measure again";

/// `0.31 ± 0.01 dB at 1310 nm, 0.33 ± 0.01 dB at 1550 nm`
fn figures(known: &[(u16, Measured)]) -> String {
    let each = known.iter().map(|(nm, loss)| format!("{loss} dB at {nm} nm"));
    each.collect::<Vec<_>>().join(", ")
}

fn highest(a: Option<Measured>, b: Option<Measured>) -> Option<Measured> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if a.value >= b.value { a } else { b }),
        (one, other) => one.or(other),
    }
}
