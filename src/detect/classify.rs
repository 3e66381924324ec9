//! What an event likely is, from one trace alone, and why.

use crate::event::{Event, Likely, Role};
use crate::units::DB_PER_NEPER;

/// Loss of a splitter of 2, 4 … 128 ways: 10·log10(ways), and up to this much for excess and
/// uniformity. Common practice, no source.
const SPLITTER_EXCESS_DB: f64 = 3.5;
/// Above this, no single splice of today's fibre is likely. Common practice, no source.
const SPLICE_DB: f64 = 0.5;
/// A clean end, glass to air, reflects about -14 dB; a dirty or slanted one less.
/// Source: Fresnel, docs/theory.md; the bound from common practice, no source.
const OPEN_END_DB: f64 = -40.0;

/// Sets `likely` and `reason`; a start or an echo has none.
pub(super) fn name(event: &mut Event) {
    let (likely, reason) = match event.role {
        Role::Start => (None, "the front panel".to_owned()),
        Role::Echo => (None, "its place and height are those of light that bounced between earlier reflections, and the line goes on without loss".to_owned()),
        Role::End => end(event),
        Role::Joint => joint(event),
    };
    event.likely = likely;
    event.reason = reason;
}

fn end(event: &Event) -> (Option<Likely>, String) {
    let reflectance = event.reflectance_db().map(|r| r.value);
    match (event.is_reflective(), reflectance) {
        (true, Some(r)) if r < OPEN_END_DB => (
            Some(Likely::Unknown),
            format!("no light behind it; {r:.0} dB is little for a clean end, much for a crushed one"),
        ),
        (true, _) => (
            Some(Likely::OpenEnd),
            "no light behind it, and it reflects as an open connector or a clean cut does".into(),
        ),
        (false, _) => (
            Some(Likely::Break),
            "no light behind it and no reflection: a crushed or slanted end, a slanted connector, a loss into the noise, or out of range".into(),
        ),
    }
}

fn joint(event: &Event) -> (Option<Likely>, String) {
    let Some(loss) = event.loss_db else {
        let likely = if event.is_reflective() { Likely::Connector } else { Likely::Unknown };
        return (Some(likely), "hidden by its neighbour, so its own loss cannot be told".into());
    };
    let (loss_db, sigma) = (loss.value, loss.sigma);
    let ways = (1..=7).map(|n| (1 << n, DB_PER_NEPER * 2.0 * 2.0_f64.powi(n).ln()));
    let mut splitter = ways
        .clone()
        .filter(|(_, least)| loss_db > least - 0.3 && loss_db < least + SPLITTER_EXCESS_DB);
    if let Some((count, least)) = splitter.next_back().filter(|_| loss_db > 2.7) {
        return (
            Some(Likely::Splitter),
            format!(
                "{loss_db:.1} dB fits a splitter of {count} ways ({least:.1} dB and its excess); a broken joint cannot be ruled out from one trace"
            ),
        );
    }
    if event.is_reflective() {
        return (Some(Likely::Connector), "it reflects and the fibre goes on".into());
    }
    if loss_db < -2.0 * sigma {
        return (
            Some(Likely::Splice),
            "a gain: the fibre behind scatters more light back; only both ends give the true loss"
                .into(),
        );
    }
    if loss_db > SPLICE_DB {
        return (
            Some(Likely::Unknown),
            format!(
                "{loss_db:.2} dB without reflection is a bad splice or a bend: a second, longer wavelength tells"
            ),
        );
    }
    (
        Some(Likely::Splice),
        "a small step without reflection; a slight bend looks the same at one wavelength".into(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::Peak;
    use crate::units::{Measured, PanelM};

    fn event(role: Role, loss_db: Option<f64>, reflectance_db: Option<f64>) -> Event {
        let peak =
            reflectance_db.map(|r| Peak::Whole { reflectance_db: Some(Measured::new(r, 0.1)) });
        Event {
            number: 2,
            position_m: PanelM(100.0),
            position_sigma_m: 0.1,
            role,
            peak,
            likely: None,
            reason: String::new(),
            loss_db: loss_db.map(|l| Measured::new(l, 0.01)),
            loss_at_least_db: None,
            extent_m: 1.0,
            merged: 1,
        }
    }

    #[test]
    fn events_get_the_name_that_one_trace_supports() {
        // losses of ideal splitters: 10·log10(ways); excess after ITU-T G.671 (from memory)
        let cases = [
            (Role::Joint, Some(0.05), None, Likely::Splice),
            (Role::Joint, Some(-0.05), None, Likely::Splice),
            (Role::Joint, Some(0.3), Some(-45.0), Likely::Connector),
            (Role::Joint, Some(1.2), None, Likely::Unknown),
            (Role::Joint, Some(10.5), None, Likely::Splitter),
            (Role::Joint, Some(17.2), None, Likely::Splitter),
            (Role::End, None, Some(-14.4), Likely::OpenEnd),
            (Role::End, None, None, Likely::Break),
        ];
        for (role, loss_db, reflectance_db, likely) in cases {
            let mut event = event(role, loss_db, reflectance_db);
            name(&mut event);
            assert_eq!(event.likely, Some(likely), "{role:?} {loss_db:?} {reflectance_db:?}");
            assert!(!event.reason.is_empty());
        }
    }
}
