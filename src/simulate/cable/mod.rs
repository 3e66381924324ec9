//! A whole job: the plan of a cable, every trace of it, what is planted in it, and what a review
//! must say. A seed and a size settle everything.

mod fault;
mod truth;

use super::random::Random;
use super::scenario::{
    Direction, Figure, Finish, Joint, Kind, Receiver, Recording, Scenario, Seeds, Stretch, Tags,
    Wavelength,
};
use super::truth::rounded;
use super::{Rendered, render_again};

pub use fault::{Fault, Finding, Planted};
pub use truth::{CableFile, CableTruth, Closure, Connector, FiberTruth, Limits};

/// What to draw.
#[derive(Clone, Debug, PartialEq)]
pub struct Size {
    /// Number of fibres, at least 1.
    pub fibers: usize,
    /// Number of closures, at least 1.
    pub closures: usize,
    /// Length from connector to connector in metres, at least 200 m for each closure.
    pub length_m: f64,
    /// Wavelengths in nm.
    pub wavelengths_nm: Vec<u32>,
    /// Pulse duration in ns.
    pub pulse_ns: u16,
    /// Samples in each trace.
    pub samples: usize,
    /// Length of the launch cord and of the tail cord in metres.
    pub cord_m: f64,
    /// What to plant, as far as there are fibres for it; the rest is sound.
    pub planted: Vec<Planted>,
}

impl Size {
    /// A cable with everything in it that can be planted, like a common hand-over: two wavelengths,
    /// 14 km, five closures.
    pub fn common(fibers: usize) -> Size {
        Size {
            fibers,
            closures: 5,
            length_m: 14_000.0,
            wavelengths_nm: vec![1310, 1550],
            pulse_ns: 100,
            samples: 16_000,
            cord_m: 500.0,
            planted: Planted::ALL.to_vec(),
        }
    }
}

/// A drawn job.
#[derive(Clone, Debug, PartialEq)]
pub struct Cable {
    /// Text of the `plan.toml`.
    pub plan: String,
    /// File names without their ending, and what is in them; in order of `truth.files`.
    pub traces: Vec<Rendered>,
    /// What is true of the cable.
    pub truth: CableTruth,
}

const PLACES: &[&str] = &[
    "LANTERN PIER",
    "TIDE HOUSE",
    "HERON SLIP",
    "KELP YARD",
    "FOG BANK",
    "GULL STAIRS",
    "ROPE WALK",
    "BELL BUOY",
];

/// First trace of every cable: a morning in an invented November.
const FIRST_UNIX_S: u32 = 1_764_000_000;

/// Draws a cable.
pub fn draw(seed: u64, size: &Size) -> Cable {
    let mut random = Random::for_purpose(seed, 0x6361_626c);
    let from = random.whole(0, PLACES.len() - 1);
    let to = (from + random.whole(1, PLACES.len() - 1)) % PLACES.len();
    let base = Base::draw(size, &mut random);
    let faults = plant(size, &mut random);
    let mut truth = CableTruth {
        cable: format!("HFL-{:02}", random.whole(1, 99)),
        ends: [PLACES[from].into(), PLACES[to].into()],
        fibers: size.fibers,
        wavelengths: size.wavelengths_nm.clone(),
        launch_m: size.cord_m,
        tail_m: size.cord_m,
        closures: base.closure_at_m.len(),
        closure_at_m: base.closure_at_m.iter().map(|at_m| rounded(*at_m)).collect(),
        length_m: rounded(base.length_m),
        alpha: truth::by_wavelength(size, |nm| base.attenuation(nm)),
        limits: Limits { splice_mean_db: 0.2, connector_db: 0.5, reflectance_db: -40.0 },
        flag: Vec::new(),
        remark: Vec::new(),
        leave: Vec::new(),
        note: truth::NOTE.into(),
        files: Vec::new(),
        fiber: std::collections::BTreeMap::new(),
    };
    let fibers: Vec<Fiber> =
        faults.iter().map(|fault| Fiber::draw(&base, fault.as_ref(), &mut random)).collect();
    let seeds: Vec<Seeds> =
        faults.iter().map(|_| Seeds { fiber: random.bits(), noise: random.bits() }).collect();
    let mut traces = Vec::new();
    for (i, fault) in faults.iter().enumerate() {
        let taken = Taken { size, truth: &truth, fibers: &fibers, seeds: &seeds, number: i + 1 };
        let mut files = Vec::new();
        if let Some(Fault::Retest { closure, loss_db }) = fault {
            taken.files(
                Some((*closure, *loss_db)),
                "_first",
                fault.as_ref(),
                &mut files,
                &mut traces,
            );
        }
        taken.files(None, "", fault.as_ref(), &mut files, &mut traces);
        truth.add(size, i + 1, fault.clone(), &fibers[i], files);
    }
    Cable { plan: truth.plan(size), traces, truth }
}

