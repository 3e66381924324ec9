//! The parts of a link: joints, connectors, stretches of fibre between them, and where it stops.

use super::{Link, Reference};
use crate::combine;
use crate::event::{Event, Peak, Role};
use crate::grade::{Limit, Verdict};
use crate::job::{Content, Direction};
use crate::plan::{self, JointKind};
use crate::units::Measured;

/// What a part is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PartKind {
    /// The connector at an end.
    End,
    /// A joint that the plan, or the baseline, has.
    Planned(JointKind),
    /// An event that neither has.
    Unplanned,
    /// Fibre between two of the others.
    Stretch,
    /// Where the light stops early.
    Break,
}

/// A part's loss at one wavelength.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Its loss: of both ends where both were measured. `None` where it cannot be measured.
    pub loss_db: Option<Measured>,
    /// What it may lose. `None` where nothing says so.
    pub allowed_db: Option<Measured>,
}

/// One part of the link.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// `end a`, `C2`, `C2–C3`, or `event at 3021 m`.
    pub name: String,
    /// What it is.
    pub kind: PartKind,
    /// Fibre metres from end a's connector: where it begins.
    pub from_m: f64,
    /// Where it ends; `from_m` for all but stretches.
    pub to_m: f64,
    /// By wavelength, ascending.
    pub figures: Vec<Figure>,
    /// As seen from end a and from end b: fibre metres from that end, without the index's error.
    pub seen_m: [Option<Measured>; 2],
    /// Highest reflectance seen.
    pub reflectance_db: Option<Measured>,
    /// Highest reflectance in the baseline.
    pub reflectance_before_db: Option<Measured>,
    /// Whether the baseline shows no event here. `None` without a baseline.
    pub is_new: Option<bool>,
}

impl Part {
    /// Its length.
    pub(super) fn km(&self) -> f64 {
        (self.to_m - self.from_m) / 1000.0
    }
}

/// All parts in order from end a, not yet with what they may lose.
pub(super) fn of(link: &Link) -> Vec<Part> {
    let stop_m = stop(link);
    let mut points = points(link, stop_m.as_ref().map(|s| s.from_m));
    points.sort_by(|a, b| a.from_m.total_cmp(&b.from_m));
    points.extend(stop_m);
    let mut parts: Vec<Part> = Vec::new();
    for point in points {
        if let Some(before) = parts.last() {
            parts.extend(stretch(link, before, &point));
        }
        parts.push(point);
    }
    parts
}

/// Connectors, planned joints, and events that nobody planned, before the light stops.
fn points(link: &Link, stop_m: Option<f64>) -> Vec<Part> {
    let mut points = vec![end(link, true)];
    for (i, joint) in link.plan.joints.iter().enumerate() {
        points.push(planned(link, i, &joint.name, joint.at_m, joint.kind));
    }
    points.extend(unplanned(link));
    if let Some(length) = link.length_m {
        points.push(Part { from_m: length, to_m: length, ..end(link, false) });
    }
    let reached = |p: &Part| stop_m.is_none_or(|m| p.from_m < m - 5.0);
    points.retain(reached);
    points
}

fn new(name: String, kind: PartKind, at_m: f64) -> Part {
    Part {
        name,
        kind,
        from_m: at_m,
        to_m: at_m,
        figures: Vec::new(),
        seen_m: [None, None],
        reflectance_db: None,
        reflectance_before_db: None,
        is_new: None,
    }
}

/// Loss at each wavelength from what `of` reads in each trace.
fn figures(link: &Link, of: impl Fn(Direction, &Content) -> Option<Measured>) -> Vec<Figure> {
    from_ends(link, |nm, end| {
        let own = link.tests.iter().filter(|t| t.0 == nm && t.1 == end);
        Measured::mean(own.filter_map(|t| of(t.1, t.2)))
    })
}

/// Loss at each wavelength from what is read of it from each end.
fn from_ends(link: &Link, read: impl Fn(u16, Direction) -> Option<Measured>) -> Vec<Figure> {
    let figure = |wavelength_nm| {
        let [from_a, from_b] =
            [Direction::AToB, Direction::BToA].map(|end| read(wavelength_nm, end));
        let loss_db = combine::two_way(from_a, from_b, link.one_way_db).loss_db;
        Figure { wavelength_nm, loss_db, allowed_db: None }
    };
    link.wavelengths_nm().into_iter().map(figure).collect()
}

