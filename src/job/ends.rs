//! Where the link begins and ends in one trace, and whether the light stops before that.

use crate::event::{Analysis, Event, Role};
use crate::plan::Plan;
use crate::trace::Trace;
use crate::units::{Measured, power};

/// Why the link's end is not seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Early {
    /// The fibre stops, in fibre metres from the near connector.
    Stops(Measured),
    /// The light is lost in the noise, in fibre metres from the near connector.
    Fades(f64),
}

/// The link in one trace.
pub(super) struct Ends<'a> {
    /// Where it begins, seen or not, in metres from the panel.
    pub start_m: f64,
    /// The launch cord's connector.
    pub near: Option<&'a Event>,
    /// The connector at the far end, or the end itself.
    pub far: Option<&'a Event>,
    /// Why there is no far end.
    pub early: Option<Early>,
    /// Whether the link begins at the panel, although a launch cord was planned.
    pub is_bare: bool,
}

/// A fibre is taken to stop early where it ends this much before the plan's length: slack and the
/// spread of fibre lengths in a cable stay below. Common practice, no source.
const STOPS_SHARE: f64 = 0.01;
const STOPS_LEAST_M: f64 = 20.0;
/// How much less than its cable's length a fibre reaches that stops early.
pub(super) fn early_m(planned_m: f64) -> f64 {
    STOPS_LEAST_M.max(STOPS_SHARE * planned_m)
}

/// No index that anybody sets is farther off than this share: from 1.40 to 1.54.
const SCALE_SHARE: f64 = 0.05;
/// A cord's connector is as near to its place as this, beyond what the scale is off.
const CORD_M: f64 = 4.0;

impl<'a> Ends<'a> {
    pub(super) fn of(trace: &Trace, analysis: &'a Analysis, plan: &Plan) -> Ends<'a> {
        let end = analysis.events.iter().find(|e| e.role == Role::End);
        let is_cut = end.is_some_and(|end| shows_what_follows(trace, analysis, end));
        let near = plan.measure.launch_m.and_then(|cord| cord_connector(analysis, trace, cord));
        // Without its connector the cord may have been forgotten: the link then begins at the panel.
        let starts_m = match (near, plan.measure.launch_m) {
            (Some(event), _) => vec![event.position_m.0],
            (None, Some(cord_m)) => vec![cord_m, 0.0],
            (None, None) => vec![0.0],
        };
        let usual_m = starts_m[0];
        let look = Look { analysis, plan, end, is_cut, pulse_m: trace.pulse_m() };
        let seen = starts_m.into_iter().filter_map(|start| Some((start, look.far(start)?)));
        let off = |(start, far): &(f64, &Event)| {
            let planned_m = plan.cable.length_m;
            planned_m.map_or(0.0, |planned| (far.position_m.0 - start - planned).abs())
        };
        // A launch cord that was forgotten leaves as much fibre as a tail cord that was: the connector before
        // a planned tail cord tells them apart.
        let lacks_tail =
            |(_, far): &(f64, &Event)| plan.measure.tail_m.is_some() && far.role == Role::End;
        let seen =
            seen.min_by(|a, b| lacks_tail(a).cmp(&lacks_tail(b)).then(off(a).total_cmp(&off(b))));
        let start_m = seen.map_or(usual_m, |s| s.0);
        let early = end.filter(|_| seen.is_none()).and_then(|end| {
            let reached_m = end.position_m.0 - start_m;
            if !is_cut {
                return Some(Early::Fades(reached_m));
            }
            let planned_m = plan.cable.length_m?;
            let short = reached_m < planned_m - early_m(planned_m);
            short.then(|| Early::Stops(Measured::new(reached_m, end.position_sigma_m)))
        });
        let is_bare = start_m < usual_m;
        Ends { start_m, near, far: seen.map(|s| s.1), early, is_bare }
    }
}

/// The launch cord's connector: a joint within two pulses or 2 % of the cord's length.
fn cord_connector<'a>(analysis: &'a Analysis, trace: &Trace, cord_m: f64) -> Option<&'a Event> {
    let off = |e: &Event| (e.position_m.0 - cord_m).abs();
    let joints = analysis.events.iter().filter(|e| e.role == Role::Joint);
    let nearest = joints.min_by(|a, b| off(a).total_cmp(&off(b)))?;
    (off(nearest) < cord_reach_m(trace.pulse_m(), cord_m)).then_some(nearest)
}

