//! The features of one trace by which its fibre may be told.

use std::collections::BTreeMap;

use super::super::name::Direction;
use super::super::rows::Key;
use super::super::test::Content;
use crate::event::{Event, Role};
use crate::plan::Plan;
use crate::units::Measured;

/// What a fibre may be told by. Places count from 0, end a, over the planned joints to end b.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Feature {
    /// Apparent loss, from this end: unequal fibres show another from the other.
    Loss(usize, Direction),
    Reflectance(usize),
    /// Where a found joint lies, as a share of the length.
    Place(usize),
    /// The logarithm of the attenuation behind this place: that of all wavelengths grows alike.
    Attenuation(usize),
    Length,
}

impl Feature {
    /// At which place it is seen as a plug or a joint; `None` of what fibre shows.
    pub(super) fn place(self) -> Option<usize> {
        match self {
            Feature::Loss(place, _) | Feature::Reflectance(place) => Some(place),
            Feature::Place(_) | Feature::Attenuation(_) | Feature::Length => None,
        }
    }
}

pub(super) type Figures = BTreeMap<Feature, Measured>;

/// What stands under a fibre's number, at one wavelength and from one end.
pub(in super::super) struct Features {
    pub(super) key: Key,
    /// Serial numbers of the instrument; blank where none are known.
    pub(super) serial: String,
    /// Its figures; in a [`Likeness`] freed of what its wavelength, its end and the cable have in common.
    pub(super) figures: Figures,
}

impl Features {
    /// What a trace shows under its label. `length_m`: its length at the scale of all.
    pub(in super::super) fn of(
        key: Key,
        content: &Content,
        length_m: Option<Measured>,
        plan: &Plan,
    ) -> Features {
        let figures = figures(content, key.2, length_m, plan);
        Features { key, serial: content.serial.clone(), figures }
    }
}

fn figures(content: &Content, end: Direction, length_m: Option<Measured>, plan: &Plan) -> Figures {
    let mut figures = Figures::new();
    let (Some(near_m), Some(own_m)) = (content.near_m, content.length_m.map(|l| l.value)) else {
        return figures;
    };
    let last = plan.joints.len() + 1;
    let from_b = end == Direction::BToA;
    let panel_m = |cable_m: f64| near_m + if from_b { own_m - cable_m } else { cable_m };
    let [near_db, far_db] = [content.near_db, content.far_db];
    let [at_a_db, at_b_db] = if from_b { [far_db, near_db] } else { [near_db, far_db] };
    let joints = content.joints.iter().enumerate().map(|(i, joint)| (i + 1, joint.0, joint.1));
    let places = [(0, 0.0, at_a_db)].into_iter().chain(joints).chain([(last, own_m, at_b_db)]);
    for (place, cable_m, loss_db) in places {
        figures.extend(loss_db.map(|loss_db| (Feature::Loss(place, end), loss_db)));
        let Some(event) = event_at(content, panel_m(cable_m)) else { continue };
        let reflectance_db = event.reflectance_db();
        figures.extend(reflectance_db.map(|own| (Feature::Reflectance(place), own)));
        if place != 0 && place != last && own_m > 0.0 {
            let at = Measured::new(cable_m, event.position_sigma_m).times(1.0 / own_m);
            figures.insert(Feature::Place(place), at);
        }
    }
    figures.extend(length_m.map(|length_m| (Feature::Length, length_m)));
    figures.extend(attenuations(content, |m| {
        let cable_m = if from_b { own_m - m } else { m };
        content.joints.iter().filter(|joint| joint.0 <= cable_m).count()
    }));
    figures
}

/// The joint that was found at a place from the panel.
fn event_at(content: &Content, panel_m: f64) -> Option<&Event> {
    let is_it = |e: &&Event| e.role == Role::Joint && (e.position_m.0 - panel_m).abs() < FOUND_M;
    content.analysis.events.iter().find(is_it)
}

/// A found joint's place is taken over as it is; this is for rounding.
const FOUND_M: f64 = 1e-3;

/// The attenuation behind each place that the long sections show. `place`: behind which one a point lies, given
/// in metres from the near connector.
fn attenuations(content: &Content, place: impl Fn(f64) -> usize) -> Figures {
    let mut all: BTreeMap<usize, Vec<Measured>> = BTreeMap::new();
    for (middle_m, attenuation) in content.long_sections() {
        all.entry(place(middle_m)).or_default().push(attenuation);
    }
    let mean = |(place, own)| {
        let own = Measured::mean(own).filter(|own| own.value > 0.0)?;
        Some((Feature::Attenuation(place), Measured::new(own.value.ln(), own.sigma / own.value)))
    };
    all.into_iter().filter_map(mean).collect()
}
