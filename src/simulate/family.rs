//! Random fibres by kind, for statistics over many traces. A family and a seed settle everything.

use std::collections::BTreeMap;

use super::random::Random;
use super::scenario::{
    Direction, Figure, Finish, Joint, Kind, Receiver, Recording, Ring, Scenario, Seeds, Slow,
    Spikes, Stretch, Tags, Wavelength,
};
use crate::units::GroupIndex;

/// A kind of fibre or of instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Family {
    /// Inside buildings: hundreds of metres, pulses of 3 to 10 ns, mostly connectors.
    Premises,
    /// The last kilometres: pulses of 5 to 100 ns.
    Access,
    /// One splitter, and what lies in front of and behind it.
    Split,
    /// 7 to 40 km.
    Metro,
    /// 40 to 100 km, pulses of 0.5 to 5 µs.
    Longhaul,
    /// Joints in pairs so close that they hide each other.
    Pairs,
    /// The far part drops into the noise.
    Deep,
    /// Two scale factors in one file.
    Scales,
    /// Glass of different makes: slopes and backscatter change.
    Mixed,
    /// A receiver that rings.
    Ring,
    /// A receiver whose zero sinks after strong light.
    Droop,
    /// A recorder whose zero is not at zero light.
    Offset,
    /// Single wrong samples.
    Spikes,
}

impl Family {
    /// Every family, in a fixed order.
    pub const ALL: [Family; 13] = [
        Family::Premises,
        Family::Access,
        Family::Split,
        Family::Metro,
        Family::Longhaul,
        Family::Pairs,
        Family::Deep,
        Family::Scales,
        Family::Mixed,
        Family::Ring,
        Family::Droop,
        Family::Offset,
        Family::Spikes,
    ];

    /// Its name, as truths carry it.
    pub fn name(self) -> &'static str {
        match self {
            Family::Premises => "premises",
            Family::Access => "access",
            Family::Split => "split",
            Family::Metro => "metro",
            Family::Longhaul => "longhaul",
            Family::Pairs => "pairs",
            Family::Deep => "deep",
            Family::Scales => "scales",
            Family::Mixed => "mixed",
            Family::Ring => "ring",
            Family::Droop => "droop",
            Family::Offset => "offset",
            Family::Spikes => "spikes",
        }
    }

    /// The family of this name.
    pub fn from_name(name: &str) -> Option<Family> {
        Family::ALL.into_iter().find(|family| family.name() == name)
    }
}

/// A random fibre of a family, with one trace from end a.
pub fn draw(family: Family, seed: u64) -> Scenario {
    let number = Family::ALL.iter().position(|other| *other == family).unwrap_or(0);
    let mut random = Random::for_purpose(seed, 0x6661_6d00 + number as u64);
    let size = Size::of(family, &mut random);
    let light = Light::draw(&size, &mut random);
    let glass = Glass { spread: if family == Family::Mixed { 6.0 } else { 1.0 } };
    let mut sections = fiber(family, &size, &light, &glass, &mut random);
    if family == Family::Pairs {
        crowd(&mut sections, light.pulse_m, &mut random);
    }
    let scenario = Scenario {
        schema: "strandline.scenario/1".into(),
        name: format!("{}-{seed:03}", family.name()),
        family: family.name().into(),
        story: String::new(),
        index: light.index,
        stated_index: None,
        directions: vec![Direction::AToB],
        seeds: Seeds { fiber: random.bits(), noise: random.bits() },
        wavelengths: vec![wavelength(family, &light, &sections, &mut random)],
        receiver: receiver(family, &mut random),
        recording: recording(family, &mut random),
        panel_reflectance_db: Some(random.between(-55.0, -32.0)),
        end_a: Finish::Open,
        end_b: finish(&mut random),
        sections,
        labels: Tags::default(),
        table: None,
    };
    loud_enough(scenario)
}

/// How long, and with which pulse.
struct Size {
    length_m: f64,
    section_m: f64,
    cord_m: f64,
    nm: &'static [f64],
    pulse_ns: u16,
}

