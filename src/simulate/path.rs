//! The fibre as light meets it: from one end, at one wavelength, up to where it stops.

use super::scenario::{Direction, Joint, Kind, Scenario, Stretch, Wavelength};
use crate::units::{DB_PER_NEPER, GroupIndex};

/// Glass of one kind between two places.
#[derive(Clone, Copy, Debug)]
pub(super) struct Glass {
    pub from_m: f64,
    pub to_m: f64,
    pub attenuation_db_per_km: f64,
    /// Backscattered power falls as `exp(-decay·z)`, `decay` per metre.
    pub decay: f64,
    /// Backscatter against the stated coefficient, dB on the one-way scale.
    pub step_db: f64,
    /// One-way loss from the panel to `from_m`, the joint there included.
    pub lost_db: f64,
}

impl Glass {
    /// Backscattered power per pulse length of glass at `z_m`; 1 at the panel in glass of the stated
    /// coefficient.
    pub(super) fn density(&self, z_m: f64) -> f64 {
        let start = (self.step_db - self.lost_db) / DB_PER_NEPER;
        (start - self.decay * (z_m - self.from_m)).exp()
    }

    /// The straight line that the trace shows of this glass, as power: the mean of the density over
    /// the pulse behind `z_m`.
    pub(super) fn line(&self, z_m: f64, pulse_m: f64) -> f64 {
        let x = self.decay * pulse_m;
        self.density(z_m) * x.exp_m1() / x
    }

    /// One-way loss from the panel to `z_m`, which lies in this glass.
    pub(super) fn lost_db_at(&self, z_m: f64) -> f64 {
        self.lost_db + self.attenuation_db_per_km * (z_m - self.from_m) / 1000.0
    }

    pub(super) fn length_m(&self) -> f64 {
        self.to_m - self.from_m
    }
}

/// What stands at the far end of a piece of glass.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub position_m: f64,
    pub kind: PlaceKind,
    /// `None` where no light passes.
    pub true_loss_db: Option<f64>,
    pub reflectance_db: Option<f64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum PlaceKind {
    Joint(Kind),
    End,
}

impl Place {
    /// A joint at one wavelength; what is broken lets no light through.
    fn of_joint(joint: &Joint, position_m: f64, nm: f64) -> Place {
        Place {
            position_m,
            kind: PlaceKind::Joint(joint.kind),
            true_loss_db: (joint.kind != Kind::Break).then(|| joint.loss_db_at(nm)),
            reflectance_db: joint.reflectance_db,
        }
    }
}

/// A surface that reflects, the panel included.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mirror {
    pub position_m: f64,
    pub reflectance_db: f64,
    /// One-way loss from the panel up to its front side, and to its back side.
    pub front_db: f64,
    pub back_db: f64,
}

/// A rectangle of light, one pulse long, on top of the backscatter.
#[derive(Clone, Copy, Debug)]
pub(super) struct Flash {
    pub position_m: f64,
    /// Its power; the backscatter at the panel is 1.
    pub height: f64,
}

/// A fibre from one end at one wavelength. `places[i]` stands behind `glass[i]`.
#[derive(Clone, Debug)]
pub(super) struct Path {
    pub glass: Vec<Glass>,
    pub places: Vec<Place>,
    pub mirrors: Vec<Mirror>,
    pub pulse_m: f64,
    pub pulse_ns: f64,
    pub backscatter_db: f64,
    /// Length of the cord at the instrument; 0 without one.
    pub launch_m: f64,
    /// Length of the cord at the other end; 0 without one, or where no light reaches it.
    pub tail_m: f64,
}