fn end(link: &Link, at_a: bool) -> Part {
    let mut part = new(if at_a { "end a" } else { "end b" }.into(), PartKind::End, 0.0);
    let is_near = |direction| (direction == Direction::AToB) == at_a;
    // Of connectors both ends see the same glass on either side only by chance; there is no more.
    part.figures =
        figures(link, |direction, c| if is_near(direction) { c.near_db } else { c.far_db });
    part.figures.retain(|f| f.loss_db.is_some());
    // It is where counting begins.
    part.seen_m[usize::from(!at_a)] = Some(Measured::new(0.0, 0.1));
    let peaks = link.tests.iter().filter_map(|(_, direction, c)| {
        let near = c.near_m?;
        let at = if is_near(*direction) { near } else { near + c.length_m?.value };
        (at > 0.0).then(|| event_near(c, at)).flatten().and_then(reflectance)
    });
    part.reflectance_db = peaks.max_by(|a, b| a.value.total_cmp(&b.value));
    part
}

fn planned(link: &Link, i: usize, name: &str, at_m: f64, kind: JointKind) -> Part {
    let mut part = new(name.to_owned(), PartKind::Planned(kind), at_m);
    part.figures = figures(link, |_, c| c.joints.get(i).and_then(|j| j.1));
    let places = |end| {
        let own = link.tests.iter().filter(move |t| t.1 == end).filter_map(|(_, direction, c)| {
            let (cable_m, _) = c.joints.get(i)?;
            let from_near = match direction {
                Direction::AToB => *cable_m,
                Direction::BToA => c.length_m.map(|l| l.value).or(link.length_m)? - cable_m,
            };
            let event = event_near(c, c.near_m? + from_near)?;
            Some((event, c.near_m?))
        });
        own.collect::<Vec<_>>()
    };
    settle(&mut part, [places(Direction::AToB), places(Direction::BToA)]);
    part
}

/// Place and reflectance from the events that show the part, by end.
fn settle(part: &mut Part, events: [Vec<(&Event, f64)>; 2]) {
    let peaks = events.iter().flatten().filter_map(|(event, _)| reflectance(event));
    part.reflectance_db = peaks.max_by(|a, b| a.value.total_cmp(&b.value));
    part.seen_m =
        events.map(|of_end| {
            Measured::mean(of_end.iter().map(|(event, near)| {
                Measured::new(event.position_m.0 - near, event.position_sigma_m)
            }))
        });
}

fn event_near(content: &Content, panel_m: f64) -> Option<&Event> {
    let off = |e: &&Event| (e.position_m.0 - panel_m).abs();
    let joints = content.analysis.events.iter().filter(|e| e.role == Role::Joint);
    joints.min_by(|a, b| off(a).total_cmp(&off(b))).filter(|e| off(e) < content.pulse_m.max(3.0))
}

/// A lower bound is the least that it reflects.
fn reflectance(event: &Event) -> Option<Measured> {
    match event.peak? {
        Peak::Whole { reflectance_db } => reflectance_db,
        Peak::Saturated { at_least_db } => at_least_db.map(|r| Measured::new(r, 0.0)),
    }
}

/// An event of a trace that is neither a planned joint nor an end connector.
struct Seen<'a> {
    at_m: f64,
    reach_m: f64,
    direction: Direction,
    wavelength_nm: u16,
    near_m: f64,
    event: &'a Event,
}

