//! What would decide where a measurement cannot.

use super::{Court, Figure, Item, LossDoubt};
use crate::event::Event;
use crate::grade::{self, Limit, Verdict};
use crate::units::Measured;

/// Pulses in ns that instruments offer: common practice, no source.
const PULSES_NS: [f64; 14] = [
    3.0, 5.0, 10.0, 20.0, 30.0, 50.0, 100.0, 200.0, 300.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0,
];

/// Beyond this, nobody waits: common practice, no source.
const LONGEST_S: f64 = 1200.0;

/// Of a joint's loss.
pub(super) fn of_loss(court: &Court, event: &Event, item: &Item) -> String {
    let Figure::Whole(loss) = item.figure else {
        return "the other end, or a shorter pulse: what lies behind it hides its loss here".into();
    };
    if event.merged > 1 {
        return pulse_for(court, event);
    }
    let Some(doubt) = item.doubt else { return "the other end".into() };
    let both = decides(court, item, loss.value, doubt.from_both_ends_db());
    let longer = averaging(court, item, loss.value, doubt.averaged_db(), doubt.fixed_db());
    match (both, longer) {
        (true, _) => format!(
            "the other end: unequal fibres then cancel, and a mean like this has ± {:.3} dB",
            doubt.from_both_ends_db()
        ),
        (false, Some(longer)) => longer,
        (false, None) => {
            let with_both = LossDoubt { unequal_fibers_db: 0.0, ..doubt };
            let longer = averaging(
                court,
                item,
                loss.value,
                with_both.averaged_db() / std::f64::consts::SQRT_2,
                doubt.linearity_db.hypot(doubt.quantization_db),
            );
            longer.map_or_else(
                || "nothing but another value: it lies too near its limit for any OTDR; the other end halves the doubt".into(),
                |longer| format!("the other end, and {longer}"),
            )
        }
    }
}

/// The pulse that parts the places of a group.
fn pulse_for(court: &Court, event: &Event) -> String {
    let places = event.merged;
    let from = court.analysis.events.iter().position(|e| e.number == event.number).unwrap_or(0);
    let group = &court.analysis.events[from..court.analysis.events.len().min(from + places)];
    let nearest = group
        .windows(2)
        .map(|pair| pair[1].position_m.0 - pair[0].position_m.0)
        .fold(f64::INFINITY, f64::min);
    // A place stands alone where the next is two pulse lengths away: twice what parts two peaks.
    let longest_ns = 0.5 * nearest / court.trace.settings.index.pulse_m(1.0);
    let fits =
        PULSES_NS.iter().rev().find(|ns| **ns <= longest_ns && **ns < court.trace.pulse_ns());
    match fits {
        Some(ns) if group.len() == places && group[1..].iter().all(|e| e.loss_db.is_none()) => {
            format!("a pulse of {ns:.0} ns: it parts the {places} places that share this loss")
        }
        _ => format!("the other end, or the shortest pulse: {places} places share this loss"),
    }
}

/// Of a connector's reflectance.
pub(super) fn of_reflectance(court: &Court, event: &Event, item: &Item) -> String {
    match item.figure {
        Figure::Unmeasured if court.trace.settings.backscatter_db.is_none() => {
            "the fibre's backscatter figure: the file states none".into()
        }
        Figure::Unmeasured => "the other end: the fibre before it cannot be measured here".into(),
        Figure::AtLeast(_) => {
            "less light: a shorter pulse, or an attenuator, so that the receiver is not at its limit"
                .into()
        }
        Figure::Whole(_) if event.is_saturated() => "less light".into(),
        Figure::Whole(m) => {
            let doubt_db = court.limits.backscatter_sigma_db;
            let noise_db = (m.sigma * m.sigma - doubt_db * doubt_db).max(0.0).sqrt();
            averaging(court, item, m.value, noise_db, doubt_db).unwrap_or_else(|| {
                "the fibre's own backscatter coefficient: its doubt is the larger part".into()
            })
        }
    }
}

/// Of the link's loss.
pub(super) fn of_link(court: &Court, item: &Item) -> String {
    let Figure::Whole(loss) = item.figure else {
        return "a longer pulse, or longer averaging: the far end is not clear of the noise".into();
    };
    let scale = court.limits.linearity_db_per_db * loss.value;
    let unequal = court.limits.one_way_db;
    let fitted = (loss.sigma.powi(2) - scale.powi(2) - unequal.powi(2)).max(0.0).sqrt();
    if decides(court, item, loss.value, (fitted / std::f64::consts::SQRT_2).hypot(scale)) {
        return "the other end: unequal fibres then cancel".into();
    }
    averaging(court, item, loss.value, fitted, scale.hypot(unequal)).unwrap_or_else(|| {
        "a power meter and a source: it lies nearer to its limit than an OTDR's scale can tell"
            .into()
    })
}

/// Of a figure with noise and a relative error of the scale.
pub(super) fn of_figure(court: &Court, item: &Item, linearity: f64) -> String {
    let Figure::Whole(m) = item.figure else { return "a longer pulse, or longer averaging".into() };
    let scale = linearity * m.value;
    let noise = (m.sigma * m.sigma - scale * scale).max(0.0).sqrt();
    averaging(court, item, m.value, noise, scale).unwrap_or_else(|| {
        "nothing but another value: it lies nearer to its limit than an OTDR's scale can tell"
            .into()
    })
}

fn bare(limit: Limit) -> f64 {
    match limit {
        Limit::AtMost(limit) | Limit::AtLeast(limit) => limit,
    }
}

/// Whether the same value with another sigma would be decided.
fn decides(court: &Court, item: &Item, value: f64, sigma: f64) -> bool {
    let graded = grade::judge(Measured::new(value, sigma), item.limit, court.limits.confidence);
    graded.verdict != Verdict::Undecided
}

/// How much longer to average, if that decides it within what anybody waits.
fn averaging(court: &Court, item: &Item, value: f64, noise: f64, fixed: f64) -> Option<String> {
    let limit = bare(item.limit);
    let times = grade::averaging_to_decide(value, limit, noise, fixed, court.limits.confidence)?;
    if times <= 1.0 {
        return None;
    }
    match court.trace.settings.averaging_s {
        Some(s) if s * times > LONGEST_S => None,
        Some(s) => Some(format!("averaging {times:.1} times as long: {:.0} s", (s * times).ceil())),
        None if times > 100.0 => None,
        None => Some(format!("averaging {times:.1} times as long")),
    }
}