impl Path {
    pub(super) fn new(
        scenario: &Scenario,
        wavelength: &Wavelength,
        direction: Direction,
        index: GroupIndex,
    ) -> Path {
        let order = in_order(&scenario.sections, direction);
        let finish = match direction {
            Direction::AToB => scenario.end_b,
            Direction::BToA => scenario.end_a,
        };
        let mut path = Path {
            glass: Vec::new(),
            places: Vec::new(),
            mirrors: Vec::new(),
            pulse_m: index.pulse_m(f64::from(wavelength.pulse_ns.max(1))),
            pulse_ns: f64::from(wavelength.pulse_ns.max(1)),
            backscatter_db: wavelength.backscatter_db,
            launch_m: 0.0,
            tail_m: 0.0,
        };
        path.mirrors.extend(scenario.panel_reflectance_db.map(|reflectance_db| Mirror {
            position_m: 0.0,
            reflectance_db,
            front_db: 0.0,
            back_db: 0.0,
        }));
        let (mut position_m, mut lost_db) = (0.0, 0.0);
        for (number, (section, joint)) in order.iter().enumerate() {
            let attenuation = section.attenuation_db_per_km.at(wavelength.nm).max(1e-6);
            let glass = Glass {
                from_m: position_m,
                to_m: position_m + section.length_m.max(1e-3),
                attenuation_db_per_km: attenuation,
                decay: attenuation / 1000.0 / DB_PER_NEPER,
                step_db: section.backscatter_step_db,
                lost_db,
            };
            position_m = glass.to_m;
            let front_db = glass.lost_db_at(position_m);
            let place = match joint.filter(|_| number + 1 < order.len()) {
                Some(joint) => Place::of_joint(joint, position_m, wavelength.nm),
                None => Place {
                    position_m,
                    kind: PlaceKind::End,
                    true_loss_db: None,
                    reflectance_db: finish.reflectance_db(index.value()),
                },
            };
            lost_db = front_db + place.true_loss_db.unwrap_or(0.0);
            path.mirrors.extend(place.reflectance_db.map(|reflectance_db| Mirror {
                position_m,
                reflectance_db,
                front_db,
                back_db: lost_db,
            }));
            path.glass.push(glass);
            path.places.push(place);
            if place.true_loss_db.is_none() {
                break;
            }
        }
        (path.launch_m, path.tail_m) = cords(&order, path.glass.len());
        path
    }

    pub(super) fn end_m(&self) -> f64 {
        self.glass.last().map_or(0.0, |glass| glass.to_m)
    }

    /// Power of a reflection, as a multiple of the backscatter at the panel: a pulse of `T` ns has
    /// the backscatter `B + 10·log10(T)`.
    pub(super) fn height(&self, reflectance_db: f64, lost_db: f64) -> f64 {
        let decibels = reflectance_db - self.backscatter_db - 2.0 * lost_db;
        10_f64.powf(decibels / 10.0) / self.pulse_ns
    }

    /// The first reflections.
    pub(super) fn reflections(&self) -> Vec<Flash> {
        let flash = |m: &Mirror| Flash {
            position_m: m.position_m,
            height: self.height(m.reflectance_db, m.front_db),
        };
        self.mirrors.iter().map(flash).collect()
    }

    /// Light that was thrown back at `i`, forward at `j` before it, and back at `k`: it shows at
    /// `z_i + z_k - z_j`. Those of at least `least` power, by place; the two ways round are one.
    pub(super) fn echoes(&self, least: f64) -> Vec<Flash> {
        let mut echoes = Vec::new();
        for (i, first) in self.mirrors.iter().enumerate() {
            for last in &self.mirrors[i..] {
                for between in &self.mirrors[..i] {
                    let reflectance_db =
                        first.reflectance_db + between.reflectance_db + last.reflectance_db;
                    let lost_db = first.front_db + last.front_db - between.back_db;
                    let ways = if first.position_m < last.position_m { 2.0 } else { 1.0 };
                    let height = ways * self.height(reflectance_db, lost_db);
                    let position_m = first.position_m + last.position_m - between.position_m;
                    if height >= least {
                        echoes.push(Flash { position_m, height });
                    }
                }
            }
        }
        echoes.sort_by(|x, y| x.position_m.total_cmp(&y.position_m));
        echoes
    }

    /// The glass at `z_m`, `None` before the panel and behind the end.
    pub(super) fn glass_at(&self, z_m: f64) -> Option<&Glass> {
        let number = self.glass.partition_point(|glass| glass.to_m <= z_m);
        self.glass.get(number).filter(|_| z_m >= 0.0)
    }
}

type Step<'a> = (&'a Stretch, Option<&'a super::scenario::Joint>);

/// Each section with the joint at its far side, as the light comes to them.
fn in_order(sections: &[Stretch], direction: Direction) -> Vec<Step<'_>> {
    match direction {
        Direction::AToB => sections.iter().map(|s| (s, s.then.as_ref())).collect(),
        Direction::BToA => (0..sections.len())
            .rev()
            .map(|i| (&sections[i], i.checked_sub(1).and_then(|i| sections[i].then.as_ref())))
            .collect(),
    }
}

/// Lengths of the cords at the near and at the far end; `lit` sections get light.
fn cords(order: &[Step<'_>], lit: usize) -> (f64, f64) {
    let is_cord = |step: &&Step<'_>| step.0.cord;
    let length = |sum: f64, step: &Step<'_>| sum + step.0.length_m;
    let near = order.iter().take_while(is_cord).count();
    if near == order.len() {
        return (0.0, 0.0);
    }
    let launch_m = if lit > near { order[..near].iter().fold(0.0, length) } else { 0.0 };
    let far = order.iter().rev().take_while(is_cord).count();
    let tail_m =
        if lit == order.len() { order[order.len() - far..].iter().fold(0.0, length) } else { 0.0 };
    (launch_m, tail_m)
}
