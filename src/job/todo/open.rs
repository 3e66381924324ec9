//! What would decide what is undecided of a fibre.

use super::super::remedy::{self, Remedy};
use super::super::{FiberReview, JointReview, LinkReview, TestVerdict};
use super::{Fiber, is_repair};
use crate::grade::{Limit, Verdict};
use crate::units::Measured;

/// What to do about something that is undecided at a wavelength.
pub(super) enum Ask {
    /// Measure again in another way: how, and what for, from end a and from end b.
    Again { how: String, ends: [bool; 2] },
    /// Average so many times as long from end a and from end b.
    Longer { times: [Option<f64>; 2], decides: String },
    /// Measure from the other end as well.
    OtherEnd { decides: String },
    /// No such measurement decides it. The place by name, blank for the fibre as a whole; what does.
    InVain { place: String, says: String },
}

const ITS_LOSS: &str = "its loss is too near its limit for any OTDR: put it right, or accept it ([[waiver]] in the plan)";
const ITS_LINK: &str =
    "the link's loss is too near its limit for any OTDR: a power meter and a source decide it";
const ITS_FIBER: &str = "the attenuation of its fibre is too near its limit for any OTDR to tell";
const ITS_LENGTH: &str = "its length is too near its limit: the fibre's own group index decides it (group_index in the plan)";
const ITS_LIGHT: &str = "is too near its limit to tell: the fibre's own backscatter coefficient decides it (backscatter_sigma_db in the plan)";

const WITH_CORDS: &str = "with cords at both ends: without them an end's connector is not in what the link loses, and an open end in what it reflects";

/// What every undecided part of a fibre at a wavelength asks for. A part that a repair explains asks
/// for nothing of its own.
pub(super) fn asks(fiber: &Fiber, nm: u16) -> Vec<Ask> {
    let own = fiber.own;
    let mut asks: Vec<Ask> = own
        .joints
        .iter()
        .filter(|j| j.wavelength_nm == nm && j.waived.is_none())
        .filter(|j| j.verdict == Some(Verdict::Undecided) && !repaired_at(own, &j.name))
        .filter_map(|joint| of_joint(fiber, joint))
        .collect();
    // Beside an undecided joint the link and the mean are settled with it.
    if asks.is_empty() && !own.findings.iter().any(is_repair) {
        let links = own.links.iter().filter(|l| l.wavelength_nm == nm);
        asks.extend(links.flat_map(|link| of_link(fiber, link)));
        if own.judged_sections.contains(&(nm, Verdict::Undecided)) {
            asks.extend(of_sections(fiber, nm));
        }
    }
    asks
}

fn repaired_at(own: &FiberReview, place: &str) -> bool {
    own.findings.iter().any(|f| is_repair(f) && f.place.as_deref() == Some(place))
}

fn asked(remedy: Remedy, decides: &str, place: &str, in_vain: &str) -> Ask {
    match remedy {
        Remedy::Longer(times) => Ask::Longer { times, decides: decides.to_owned() },
        Remedy::OtherEnd => Ask::OtherEnd { decides: decides.to_owned() },
        Remedy::Nothing => Ask::InVain { place: place.to_owned(), says: in_vain.to_owned() },
    }
}

/// `None` where its loss is not seen for a reason that is a task itself.
fn of_joint(fiber: &Fiber, joint: &JointReview) -> Option<Ask> {
    let limits = &fiber.plan.limits;
    let limit_db = fiber.plan.allowance_at_db(&joint.name);
    let Some(loss) = joint.loss.loss_db else {
        let known = ["too-noisy", "no-cord", "wrong-index", "wrong-label"];
        let is_told = fiber.own.findings.iter().any(|f| known.contains(&f.kind));
        let is_planned = fiber.plan.joints.iter().any(|own| own.name == joint.name);
        let cords = if is_planned { "" } else { "both cords and " };
        let how = format!("with {cords}a shorter pulse: the loss of {} is hidden", joint.name);
        return (!is_told && !fiber.is_missing(joint.wavelength_nm))
            .then_some(Ask::Again { how, ends: [true; 2] });
    };
    // What one end alone shows beyond the limit is undecided too.
    let is_within = |limit| limits.judge_loss(loss, Limit::AtMost(limit)).verdict == Verdict::Pass;
    match limit_db.filter(|limit| !is_within(*limit)) {
        Some(limit) => match remedy::of_joint(joint, limit, fiber.plan) {
            Remedy::OtherEnd if fiber.ends(joint.wavelength_nm) > 1 => {
                let how = format!("with a shorter pulse: {} is hidden from here", joint.name);
                let ends = [joint.loss.from_a_db.is_none(), joint.loss.from_b_db.is_none()];
                Some(Ask::Again { how, ends })
            }
            remedy => {
                let in_vain = format!("the loss of {} {ITS_LOSS}", joint.name);
                Some(asked(remedy, &joint.name, &joint.name, &in_vain))
            }
        },
        // Its reflectance then: without a sigma it is the least that a receiver at its limit saw.
        None if joint.reflectance_db.is_some_and(|peak| peak.sigma > 0.0) => {
            let says = format!("what {} reflects {ITS_LIGHT}", joint.name);
            Some(Ask::InVain { place: joint.name.clone(), says })
        }
        None => {
            let how = format!(
                "with less light (a shorter pulse, an attenuator): {} reflects more than the receiver bears",
                joint.name
            );
            Some(Ask::Again { how, ends: [true; 2] })
        }
    }
}

