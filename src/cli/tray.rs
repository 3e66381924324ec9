//! `strandline tray`: may this tray be closed?

use std::path::PathBuf;

use strandline::job::{FiberReview, Instruction, Review, Tray};
use strandline::report::table::{self, Align, Column};
use strandline::report::{escape, events};
use strandline::units::Measured;

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
    /// The plan, else the folder's own plan.toml
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,
    /// The joint, as the plan names it
    #[arg(long, value_name = "NAME")]
    joint: String,
    /// The cable is built from end a to this joint so far: there it ends for now
    #[arg(long, value_name = "NAME")]
    built_to: Option<String>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    if !files::all_there(&args.paths, out) {
        return Exit::CouldNot;
    }
    let plan = review::plan_of(&args.paths, args.plan.as_ref());
    let planned = plan.and_then(|path| review::read_plan(&path));
    let tray = planned.and_then(|(plan, _)| Tray::new(plan, &args.joint, args.built_to.as_deref()));
    let Some(tray) = out.told(tray) else { return Exit::CouldNot };
    let (files, listed) = files::found(&args.paths, out);
    let answer = review::of(files, &tray.plan);
    let exit = tell(&tray, &answer, out);
    exit.max(listed).max(files::unreadable(&answer.tests, out))
}

const COLUMNS: [Column; 6] = [
    ("fibre", Align::Right),
    ("colour", Align::Left),
    ("nm", Align::Right),
    ("from a / b dB", Align::Left),
    ("mean dB", Align::Right),
    ("do", Align::Left),
];

/// Prints the whole tray; [`Exit::Done`] where every fibre may be closed.
pub(super) fn tell(tray: &Tray, answer: &Review, out: &Out) -> Exit {
    let mut rows = Vec::new();
    let mut all_fine = !answer.fibers.is_empty();
    for fiber in &answer.fibers {
        let (own, fine) = fiber_rows(tray, fiber);
        rows.extend(own);
        all_fine &= fine;
    }
    let limit = tray.limit_db();
    let mut lines = vec![format!(
        "{} at {:.1} m of {}, {}",
        escape::terminal(&tray.joint.name),
        tray.joint.at_m,
        escape::terminal(&tray.plan.cable.id),
        limit.map_or("no limit in the plan".into(), |l| format!("limit {l} dB"))
    )];
    lines.extend(laid_out(&rows, out.width));
    if let Some(origin) = tray.plan.limits.origin() {
        lines.extend(table::hung(&format!("limits: {origin}"), out.width));
    }
    out.lines(&lines);
    out.caution();
    for note in &answer.notes {
        out.note(note);
    }
    if let Some(name) = tray.all_stop_at(answer) {
        out.note(&format!(
            "every fibre stops at {name}: if the cable is built to there so far, say --built-to {name}"
        ));
    }
    if all_fine { Exit::Done } else { Exit::Objection }
}

/// The lines of one fibre as a table.
pub(super) fn fiber_lines(tray: &Tray, fiber: &FiberReview, width: usize) -> Vec<String> {
    laid_out(&fiber_rows(tray, fiber).0, width)
}

/// Room below which a fibre is named once and its wavelengths stand below, as a phone shows them.
const PHONE: usize = 50;

/// The rows of [`COLUMNS`], in order of fibres, to a terminal of so many characters.
fn laid_out(rows: &[Vec<String>], width: usize) -> Vec<String> {
    if width >= PHONE || rows.is_empty() {
        return table::lines(&COLUMNS, rows, width);
    }
    let indented = |by, text: &str| table::indented(by, text, width);
    let mut out = indented(2, "dB from end a / from end b, mean");
    let mut before = None;
    for row in rows {
        let [fiber, color, nm, ends, mean, says] = &row[..] else { continue };
        if before.replace(fiber) != Some(fiber) {
            out.extend(indented(2, &format!("fibre {fiber} {color}")));
        }
        out.extend(indented(4, &format!("{nm} nm: {ends}, {mean}")));
        out.extend(indented(6, says));
    }
    out
}

/// A row for each wavelength of a fibre, and whether its tray may be closed.
fn fiber_rows(tray: &Tray, fiber: &FiberReview) -> (Vec<Vec<String>>, bool) {
    let (instructions, fine) = tray.instructions(fiber);
    let cable = &tray.plan.cable;
    let figure =
        |m: Option<Measured>| m.map_or("–".to_owned(), |m| table::figure(Some(m.value), 3));
    let row = |own: &Instruction| {
        let loss = &own.joint.loss;
        vec![
            fiber.fiber.to_string(),
            cable.colors.name(fiber.fiber, &cable.fibers),
            own.joint.wavelength_nm.to_string(),
            format!("{} / {}", figure(loss.from_a_db), figure(loss.from_b_db)),
            table::close(&events::with_sigma(loss.loss_db, 3)),
            own.says.clone(),
        ]
    };
    (instructions.iter().map(row).collect(), fine)
}
