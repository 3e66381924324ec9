//! One fibre of a drawn cable: its glass and joints, what is done to them, and how it is measured.

use std::collections::BTreeMap;

use strandline::simulate::{
    Direction, Figure, Finish, Joint, Kind, Random, Recording, Scenario, Seeds, Stretch, Tags,
    Wavelength, render_again,
};
use strandline::trace::Trace;

use super::fault::Fault;
use super::style::{Style, usual_db_per_km};

/// One fibre of the cable.
pub struct Glass {
    pub lengths_m: Vec<f64>,
    slopes: Vec<f64>,
    steps_db: Vec<f64>,
    /// Loss by wavelength and reflectance of each joint, ends included.
    joints: Vec<(BTreeMap<u32, f64>, Option<f64>)>,
    /// What lies inside a section: which, at which share of it, what.
    inside: Option<(usize, f64, Joint)>,
    /// The closure or end concerned by what is done to it.
    pub at: usize,
}

impl Glass {
    pub fn length_m(&self) -> f64 {
        self.lengths_m.iter().sum()
    }

    /// Fibre metres from end a to joint `at`, 0 being end a.
    pub fn at_m(&self, at: usize) -> f64 {
        self.lengths_m[..at].iter().sum()
    }

    /// Place of what lies inside a section.
    pub fn inside_m(&self) -> Option<f64> {
        let (section, share, _) = self.inside.as_ref()?;
        Some(self.at_m(*section) + share * self.lengths_m[*section])
    }
}

fn alike(style: &Style, loss_db: f64) -> BTreeMap<u32, f64> {
    style.nm.iter().map(|nm| (*nm, loss_db)).collect()
}

/// A bend's loss: eight times as much at 1550 nm as at 1310 nm (D9), three times as much again at
/// 1625 nm (ITU-T G.657 limits: 2 to 4 times).
fn bent(style: &Style, at_1550_db: f64) -> BTreeMap<u32, f64> {
    let factor = |nm: u32| match nm {
        ..=1400 => 0.125,
        1401..=1600 => 1.0,
        _ => 3.0,
    };
    style.nm.iter().map(|nm| (*nm, at_1550_db * factor(*nm))).collect()
}

pub fn glass(style: &Style, fault: Fault, random: &mut Random) -> Glass {
    let planned_m = style.places_m();
    let stretch = 1.0 + random.between(-6e-4, 6e-4);
    let mut lengths_m: Vec<f64> = planned_m
        .windows(2)
        .map(|pair| (pair[1] - pair[0]) * stretch + random.between(-1.0, 1.0))
        .collect();
    if fault == Fault::Length {
        // Longer all along, or by a loop before one closure.
        let surplus_m = (0.006 * style.length_m).max(25.0);
        let whole_m: f64 = lengths_m.iter().sum();
        if lengths_m.len().is_multiple_of(2) {
            *lengths_m.last_mut().expect("a drum") += surplus_m;
        } else {
            for length_m in &mut lengths_m {
                *length_m *= 1.0 + surplus_m / whole_m;
            }
        }
    }
    let drums = lengths_m.len();
    let joint = |i: usize, random: &mut Random| {
        let is_end = i == 0 || i == drums;
        if is_end || style.closures[i - 1].plugged {
            (alike(style, random.between(0.08, 0.32)), Some(random.between(-62.0, -47.0)))
        } else {
            (alike(style, random.between(0.005, 0.06)), None)
        }
    };
    let mut glass = Glass {
        slopes: (0..drums).map(|_| 1.0 + 0.008 * random.normal()).collect(),
        steps_db: (0..drums).map(|_| style.step_db * random.normal()).collect(),
        joints: (0..=drums).map(|i| joint(i, random)).collect(),
        lengths_m,
        inside: None,
        at: 0,
    };
    damage(style, fault, &mut glass, random);
    glass
}

