//! `strandline tray`: may this tray be closed?

use std::path::PathBuf;

use strandline::grade::Verdict;
use strandline::job::{self, FiberReview, JointReview};
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
}

const COLUMNS: [Column; 6] = [
    ("fibre", Align::Right),
    ("colour", Align::Left),
    ("nm", Align::Right),
    ("from a / from b dB", Align::Left),
    ("mean dB", Align::Right),
    ("do", Align::Left),
];

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let plan = match review::read_plan(&args.plan) {
        Ok((plan, _)) => plan,
        Err(message) => {
            out.error(&message, None);
            return Exit::CouldNot;
        }
    };
    let Some(joint) = plan.joints.iter().find(|j| j.name.eq_ignore_ascii_case(&args.joint)) else {
        let names: Vec<&str> = plan.joints.iter().map(|j| j.name.as_str()).collect();
        out.error(
            &format!("the plan has no joint {:?}, it has: {}", args.joint, names.join(", ")),
            None,
        );
        return Exit::CouldNot;
    };
    let (files, listed) = files::found(&args.paths, out);
    let answer = review::of(files, &plan);
    let mut rows = Vec::new();
    let mut all_fine = !answer.fibers.is_empty();
    for fiber in &answer.fibers {
        let measured: Vec<(&JointReview, &str)> = fiber
            .joints
            .iter()
            .filter(|j| j.name == joint.name)
            .map(|own| (own, advice(fiber, own)))
            .collect();
        // A tray is closed over a fibre, not over one of its wavelengths.
        let fine = !measured.is_empty() && measured.iter().all(|(_, advice)| *advice == FINE);
        all_fine &= fine;
        for (own, advice) in measured {
            let advice = if advice == FINE && !fine { ONE_ALONE } else { advice };
            rows.push(row(fiber, own, advice));
        }
    }
    let limit = plan
        .joint_limit_db(joint.kind)
        .map_or("no limit in the plan".into(), |l| format!("limit {l} dB"));
    let mut lines = vec![format!(
        "{} at {:.1} m of {}, {limit}",
        escape::terminal(&joint.name),
        joint.at_m,
        escape::terminal(&plan.cable.id)
    )];
    lines.extend(table::lines(&COLUMNS, &rows, out.width));
    out.lines(&lines);
    out.caution();
    let objection = if all_fine { Exit::Done } else { Exit::Objection };
    objection.max(listed).max(review::unreadable(&answer, out))
}

const FINE: &str = "fine to close";

/// Where another wavelength of the same fibre asks for more.
const ONE_ALONE: &str = "not yet: good at this wavelength alone";

/// One of four instructions, with its reason.
fn advice(fiber: &FiberReview, own: &JointReview) -> &'static str {
    let bend = fiber
        .findings
        .iter()
        .any(|f| f.kind == "bend" && f.place.as_deref() == Some(own.name.as_str()));
    let copied = fiber.findings.iter().any(|f| matches!(f.kind, "copy" | "swapped"));
    match (own.verdict, own.loss.from_a_db.is_some(), own.loss.from_b_db.is_some()) {
        _ if copied => "measure again: nobody knows which fibre this is",
        (Some(Verdict::Pass), true, true) => FINE,
        (Some(Verdict::Fail), true, true) if bend => {
            "free the bend in the tray, then measure again"
        }
        (Some(Verdict::Fail), true, true) => "splice again",
        (None, true, true) => "nothing: the plan has no limit to judge it by",
        (_, true, false) => "measure from end b first",
        (_, false, true) => "measure from end a first",
        (_, false, false) => "measure it: nothing is known",
        _ => "average longer",
    }
}

fn row(fiber: &FiberReview, own: &JointReview, advice: &str) -> Vec<String> {
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
        format!("{} {}", job::tube_color(fiber.fiber), job::fiber_color(fiber.fiber)),
        own.wavelength_nm.to_string(),
        format!("{} / {}", figure(own.loss.from_a_db), figure(own.loss.from_b_db)),
        events::with_sigma(own.loss.loss_db, 3).replace(" ± ", "±"),
        advice,
    ]
}
