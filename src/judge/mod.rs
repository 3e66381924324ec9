//! One trace against a plan: each joint, section and the link, with what each verdict rests on, and
//! what would decide where the trace cannot.

mod cord;
mod doubt;
mod joints;
mod link;
mod parts;
mod remedy;
#[cfg(test)]
mod tests;

pub use cord::{ShortCord, short_cords};
pub use doubt::{Doubts, INDEX_ERROR, LossDoubt, PlaceDoubt, place_doubt};
pub use parts::{MeasuredPart, parts};

use crate::event::{Analysis, Event, Likely, Role};
use crate::grade::{self, Limit, Verdict};
use crate::plan::{self, JointKind, Limits, Plan, PlannedJoint};
use crate::trace::Trace;
use crate::units::{Measured, PanelM};

/// A section with fewer pulse lengths than this is mostly edge: too little clean fibre for its slope to be
/// judged alone. Common practice, no source.
pub const LEAST_SECTION_PULSES: f64 = 40.0;

/// What a verdict is about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Of {
    /// `Event::number` of an event.
    Event(usize),
    /// Place in [`Analysis::sections`].
    Section(usize),
    /// All fibre of the link together.
    Fiber,
    /// All splices of the link together.
    Splices,
    /// The connector at the near end, where a planned launch cord does not show it.
    NearEnd,
    /// The connector at the far end, where a planned tail cord does not show it.
    FarEnd,
    /// The link.
    Link,
}

/// Which of its figures was judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Loss in dB.
    Loss,
    /// Reflectance in dB.
    Reflectance,
    /// Attenuation in dB/km.
    Attenuation,
    /// Mean loss in dB.
    MeanLoss,
    /// Optical return loss in dB.
    ReturnLoss,
    /// Length in metres.
    Length,
}

impl Quantity {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Quantity::Loss => "loss",
            Quantity::Reflectance => "reflectance",
            Quantity::Attenuation => "attenuation",
            Quantity::MeanLoss => "mean loss",
            Quantity::ReturnLoss => "return loss",
            Quantity::Length => "length",
        }
    }

    /// Its unit.
    pub fn unit(self) -> &'static str {
        match self {
            Quantity::Attenuation => "dB/km",
            Quantity::Length => "m",
            _ => "dB",
        }
    }
}

/// What was there to judge by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Figure {
    /// A figure with all its uncertainty.
    Whole(Measured),
    /// A lower bound.
    AtLeast(f64),
    /// Nothing: it could not be measured.
    Unmeasured,
}

/// A verdict with all it rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// What it is about.
    pub of: Of,
    /// Which figure.
    pub quantity: Quantity,
    /// The figure.
    pub figure: Figure,
    /// The limit.
    pub limit: Limit,
    /// Probability that the true value is within the limit. `None` for a bound or without a figure.
    pub probability: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// Of a loss: what its uncertainty is made of.
    pub doubt: Option<LossDoubt>,
    /// Whether the trace's verdict hangs on it. A section too short to be decided alone does not
    /// count: all fibre together is judged.
    pub counts: bool,
    /// Of an undecided one: what would decide it.
    pub remedy: Option<String>,
    /// Of one that does not pass and is accepted: why, and by whom. It then does not count.
    pub waived: Option<String>,
}

/// A trace against a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// In order of events, then sections, then what concerns the whole link.
    pub items: Vec<Item>,
    /// What was not judged, and why.
    pub notes: Vec<String>,
}

impl Judged {
    /// The worst verdict of all parts. `None` where nothing was judged.
    pub fn verdict(&self) -> Option<Verdict> {
        grade::worst(self.items.iter().filter(|item| item.counts).map(|item| item.verdict))
    }

    /// Probability that all joints together are within their limits, taken as independent: shown, not
    /// judged. `None` where one of them has no probability, or there is none.
    pub fn together(&self) -> Option<f64> {
        let joints: Vec<&Item> =
            self.items.iter().filter(|item| matches!(item.of, Of::Event(_))).collect();
        let all: Option<Vec<f64>> = joints.iter().map(|item| item.probability).collect();
        all.filter(|all| !all.is_empty()).map(|all| all.iter().product())
    }

    /// How many counting parts have a verdict.
    pub fn count(&self, verdict: Verdict) -> usize {
        self.items.iter().filter(|item| item.counts && item.verdict == verdict).count()
    }

    /// The worst verdict of an event's figures. `None` where none was judged.
    pub fn of_event(&self, number: usize) -> Option<Verdict> {
        let own = self.items.iter().filter(|item| item.of == Of::Event(number));
        grade::worst(own.map(|item| item.verdict))
    }

