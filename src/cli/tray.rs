//! `strandline tray`: may this tray be closed?

use std::path::PathBuf;

use strandline::grade::{self, Verdict};
use strandline::job::{FiberReview, JointReview, Review};
use strandline::plan::{Colors, Directions, Plan, PlannedJoint};
use strandline::report::table::{self, Align, Column};
use strandline::report::{escape, events};

use super::{Exit, Out, files, review};

/// One joint over all fibres: loss from each end, the mean, and what to do before the tray is closed
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline tray traces/job --plan traces/job/plan.toml --joint C2\n\nFibres stand in the order of their colours. Ends with 0 where all may be closed, else with 1."
)]
pub(crate) struct Args {
    /// Folders of traces, or trace files
    #[arg(required = true, value_name = "FOLDER")]
    paths: Vec<PathBuf>,
    /// The plan
    #[arg(long, value_name = "PLAN")]
    plan: PathBuf,
    /// The joint, as the plan names it
    #[arg(long, value_name = "NAME")]
    joint: String,
    /// The cable is built from end a to this joint so far: there it ends for now
    #[arg(long, value_name = "NAME")]
    built_to: Option<String>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let planned = review::read_plan(&args.plan)
        .map(|(plan, _)| plan)
        .and_then(|plan| built(plan, args.built_to.as_deref()));
    let tray = planned.and_then(|plan| Tray::new(plan, &args.joint, args.built_to.is_some()));
    let tray = match tray {
        Ok(tray) => tray,
        Err(message) => {
            out.error(&message, None);
            return Exit::CouldNot;
        }
    };
    if !files::all_there(&args.paths, out) {
        return Exit::CouldNot;
    }
    let (files, listed) = files::found(&args.paths, out);
    let answer = review::of(files, &tray.plan);
    let exit = tray.tell(&answer, out);
    exit.max(listed).max(review::unreadable(&answer, out))
}

/// The plan as far as the cable is built: it ends at the joint, and is measured from end a alone.
pub(super) fn built(mut plan: Plan, to: Option<&str>) -> Result<Plan, String> {
    let Some(name) = to else { return Ok(plan) };
    let at_m = named(&plan, name)?.at_m;
    plan.cable.length_m = Some(at_m);
    plan.joints.retain(|joint| joint.at_m < at_m);
    plan.measure.directions = Directions::AToB;
    plan.measure.tail_m = None; // nothing is connected to fibres that are not spliced yet
    Ok(plan)
}

fn named<'a>(plan: &'a Plan, name: &str) -> Result<&'a PlannedJoint, String> {
    plan.joints.iter().find(|joint| joint.name.eq_ignore_ascii_case(name)).ok_or_else(|| {
        let names: Vec<&str> = plan.joints.iter().map(|joint| joint.name.as_str()).collect();
        match names.as_slice() {
            [] => format!("the plan has no joint {name:?}: it names none at all"),
            names => {
                format!("the plan has no joint {name:?} to here, it has: {}", names.join(", "))
            }
        }
    })
}

/// A joint and the plan that it stands in.
pub(super) struct Tray {
    pub(super) plan: Plan,
    joint: PlannedJoint,
    /// Whether the far end is not there yet.
    one_end: bool,
}

const COLUMNS: [Column; 6] = [
    ("fibre", Align::Right),
    ("colour", Align::Left),
    ("nm", Align::Right),
    ("from a / b dB", Align::Left),
    ("mean dB", Align::Right),
    ("do", Align::Left),
];

impl Tray {
    pub(super) fn new(plan: Plan, joint: &str, one_end: bool) -> Result<Tray, String> {
        let joint = named(&plan, joint)?.clone();
        Ok(Tray { plan, joint, one_end })
    }