fn is_open(loss: Measured, limit: Limit, fiber: &Fiber) -> bool {
    fiber.plan.limits.judge_loss(loss, limit).verdict == Verdict::Undecided
}

fn of_link(fiber: &Fiber, link: &LinkReview) -> Vec<Ask> {
    let mut asks = Vec::new();
    let undecided = Some(Verdict::Undecided);
    let nm = link.wavelength_nm;
    let least = fiber.plan.min_link_limit_db(f64::from(nm));
    let open = |loss: &Measured| {
        let at_least = least.filter(|limit| is_open(*loss, Limit::AtLeast(*limit), fiber));
        at_least.or(link.limit_db)
    };
    let unseen = || Ask::Again {
        how: "so that both ends of the link are seen: cords, pulse and range long enough".into(),
        ends: [true; 2],
    };
    let is_open = |verdict: Option<Verdict>| verdict == undecided;
    // What of the link nobody could measure hangs on its ends.
    let of_ends = [
        (link.verdict, link.loss_db.is_none()),
        (link.return_loss_verdict, link.return_loss_db.is_none()),
        (link.length_verdict, link.length_m.is_none()),
    ];
    if of_ends.iter().any(|(verdict, is_unknown)| is_open(*verdict) && *is_unknown) {
        asks.extend((!fiber.is_missing(nm)).then(unseen));
        return asks;
    }
    // A connector that no cord shows, an end that hangs open: no averaging tells what they hide.
    let hidden = is_open(link.verdict) && link.lacks_connector;
    if hidden || (is_open(link.return_loss_verdict) && link.is_open) {
        asks.push(Ask::Again { how: WITH_CORDS.into(), ends: [true; 2] });
        return asks;
    }
    if let Some((loss, limit)) = link.loss_db.and_then(|loss| Some((loss, open(&loss)?))) {
        let remedy = || remedy::of_loss(loss, limit, fiber.ends(nm), &fiber.plan.limits);
        asks.extend(is_open(link.verdict).then(|| asked(remedy(), "the link", "", ITS_LINK)));
    }
    let in_vain = |says| Ask::InVain { place: String::new(), says };
    let light = || in_vain(format!("the link's return loss {ITS_LIGHT}"));
    asks.extend(is_open(link.return_loss_verdict).then(light));
    asks.extend(is_open(link.length_verdict).then(|| in_vain(ITS_LENGTH.into())));
    let mean = link.splice_mean_db.zip(fiber.plan.limits.splice_mean_db);
    if let Some((mean, limit)) = mean.filter(|_| is_open(link.splice_mean_verdict)) {
        let remedy = remedy::of_loss(mean, limit, fiber.ends(nm), &fiber.plan.limits);
        let in_vain = format!("the mean of its splices {ITS_LOSS}");
        asks.push(asked(remedy, "the mean of its splices", "", &in_vain));
    }
    asks
}

/// The mean attenuation of the longer sections, each trace a slope of its own.
fn of_sections(fiber: &Fiber, nm: u16) -> Option<Ask> {
    let own = fiber.own.sections.iter().filter(|s| s.wavelength_nm == nm && s.verdict.is_some());
    let limit = own.clone().find_map(|s| s.limit_db_per_km)?;
    let mean = Measured::mean(own.filter_map(|s| s.attenuation_db_per_km))?;
    // Unequal glass tilts no slope: two ends are as good as one.
    let remedy = remedy::of_loss(mean, limit, 2, &fiber.plan.limits);
    Some(asked(remedy, "the attenuation of its fibre", "", ITS_FIBER))
}

/// What the plan would have to say for a link to be decided at a wavelength.
pub(super) fn lacks_limit(own: &FiberReview, nm: u16) -> Option<&'static str> {
    let is_open = |link: &&LinkReview| {
        let is_known = link.wavelength_nm == nm && link.loss_db.is_some();
        is_known && link.verdict == Some(Verdict::Undecided)
    };
    own.links.iter().filter(is_open).find_map(|link| link.limit_lacks)
}

impl Fiber<'_> {
    /// From how many ends it was measured at a wavelength.
    fn ends(&self, nm: u16) -> usize {
        self.rows.iter().filter(|row| row.counts && row.wavelength_nm == Some(nm)).count()
    }

    /// Whether a planned measurement at a wavelength is missing: that is a task already.
    pub(super) fn is_missing(&self, nm: u16) -> bool {
        let missing = |verdict| verdict == TestVerdict::Missing;
        self.rows.iter().any(|row| row.wavelength_nm == Some(nm) && missing(row.verdict))
    }
}
