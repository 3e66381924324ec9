//! Joints of several traces that are one joint, and what they say together.

use super::axes;
use super::together::{Drawn, Together};
use crate::combine;
use crate::event::Role;
use crate::units::Measured;

/// One joint of a link, in as many traces as show it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Joined {
    /// In metres from the panel of the first trace.
    pub place_m: f64,
    place_sigma_m: f64,
    /// Index of its event in each trace.
    pub own: Vec<Option<usize>>,
    /// Its loss in each trace.
    pub loss_db: Vec<Option<Measured>>,
}

/// The joints of all traces, in order of place. Two events are one where they lie closer than two
/// pulses and four sigma, and than any other pair.
pub(super) fn joints(curves: &[Drawn<'_>]) -> Vec<Joined> {
    let mut all: Vec<Joined> = Vec::new();
    for (n, curve) in curves.iter().enumerate() {
        for (i, event) in curve.analysis.events.iter().enumerate() {
            if event.role != Role::Joint {
                continue;
            }
            let (place_m, place_sigma_m) =
                (curve.place(event.position_m.0), event.position_sigma_m);
            let reach_m = 2.0 * curve.pulse_m.max(curves[0].pulse_m);
            let near = |j: &Joined| reach_m + 4.0 * place_sigma_m.hypot(j.place_sigma_m);
            let off = |j: &Joined| (j.place_m - place_m).abs();
            let free = |j: &&mut Joined| j.own[n].is_none() && off(j) <= near(j);
            let nearest = all.iter_mut().filter(free).min_by(|a, b| off(a).total_cmp(&off(b)));
            if let Some(joint) = nearest {
                joint.own[n] = Some(i);
                joint.loss_db[n] = event.loss_db;
                if place_sigma_m < joint.place_sigma_m {
                    (joint.place_m, joint.place_sigma_m) = (place_m, place_sigma_m);
                }
                continue;
            }
            let (mut own, mut loss_db) = (vec![None; curves.len()], vec![None; curves.len()]);
            own[n] = Some(i);
            loss_db[n] = event.loss_db;
            all.push(Joined { place_m, place_sigma_m, own, loss_db });
        }
    }
    all.sort_by(|a, b| a.place_m.total_cmp(&b.place_m));
    all
}

/// The losses in the order of the traces, and what follows from them.
pub(super) fn words(joint: &Joined, curves: &[Drawn<'_>], how: Together) -> String {
    let own = |loss: &Option<Measured>| loss.map_or("–".to_owned(), |m| axes::figure(m.value, 3));
    let losses: Vec<String> = joint.loss_db.iter().map(own).collect();
    let mut text = losses.join(" / ");
    let both = joint.loss_db[0].zip(joint.loss_db[1]);
    match (how, both) {
        (Together::BothEnds, Some((a, b))) => {
            if let Some(mean) = combine::two_way(Some(a), Some(b), 0.0).loss_db {
                text.push_str(&format!(" = {} dB", axes::measured(mean, 3)));
            }
        }
        (Together::Change, Some((old, new))) => {
            let more = new.minus(old);
            let sign = if more.value >= 0.0005 { "+" } else { "" }; // 0.000 has none
            text.push_str(&format!(" dB, {sign}{}", axes::measured(more, 3)));
        }
        (Together::Over, _) if bends(joint, curves) => {
            text.push_str(" dB: grows with wavelength, likely a bend");
        }
        _ => text.push_str(" dB"),
    }
    text
}

/// Whether the loss grows from the shortest to the longest wavelength as a bend's does.
fn bends(joint: &Joined, curves: &[Drawn<'_>]) -> bool {
    let mut seen: Vec<(f64, Measured)> = curves
        .iter()
        .zip(&joint.loss_db)
        .filter_map(|(curve, loss)| Some((curve.wavelength_nm?, (*loss)?)))
        .collect();
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    match (seen.first(), seen.last()) {
        (Some(short), Some(long)) if long.0 > short.0 + 100.0 => {
            combine::grows_like_a_bend(short.1, long.1)
        }
        _ => false,
    }
}

/// How the figures of a label are to be read.
pub(super) fn legend(how: Together) -> &'static str {
    match how {
        Together::Over => {
            "0 dB where each link begins, peaks cut off; losses in the order of this legend; – not measured"
        }
        Together::BothEnds => {
            "losses from a / from b = mean of both; – not measured; ± one sigma; peaks cut off"
        }
        Together::Change => "losses old / new, change; – not measured; ± one sigma; peaks cut off",
    }
}