    /// Prints the whole tray; [`Exit::Done`] where every fibre may be closed.
    pub(super) fn tell(&self, answer: &Review, out: &Out) -> Exit {
        let mut rows = Vec::new();
        let mut all_fine = !answer.fibers.is_empty();
        for fiber in &answer.fibers {
            let (own, fine) = self.rows(fiber);
            rows.extend(own);
            all_fine &= fine;
        }
        let limit = self
            .plan
            .allowance_db(&self.joint)
            .map_or("no limit in the plan".into(), |l| format!("limit {l} dB"));
        let mut lines = vec![format!(
            "{} at {:.1} m of {}, {limit}",
            escape::terminal(&self.joint.name),
            self.joint.at_m,
            escape::terminal(&self.plan.cable.id)
        )];
        lines.extend(table::lines(&COLUMNS, &rows, out.width));
        if let Some(origin) = self.plan.limits.origin() {
            lines.extend(table::hung(&format!("limits: {origin}"), out.width));
        }
        out.lines(&lines);
        out.caution();
        if let Some(name) = all_stop_at(answer, &self.plan) {
            out.note(&format!(
                "every fibre stops at {name}: if the cable is built to there so far, say --built-to {name}"
            ));
        }
        if all_fine { Exit::Done } else { Exit::Objection }
    }

    /// The lines of one fibre as a table.
    pub(super) fn fiber_lines(&self, fiber: &FiberReview, width: usize) -> Vec<String> {
        table::lines(&COLUMNS, &self.rows(fiber).0, width)
    }

    /// A row for each wavelength of a fibre, and whether its tray may be closed.
    fn rows(&self, fiber: &FiberReview) -> (Vec<Vec<String>>, bool) {
        let measured: Vec<(&JointReview, &str)> = fiber
            .joints
            .iter()
            .filter(|own| own.name == self.joint.name)
            .map(|own| (own, self.advice(fiber, own)))
            .collect();
        // A tray is closed over a fibre, not over one of its wavelengths.
        let fine = !measured.is_empty()
            && measured.iter().all(|(_, advice)| [FINE, ACCEPTED].contains(advice));
        let colors = &self.plan.cable.colors;
        let row = |(own, advice): &(&JointReview, &str)| match *advice {
            FINE if !fine => row(colors, fiber, own, ONE_ALONE),
            AVERAGE => row(colors, fiber, own, &self.longer(own)),
            advice => row(colors, fiber, own, advice),
        };
        (measured.iter().map(row).collect(), fine)
    }

    /// One of four instructions, with its reason. It names no end that cannot be measured from.
    fn advice(&self, fiber: &FiberReview, own: &JointReview) -> &'static str {
        let bend = fiber
            .findings
            .iter()
            .any(|f| f.kind == "bend" && f.place.as_deref() == Some(own.name.as_str()));
        let copied = fiber.findings.iter().any(|f| matches!(f.kind, "copy" | "swapped"));
        let (from_a, from_b) = (own.loss.from_a_db.is_some(), own.loss.from_b_db.is_some());
        let enough = from_a && (from_b || self.one_end);
        // Where end a's light has stopped before, end a has nothing more to say.
        let is_behind_break = fiber
            .findings
            .iter()
            .any(|f| f.kind == "break" && f.at_m.is_some_and(|m| m < own.at_m));
        match own.verdict {
            _ if copied => "measure again: nobody knows which fibre this is",
            _ if own.waived.is_some() => ACCEPTED,
            Some(Verdict::Pass) if enough => FINE,
            Some(Verdict::Fail) if enough && bend => {
                "free the bend in the tray, then measure again"
            }
            Some(Verdict::Fail) if enough => "splice again",
            None if enough => "nothing: the plan has no limit to judge it by",
            Some(Verdict::Undecided) if enough && self.one_end && unequal_rules(own) => {
                "leave it open: one end alone cannot tell it from unequal glass"
            }
            _ if enough => AVERAGE,
            _ if !from_a && from_b && is_behind_break => {
                "repair the break first: end a's light stops on the way"
            }
            _ if from_a => "measure from end b first",
            _ if from_b || self.one_end => "measure from end a first",
            _ => "not measured yet",
        }
    }

    /// Of an undecided joint: how much longer to average, or that it is in vain.
    fn longer(&self, own: &JointReview) -> String {
        let limits = &self.plan.limits;
        let noise_db = match (own.loss.from_a_db, own.loss.from_b_db) {
            (Some(a), Some(b)) => 0.5 * a.sigma.hypot(b.sigma),
            (one, other) => one.or(other).map_or(0.0, |m| m.sigma),
        };
        let times =
            own.loss.loss_db.zip(self.plan.allowance_db(&self.joint)).and_then(|(loss, limit)| {
                let rest = (loss.sigma * loss.sigma - noise_db * noise_db).max(0.0).sqrt();
                let fixed = rest.hypot(limits.linearity_db_per_db * loss.value);
                grade::averaging_to_decide(loss.value, limit, noise_db, fixed, limits.confidence)
            });
        match times {
            Some(times) if times > 1.0 && times < 50.0 => {
                format!("{AVERAGE}: {times:.1} times as long would decide it")
            }
            _ => "too near its limit for any OTDR: splice again, or accept it".to_owned(),
        }
    }
}