impl Size {
    fn of(family: Family, random: &mut Random) -> Size {
        const SINGLE_MODE: &[f64] = &[1310.0, 1550.0, 1625.0];
        let other = random.pick(&[Family::Access, Family::Metro]);
        let base = match family {
            Family::Premises
            | Family::Access
            | Family::Split
            | Family::Metro
            | Family::Longhaul => family,
            _ => other,
        };
        match base {
            Family::Premises => Size {
                length_m: random.between_log(150.0, 900.0),
                section_m: 110.0,
                cord_m: random.between(60.0, 120.0),
                nm: &[850.0, 1300.0],
                pulse_ns: random.pick(&[3, 5, 10]),
            },
            Family::Split => Size {
                length_m: random.between_log(4e3, 16e3),
                section_m: 1500.0,
                cord_m: random.between(300.0, 600.0),
                nm: &[1310.0, 1490.0, 1550.0, 1650.0],
                pulse_ns: random.pick(&[100, 200, 300, 500]),
            },
            Family::Metro => Size {
                length_m: random.between_log(7e3, 37e3),
                section_m: 2600.0,
                cord_m: random.between(500.0, 1000.0),
                nm: SINGLE_MODE,
                pulse_ns: random.pick(&[50, 100, 200, 300, 500]),
            },
            Family::Longhaul => Size {
                length_m: random.between_log(40e3, 100e3),
                section_m: 4800.0,
                cord_m: random.between(2000.0, 4000.0),
                nm: &[1550.0, 1625.0],
                pulse_ns: random.pick(&[500, 1000, 2500, 5000]),
            },
            _ => Size {
                length_m: random.between_log(800.0, 6e3),
                section_m: 420.0,
                cord_m: random.between(170.0, 300.0),
                nm: SINGLE_MODE,
                pulse_ns: random.pick(&[5, 10, 20, 30, 50, 100]),
            },
        }
    }
}

struct Light {
    nm: f64,
    pulse_ns: u16,
    pulse_m: f64,
    index: f64,
    attenuation_db_per_km: f64,
    backscatter_db: f64,
}

impl Light {
    fn draw(size: &Size, random: &mut Random) -> Light {
        let nm = random.pick(size.nm);
        // Typical figures of installed fibre: attenuation in dB/km, backscatter for 1 ns in dB.
        let (attenuation, backscatter_db, index) = match nm as u32 {
            850 => (2.3, -68.0, 1.482),
            1300 => (0.55, -74.0, 1.477),
            1310 => (0.335, -79.5, 1.4677),
            1490 => (0.215, -81.2, 1.4680),
            1550 => (0.195, -81.9, 1.4682),
            1625 => (0.208, -82.6, 1.4685),
            _ => (0.218, -82.8, 1.4686),
        };
        let index = index + random.between(-0.0006, 0.0006);
        let pulse_m =
            GroupIndex::new(index).map_or(1.0, |index| index.pulse_m(f64::from(size.pulse_ns)));
        Light {
            nm,
            pulse_ns: size.pulse_ns,
            pulse_m,
            index,
            attenuation_db_per_km: attenuation * random.between(0.97, 1.05),
            backscatter_db,
        }
    }
}

/// How much one drum of fibre differs from the next.
struct Glass {
    spread: f64,
}

impl Glass {
    fn section(&self, length_m: f64, light: &Light, random: &mut Random) -> Stretch {
        let differs = 1.0 + 0.012 * self.spread * random.normal();
        Stretch {
            length_m,
            attenuation_db_per_km: Figure::All(light.attenuation_db_per_km * differs.max(0.5)),
            backscatter_step_db: 0.02 * self.spread * random.normal(),
            cord: false,
            then: None,
        }
    }
}

