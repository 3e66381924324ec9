//! The instrument's own event table beside ours.

use crate::event::{Event, Opinion, Role};
use crate::trace::Trace;
use crate::units::PanelM;

/// What an instrument's figure may be off by itself, beside its noise: it is stored to 0.001 dB, and
/// its scale is linear to 0.03 dB per dB (from memory of IEC 61746-1).
const LINEARITY: f64 = 0.03;

/// How the file's own table and `events` disagree. Nothing where the file has no table.
pub(super) fn differences(trace: &Trace, events: &[Event]) -> Vec<Opinion> {
    let Some(table) = trace.table.as_ref().filter(|table| !table.rows.is_empty()) else {
        return Vec::new();
    };
    let mut opinions = Vec::new();
    let mut matched = vec![false; events.len()];
    for row in &table.rows {
        let place = trace.metres_100_ps(row.time_100_ps);
        let nearest = nearest(trace, events, place);
        let Some(i) = nearest else {
            if place.0 > 2.0 * trace.pulse_m() {
                opinions.push(Opinion::OnlyInstrument { position_m: place, loss_db: row.loss_db });
            }
            continue;
        };
        matched[i] = true;
        let Some(here_db) = events[i].loss_db.filter(|_| !row.is_end()) else { continue };
        let off = (row.loss_db - here_db.value).abs();
        let unsure =
            (2.0_f64.sqrt() * here_db.sigma).hypot(LINEARITY * here_db.value.abs()).hypot(0.001);
        if off > 3.0 * unsure {
            let number = events[i].number;
            opinions.push(Opinion::Loss { number, instrument_db: row.loss_db, here_db });
        }
    }
    for (event, matched) in events.iter().zip(matched) {
        if !matched && matches!(event.role, Role::Joint | Role::End) && listable(trace, event) {
            opinions.push(Opinion::OnlyHere { number: event.number });
        }
    }
    opinions
}

/// The event that a listed place means: within a pulse and a half, for instruments set their marks
/// by eye or at the foot of the edge.
fn nearest(trace: &Trace, events: &[Event], place: PanelM) -> Option<usize> {
    let off = |event: &Event| (event.position_m.0 - place.0).abs();
    let reach = (1.5 * trace.pulse_m()).max(3.0 * trace.spacing_m()) + 2e-4 * place.0;
    let near = events.iter().enumerate().filter(|(_, e)| e.role != Role::Echo);
    near.filter(|(_, e)| off(e) < reach + 3.0 * e.position_sigma_m)
        .min_by(|a, b| off(a.1).total_cmp(&off(b.1)))
        .map(|(i, _)| i)
}

/// Whether the instrument's own thresholds would have let it list an event.
fn listable(trace: &Trace, event: &Event) -> bool {
    let loss = trace.settings.loss_threshold_db.unwrap_or(0.05);
    event.role == Role::End
        || event.is_reflective()
        || event.loss_db.is_some_and(|l| l.value.abs() > loss.max(0.02) + 2.0 * l.sigma)
}
