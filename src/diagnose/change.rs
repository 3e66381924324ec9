//! Two rounds of one link: what has changed, and whether that is more than chance.

use super::part::{self, Part, PartKind};
use super::{Link, Reference};
use crate::grade;
use crate::job::Test;
use crate::plan::Plan;
use crate::signal::normal;
use crate::units::{Measured, TIME_BASE_ERROR};

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Loss in dB.
    Loss,
    /// Reflectance in dB.
    Reflectance,
    /// Length of the fibre in metres.
    Length,
}

/// One figure in both rounds.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// The part's name; `link` for its length.
    pub part: String,
    /// Fibre metres from end a.
    pub at_m: f64,
    /// Wavelength in nm; 0 where the figure has none of its own.
    pub wavelength_nm: u16,
    /// What is compared.
    pub quantity: Quantity,
    /// Then. `None`: nothing was seen there.
    pub old: Option<Measured>,
    /// Now. `None`: nothing is seen there any more.
    pub new: Option<Measured>,
    /// Now less then.
    pub change: Measured,
    /// Whether chance hardly does that: see [`compare`].
    pub is_sure: bool,
}

impl Change {
    /// How many sigma the change is.
    pub fn significance(&self) -> f64 {
        if self.change.sigma > 0.0 { self.change.value.abs() / self.change.sigma } else { 0.0 }
    }

    /// Whether the link is surely worse for it: more loss, more reflection, another length.
    pub fn is_worse(&self) -> bool {
        self.is_sure && (self.change.value > 0.0 || self.quantity == Quantity::Length)
    }
}

/// Both rounds side by side.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// In order from end a.
    pub changes: Vec<Change>,
    /// Where the light stops now and did not, or the other way round: metres from end a, then and now.
    pub stops_m: [Option<f64>; 2],
    /// Wavelengths in nm of the earlier round that the later one does not have: nothing is known of
    /// what changed there.
    pub missing_nm: Vec<u16>,
    /// How many recordings of the later round are those of the earlier one: there nothing was measured again.
    pub copied: usize,
    /// Which errors cancel, and what could not be compared.
    pub notes: Vec<String>,
}

/// The same of an event that stands in one round alone: a weak step may be a chance of one recording,
/// or a known joint's own step that strayed. As in a review's unplanned events.
const LEAST_EVENT_DB: f64 = 0.03;

/// One in a hundred comparisons of unchanged links may show one sure change: each of `n` figures gets
/// its share of that (Bonferroni).
const FALSE_ALARMS: f64 = 0.01;
/// Below this nothing is called a change of loss, however sure: connectors that were opened and
/// closed again do as much. Common practice, no source.
const LEAST_LOSS_DB: f64 = 0.01;
/// The same of reflectances: peaks are rounded, and pressure on end faces varies. Common practice, no
/// source.
const LEAST_REFLECTANCE_DB: f64 = 1.0;

/// Compares two rounds, each read against `plan`.
///
/// What both rounds have in common cancels: unequal glass where both were taken from the same ends,
/// and the scale's linearity but for its share of the change. The roughness of the backscatter is the
/// same glass too; the sigmas carry it twice, so they are rather too large than too small.
pub fn compare(old: &[Test], new: &[Test], plan: &Plan) -> Comparison {
    let (now, before) = Link::pair(new, old, plan, Reference::Baseline);
    let mut parts = part::of(&now);
    part::allow(&mut parts, &now, Some(&before));
    let stop =
        |link: &Link| part::of(link).iter().find(|p| p.kind == PartKind::Break).map(|p| p.from_m);
    let mut changes: Vec<Change> =
        parts.iter().flat_map(|p| losses(p, &now).into_iter().chain(reflectance(p))).collect();
    changes.extend(length(&now, &before));
    let each = FALSE_ALARMS / changes.len().max(1) as f64;
    for change in &mut changes {
        let least = match change.quantity {
            Quantity::Loss if change.old.is_none() || change.new.is_none() => LEAST_EVENT_DB,
            Quantity::Loss => LEAST_LOSS_DB,
            Quantity::Reflectance => LEAST_REFLECTANCE_DB,
            Quantity::Length => 0.5,
        };
        let by_chance = 2.0 * normal::below(-change.significance());
        change.is_sure = change.change.value.abs() > least && by_chance < each;
    }
    let stops_m = [stop(&before), stop(&now)];
    let mut missing_nm = before.wavelengths_nm();
    missing_nm.retain(|nm| !now.wavelengths_nm().contains(nm));
    let copied = now.copied(&before);
    Comparison { changes, stops_m, missing_nm, copied, notes: notes(&now, &before) }
}

fn losses(part: &Part, link: &Link) -> Vec<Change> {
    let linearity = link.plan.limits.linearity_db_per_db;
    let each = part.figures.iter().filter_map(|figure| {
        let (new, old) = (figure.loss_db?, figure.allowed_db?);
        let plain = new.minus(old);
        Some(Change {
            part: part.name.clone(),
            at_m: part.from_m,
            wavelength_nm: figure.wavelength_nm,
            quantity: Quantity::Loss,
            old: (part.is_new != Some(true)).then_some(old),
            new: Some(new),
            change: grade::with_linearity(plain, linearity),
            is_sure: false,
        })
    });
    each.collect()
}

fn reflectance(part: &Part) -> Option<Change> {
    let (new, old) = (part.reflectance_db?, part.reflectance_before_db?);
    Some(Change {
        part: part.name.clone(),
        at_m: part.from_m,
        wavelength_nm: 0,
        quantity: Quantity::Reflectance,
        old: Some(old),
        new: Some(new),
        change: new.minus(old),
        is_sure: false,
    })
}

/// The measured lengths: a repair adds fibre. Time bases of two instruments differ by their share.
fn length(now: &Link, before: &Link) -> Option<Change> {
    let measured = |link: &Link| Measured::mean(link.tests.iter().filter_map(|t| t.2.length_m));
    let (new, old) = (measured(now)?, measured(before)?);
    let time_base = 2.0_f64.sqrt() * TIME_BASE_ERROR * new.value;
    Some(Change {
        part: "link".into(),
        at_m: 0.0,
        wavelength_nm: 0,
        quantity: Quantity::Length,
        old: Some(old),
        new: Some(new),
        change: new.minus(old).widened(time_base),
        is_sure: false,
    })
}

fn notes(now: &Link, before: &Link) -> Vec<String> {
    let mut notes = Vec::new();
    if now.ends() == before.ends() {
        notes.push(
            "both rounds from the same ends at the same wavelengths: unequal glass and the scale's linearity cancel in every change, but for the change's own share".into(),
        );
    } else {
        let words = |link: &Link| {
            let each: Vec<String> =
                link.ends().iter().map(|(nm, end)| format!("{nm} nm {}", end.word())).collect();
            each.join(", ")
        };
        notes.push(format!(
            "the rounds differ (then {}; now {}): unequal glass does not cancel and is in the sigmas",
            words(before),
            words(now)
        ));
    }
    let pulse = |link: &Link| link.tests.iter().map(|t| t.2.pulse_ns).fold(0.0, f64::max);
    if (pulse(now) - pulse(before)).abs() > 0.5 {
        notes.push(format!(
            "the pulses differ ({:.0} ns then, {:.0} ns now): neighbours that one of both does not tell apart may seem changed",
            pulse(before),
            pulse(now)
        ));
    }
    notes
}