fn fiber(
    family: Family,
    size: &Size,
    light: &Light,
    glass: &Glass,
    random: &mut Random,
) -> Vec<Stretch> {
    let mut sections = Vec::new();
    let least_m = 2.5 * light.pulse_m;
    if random.chance(0.5) {
        let mut cord = glass.section(size.cord_m.max(6.0 * light.pulse_m), light, random);
        cord.cord = true;
        cord.then = Some(connector(random));
        sections.push(cord);
    }
    let number = (size.length_m / size.section_m).round().clamp(2.0, 24.0) as usize;
    let splitter = (family == Family::Split).then(|| random.whole(0, number - 2));
    let mut left_m = size.length_m;
    for n in 0..number {
        let share_m = left_m / (number - n) as f64;
        let length_m = (share_m * random.between(0.3, 1.7)).max(least_m);
        left_m = (left_m - length_m).max(least_m);
        let mut section = glass.section(length_m, light, random);
        if n + 1 < number {
            section.then = Some(if splitter == Some(n) {
                splitter_joint(random)
            } else {
                joint(family, random)
            });
        }
        sections.push(section);
    }
    if random.chance(0.35) {
        if let Some(last) = sections.last_mut() {
            last.then = Some(connector(random));
        }
        let mut cord = glass.section(size.cord_m.max(6.0 * light.pulse_m) * 0.9, light, random);
        cord.cord = true;
        sections.push(cord);
    }
    // Glass before and behind a bend is of one kind; a slope change alone shows no step.
    for i in 1..sections.len() {
        if matches!(sections[i - 1].then, Some(Joint { kind: Kind::Bend | Kind::Knot, .. })) {
            let before = sections[i - 1].clone();
            sections[i].backscatter_step_db = before.backscatter_step_db;
            if matches!(before.then, Some(Joint { kind: Kind::Bend, .. })) {
                sections[i].attenuation_db_per_km = before.attenuation_db_per_km;
            }
        }
    }
    sections
}

fn joint(family: Family, random: &mut Random) -> Joint {
    let connectors = if family == Family::Premises { 0.75 } else { 0.22 };
    if random.chance(connectors) {
        return connector(random);
    }
    let plain = |kind, loss_db| Joint { kind, loss_db: Figure::All(loss_db), reflectance_db: None };
    if family == Family::Mixed && random.chance(0.3) {
        return plain(Kind::Knot, 0.0);
    }
    if random.chance(0.15) {
        // Given by wavelength name so that it is the loss here, not the one at 1550 nm.
        let loss_db = random.between_log(0.03, 1.0);
        let each = BTreeMap::from([("1550".to_owned(), loss_db)]);
        return Joint { kind: Kind::Bend, loss_db: Figure::Each(each), reflectance_db: None };
    }
    let loss_db = if random.chance(0.2) {
        random.between_log(0.15, 0.9)
    } else {
        random.between_log(0.005, 0.12)
    };
    plain(Kind::Splice, loss_db)
}

fn connector(random: &mut Random) -> Joint {
    let reflectance_db = if random.chance(0.15) {
        random.between(-40.0, -22.0)
    } else {
        random.between(-62.0, -40.0)
    };
    let loss_db =
        if random.chance(0.15) { random.between(0.5, 1.2) } else { random.between(0.08, 0.5) };
    Joint {
        kind: Kind::Connector,
        loss_db: Figure::All(loss_db),
        reflectance_db: Some(reflectance_db),
    }
}

fn splitter_joint(random: &mut Random) -> Joint {
    let doublings = random.whole(1, 5) as f64;
    Joint {
        kind: Kind::Splitter,
        loss_db: Figure::All(doublings * random.between(3.2, 3.55)),
        reflectance_db: random.chance(0.5).then(|| random.between(-62.0, -50.0)),
    }
}

fn finish(random: &mut Random) -> Finish {
    random.pick(&[Finish::Open, Finish::Open, Finish::Angled, Finish::Crushed])
}

/// Puts about half of the joints close behind the one before: 0.3 to 3 pulses.
fn crowd(sections: &mut [Stretch], pulse_m: f64, random: &mut Random) {
    for i in 1..sections.len().saturating_sub(1) {
        let own = sections[i].length_m;
        if random.chance(0.5) && !sections[i].cord && own > 10.0 * pulse_m {
            let close_m = pulse_m * random.between_log(0.3, 3.0);
            sections[i].length_m = close_m;
            sections[i + 1].length_m += own - close_m;
        }
    }
}