    /// The verdict on a section's attenuation, by its place in [`Analysis::sections`].
    pub fn of_section(&self, index: usize) -> Option<Verdict> {
        self.items.iter().find(|item| item.of == Of::Section(index)).map(|item| item.verdict)
    }
}

/// Judges everything of a trace that `plan` sets a limit for. Echoes, cords and what lies outside the
/// link are never judged.
pub fn trace(plan: &Plan, trace: &Trace, analysis: &Analysis) -> Judged {
    let mut court = Court::of(plan, trace, analysis);
    if analysis.span.is_none() {
        court.note("no end of the link was found, so nothing can be judged");
        court.nothing_seen();
        return court.judged;
    }
    court.say_what_is_odd();
    court.say_what_is_left_out();
    court.unseen_ends();
    court.joints();
    court.waive();
    court.sections();
    court.splices_together();
    court.link();
    court.judged
}

/// A trace before its plan.
struct Court<'a> {
    plan: &'a Plan,
    limits: &'a Limits,
    trace: &'a Trace,
    analysis: &'a Analysis,
    doubts: Doubts,
    /// Whether it was measured from end b. `None` where its labels do not tell.
    from_b: Option<bool>,
    judged: Judged,
}

impl<'a> Court<'a> {
    fn of(plan: &'a Plan, trace: &'a Trace, analysis: &'a Analysis) -> Court<'a> {
        Court {
            plan,
            doubts: Doubts::of(trace, analysis),
            limits: &plan.limits,
            trace,
            analysis,
            from_b: plan.is_from_end_b(&trace.labels.from.text(), &trace.labels.to.text()),
            judged: Judged { items: Vec::new(), notes: Vec::new() },
        }
    }
}

impl Court<'_> {
    fn note(&mut self, says: &str) {
        self.judged.notes.push(says.to_owned());
    }

    /// The link's place: its near and far end, in metres from the panel.
    fn ends(&self) -> Option<(PanelM, PanelM)> {
        self.analysis.span.map(|span| (span.start_m, span.end_m))
    }

    /// Accepted deviations at the joints of this fibre no longer count.
    fn waive(&mut self) {
        let Some(fiber) = plan::fiber_number(&self.trace.labels.fiber.text()) else { return };
        for waiver in self.plan.waivers.iter().filter(|waiver| waiver.fiber == fiber) {
            let own: Vec<usize> = self
                .own_joints()
                .into_iter()
                .filter(|e| self.place(e).is_some_and(|name| waiver.is_at(name)))
                .map(|e| e.number)
                .collect();
            for item in &mut self.judged.items {
                let here = matches!(item.of, Of::Event(number) if own.contains(&number));
                if here && item.verdict != Verdict::Pass {
                    item.waived = Some(waiver.words());
                    item.counts = false;
                }
            }
        }
    }

    /// What the plan calls the place of a joint.
    fn place(&self, event: &Event) -> Option<&str> {
        let (start, end) = self.ends()?;
        match (event.position_m == start, event.position_m == end, self.from_b?) {
            (true, _, false) | (_, true, true) => Some("end a"),
            (_, true, false) | (true, _, true) => Some("end b"),
            _ => self.planned(event).map(|joint| joint.name.as_str()),
        }
    }

    fn say_what_is_odd(&mut self) {
        let (cable, planned) = (self.trace.labels.cable.text(), &self.plan.cable.id);
        if !cable.is_empty() && !planned.is_empty() && !cable.eq_ignore_ascii_case(planned) {
            self.note(&format!("the label says cable {cable}, the plan is for {planned}"));
        }
        let pulse_ns = self.trace.pulse_ns();
        if self.plan.measure.pulse_ns.is_some_and(|agreed| (agreed - pulse_ns).abs() > 0.5) {
            self.note(&format!("the pulse of {pulse_ns:.0} ns is not the one that was agreed on"));
        }
        let averaging = self.trace.settings.averaging_s.zip(self.plan.measure.min_averaging_s);
        if let Some((s, least)) = averaging.filter(|(s, least)| s < least) {
            self.note(&format!("averaged {s:.0} s, agreed was {least:.0} s at least"));
        }
    }