fn unplanned(link: &Link) -> Vec<Part> {
    let mut seen: Vec<Seen> = Vec::new();
    for (nm, direction, content) in &link.tests {
        let near = content.near_m.unwrap_or(0.0);
        let reach_m = (2.0 * content.pulse_m).max(3.0);
        for event in content.analysis.events.iter().filter(|e| e.role == Role::Joint) {
            let from_near = event.position_m.0 - near;
            // The far connector is a part of its own, be the fibre as long as planned or not.
            if content.length_m.is_some_and(|m| (m.value - from_near).abs() < 0.01) {
                continue;
            }
            let Some(at_m) = link.on_cable_m(*direction, content, from_near) else { continue };
            let own_m = content.length_m.map(|m| m.value).or(link.length_m);
            let far = own_m.unwrap_or(f64::INFINITY);
            let is_beyond = |m: f64| at_m > m && at_m < far - m && from_near > m;
            // Its place was settled with the planned joints; what lies as near as its sigma is one.
            let joint_m =
                reach_m.max(plan::joint_reach_m(0.0, content.pulse_m, event.position_sigma_m));
            let is_at_joint = |m: f64| content.joints.iter().any(|j| (j.0 - at_m).abs() < m);
            // Beside an end or a joint a good splice is no surprise, as of a pigtail.
            let is_apart = is_beyond(reach_m) && !is_at_joint(joint_m);
            let is_own = is_beyond(content.pulse_m) && !is_at_joint(content.pulse_m);
            if is_apart || (is_own && loses_too_much(link, event)) {
                let (direction, wavelength_nm) = (*direction, *nm);
                seen.push(Seen { at_m, reach_m, direction, wavelength_nm, near_m: near, event });
            }
        }
    }
    seen.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
    let mut parts = Vec::new();
    let mut rest = seen.as_slice();
    while let Some(first) = rest.first() {
        let reach = |s: &Seen| {
            first.reach_m + 3.0 * s.event.position_sigma_m.max(first.event.position_sigma_m)
        };
        let count = rest.iter().take_while(|s| s.at_m - first.at_m < reach(s)).count().max(1);
        let (here, behind) = rest.split_at(count);
        parts.push(from_events(link, here));
        rest = behind;
    }
    parts
}

/// Whether an event surely loses more than a splice may.
fn loses_too_much(link: &Link, event: &Event) -> bool {
    let limits = &link.plan.limits;
    let (Some(loss), Some(limit_db)) = (event.loss_db, limits.splice_db) else { return false };
    limits.judge_loss(loss, Limit::AtMost(limit_db)).verdict == Verdict::Fail
}

fn from_events(link: &Link, here: &[Seen]) -> Part {
    let at_m = here.iter().map(|s| s.at_m).sum::<f64>() / here.len() as f64;
    let mut part = new(format!("event at {at_m:.0} m"), PartKind::Unplanned, at_m);
    part.figures = from_ends(link, |nm, end| {
        let own = here.iter().filter(|s| s.wavelength_nm == nm && s.direction == end);
        Measured::mean(own.filter_map(|s| s.event.loss_db))
    });
    let of_end = |end: Direction| {
        let own = here.iter().filter(move |s| s.direction == end);
        own.map(|s| (s.event, s.near_m)).collect::<Vec<_>>()
    };
    settle(&mut part, [of_end(Direction::AToB), of_end(Direction::BToA)]);
    part
}

/// Shorter stretches have no attenuation of their own.
const LEAST_STRETCH_M: f64 = 20.0;

/// The fibre between two points, if enough of it is clean.
fn stretch(link: &Link, from: &Part, to: &Part) -> Option<Part> {
    let (from_m, to_m) = (from.from_m, to.from_m);
    if to_m - from_m < LEAST_STRETCH_M {
        return None;
    }
    let mut part = new(format!("{}–{}", from.name, to.name), PartKind::Stretch, from_m);
    part.to_m = to_m;
    part.figures = attenuation(link, from_m, to_m)
        .into_iter()
        .map(|(nm, slope)| Figure {
            wavelength_nm: nm,
            loss_db: Some(slope.times((to_m - from_m) / 1000.0)),
            allowed_db: None,
        })
        .collect();
    Some(part)
}

/// Mean attenuation between two places in dB/km by wavelength: sections weighted by what they share
/// with it.
fn attenuation(link: &Link, from_m: f64, to_m: f64) -> Vec<(u16, Measured)> {
    let one = |direction: Direction, content: &Content| {
        let near = content.near_m.unwrap_or(0.0);
        let (mut sum, mut variance, mut shared) = (0.0, 0.0, 0.0);
        for section in &content.analysis.sections {
            let ends = [section.from_m.0 - near, section.to_m.0 - near];
            let a = link.on_cable_m(direction, content, ends[0])?;
            let b = link.on_cable_m(direction, content, ends[1])?;
            let overlap = a.max(b).min(to_m) - a.min(b).max(from_m);
            let Some(slope) = section.attenuation_db_per_km.filter(|_| overlap > 0.0) else {
                continue;
            };
            sum += overlap * slope.value;
            variance += (overlap * slope.sigma).powi(2);
            shared += overlap;
        }
        // Less than half of it seen is not all of it known.
        (shared > 0.5 * (to_m - from_m))
            .then(|| Measured::new(sum / shared, variance.sqrt() / shared))
    };
    let mean = |nm: u16| {
        let own = link.tests.iter().filter(|t| t.0 == nm);
        Measured::mean(own.filter_map(|t| one(t.1, t.2)))
    };
    link.wavelengths_nm().into_iter().filter_map(|nm| Some((nm, mean(nm)?))).collect()
}