/// What all fibres of the cable share.
struct Base {
    length_m: f64,
    closure_at_m: Vec<f64>,
    slope: f64,
}

impl Base {
    fn draw(size: &Size, random: &mut Random) -> Base {
        let closures = size.closures.max(1);
        let length_m = size.length_m.max(200.0 * closures as f64) * random.between(0.98, 1.03);
        let drum_m = length_m / (closures + 1) as f64;
        let at = |i: usize, random: &mut Random| drum_m * (i as f64 + random.between(-0.25, 0.25));
        Base {
            length_m,
            closure_at_m: (1..=closures).map(|i| at(i, random)).collect(),
            slope: random.between(0.98, 1.04),
        }
    }

    fn attenuation(&self, nm: u32) -> f64 {
        self.slope * usual_attenuation(nm)
    }
}

/// Typical attenuation of installed single-mode fibre in dB/km.
fn usual_attenuation(nm: u32) -> f64 {
    match nm {
        ..=1400 => 0.345,
        1401..=1600 => 0.202,
        _ => 0.218,
    }
}

/// Deals what is planted to fibres in random order; each fibre gets one thing at most.
fn plant(size: &Size, random: &mut Random) -> Vec<Option<Fault>> {
    let mut faults = vec![None; size.fibers.max(1)];
    let mut free: Vec<usize> = (0..faults.len()).collect();
    for i in (1..free.len()).rev() {
        free.swap(i, random.whole(0, i));
    }
    for planted in &size.planted {
        if free.len() < planted.fibers() {
            continue;
        }
        let mut next = || free.pop().unwrap_or(0);
        let first = next();
        let closure = random.whole(1, size.closures.max(1));
        let end = if random.chance(0.5) { 'a' } else { 'b' };
        faults[first] = Some(match planted {
            Planted::HighSplice => {
                Fault::HighSplice { closure, loss_db: random.between(0.55, 0.95) }
            }
            Planted::Bend => Fault::Bend { closure, loss_1550_db: random.between(0.7, 1.3) },
            Planted::DirtyConnector => Fault::DirtyConnector {
                end,
                loss_db: random.between(0.9, 1.4),
                reflectance_db: random.between(-48.0, -43.0),
            },
            Planted::ReflectiveConnector => {
                Fault::ReflectiveConnector { end, reflectance_db: random.between(-34.0, -28.0) }
            }
            Planted::Break => Fault::Break {
                behind: random.whole(1, size.closures.max(1)) - 1,
                share: random.between(0.3, 0.7),
            },
            Planted::Copy => {
                let source = next();
                faults[source] = Some(Fault::CopiedFrom { to: first + 1 });
                Fault::CopiedTo { source: source + 1 }
            }
            Planted::Swap => {
                let with = next();
                faults[with] = Some(Fault::Swapped { with: first + 1 });
                Fault::Swapped { with: with + 1 }
            }
            Planted::Missing => Fault::Missing {
                nm: size.wavelengths_nm.last().copied().unwrap_or(1550),
                from_b: random.chance(0.5),
            },
            Planted::Retest => Fault::Retest { closure, loss_db: random.between(0.6, 0.9) },
            Planted::Mismatch => Fault::Mismatch { closure, step_db: random.between(0.25, 0.35) },
        });
    }
    faults
}

/// One fibre's glass and joints, connector to connector.
pub(super) struct Fiber {
    pub lengths_m: Vec<f64>,
    pub attenuation: Vec<f64>,
    pub steps_db: Vec<f64>,
    pub splices_db: Vec<f64>,
    pub bends_1550_db: Vec<f64>,
    pub connectors: [(f64, f64); 2],
    pub broken: Option<(usize, f64)>,
}