    fn say_what_is_left_out(&mut self) {
        let Some(nm) = self.trace.settings.wavelength_nm else {
            self.note("the file states no wavelength: limits that hang on it are not judged");
            return;
        };
        if !self.plan.measure.wavelengths_nm.is_empty()
            && self.plan.planned_wavelength_nm(nm).is_none()
        {
            self.note(&format!("the plan does not ask for {nm:.0} nm"));
        }
        if !self.limits.attenuation_db_per_km.is_empty()
            && self.plan.attenuation_limit_db_per_km(nm).is_none()
        {
            self.note(&format!("no limit for attenuation at {nm:.0} nm: not judged"));
        }
        if self.limits.link_loss_db.is_some() && self.plan.link_limit_db(nm).is_none() {
            self.note(&format!("no limit for the link's loss at {nm:.0} nm: not judged"));
        }
        if !self.sees_near_connector() {
            self.note("no launch cord: the connector at the near end is not judged");
        }
        if !self.sees_far_connector() {
            self.note("no tail cord: the connector at the far end is not judged");
        }
    }

    fn sees_near_connector(&self) -> bool {
        self.ends().is_some_and(|(start, _)| start.0 > 0.0)
    }

    fn sees_far_connector(&self) -> bool {
        let Some((_, end)) = self.ends() else { return false };
        self.analysis.events.iter().any(|e| e.position_m == end && e.role == Role::Joint)
    }

    /// A planned cord whose connector does not show leaves that connector undecided.
    fn unseen_ends(&mut self) {
        let Some(limit) = self.limits.connector_db else { return };
        let measure = &self.plan.measure;
        let ends = [
            (Of::NearEnd, measure.launch_m, self.sees_near_connector(), "launch"),
            (Of::FarEnd, measure.tail_m, self.sees_far_connector(), "tail"),
        ];
        for (of, cord_m, seen, cord) in ends {
            if cord_m.is_some() && !seen {
                let limit = Limit::AtMost(limit);
                let mut item = self.item(of, Quantity::Loss, Figure::Unmeasured, limit);
                item.remedy =
                    Some(format!("a {cord} cord as planned: its connector does not show"));
                self.judged.items.push(item);
            }
        }
    }

    /// The link's joints, connectors of seen cords included.
    fn own_joints(&self) -> Vec<&Event> {
        let Some((start, end)) = self.ends() else { return Vec::new() };
        let inside = |e: &&Event| e.position_m >= start && e.position_m <= end;
        self.analysis.events.iter().filter(|e| e.role == Role::Joint).filter(inside).collect()
    }

    /// What a joint is: as planned where the plan has one there, else as it looks.
    fn kind(&self, event: &Event) -> JointKind {
        let Some((start, end)) = self.ends() else { return JointKind::Splice };
        if event.position_m == start || event.position_m == end {
            return JointKind::Connector;
        }
        match (self.planned(event).map(|joint| joint.kind), event.likely) {
            (Some(kind), _) => kind,
            (None, Some(Likely::Connector)) => JointKind::Connector,
            (None, Some(Likely::Splitter)) => JointKind::Splitter,
            // What is not planned, as a bend, may lose no more than a splice.
            (None, _) => JointKind::Splice,
        }
    }

    /// The planned joint at the place of an event. `None` too where the labels do not tell the end.
    fn planned(&self, event: &Event) -> Option<&PlannedJoint> {
        let (start, end) = self.ends()?;
        let length_m = end.0 - start.0;
        let from_near = event.position_m.0 - start.0;
        let at_m = if self.from_b? { length_m - from_near } else { from_near };
        let planned_m = self.plan.cable.length_m.unwrap_or(length_m);
        let reach = plan::joint_reach_m(planned_m, self.trace.pulse_m(), event.position_sigma_m);
        (0..3).find_map(|way| {
            let place_m = |j: &PlannedJoint| plan::joint_places_m(j.at_m, planned_m, length_m)[way];
            let off = |joint: &&PlannedJoint| (place_m(joint) - at_m).abs();
            let nearest = self.plan.joints.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
            (off(&nearest) <= reach).then_some(nearest)
        })
    }

    fn item(&self, of: Of, quantity: Quantity, figure: Figure, limit: Limit) -> Item {
        let probability = match figure {
            Figure::Whole(m) => Some(grade::within(m, limit)),
            _ => None,
        };
        Item {
            of,
            quantity,
            figure,
            limit,
            probability,
            verdict: verdict(figure, limit, self.limits.confidence),
            doubt: None,
            counts: true,
            remedy: None,
            waived: None,
        }
    }
}

fn verdict(figure: Figure, limit: Limit, confidence: f64) -> Verdict {
    match figure {
        Figure::Whole(m) => grade::judge(m, limit, confidence).verdict,
        Figure::AtLeast(bound) => grade::judge_at_least(bound, limit),
        Figure::Unmeasured => Verdict::Undecided,
    }
}