const FINE: &str = "fine to close";

/// Where both ends are measured and do not decide.
const AVERAGE: &str = "average longer";

/// Where the plan says so, with its reason.
const ACCEPTED: &str = "accepted: see the plan's waiver";

/// Where another wavelength of the same fibre asks for more.
const ONE_ALONE: &str = "not yet: good at this wavelength alone";

/// Whether noise is the smaller part of a one-way reading's uncertainty, so that averaging is no help.
fn unequal_rules(own: &JointReview) -> bool {
    let noise = own.loss.from_a_db.map_or(0.0, |m| m.sigma);
    own.loss.loss_db.is_some_and(|m| noise < 0.7 * m.sigma)
}

/// The joint at which every fibre stops, where two or more do.
fn all_stop_at(answer: &Review, plan: &Plan) -> Option<String> {
    const TRAY_M: f64 = 20.0; // loops of fibre that wait for their splice
    let stop = |fiber: &FiberReview| fiber.findings.iter().find(|f| f.kind == "break")?.at_m;
    let measured = |fiber: &&FiberReview| {
        answer.rows.iter().any(|row| row.fiber == Some(fiber.fiber) && row.counts)
    };
    let stops: Option<Vec<f64>> = answer.fibers.iter().filter(measured).map(stop).collect();
    let stops = stops.filter(|stops| stops.len() >= 2)?;
    let at = |joint: &&PlannedJoint| {
        stops.iter().all(|m| (m - joint.at_m).abs() < TRAY_M + 2e-3 * joint.at_m)
    };
    plan.joints.iter().find(at).map(|joint| joint.name.clone())
}

fn row(colors: &Colors, fiber: &FiberReview, own: &JointReview, advice: &str) -> Vec<String> {
    let figure = |m: Option<strandline::units::Measured>| {
        m.map_or("–".to_owned(), |m| table::figure(Some(m.value), 3))
    };
    let gain = [own.loss.from_a_db, own.loss.from_b_db]
        .into_iter()
        .flatten()
        .any(|m| m.value < -3.0 * m.sigma);
    let advice = if gain && advice == FINE {
        format!("{advice}: the gain from one end is unequal glass")
    } else {
        advice.to_owned()
    };
    vec![
        fiber.fiber.to_string(),
        format!("{} {}", colors.tube(fiber.fiber), colors.fiber(fiber.fiber)),
        own.wavelength_nm.to_string(),
        format!("{} / {}", figure(own.loss.from_a_db), figure(own.loss.from_b_db)),
        events::with_sigma(own.loss.loss_db, 3).replace(" ± ", "±"),
        advice,
    ]
}
