//! Joints of a trace: each judged by its loss, or with those whose losses cannot be parted from its own, and by
//! its reflection.

use super::{Court, Figure, Of, Quantity, remedy, verdict};
use crate::event::{Event, Peak};
use crate::grade::{self, Limit, Verdict};
use crate::plan::{JointKind, PlannedJoint};
use crate::units::Measured;

/// Joints whose losses cannot be parted, or one alone: those events that show something of them, the first with
/// what all lose together.
pub(super) struct Group {
    pub events: Vec<Event>,
}

impl Group {
    /// How many places lose together: more than there are events where two lie in one.
    pub fn places(&self) -> usize {
        self.events[0].merged.max(self.events.len())
    }

    /// What they lose together, if that could be measured.
    pub fn loss_db(&self) -> Option<Measured> {
        self.events[0].loss_db
    }
}

/// What joints of a kind lose together.
pub(super) struct Sum {
    /// How many there are.
    pub count: usize,
    /// Of how many the loss is known.
    pub known: usize,
    /// The loss of those.
    pub loss_db: Measured,
}

impl Court<'_> {
    /// The link's joints by whose loss can be told: each alone, or a group that shares the loss of its first.
    pub(super) fn groups(&self) -> Vec<Group> {
        let mut groups: Vec<Group> = Vec::new();
        for event in self.own_joints() {
            let hidden = event.loss_db.is_none() && event.loss_at_least_db.is_none();
            match groups.last_mut() {
                Some(group) if hidden && group.events.len() < group.places() => {
                    group.events.push(event.clone());
                }
                _ => groups.push(Group { events: vec![event.clone()] }),
            }
        }
        groups
    }

    /// Joints of a kind, those at a wanted place, and what they lose. Of a group that other joints belong to as
    /// well nobody knows which of them loses how much.
    pub(super) fn sum(&self, kind: JointKind, wanted: impl Fn(&Event) -> bool) -> Sum {
        let mut sum = Sum { count: 0, known: 0, loss_db: Measured::new(0.0, 0.0) };
        for group in self.groups() {
            let is_own = |event: &&Event| self.kind(event) == kind && wanted(event);
            let own = group.events.iter().filter(is_own).count();
            match group.loss_db().filter(|_| own == group.events.len()) {
                Some(loss) => {
                    sum.count += group.places();
                    sum.known += group.places();
                    sum.loss_db = sum.loss_db.plus(loss);
                }
                None => sum.count += own,
            }
        }
        sum
    }

    pub(super) fn joints(&mut self) {
        let groups = self.groups();
        for group in &groups {
            self.loss_of(&group.events[0]);
            for event in &group.events {
                let is_plug = event.is_reflective() || self.kind(event) == JointKind::Connector;
                if let Some(limit) = self.limits.reflectance_db.filter(|_| is_plug) {
                    self.reflectance(event, limit);
                }
            }
        }
        let events = groups.iter().flat_map(|group| &group.events);
        let seen: Vec<String> =
            events.filter_map(|event| Some(self.planned(event)?.name.clone())).collect();
        self.say_unseen(&seen);
    }

    /// Judges a joint's loss by its own limit, else by that of its kind.
    fn loss_of(&mut self, event: &Event) {
        let kind = self.kind(event);
        let planned = self.planned(event).and_then(|joint| self.plan.allowance_db(joint));
        match planned.or(self.plan.joint_limit_db(kind)) {
            Some(limit) => self.loss(event, limit),
            None => self.note(&format!(
                "event {}: no limit for the loss of a {}: not judged",
                event.number,
                kind.word()
            )),
        }
    }

    /// Planned joints that show no event: nothing is judged there.
    fn say_unseen(&mut self, seen: &[String]) {
        let lacks = |joint: &&PlannedJoint| !seen.contains(&joint.name);
        let names: Vec<&str> = match self.from_b {
            None => Vec::new(), // which is which cannot be told
            Some(_) => self.plan.joints.iter().filter(lacks).map(|j| j.name.as_str()).collect(),
        };
        if !names.is_empty() {
            self.note(&format!(
                "no event at {}: less loss there than this trace can show; a review of the job measures it at its place",
                names.join(", ")
            ));
        }
    }

    /// The loss of a joint, or of a group of places whose losses cannot be parted. A group passes
    /// where its sum is within the limit of one, and fails where that is beyond the limits of all.
    fn loss(&mut self, event: &Event, limit: f64) {
        let places = event.merged as f64;
        let (one, all) = (Limit::AtMost(limit), Limit::AtMost(limit * places));
        let (figure, doubt) = match (event.loss_db, event.loss_at_least_db) {
            (Some(loss), _) => {
                let doubt = self.doubts.of_loss(event, loss, self.limits);
                (Figure::Whole(Measured::new(loss.value, doubt.together_db())), Some(doubt))
            }
            (None, Some(least)) => (Figure::AtLeast(least), None),
            (None, None) => (Figure::Unmeasured, None),
        };
        let mut item = self.item(Of::Event(event.number), Quantity::Loss, figure, one);
        if item.verdict == Verdict::Fail && event.merged > 1 {
            item.verdict = match verdict(figure, all, self.limits.confidence) {
                Verdict::Fail => Verdict::Fail,
                _ => Verdict::Undecided,
            };
        }
        item.doubt = doubt;
        if item.verdict == Verdict::Undecided {
            item.remedy = Some(remedy::of_loss(self, event, &item));
        }
        self.judged.items.push(item);
    }

    fn reflectance(&mut self, event: &Event, limit: f64) {
        let doubt_db = self.limits.backscatter_sigma_db;
        let figure = match event.peak {
            Some(Peak::Whole { reflectance_db: Some(r) }) => Figure::Whole(r.widened(doubt_db)),
            Some(Peak::Saturated { at_least_db: Some(least) }) => {
                Figure::AtLeast(grade::sure_at_least(least, doubt_db, self.limits.confidence))
            }
            Some(_) => Figure::Unmeasured,
            // No reflection above the noise is none to object to.
            None => return,
        };
        let mut item =
            self.item(Of::Event(event.number), Quantity::Reflectance, figure, Limit::AtMost(limit));
        if item.verdict == Verdict::Undecided {
            item.remedy = Some(remedy::of_reflectance(self, event, &item));
        }
        self.judged.items.push(item);
    }
}
