//! Files of a drawn cable: every fibre measured at every wavelength from both ends, and what went wrong
//! on the way.

use strandline::simulate::Random;
use strandline::trace::{Label, Listed, Table, Trace};
use strandline::units::GroupIndex;

use super::draw::{self, Glass, Side, Taking, USUAL};
use super::fault::{self, Fault};
use super::style::Style;

/// A job as it is handed over.
pub struct Job {
    pub style: Style,
    pub plan: String,
    /// File names and traces.
    pub files: Vec<(String, Trace)>,
    /// Files that cannot be read.
    pub broken: Vec<String>,
    /// Of each fibre, what is done to it.
    pub faults: Vec<Fault>,
    /// Of each fibre, the other one that takes part, and in what.
    pub others: Vec<Option<(usize, Fault)>>,
    pub fibers: Vec<Glass>,
}

/// Draws a whole job.
pub fn draw(seed: u64) -> Job {
    let mut random = Random::for_purpose(seed, 0x6a_6f62);
    let style = Style::draw(&mut random);
    let (mut faults, mut others) = fault::deal(&style, &mut random);
    let seeds: Vec<u64> = faults.iter().map(|_| random.bits()).collect();
    let fibers: Vec<Glass> = faults.iter().map(|f| draw::glass(&style, *f, &mut random)).collect();
    for own in 0..fibers.len() {
        // Fibres of one length are not told apart by anything.
        others[own] = others[own].filter(|(other, fault)| {
            let apart = (fibers[own].length_m() - fibers[*other].length_m()).abs();
            apart > 1.0 || matches!(fault, Fault::Copy | Fault::CopyFile)
        });
        if faults[own].needs_other() && others[own].is_none() {
            faults[own] = Fault::Sound;
        }
    }
    let (files, broken) = (Vec::new(), Vec::new());
    let mut job = Job { plan: style.plan(), files, broken, faults, others, fibers, style };
    for own in 0..job.faults.len() {
        let nm = random.pick(&job.style.nm);
        let side: Side = (nm, random.chance(0.5));
        let hand = Hand { job: &job, seeds: &seeds, own, side };
        let (files, broken) = hand.over(&mut random);
        job.files.extend(files);
        job.broken.extend(broken);
    }
    job
}

type Taken = Vec<(Side, Trace)>;

/// One fibre, about to be handed over.
struct Hand<'a> {
    job: &'a Job,
    seeds: &'a [u64],
    /// Which fibre, from 0.
    own: usize,
    /// Which of its files is concerned, where one is.
    side: Side,
}

