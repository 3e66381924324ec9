//! A link that loses too much: where every dB goes against what is allowed, what likely causes it,
//! where that is, and what to do first.

mod cause;
mod change;
mod draft;
mod notes;
mod open;
mod part;
mod place;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

pub use cause::Cause;
pub use change::{Change, Comparison, Quantity, compare};
pub use draft::{with_baseline, without_plan};
pub use notes::copied;
pub use part::{Figure, Part, PartKind};
pub use place::{OnRoute, Place, on_route, place as place_at, sheath_m};

use crate::event::Likely;
use crate::grade::{self, Limit, Verdict};
use crate::job::{Content, Direction, Finding, Task, Test};
use crate::plan::{JointKind, Plan};
use crate::units::Measured;

/// What a link's losses are held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// The limits of a plan.
    Plan,
    /// Earlier traces of the same link.
    Baseline,
    /// A preset's limits, for want of both.
    Preset,
}

/// The link as a whole at one wavelength.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Whole {
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Sum of its parts' losses, of those that were measured.
    pub loss_db: Measured,
    /// Whether all of them were, from end to end.
    pub is_complete: bool,
    /// Sum of what they are allowed. `None` where one of them is not graded.
    pub allowed_db: Option<f64>,
}

/// A part that loses more than it should.
#[derive(Clone, Debug, PartialEq)]
pub struct Excess {
    /// The part.
    pub part: Part,
    /// Where it is the most: wavelength in nm.
    pub wavelength_nm: Option<u16>,
    /// How much more than allowed. `None` where the light stops.
    pub too_much_db: Option<Measured>,
    /// Where.
    pub place: Place,
    /// Likely causes, the likeliest first.
    pub causes: Vec<Cause>,
    /// What to do first.
    pub first: String,
}

/// The answer for one link.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnosis {
    /// What was held against.
    pub reference: Reference,
    /// Files it rests on, in order.
    pub files: Vec<PathBuf>,
    /// By wavelength.
    pub wholes: Vec<Whole>,
    /// Every part of the link in order from end a.
    pub parts: Vec<Part>,
    /// What loses too much, the most first.
    pub excesses: Vec<Excess>,
    /// A splitter seen from the head end, in metres from there: what lies behind it comes from all
    /// branches and is not graded.
    pub splitter_m: Option<f64>,
    /// What was to be judged and is not seen, and what would show it: what lies there may lose too much.
    pub unseen: Vec<String>,
    /// What else could not be judged against the plan, and why.
    pub open: Vec<String>,
    /// Which measurements would decide it.
    pub decides: Vec<Task>,
    /// Faults that a review of the same traces finds beside what loses too much.
    pub faults: Vec<Finding>,
    /// What a reader should know.
    pub notes: Vec<String>,
}

impl Diagnosis {
    /// The wavelengths in nm that were measured, and of each whether any part has an allowance there.
    /// Where none has, nothing can be found to lose too much.
    pub fn judged_nm(&self) -> BTreeMap<u16, bool> {
        let mut judged = BTreeMap::new();
        for figure in self.parts.iter().flat_map(|part| &part.figures) {
            *judged.entry(figure.wavelength_nm).or_default() |= figure.allowed_db.is_some();
        }
        judged
    }

    /// Whether all of it was seen and judged, and nothing found.
    pub fn is_fine(&self) -> bool {
        let judged = self.judged_nm();
        self.excesses.is_empty()
            && self.unseen.is_empty()
            && self.open.is_empty()
            && self.faults.is_empty()
            && !judged.is_empty()
            && judged.into_values().all(|judged| judged)
    }
}

/// The traces of one link, those that could be read.
pub(crate) struct Link<'a> {
    plan: &'a Plan,
    tests: Vec<(u16, Direction, &'a Content)>,
    /// Fibre metres between the end connectors, if anything says so.
    length_m: Option<f64>,
    /// Of the head end: nothing behind it is graded.
    splitter_m: Option<f64>,
    /// One sigma of what unequal glass does to a joint that one end alone shows.
    one_way_db: f64,
    reference: Reference,
}

/// The traces of several fibres, by their number. `None`: those of the one whose number nothing tells.
pub type Links = BTreeMap<Option<u32>, Vec<Test>>;

/// A diagnosis for each fibre; a baseline of one fibre alone is everybody's. What a plan is held against is
/// what a review of all these traces says, copies and exchanged fibres with it.
pub fn each(
    now: Links,
    before: &Links,
    plan: &Plan,
    reference: Reference,
) -> Vec<(Option<u32>, Diagnosis)> {
    let shared = before.values().next().filter(|_| before.len() == 1);
    let one = |(fiber, tests): (&Option<u32>, &Vec<Test>)| {
        let baseline = shared.or_else(|| before.get(fiber)).map_or(&[] as &[Test], Vec::as_slice);
        (*fiber, ranked(tests, baseline, plan, reference))
    };
    let mut each: Vec<(Option<u32>, Diagnosis)> = now.iter().map(one).collect();
    if reference == Reference::Plan {
        let mut reviewed = open::review(now, plan);
        for (fiber, diagnosis) in &mut each {
            if let Some(reviewed) = reviewed.remove(fiber) {
                reviewed.add_to(diagnosis);
            }
        }
    }
    each
}

