//! Events where no joint is planned, seen from more than one side: noise and echoes do not lie at one
//! place of the glass from both ends.

use std::collections::BTreeSet;

use super::super::name::Direction;
use super::super::test::Content;
use super::super::{Finding, Severity};
use super::{FiberReview, Own, figures};
use crate::combine::{self, TwoWay};
use crate::event::Role;
use crate::grade::{Limit, Verdict};
use crate::plan;
use crate::units::Measured;

/// An event of one trace, on the cable.
struct Seen {
    at_m: f64,
    sigma_m: f64,
    wavelength_nm: u16,
    direction: Direction,
    loss_db: Option<Measured>,
    reflects: bool,
    /// Whether it lies so near to an end or a planned joint that a splice is no surprise there, as of a
    /// pigtail: only what is over the limit of one is said.
    is_near: bool,
}

/// A loss below this is no joint that anybody made: the engine's false events are smaller
/// (docs/accuracy.md).
const LEAST_LOSS_DB: f64 = 0.03;
/// And it must be this many sigma beyond that.
const SIGMAS: f64 = 4.0;
/// One trace alone is believed where the loss is at least this.
const ALONE_DB: f64 = 0.1;
/// What a splice may lose where the plan does not say it. Common practice, no source.
const USUAL_SPLICE_DB: f64 = 0.3;