impl Hand<'_> {
    fn fault(&self) -> Fault {
        self.job.faults[self.own]
    }

    /// The other fibre that takes part.
    fn other(&self) -> usize {
        self.job.others[self.own].expect("another takes part").0
    }

    fn take(&self, fiber: usize, taking: Taking) -> Taken {
        let glass = &self.job.fibers[fiber];
        draw::measured(&self.job.style, fiber, glass, taking, self.seeds[fiber])
    }

    /// Its files, and names of such as cannot be read.
    fn over(&self, random: &mut Random) -> (Vec<(String, Trace)>, Vec<String>) {
        let (mut all, mut more) = self.measure(random);
        self.exchange(&mut all);
        self.mistake(&mut all, random);
        let broken = self.lose(&mut all, &mut more);
        let named = all.into_iter().map(|(side, trace)| (file_name(self.own, side, ""), trace));
        (named.chain(more).collect(), broken)
    }

    /// How it is measured, and earlier or later measurements.
    fn measure(&self, random: &mut Random) -> (Taken, Vec<(String, Trace)>) {
        let style = &self.job.style;
        let mut more = Vec::new();
        let mut add = |taken: Taken, ending: &str| {
            let named = taken.into_iter().map(|(s, t)| (file_name(self.own, s, ending), t));
            more.extend(named);
        };
        let short = Taking { noise_db: 12.0, averaging_s: 1.0, ..USUAL };
        let usual = match self.fault() {
            Fault::Noisy => short,
            Fault::Averaging => Taking { averaging_s: 90.0, ..USUAL },
            Fault::Pulse => Taking { pulse: random.pick(&[0.5, 2.0]), ..USUAL },
            Fault::NoisyRetest => {
                let again = self.take(self.own, Taking { noise: 7, later_s: 40_000, ..short });
                add(again.into_iter().filter(|(s, _)| *s == self.side).collect(), "_again");
                USUAL
            }
            Fault::Retest | Fault::RetestBad => {
                let bad = Some(style.splice_limit_db + random.between(0.3, 0.7));
                let was_bad = self.fault() == Fault::Retest;
                let (first, then) = if was_bad { (bad, None) } else { (None, bad) };
                let first = Taking { noise: 7, other_loss_db: first, ..USUAL };
                add(self.take(self.own, first), "_first");
                Taking { other_loss_db: then, later_s: 40_000, ..USUAL }
            }
            _ => USUAL,
        };
        let mut all = self.take(self.own, usual);
        if self.fault() == Fault::NoCord {
            let bare = self.take(self.own, Taking { launch: false, ..USUAL });
            for (side, trace) in bare.into_iter().filter(|(s, _)| !s.1) {
                put(&mut all, side, trace);
            }
        }
        (all, more)
    }

    /// Files of other fibres under this one's number.
    fn exchange(&self, all: &mut Taken) {
        let from = |fiber: usize, all: &mut Taken, is_theirs: &dyn Fn(Side) -> bool| {
            for (side, trace) in self.take(fiber, USUAL).into_iter().filter(|(s, _)| is_theirs(*s))
            {
                put(all, side, labelled(trace, self.own));
            }
        };
        match self.fault() {
            Fault::Swapped => from(self.other(), all, &|s| s.1),
            Fault::Copy => from(self.other(), all, &|_| true),
            Fault::CopyFile => from(self.other(), all, &|s| s == self.side),
            Fault::LabelPair => from(self.other(), all, &|s| s == self.pair_side(self.own)),
            _ => {}
        }
        for (first, theirs) in self.job.others.iter().enumerate() {
            match theirs {
                Some((own, Fault::Swapped)) if *own == self.own => from(first, all, &|s| s.1),
                Some((own, Fault::LabelPair)) if *own == self.own => {
                    from(first, all, &|s| s == self.pair_side(first));
                }
                _ => {}
            }
        }
    }

    /// Which file of a pair is exchanged: by the first one's number, so that both know it.
    fn pair_side(&self, first: usize) -> Side {
        let nm = &self.job.style.nm;
        (nm[first % nm.len()], first.is_multiple_of(3))
    }

    /// What was set or typed wrongly.
    fn mistake(&self, all: &mut Taken, random: &mut Random) {
        let side = self.side;
        match self.fault() {
            Fault::CopyBack => {
                let mut trace = of(all, (side.0, !side.1));
                std::mem::swap(&mut trace.labels.from, &mut trace.labels.to);
                put(all, side, trace);
            }
            Fault::LabelEnd => {
                let labels = &mut get(all, side).labels;
                std::mem::swap(&mut labels.from, &mut labels.to);
            }
            Fault::LabelWavelength => {
                get(all, (1310, side.1)).settings.wavelength_nm = Some(1550.0);
            }
            Fault::IndexAll | Fault::IndexOne => {
                let off = random.between_log(0.001, 0.02) * random.pick(&[-1.0, 1.0]);
                let index = GroupIndex::new(self.job.style.index + off).expect("glass");
                let all_of_them = self.fault() == Fault::IndexAll;
                for (_, trace) in all.iter_mut().filter(|(s, _)| all_of_them || *s == side) {
                    trace.settings.index = index;
                    trace.settings.file_index = index;
                }
            }
            Fault::OtherCable => get(all, side).labels.cable = Label::from("KEL-9"),
            Fault::Table => {
                let trace = get(all, side);
                trace.table = Some(wrong_table(&self.job.style, trace));
            }
            Fault::Operator => {
                for (_, trace) in all.iter_mut() {
                    trace.labels.operator = Label::from("N. Body");
                }
            }
            Fault::Date => {
                let never_set = Some(946_684_800);
                for (_, trace) in all.iter_mut() {
                    trace.settings.measured_at_unix_s = never_set;
                }
            }
            _ => {}
        }
    }

    /// What never arrived, or elsewhere. Returns the names of files that cannot be read.
    fn lose(&self, all: &mut Taken, more: &mut Vec<(String, Trace)>) -> Vec<String> {
        let side = self.side;
        let mut broken = Vec::new();
        match self.fault() {
            Fault::LabelFiber => {
                // It went under the other's number, beside the other's own.
                let trace = labelled(of(all, side), self.other());
                more.push((file_name(self.other(), side, "_again"), trace));
                all.retain(|(s, _)| *s != side);
            }
            Fault::MissingOne => all.retain(|(s, _)| *s != side),
            Fault::MissingEnd => all.retain(|(s, _)| s.1 != side.1),
            Fault::MissingAll => all.clear(),
            Fault::Unreadable => {
                all.retain(|(s, _)| *s != side);
                broken.push(file_name(self.own, side, ""));
            }
            _ => {}
        }
        broken
    }
}

fn get(all: &mut Taken, side: Side) -> &mut Trace {
    &mut all.iter_mut().find(|(s, _)| *s == side).expect("measured").1
}

fn of(all: &[(Side, Trace)], side: Side) -> Trace {
    all.iter().find(|(s, _)| *s == side).expect("measured").1.clone()
}

fn put(all: &mut Taken, side: Side, trace: Trace) {
    *get(all, side) = trace;
}

fn file_name(number: usize, (nm, from_b): Side, ending: &str) -> String {
    let side = if from_b { "BA" } else { "AB" };
    format!("KEL-8_{:03}_{nm}_{side}{ending}.sor", number + 1)
}

fn labelled(mut trace: Trace, number: usize) -> Trace {
    trace.labels.fiber = Label::from(format!("{:03}", number + 1).as_str());
    trace
}

/// An instrument's table that lists the launch cord's connector with far too much loss.
fn wrong_table(style: &Style, trace: &Trace) -> Table {
    let index = trace.settings.index;
    let row = Listed {
        number: 1,
        time_100_ps: (index.seconds(style.launch_m) * 1e10).round() as i32,
        attenuation_db_per_km: 0.2,
        loss_db: 1.9,
        reflectance_db: Some(-55.0),
        code: Label::from("1F9999"),
        method: Label::from("LS"),
        comment: Label::default(),
    };
    Table { rows: vec![row], loss_db: None, orl_db: None }
}