fn wavelength(
    family: Family,
    light: &Light,
    sections: &[Stretch],
    random: &mut Random,
) -> Wavelength {
    let length_m: f64 = sections.iter().map(|section| section.length_m).sum();
    let span_m = length_m * random.between(1.15, 1.9) + 20.0 * light.pulse_m;
    // Neither finer than the pulse is worth nor too coarse to see it.
    let (finest_m, coarsest_m) = (0.025 * light.pulse_m, 0.35 * light.pulse_m);
    let wanted = random.pick(&[8000_usize, 16_000, 16_000, 32_000]);
    let spacing_m = (span_m / wanted as f64).clamp(finest_m, coarsest_m);
    // Deep traces lose the fibre before its end; the others have it 3.5 dB over the noise.
    let margin_db = match family {
        Family::Deep => random.between(-6.0, 2.5),
        _ => random.between(3.5, 16.0),
    };
    let rough = 1e-3 * (100.0 / f64::from(light.pulse_ns)).sqrt();
    Wavelength {
        nm: light.nm,
        pulse_ns: light.pulse_ns,
        spacing_m,
        samples: ((span_m / spacing_m).ceil() as usize).clamp(2000, 60_000),
        backscatter_db: light.backscatter_db,
        // The margin stands here until the losses are known, see `loud_enough`.
        range_db: Some(margin_db),
        speckle: (rough * random.between_log(0.2, 2.0)).min(0.01),
        averages: Some(random.pick(&[10_000, 30_000, 90_000])),
        averaging_s: Some(random.pick(&[10.0, 30.0, 90.0])),
    }
}

/// Turns the margin over the noise at the end into a range at the panel.
fn loud_enough(mut scenario: Scenario) -> Scenario {
    let nm = scenario.wavelengths[0].nm;
    let lost_db: f64 = (scenario.sections.iter())
        .map(|section| {
            let joint = section.then.as_ref().map_or(0.0, |joint| joint.loss_db_at(nm));
            section.attenuation_db_per_km.at(nm) * section.length_m / 1000.0 + joint
        })
        .sum();
    let range_db = scenario.wavelengths[0].range_db.map(|margin| (lost_db + margin).max(6.0));
    scenario.wavelengths[0].range_db = range_db;
    scenario
}

fn receiver(family: Family, random: &mut Random) -> Receiver {
    let poles = random.whole(1, 5);
    // Cut-off frequency times pulse 0.8 to 3; N poles of length λ cut off at √(2^(1/N)-1)/(2πλ).
    let cut_off = random.between_log(0.8, 3.0);
    let pole_pulses =
        (2_f64.powf(1.0 / poles as f64) - 1.0).sqrt() / (std::f64::consts::TAU * cut_off);
    let mut slow = Vec::new();
    if random.chance(0.5) {
        slow.push(Slow {
            fraction: random.between_log(1e-4, 6e-3),
            length_pulses: random.between(1.0, 4.0),
        });
    }
    if family == Family::Droop {
        slow.push(Slow {
            fraction: -random.between_log(2e-4, 5e-3),
            length_pulses: random.between(5.0, 30.0),
        });
    }
    let ring = (family == Family::Ring).then(|| Ring {
        fraction: random.between_log(0.003, 0.05),
        period_pulses: random.between(0.6, 2.5),
        length_pulses: random.between(0.5, 2.0),
    });
    let spikes = (family == Family::Spikes).then(|| Spikes {
        number: random.whole(3, 40),
        height_sigma: random.between_log(5.0, 60.0),
    });
    let zero_offset_sigma = if family == Family::Offset {
        random.between(0.2, 2.0) * random.pick(&[-1.0, 1.0])
    } else {
        0.0
    };
    let limit_db = random.chance(0.4).then(|| random.between(4.0, 22.0));
    Receiver { poles, pole_pulses, slow, ring, limit_db, zero_offset_sigma, spikes }
}

fn recording(family: Family, random: &mut Random) -> Recording {
    Recording {
        top_db: 26.0,
        floor_db: random.chance(0.1).then(|| random.between(46.0, 56.0)),
        scales_micro_db: if family == Family::Scales {
            random.pick(&[[1000, 1500], [1500, 1000]]).to_vec()
        } else {
            vec![1000]
        },
        first_sample_100_ps: if random.chance(0.3) {
            random.between(-4000.0, -100.0) as i32
        } else {
            0
        },
        state_launch: random.chance(0.3),
    }
}