impl Own<'_> {
    /// Says bends and joints where none is planned.
    pub(super) fn find_unplanned(&self, out: &mut FiberReview) {
        let mut seen: Vec<Seen> = self
            .tests
            .iter()
            .filter(|t| self.plan.measure.launch_m.is_none() || t.content.near_m.is_some())
            .flat_map(|t| self.between_joints(t.wavelength_nm, t.direction, t.content))
            .filter(|s| out.broken_m.is_none_or(|m| s.at_m < m - 50.0 || s.at_m > m + 50.0))
            .collect();
        seen.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
        let pulse_m = self.tests.iter().map(|t| t.content.pulse_m).fold(0.0, f64::max);
        let mut rest = seen.as_slice();
        while let Some(first) = rest.first() {
            let reach = |s: &Seen| pulse_m.max(2.0) + 3.0 * s.sigma_m.max(first.sigma_m);
            let count = rest.iter().take_while(|s| s.at_m - first.at_m < reach(s)).count();
            let (here, behind) = rest.split_at(count.max(1));
            self.say_unplanned(here, out);
            rest = behind;
        }
    }

    /// Events of a trace that are neither a planned joint nor an end connector.
    fn between_joints(
        &self,
        wavelength_nm: u16,
        direction: Direction,
        content: &Content,
    ) -> Vec<Seen> {
        let near = content.near_m.unwrap_or(0.0);
        let planned = self.plan.cable.length_m;
        let Some(length) = content.length_m.map(|l| l.value).or(planned) else {
            return Vec::new();
        };
        let reach = (2.0 * content.pulse_m).max(1e-3 * length).max(5.0);
        // What is no farther from an end's connector than this, or from a joint, is one with it.
        let own_m = content.pulse_m;
        let joints = content.analysis.events.iter().filter(|e| e.role == Role::Joint);
        let on_cable = joints.map(|event| {
            let from_near = event.position_m.0 - near;
            let from_b = direction == Direction::BToA;
            let at_m = if from_b { length - from_near } else { from_near };
            let (sigma_m, loss_db) = (event.position_sigma_m, event.loss_db);
            let reflects = event.is_reflective();
            Seen { at_m, sigma_m, wavelength_nm, direction, loss_db, reflects, is_near: false }
        });
        // Of an end that is not seen nobody knows where it lies.
        let own_far_m = if content.length_m.is_some() { own_m } else { reach };
        on_cable
            .filter(|s| s.at_m > own_m && s.at_m < length - own_far_m)
            .filter(|s| content.joints.iter().all(|j| (j.0 - s.at_m).abs() > own_m))
            .map(|s| {
                let reach_m = reach.max(plan::joint_reach_m(length, content.pulse_m, s.sigma_m));
                let is_end = s.at_m < reach || s.at_m > length - reach;
                let is_joint = content.joints.iter().any(|j| (j.0 - s.at_m).abs() < reach_m);
                Seen { is_near: is_end || is_joint, ..s }
            })
            .collect()
    }

    /// One place, where some traces show an event.
    fn say_unplanned(&self, here: &[Seen], out: &mut FiberReview) {
        if !self.is_confirmed(here) {
            return;
        }
        let nm: BTreeSet<u16> = here.iter().map(|s| s.wavelength_nm).collect();
        let losses: Vec<(u16, TwoWay)> =
            nm.into_iter().map(|nm| (nm, self.loss(here, nm))).collect();
        let is_both = |two: &TwoWay| two.step_db.is_some();
        let has_both = losses.iter().any(|l| is_both(&l.1));
        let read = |counts: &dyn Fn(&TwoWay) -> bool| -> Vec<(u16, Measured)> {
            let own = losses.iter().filter(|l| counts(&l.1));
            own.filter_map(|l| Some((l.0, l.1.loss_db?))).collect()
        };
        let known = read(&|two| !has_both || is_both(two));
        let most = known.iter().map(|k| k.1).max_by(|a, b| a.value.total_cmp(&b.value));
        let Some(loss) = most.filter(|loss| self.is_worth_saying(here, *loss, has_both)) else {
            return;
        };
        // One end alone tells a bend as well, where the other wavelength was measured from both.
        let is_bend = self.is_bend(&known) || self.is_bend(&read(&|_| true));
        let finding = self.unplanned(here, &known, loss, is_bend);
        let is_waived = finding.place.as_deref().is_some_and(|place| self.is_waived(place));
        out.findings.push(finding);
        if !is_waived {
            self.judge_unplanned(&known, out);
        }
    }

    /// Whether its loss is no chance, and no surprise where it lies.
    fn is_worth_saying(&self, here: &[Seen], loss: Measured, has_both_ends: bool) -> bool {
        // Where nothing is planned no unequal fibres are either: what one end shows is there, a joint of
        // unequal fibres or not.
        let from_one_end = || ALONE_DB + SIGMAS * Self::noise_db(here);
        let beyond_db = LEAST_LOSS_DB + SIGMAS * loss.sigma;
        let least_db = if has_both_ends { beyond_db } else { beyond_db.min(from_one_end()) };
        let is_near = here.iter().any(|s| s.is_near);
        loss.value >= least_db && (!is_near || self.is_over_splice(loss))
    }

    /// What is said of it. `loss`: the most of those that are `known`, by wavelength.
    fn unplanned(
        &self,
        here: &[Seen],
        known: &[(u16, Measured)],
        loss: Measured,
        is_bend: bool,
    ) -> Finding {
        let at_m = here.iter().map(|s| s.at_m).sum::<f64>() / here.len() as f64;
        let at_sigma_m =
            here.iter().map(|s| s.sigma_m * s.sigma_m).sum::<f64>().sqrt() / here.len() as f64;
        let seen_m = Measured::new(at_m, at_sigma_m);
        let kind = if is_bend { "bend" } else { "unplanned-event" };
        let place = self.section_name(at_m);
        let mut finding = self.finding(kind, Severity::Fault, Some(&place), Some(at_m));
        finding.rests_on(["loss_db", "loss_sigma_db"], loss);
        let what = match (is_bend, here.iter().any(|s| s.reflects)) {
            (true, _) => "a loss that grows with wavelength, as a bend's does",
            (false, true) => "a reflection, where the plan has no connector",
            (false, false) => "a loss where the plan has no joint",
        };
        finding.says = format!(
            "{what}: {} at {seen_m:.1} m, seen by {} trace{}",
            figures(known),
            here.len(),
            if here.len() == 1 { "" } else { "s" }
        );
        finding.next = if is_bend {
            "look for a tight bend, a clamp or a crushed tube there".into()
        } else {
            "look at the cable there; put the joint into the plan if it belongs there".into()
        };
        finding
    }

    /// What is not planned may lose no more than a splice; its section fails with it.
    fn judge_unplanned(&self, known: &[(u16, Measured)], out: &mut FiberReview) {
        if self.plan.limits.splice_db.is_none() {
            return;
        }
        for (nm, _) in known.iter().filter(|(_, loss)| self.is_over_splice(*loss)) {
            out.judged_sections.push((*nm, Verdict::Fail));
        }
    }

    /// Whether it surely loses more than a splice may.
    fn is_over_splice(&self, loss: Measured) -> bool {
        let limits = &self.plan.limits;
        let limit = Limit::AtMost(limits.splice_db.unwrap_or(USUAL_SPLICE_DB));
        limits.judge_loss(loss, limit).verdict == Verdict::Fail
    }

    /// Seen from both ends where both were measured, else at two wavelengths, else large.
    fn is_confirmed(&self, here: &[Seen]) -> bool {
        let ends: BTreeSet<Direction> = here.iter().map(|s| s.direction).collect();
        let measured: BTreeSet<Direction> = self.tests.iter().map(|t| t.direction).collect();
        let wavelengths: BTreeSet<u16> = here.iter().map(|s| s.wavelength_nm).collect();
        let large =
            |s: &Seen| s.loss_db.is_some_and(|l| l.value > ALONE_DB + 2.0 * SIGMAS * l.sigma);
        match (measured.len(), self.tests.len()) {
            (2, _) => ends.len() == 2,
            (_, 1) => here.iter().any(large),
            _ => wavelengths.len() > 1,
        }
    }

    /// The noise of the dullest of its readings.
    fn noise_db(here: &[Seen]) -> f64 {
        here.iter().filter_map(|s| s.loss_db).map(|loss| loss.sigma).fold(0.0, f64::max)
    }

    /// Its loss at one wavelength from what each end shows.
    fn loss(&self, here: &[Seen], nm: u16) -> TwoWay {
        let from = |end: Direction| {
            let own = here.iter().filter(|s| s.wavelength_nm == nm && s.direction == end);
            Measured::mean(own.filter_map(|s| s.loss_db))
        };
        let one_way_db = self.plan.limits.one_way_db;
        combine::two_way(from(Direction::AToB), from(Direction::BToA), one_way_db)
    }

    /// Growing with wavelength; or seen at the longest wavelength alone although a shorter one was
    /// measured too, where a splice of this size would have been seen.
    fn is_bend(&self, known: &[(u16, Measured)]) -> bool {
        let shortest = self.tests.iter().map(|t| t.wavelength_nm).min().unwrap_or(0);
        match known {
            [(_, short), .., (_, long)] => combine::grows_like_a_bend(*short, *long),
            [(nm, loss)] => *nm > shortest + 100 && loss.value > ALONE_DB + SIGMAS * loss.sigma,
            [] => false,
        }
    }
}