/// What loses too much in one link. `tests` and `baseline` were read against `plan`, which says where
/// joints lie and what they may lose; with a baseline its losses are what is allowed.
fn ranked(tests: &[Test], baseline: &[Test], plan: &Plan, reference: Reference) -> Diagnosis {
    let (link, before) = Link::pair(tests, baseline, plan, reference);
    let mut parts = part::of(&link);
    part::allow(&mut parts, &link, (reference == Reference::Baseline).then_some(&before));
    let mut excesses: Vec<Excess> =
        parts.iter().filter_map(|part| excess(part, &link, reference)).collect();
    // Where the light stops comes first: all else waits for it.
    let size = |e: &Excess| e.too_much_db.map_or(f64::INFINITY, |m| m.value);
    excesses
        .sort_by(|a, b| size(b).total_cmp(&size(a)).then(a.part.from_m.total_cmp(&b.part.from_m)));
    let mut files: Vec<PathBuf> = tests.iter().map(|t| t.path.clone()).collect();
    files.sort();
    let mut notes = notes::of_link(&link, &before, reference);
    notes.extend(notes::of_files(tests, baseline, reference));
    let mut unseen = open::unseen(&link, &parts);
    let copied = link.copied(&before);
    if copied > 0 {
        unseen.push(format!("what changed since the baseline: {}", notes::copied(copied)));
    }
    Diagnosis {
        reference,
        files,
        wholes: wholes(&parts, unseen.is_empty()),
        parts,
        excesses,
        splitter_m: link.splitter_m,
        unseen,
        open: Vec::new(),
        decides: Vec::new(),
        faults: Vec::new(),
        notes,
    }
}

/// How many of these traces of one link say nothing beside the others: of several at one wavelength from
/// one end the latest counts.
pub fn superseded(tests: &[Test]) -> usize {
    let measured = |test: &Test| {
        let content = test.read()?;
        Some((content.wavelength_nm?, content.direction.unwrap_or(Direction::AToB)))
    };
    let all: Vec<(u16, Direction)> = tests.iter().filter_map(measured).collect();
    all.len() - all.iter().collect::<BTreeSet<_>>().len()
}

impl<'a> Link<'a> {
    fn of(tests: &'a [Test], plan: &'a Plan, reference: Reference) -> Link<'a> {
        // By wavelength and end, in order of time, then of path: neither the order of arguments nor
        // an earlier measurement of the same changes anything.
        let mut latest: BTreeMap<(u16, Direction), (&Test, &Content)> = BTreeMap::new();
        let mut own: Vec<(&Test, &Content)> =
            tests.iter().filter_map(|t| Some((t, t.read()?))).collect();
        own.sort_by_key(|(test, content)| (content.measured_at_unix_s, &test.path));
        for (test, content) in own {
            let Some(nm) = content.wavelength_nm else { continue };
            latest.insert((nm, content.direction.unwrap_or(Direction::AToB)), (test, content));
        }
        let tests: Vec<(u16, Direction, &Content)> =
            latest.into_iter().map(|((nm, end), (_, content))| (nm, end, content)).collect();
        let seen = tests.iter().filter(|t| t.2.stops_m.is_none()).filter_map(|t| t.2.length_m);
        let length_m = plan.cable.length_m.or(Measured::mean(seen).map(|m| m.value));
        let splitter_m = splitter(&tests, plan, length_m);
        let one_way_db = plan.limits.one_way_db;
        Link { plan, tests, length_m, splitter_m, one_way_db, reference }
    }

    /// A link now and before.
    fn pair(
        tests: &'a [Test],
        baseline: &'a [Test],
        plan: &'a Plan,
        reference: Reference,
    ) -> (Link<'a>, Link<'a>) {
        let mut now = Link::of(tests, plan, reference);
        let mut before = Link::of(baseline, plan, reference);
        if reference == Reference::Baseline && now.ends() == before.ends() {
            // Unequal glass shows the same in both, so it cancels in every change.
            (now.one_way_db, before.one_way_db) = (0.0, 0.0);
        }
        (now, before)
    }

    /// Which measurements there are: wavelengths and ends.
    fn ends(&self) -> Vec<(u16, Direction)> {
        self.tests.iter().map(|t| (t.0, t.1)).collect()
    }

    /// How many of its recordings are those of an earlier round, noise and all: noise never repeats.
    fn copied(&self, before: &Link) -> usize {
        let known: BTreeSet<u64> = before.tests.iter().map(|t| t.2.samples_hash).collect();
        self.tests.iter().filter(|t| known.contains(&t.2.samples_hash)).count()
    }

    /// A loss with the scale's linearity on it, as it is shown.
    fn shown(&self, loss_db: Measured) -> Measured {
        grade::with_linearity(loss_db, self.plan.limits.linearity_db_per_db)
    }

    fn wavelengths_nm(&self) -> Vec<u16> {
        let mut all: Vec<u16> = self.tests.iter().map(|t| t.0).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// Fibre metres from end a's connector of a place `from_near_m` behind the near connector: of a fibre that
    /// is not as long as planned, in its own length, as its joints are. `None` where no length is known and the
    /// trace is from end b.
    fn on_cable_m(&self, direction: Direction, own: &Content, from_near_m: f64) -> Option<f64> {
        let length_m = own.length_m.map(|m| m.value).or(self.length_m);
        match direction {
            Direction::AToB => Some(from_near_m),
            Direction::BToA => length_m.map(|l| l - from_near_m),
        }
    }

    fn is_graded(&self, from_m: f64) -> bool {
        self.splitter_m.is_none_or(|m| from_m < m + 1.0)
    }
}