/// How far from its cord's length a connector may lie.
fn cord_reach_m(pulse_m: f64, cord_m: f64) -> f64 {
    (2.0 * pulse_m).max(0.02 * cord_m).max(3.0)
}

/// Fibre that loses this much more than the fibre before it would still be seen: less is lost at no
/// break. Common practice, no source.
const BREAK_DB: f64 = 1.0;
/// So many sigma of the noise over a pulse are light, as in the engine's own bound of an end's loss.
const LIGHT_SIGMAS: f64 = 3.0;

/// Whether the light before an end is bright enough to show fibre behind it, were there any. Else the
/// trace ends in noise, and that says nothing of the fibre.
fn shows_what_follows(trace: &Trace, analysis: &Analysis, end: &Event) -> bool {
    let Some(floor_db) = analysis.noise.floor_db else { return true };
    let (first_m, spacing_m) = (trace.position_m(0).0, trace.spacing_m());
    let pulse_m = trace.pulse_m();
    let samples = trace.counts.len();
    let index = |m: f64| (((m - first_m) / spacing_m).max(0.0) as usize).min(samples);
    let (from, to) = (index(end.position_m.0 - 6.0 * pulse_m), index(end.position_m.0 - pulse_m));
    let before = (from..to).filter_map(|sample| trace.level_db(sample));
    let light = before.map(power).sum::<f64>() / to.saturating_sub(from).max(1) as f64;
    let independent = (pulse_m / spacing_m / analysis.noise.correlated_samples).max(1.0);
    light > LIGHT_SIGMAS * power(floor_db) / independent.sqrt() * power(BREAK_DB)
}

/// What the far end is looked for with.
struct Look<'a, 'p> {
    analysis: &'a Analysis,
    plan: &'p Plan,
    end: Option<&'a Event>,
    is_cut: bool,
    pulse_m: f64,
}

impl<'a> Look<'a, '_> {
    /// The connector at the far end: where the plan's length ends; else a tail cord's length before the
    /// end, or the end itself where no tail cord was planned. `None` where the fibre stops early.
    fn far(&self, start_m: f64) -> Option<&'a Event> {
        let tail_m = self.plan.measure.tail_m;
        let Some(planned_m) = self.plan.cable.length_m else {
            let end_m = self.end?.position_m.0;
            return match tail_m {
                // What lies anywhere else is no cord's connector: the fibre may be broken behind it.
                Some(cord_m) => self.within(end_m - cord_m, cord_reach_m(self.pulse_m, cord_m)),
                None => self.nearest(start_m, end_m),
            };
        };
        // No break has a connector a tail cord's length before it: there the scale is another, by a
        // wrong index, and a fibre of another length is not broken either.
        self.nearest(start_m, start_m + planned_m).or_else(|| {
            let end_m = self.end?.position_m.0;
            let cord = self.nearest(start_m, end_m - tail_m?).filter(|e| e.role == Role::Joint)?;
            let off = (cord.position_m.0 - start_m - planned_m).abs();
            let fits = (end_m - cord.position_m.0 - tail_m?).abs() < SCALE_SHARE * tail_m? + CORD_M;
            (off < SCALE_SHARE * planned_m && fits).then_some(cord)
        })
    }

    /// The reflection, or the end, nearest to where one is wanted.
    fn nearest(&self, start_m: f64, wanted_m: f64) -> Option<&'a Event> {
        self.within(wanted_m, early_m(wanted_m - start_m))
    }

    fn within(&self, wanted_m: f64, reach: f64) -> Option<&'a Event> {
        let off = |e: &Event| (e.position_m.0 - wanted_m).abs();
        let is_it = |e: &Event| match e.role {
            Role::Joint => e.is_reflective(),
            Role::End => self.is_cut,
            _ => false,
        };
        let events = self.analysis.events.iter().filter(|e| is_it(e) && off(e) < reach);
        events.min_by(|a, b| off(a).total_cmp(&off(b)))
    }
}