impl Fiber {
    fn draw(base: &Base, fault: Option<&Fault>, random: &mut Random) -> Fiber {
        // A fibre's own surplus length is about a thousandth of the cable's.
        let stretch = 1.0 + random.between(-7e-4, 7e-4);
        let mut places = vec![0.0];
        places.extend(base.closure_at_m.iter().map(|at| at * stretch));
        places.push(base.length_m * stretch);
        let drums = places.len() - 1;
        let mut fiber = Fiber {
            lengths_m: places.windows(2).map(|pair| pair[1] - pair[0]).collect(),
            attenuation: (0..drums).map(|_| 1.0 + 0.006 * random.normal()).collect(),
            steps_db: (0..drums).map(|_| 0.02 * random.normal()).collect(),
            splices_db: (1..drums).map(|_| random.between(0.01, 0.06)).collect(),
            bends_1550_db: vec![0.0; drums - 1],
            connectors: [(); 2].map(|()| (random.between(0.1, 0.35), random.between(-60.0, -50.0))),
            broken: None,
        };
        let of_end = |end: char| usize::from(end == 'b');
        match fault {
            Some(Fault::HighSplice { closure, loss_db }) => {
                fiber.splices_db[closure - 1] = *loss_db;
            }
            Some(Fault::Bend { closure, loss_1550_db }) => {
                fiber.bends_1550_db[closure - 1] = *loss_1550_db;
            }
            Some(Fault::DirtyConnector { end, loss_db, reflectance_db }) => {
                fiber.connectors[of_end(*end)] = (*loss_db, *reflectance_db);
            }
            Some(Fault::ReflectiveConnector { end, reflectance_db }) => {
                fiber.connectors[of_end(*end)].1 = *reflectance_db;
            }
            Some(Fault::Break { behind, share }) => fiber.broken = Some((*behind, *share)),
            Some(Fault::Mismatch { closure, step_db }) => fiber.steps_db[*closure] -= step_db,
            _ => {}
        }
        fiber
    }

    pub(super) fn length_m(&self) -> f64 {
        self.lengths_m.iter().sum()
    }

    /// Fibre metres from end a to closure `number`, from 1.
    pub(super) fn closure_at_m(&self, number: usize) -> f64 {
        self.lengths_m[..number].iter().sum()
    }

    /// Fibre metres from end a to the break.
    pub(super) fn break_at_m(&self) -> Option<f64> {
        let (behind, share) = self.broken?;
        Some(self.lengths_m[..behind].iter().sum::<f64>() + share * self.lengths_m[behind])
    }

    /// True loss at closure `number`.
    pub(super) fn loss_db(&self, number: usize, nm: u32) -> f64 {
        let bend = Joint {
            kind: Kind::Bend,
            loss_db: Figure::All(self.bends_1550_db[number - 1]),
            reflectance_db: None,
        };
        self.splices_db[number - 1] + bend.loss_db_at(f64::from(nm))
    }
}

pub(super) fn direction_name(from_b: bool) -> &'static str {
    if from_b { "b-to-a" } else { "a-to-b" }
}

/// What the files of one fibre are made from.
struct Taken<'a> {
    size: &'a Size,
    truth: &'a CableTruth,
    fibers: &'a [Fiber],
    seeds: &'a [Seeds],
    /// The fibre's number, from 1.
    number: usize,
}