/// Where the light stops early: from one end, or from both.
fn stop(link: &Link) -> Option<Part> {
    let of_end = |end: Direction| {
        let own = link.tests.iter().filter(|t| t.1 == end);
        Measured::mean(own.filter_map(|t| t.2.stops_m))
    };
    let seen_m = [of_end(Direction::AToB), of_end(Direction::BToA)];
    let from_b = seen_m[1].zip(link.length_m).map(|(m, length_m)| length_m - m.value);
    let at_m = seen_m[0].map(|m| m.value).or(from_b)?;
    let mut part = new("break".into(), PartKind::Break, at_m);
    let ends = link.tests.iter().filter(|t| t.2.stops_m.is_some()).filter_map(|t| {
        t.2.analysis.events.iter().find(|e| e.role == Role::End).and_then(reflectance)
    });
    part.reflectance_db = ends.max_by(|a, b| a.value.total_cmp(&b.value));
    part.seen_m = seen_m;
    Some(part)
}

/// What each part may lose: by the baseline where there is one, else by the plan.
pub(super) fn allow(parts: &mut [Part], link: &Link, before: Option<&Link>) {
    let old = before.map(of).unwrap_or_default();
    for part in parts {
        let twin = before.and_then(|_| twin(&old, part));
        if before.is_some() && part.kind != PartKind::Stretch {
            part.is_new = Some(twin.is_none());
            part.reflectance_before_db = twin.and_then(|t| t.reflectance_db);
        }
        let allowed = |nm: u16| match before {
            _ if !link.is_graded(part.from_m) => None,
            Some(before) => by_baseline(before, part, twin, nm),
            None => by_limits(link, part, nm).map(|db| Measured::new(db, 0.0)),
        };
        let each: Vec<_> = part.figures.iter().map(|f| allowed(f.wavelength_nm)).collect();
        for (figure, allowed_db) in part.figures.iter_mut().zip(each) {
            figure.allowed_db = allowed_db;
        }
    }
}

/// The same joint in the earlier round.
fn twin<'a>(old: &'a [Part], part: &Part) -> Option<&'a Part> {
    let off = |p: &Part| (p.from_m - part.from_m).abs();
    let same = |p: &&Part| p.kind != PartKind::Stretch && off(p) < 10.0 + 1e-3 * part.from_m;
    old.iter().filter(same).min_by(|a, b| off(a).total_cmp(&off(b)))
}

/// What the earlier round shows of it.
fn by_baseline(before: &Link, part: &Part, twin: Option<&Part>, nm: u16) -> Option<Measured> {
    match (part.kind, twin) {
        (PartKind::Stretch, _) => {
            let slopes = attenuation(before, part.from_m, part.to_m);
            slopes.iter().find(|s| s.0 == nm).map(|s| s.1.times(part.km()))
        }
        (_, Some(twin)) => {
            twin.figures.iter().find(|f| f.wavelength_nm == nm).and_then(|f| f.loss_db)
        }
        // Not there before: it was allowed nothing, if that wavelength was measured.
        (_, None) => before.wavelengths_nm().contains(&nm).then_some(super::NONE),
    }
}

/// What the plan lets it lose, or a preset what it looks like.
fn by_limits(link: &Link, part: &Part, nm: u16) -> Option<f64> {
    let plan = link.plan;
    match part.kind {
        PartKind::Unplanned if link.reference == Reference::Preset => by_looks(link, part),
        PartKind::End => plan.limits.connector_db,
        PartKind::Planned(_) => plan.allowance_at_db(&part.name),
        PartKind::Unplanned => Some(0.0),
        PartKind::Stretch => {
            plan.attenuation_limit_db_per_km(f64::from(nm)).map(|limit| limit * part.km())
        }
        PartKind::Break => None,
    }
}

/// Where nobody says which joints there are, each may lose what one that looks like it may.
fn by_looks(link: &Link, part: &Part) -> Option<f64> {
    let limits = &link.plan.limits;
    let is_splitter = link.splitter_m.is_some_and(|m| (m - part.from_m).abs() < 5.0);
    match part.reflectance_db {
        _ if is_splitter => limits.splitter_db,
        Some(_) => limits.connector_db,
        None => limits.splice_db,
    }
}
