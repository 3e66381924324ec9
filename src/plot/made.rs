//! Traces made by hand, for the tests of this room.

use crate::event::{Analysis, Event, Likely, Noise, Role, Section};
use crate::trace::{Instrument, Labels, Scale, Settings, Stretch, Trace};
use crate::units::{GroupIndex, Measured, PanelM};

/// A trace with a sample a metre, from its levels in dB below the reference.
pub(super) fn trace(levels_db: &[f64]) -> Trace {
    let index = GroupIndex::new(1.5).unwrap();
    Trace {
        counts: levels_db.iter().map(|level| (-level * 1000.0).round() as u16).collect(),
        scales: vec![Scale { samples: levels_db.len(), count_micro_db: 1000 }],
        // one metre of one-way time at this index is 5.00346 ns
        stretches: vec![Stretch {
            samples: levels_db.len(),
            pulse_ns: 100,
            spacing_1e_14_s: (index.seconds(1.0) * 1e14).round() as u32,
        }],
        settings: Settings { wavelength_nm: Some(1550.0), ..Settings::bare(index) },
        labels: Labels::default(),
        instrument: Instrument::default(),
        table: None,
        notes: Vec::new(),
    }
}

/// A joint without reflection.
pub(super) fn joint(number: usize, position_m: f64, loss_db: Option<Measured>) -> Event {
    Event {
        number,
        position_m: PanelM(position_m),
        position_sigma_m: 0.1,
        role: Role::Joint,
        peak: None,
        likely: Some(Likely::Splice),
        reason: String::new(),
        loss_db,
        loss_at_least_db: None,
        extent_m: 10.0,
        merged: 1,
    }
}

/// Fibre from 0 through the joints to `end_m`, all of one attenuation.
pub(super) fn analysis(joints: Vec<Event>, end_m: f64, db_per_km: f64) -> Analysis {
    let mut events = vec![Event { role: Role::Start, likely: None, ..joint(1, 0.0, None) }];
    events.extend(joints);
    let number = events.len() + 1;
    events.push(Event { role: Role::End, ..joint(number, end_m, None) });
    let sections = events
        .windows(2)
        .map(|pair| Section {
            from_m: pair[0].position_m,
            to_m: pair[1].position_m,
            attenuation_db_per_km: Some(Measured::new(db_per_km, 0.002)),
        })
        .collect();
    let noise = Noise {
        floor_db: Some(-35.0),
        correlated_samples: 1.0,
        speckle: 0.0,
        receiver_m: 1.0,
        noise_from_m: Some(PanelM(end_m)),
    };
    Analysis { events, sections, span: None, noise, opinions: Vec::new(), notes: Vec::new() }
}