impl Taken<'_> {
    /// Renders every file under this fibre's number; `first` is a closure's loss at an earlier test.
    fn files(
        &self,
        first: Option<(usize, f64)>,
        ending: &str,
        fault: Option<&Fault>,
        files: &mut Vec<CableFile>,
        traces: &mut Vec<Rendered>,
    ) {
        for from_b in [false, true] {
            let shows = match fault {
                Some(Fault::CopiedTo { source }) => *source,
                Some(Fault::Swapped { with }) if from_b => *with,
                _ => self.number,
            };
            let scenario = self.scenario(shows, first, from_b);
            let noise =
                self.seeds[shows - 1].noise ^ u64::from(from_b) ^ (u64::from(first.is_some()) << 1);
            for (mut rendered, nm) in
                render_again(&scenario, noise).into_iter().zip(&self.size.wavelengths_nm)
            {
                if fault == Some(&Fault::Missing { nm: *nm, from_b }) {
                    continue;
                }
                let side = if from_b { "BA" } else { "AB" };
                let stem = format!("{}_{:03}_{nm}_{side}{ending}", self.truth.cable, self.number);
                rendered.trace.labels.fiber = format!("{:03}", self.number).as_str().into();
                rendered.name.clone_from(&stem);
                rendered.truth.name.clone_from(&stem);
                files.push(CableFile {
                    file: format!("{stem}.sor"),
                    fiber: self.number,
                    wavelength_nm: *nm,
                    direction: direction_name(from_b).into(),
                    shows_fiber: shows,
                    time: rendered.trace.settings.measured_at_unix_s.unwrap_or(0),
                });
                traces.push(rendered);
            }
        }
    }

    fn scenario(&self, shows: usize, first: Option<(usize, f64)>, from_b: bool) -> Scenario {
        let size = self.size;
        let fiber = &self.fibers[shows - 1];
        // A day for each end; an earlier test took place half a day before.
        let day_s = if from_b { 90_000 } else { 0 };
        let earlier_s = if first.is_some() { 45_000 } else { 0 };
        let length_m = fiber.length_m() + 2.0 * size.cord_m;
        Scenario {
            schema: "strandline.scenario/1".into(),
            name: self.truth.cable.clone(),
            family: "cable".into(),
            story: String::new(),
            index: 1.4682,
            stated_index: None,
            directions: vec![if from_b { Direction::BToA } else { Direction::AToB }],
            seeds: self.seeds[shows - 1],
            wavelengths: size
                .wavelengths_nm
                .iter()
                .map(|nm| self.settings(*nm, length_m))
                .collect(),
            receiver: Receiver::default(),
            recording: Recording::default(),
            panel_reflectance_db: Some(-46.0),
            end_a: Finish::Angled,
            end_b: Finish::Angled,
            sections: self.sections(fiber, first),
            labels: Tags {
                cable: self.truth.cable.clone(),
                fiber: String::new(),
                a: self.truth.ends[0].clone(),
                b: self.truth.ends[1].clone(),
                operator: "O. Nobody".into(),
                comment: "invented cable".into(),
                fiber_type: Some(652),
                measured_at_unix_s: Some(FIRST_UNIX_S + 900 * shows as u32 + day_s - earlier_s),
            },
            table: None,
        }
    }

    fn settings(&self, nm: u32, length_m: f64) -> Wavelength {
        let span_m = 1.25 * length_m;
        let lost_db = usual_attenuation(nm) * length_m / 1000.0 + 2.0;
        Wavelength {
            nm: f64::from(nm),
            pulse_ns: self.size.pulse_ns,
            spacing_m: span_m / self.size.samples.max(1) as f64,
            samples: self.size.samples,
            backscatter_db: if nm <= 1400 { -79.5 } else { -81.9 },
            range_db: Some(lost_db + 9.0),
            speckle: 0.001,
            averages: Some(30_000),
            averaging_s: Some(30.0),
        }
    }

    fn sections(&self, fiber: &Fiber, first: Option<(usize, f64)>) -> Vec<Stretch> {
        let size = self.size;
        let each = |figure: &dyn Fn(u32) -> f64| {
            Figure::Each(
                size.wavelengths_nm.iter().map(|nm| (nm.to_string(), figure(*nm))).collect(),
            )
        };
        let cord = |then| Stretch {
            length_m: size.cord_m,
            attenuation_db_per_km: each(&usual_attenuation),
            backscatter_step_db: 0.0,
            cord: true,
            then,
        };
        let connector = |end: usize| Joint {
            kind: Kind::Connector,
            loss_db: Figure::All(fiber.connectors[end].0),
            reflectance_db: Some(fiber.connectors[end].1),
        };
        let mut sections = vec![cord(Some(connector(0)))];
        for (i, length_m) in fiber.lengths_m.iter().enumerate() {
            let closure = i + 1;
            let then = if closure == fiber.lengths_m.len() {
                connector(1)
            } else {
                let loss = |nm: u32| match first {
                    Some((bad, loss_db)) if bad == closure => loss_db,
                    _ => fiber.loss_db(closure, nm),
                };
                Joint { kind: Kind::Splice, loss_db: each(&loss), reflectance_db: None }
            };
            let slope = |nm: u32| self.truth.alpha[&nm.to_string()] * fiber.attenuation[i];
            let drum = |length_m: f64, then| Stretch {
                length_m,
                attenuation_db_per_km: each(&slope),
                backscatter_step_db: fiber.steps_db[i],
                cord: false,
                then: Some(then),
            };
            match fiber.broken {
                Some((behind, share)) if behind == i => {
                    let broken = Joint {
                        kind: Kind::Break,
                        loss_db: Figure::All(0.0),
                        reflectance_db: None,
                    };
                    sections.push(drum(share * length_m, broken));
                    sections.push(drum((1.0 - share) * length_m, then));
                }
                _ => sections.push(drum(*length_m, then)),
            }
        }
        sections.push(cord(None));
        sections
    }
}