/// Does to a fibre what can be done to glass.
fn damage(style: &Style, fault: Fault, glass: &mut Glass, random: &mut Random) {
    let drums = glass.lengths_m.len();
    let splices = style.splices();
    let splice = |random: &mut Random| random.pick(&splices);
    let end = if random.chance(0.5) { 0 } else { drums };
    let section = random.whole(0, drums - 1);
    // Two hundred metres or eight pulses from its joints, where there is room.
    let clear = ((8.0 * style.pulse_m()).max(60.0) / glass.lengths_m[section]).min(0.45);
    let share = random.between(clear, 1.0 - clear);
    let inside = |kind, losses: BTreeMap<u32, f64>, reflectance_db| {
        let losses = losses.into_iter().map(|(nm, db)| (nm.to_string(), db)).collect();
        Some((section, share, Joint { kind, loss_db: Figure::Each(losses), reflectance_db }))
    };
    let over_db = style.splice_limit_db;
    match fault {
        Fault::HighSplice => {
            glass.at = splice(random);
            glass.joints[glass.at].0 = alike(style, over_db + random.between(0.15, 0.8));
        }
        Fault::Outlier => {
            // Within its limit and unlike all others.
            glass.at = splice(random);
            glass.joints[glass.at].0 = alike(style, 0.8 * over_db);
        }
        Fault::Bend => {
            glass.at = splice(random);
            let own = bent(style, over_db + random.between(0.15, 1.0));
            for (nm, db) in own {
                *glass.joints[glass.at].0.entry(nm).or_default() += db;
            }
        }
        Fault::BendBetween => {
            glass.inside = inside(Kind::Splice, bent(style, random.between(0.25, 1.2)), None);
        }
        Fault::Unplanned => {
            glass.inside = inside(Kind::Splice, alike(style, random.between(0.2, 0.8)), None);
        }
        Fault::Break | Fault::BreakAtEnd => {
            let reflectance_db = random.chance(0.5).then(|| random.between(-50.0, -15.0));
            glass.inside = inside(Kind::Break, BTreeMap::new(), reflectance_db);
            if fault == Fault::BreakAtEnd {
                // Pulled out of the closure, or broken behind the patch panel.
                let (section, share) =
                    if end == 0 { (0, 50.0 / glass.lengths_m[0]) } else { (drums - 1, 0.0) };
                glass.inside.as_mut().expect("just set").0 = section;
                glass.inside.as_mut().expect("just set").1 = share.max(1e-3);
            }
        }
        Fault::Dirty => {
            glass.at = end;
            let reflectance_db = random.between(-48.0, -36.0);
            glass.joints[end] = (alike(style, random.between(0.75, 1.5)), Some(reflectance_db));
        }
        Fault::DirtyPlug => {
            glass.at =
                1 + style.closures.iter().position(|c| c.plugged).expect("it fits this cable");
            glass.joints[glass.at].0 = alike(style, random.between(0.75, 1.5));
        }
        Fault::Reflective => {
            glass.at = end;
            glass.joints[end].1 = Some(random.between(-34.0, -20.0));
        }
        Fault::HighSection => {
            glass.at = longest(&glass.lengths_m);
            glass.slopes[glass.at] = random.between(1.5, 1.9);
        }
        Fault::Mismatch => {
            glass.at = random.whole(1, drums - 2);
            glass.steps_db[glass.at] -= random.between(0.2, 0.35);
        }
        Fault::RetestBad | Fault::Retest => glass.at = splice(random),
        _ => {}
    }
}

fn longest(lengths_m: &[f64]) -> usize {
    (0..lengths_m.len()).max_by(|i, j| lengths_m[*i].total_cmp(&lengths_m[*j])).unwrap_or(0)
}

/// How a fibre is measured, where not as the others.
#[derive(Clone, Copy)]
pub struct Taking {
    pub noise: u64,
    /// Decibels more of noise.
    pub noise_db: f64,
    pub averaging_s: f64,
    pub pulse: f64,
    pub launch: bool,
    /// Loss of the joint concerned, where the measurement shows another.
    pub other_loss_db: Option<f64>,
    pub later_s: u32,
}

pub const USUAL: Taking = Taking {
    noise: 0,
    noise_db: 0.0,
    averaging_s: 30.0,
    pulse: 1.0,
    launch: true,
    other_loss_db: None,
    later_s: 0,
};

pub type Side = (u32, bool);

/// All traces of one fibre, by wavelength and whether from end b.
pub fn measured(
    style: &Style,
    number: usize,
    glass: &Glass,
    taking: Taking,
    seed: u64,
) -> Vec<(Side, Trace)> {
    let mut all = Vec::new();
    for from_b in [false, true] {
        let scenario = scenario(style, number, glass, taking, seed, from_b);
        let noise = Random::for_purpose(seed ^ taking.noise, 1 + u64::from(from_b)).bits();
        for (rendered, nm) in render_again(&scenario, noise).into_iter().zip(&style.nm) {
            let mut trace = rendered.trace;
            if from_b {
                for stretch in &mut trace.stretches {
                    let spacing = f64::from(stretch.spacing_1e_14_s) * style.clock;
                    stretch.spacing_1e_14_s = spacing.round() as u32;
                }
            }
            all.push(((*nm, from_b), trace));
        }
    }
    all
}