/// The first splitter behind which a trace from end a, the head end of every plan with splitters,
/// looks: by the plan, else by what the event looks like. What lies at the link's end or behind it is
/// none of its splitters.
fn splitter(
    tests: &[(u16, Direction, &Content)],
    plan: &Plan,
    length_m: Option<f64>,
) -> Option<f64> {
    if !tests.iter().any(|t| t.1 == Direction::AToB) {
        return None;
    }
    let planned = plan.joints.iter().find(|j| j.kind == JointKind::Splitter).map(|j| j.at_m);
    let seen = tests.iter().filter(|t| t.1 == Direction::AToB).filter_map(|(_, _, content)| {
        let near = content.near_m.unwrap_or(0.0);
        let events = content.analysis.events.iter();
        let splitters = events.filter(|e| e.likely == Some(Likely::Splitter));
        let ends_m = content.length_m.map(|m| m.value).or(length_m).unwrap_or(f64::INFINITY);
        let is_inside = |m: &f64| *m > 0.0 && *m < ends_m - content.pulse_m;
        splitters.map(|e| e.position_m.0 - near).find(is_inside)
    });
    planned.or_else(|| seen.min_by(f64::total_cmp))
}

/// Confidence of "too much", against what a single plan's verdict asks: a baseline has no limit with
/// room in it, so nearly every figure lies close to it.
const SURE: f64 = 0.998;
/// Below this nobody digs.
const LEAST_DB: f64 = 0.03;

/// The part's excess, if it loses more than it should.
fn excess(part: &Part, link: &Link, reference: Reference) -> Option<Excess> {
    let worst = match part.kind {
        PartKind::Break => None, // nothing is measured behind it
        _ => Some(too_much(part, link, reference).filter(|_| link.is_graded(part.from_m))?),
    };
    let causes = cause::of(part, link, worst.map(|(nm, _)| nm));
    let first = cause::first(part, link, &causes);
    Some(Excess {
        part: part.clone(),
        wavelength_nm: worst.map(|(nm, _)| nm),
        too_much_db: worst.map(|(_, more)| more),
        place: place::place_of(link, part),
        causes,
        first,
    })
}

/// The wavelength at which a part loses most beyond what it may, and how much; or that it reflects too much.
fn too_much(part: &Part, link: &Link, reference: Reference) -> Option<(u16, Measured)> {
    let is_change = reference == Reference::Baseline;
    let limits = &link.plan.limits;
    let confidence = if is_change { SURE } else { limits.confidence };
    let over = |figure: &Figure| -> Option<(u16, Measured)> {
        let (loss, allowed) = (figure.loss_db?, figure.allowed_db?);
        let plain = loss.minus(allowed);
        // The scale is off by a share of what it shows; of a change, by that share of the change.
        let scale_db = if is_change { plain.value } else { loss.value };
        let more = plain.widened(limits.linearity_db_per_db * scale_db);
        let graded = grade::judge(more, Limit::AtMost(0.0), confidence);
        let is_sure = graded.verdict == Verdict::Fail && more.value > LEAST_DB;
        is_sure.then_some((figure.wavelength_nm, more))
    };
    let most = part.figures.iter().filter_map(over).max_by(|a, b| a.1.value.total_cmp(&b.1.value));
    let reflects = || {
        let nm = part.figures.first().map_or(0, |f| f.wavelength_nm);
        cause::reflects_too_much(part, link).then_some((nm, NONE))
    };
    most.or_else(reflects)
}

/// What a part loses too much that only reflects too much.
const NONE: Measured = Measured { value: 0.0, sigma: 0.0 };

fn wholes(parts: &[Part], is_complete: bool) -> Vec<Whole> {
    let mut sums: BTreeMap<u16, (Measured, Option<f64>)> = BTreeMap::new();
    for figure in parts.iter().flat_map(|p| &p.figures) {
        let sum = sums.entry(figure.wavelength_nm).or_insert((NONE, Some(0.0)));
        if let Some(loss) = figure.loss_db {
            sum.0 = sum.0.plus(loss);
        }
        sum.1 = sum.1.zip(figure.allowed_db).map(|(sum, a)| sum + a.value);
    }
    sums.into_iter()
        .map(|(wavelength_nm, (loss_db, allowed_db))| Whole {
            wavelength_nm,
            loss_db,
            is_complete,
            allowed_db,
        })
        .collect()
}