fn scenario(
    style: &Style,
    number: usize,
    glass: &Glass,
    taking: Taking,
    seed: u64,
    from_b: bool,
) -> Scenario {
    let whole_m = style.length_m + style.launch_m + style.tail_m;
    let pulse_ns = (f64::from(style.pulse_ns) * taking.pulse).round() as u16;
    let wavelength = |nm: &u32| Wavelength {
        nm: f64::from(*nm),
        pulse_ns,
        spacing_m: (1.25 * whole_m / style.samples as f64).max(style.pulse_m() / 40.0),
        samples: style.samples,
        backscatter_db: if *nm <= 1400 { -79.5 } else { -81.9 },
        range_db: Some(
            usual_db_per_km(*nm) * whole_m / 1000.0 + 2.0 + style.margin_db - taking.noise_db,
        ),
        speckle: style.speckle,
        averages: Some(1000 * taking.averaging_s as u32),
        averaging_s: Some(taking.averaging_s),
    };
    Scenario {
        schema: "strandline.scenario/1".into(),
        name: "stress".into(),
        family: "cable".into(),
        story: String::new(),
        index: style.index,
        stated_index: None,
        directions: vec![if from_b { Direction::BToA } else { Direction::AToB }],
        seeds: Seeds { fiber: seed, noise: 0 },
        wavelengths: style.nm.iter().map(wavelength).collect(),
        receiver: style.receiver.clone(),
        recording: Recording::default(),
        panel_reflectance_db: Some(-46.0),
        end_a: Finish::Angled,
        end_b: Finish::Angled,
        sections: sections(style, glass, taking, from_b),
        labels: Tags {
            cable: "KEL-8".into(),
            fiber: format!("{:03}", number + 1),
            a: "KELP YARD".into(),
            b: "FOG BANK".into(),
            operator: if from_b { "B. Nobody".into() } else { "A. Nobody".into() },
            comment: "invented cable".into(),
            fiber_type: Some(652),
            measured_at_unix_s: Some(
                1_764_000_000
                    + 900 * number as u32
                    + taking.later_s
                    + if from_b { 90_000 } else { 0 },
            ),
        },
        table: None,
    }
}

fn each(losses: &BTreeMap<u32, f64>) -> Figure {
    Figure::Each(losses.iter().map(|(nm, db)| (nm.to_string(), *db)).collect())
}

fn sections(style: &Style, glass: &Glass, taking: Taking, from_b: bool) -> Vec<Stretch> {
    let slope = |factor: f64| {
        each(&style.nm.iter().map(|nm| (*nm, factor * usual_db_per_km(*nm))).collect())
    };
    let cord = |length_m, then| Stretch {
        length_m,
        attenuation_db_per_km: slope(1.0),
        backscatter_step_db: 0.0,
        cord: true,
        then,
    };
    let joint = |i: usize| {
        let (losses, reflectance_db) = &glass.joints[i];
        let other = taking.other_loss_db.filter(|_| i == glass.at);
        Joint {
            kind: if reflectance_db.is_some() { Kind::Connector } else { Kind::Splice },
            loss_db: other.map_or(each(losses), Figure::All),
            reflectance_db: *reflectance_db,
        }
    };
    let mut sections = Vec::new();
    // The instrument's cord is the launch cord, whichever end it stands at.
    let (at_a, at_b) =
        if from_b { (style.tail_m, style.launch_m) } else { (style.launch_m, style.tail_m) };
    if taking.launch || from_b {
        sections.push(cord(at_a, Some(joint(0))));
    }
    let drums = glass.lengths_m.len();
    for (i, length_m) in glass.lengths_m.iter().enumerate() {
        let drum = |length_m, then| Stretch {
            length_m,
            attenuation_db_per_km: slope(glass.slopes[i]),
            backscatter_step_db: glass.steps_db[i],
            cord: false,
            then: Some(then),
        };
        let behind = joint(i + 1);
        match &glass.inside {
            Some((section, share, inside)) if *section == i => {
                sections.push(drum(share * length_m, inside.clone()));
                sections.push(drum((1.0 - share) * length_m, behind));
            }
            _ => sections.push(drum(*length_m, behind)),
        }
    }
    assert_eq!(glass.joints.len(), drums + 1);
    sections.push(cord(at_b, None));
    sections
}
