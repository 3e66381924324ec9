//! `strandline budget`: what a link may lose, before anything is measured.

use std::path::PathBuf;

use strandline::budget::{self, Budget, Line};
use strandline::report::table::{self, Align, Column};

use super::{Exit, Out, review};

/// What a planned link may lose, part by part, without any trace
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline budget --plan traces/job/plan.toml --transmitter 0 --sensitivity -28\n\nThe contract's limits come first."
)]
pub(crate) struct Args {
    /// The plan
    #[arg(long, value_name = "PLAN")]
    plan: PathBuf,
    /// Least power of the transmitter in dBm
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, requires = "sensitivity")]
    transmitter: Option<f64>,
    /// Weakest power the receiver works with, in dBm
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, requires = "transmitter")]
    sensitivity: Option<f64>,
    /// Strongest power the receiver bears, in dBm
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, requires = "transmitter")]
    overload: Option<f64>,
    /// Kept for penalties, ageing and repairs, in dB
    #[arg(long, value_name = "DB", default_value_t = 0.0)]
    reserve: f64,
}

const COLUMNS: [Column; 4] = [
    ("count", Align::Right),
    ("part", Align::Left),
    ("each dB", Align::Right),
    ("dB", Align::Right),
];

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let answer = review::read_plan(&args.plan).and_then(|(plan, _)| budget::of(&plan));
    let budgets = match answer {
        Ok(budgets) => budgets,
        Err(message) => {
            out.error(&message, None);
            return Exit::CouldNot;
        }
    };
    let mut exit = Exit::Done;
    for own in &budgets {
        let mut lines = vec![format!("{} nm", own.wavelength_nm)];
        lines.extend(table::lines(&COLUMNS, &rows(own), out.width));
        let (said, own_exit) = said(own, args);
        exit = exit.max(own_exit);
        lines.extend(said.iter().flat_map(|text| table::hung(text, out.width)));
        out.lines(&lines);
    }
    out.caution();
    exit
}

/// A part that the plan allows nothing for: `budget::of` counts it as 0 dB, and no joint loses that.
fn is_unsaid(line: &Line) -> bool {
    line.each_db == 0.0
}

fn rows(own: &Budget) -> Vec<Vec<String>> {
    let figure = |line: &Line, db: f64| table::figure((!is_unsaid(line)).then_some(db), 3);
    own.lines
        .iter()
        .map(|l| vec![count(l.count), l.part.clone(), figure(l, l.each_db), figure(l, l.loss_db())])
        .collect()
}

/// What follows from one wavelength's budget, and how that ends.
fn said(own: &Budget, args: &Args) -> (Vec<String>, Exit) {
    let unsaid: Vec<&str> =
        own.lines.iter().filter(|l| is_unsaid(l)).map(|l| l.part.as_str()).collect();
    let whole = unsaid.is_empty();
    let (least, most) = if whole { ("", "") } else { ("at least ", "at most ") };
    let loss = own.loss_db();
    let mut said = vec![format!("together {least}{loss:.3} dB")];
    if !whole {
        said.push(format!("the plan allows nothing for {}: not counted", unsaid.join(", ")));
    }
    if let (Some(limit), Some(margin)) = (own.limit_db, own.margin_db()) {
        said.push(format!("the plan allows {limit:.3} dB: margin {most}{margin:.3} dB"));
    }
    let mut exit = Exit::Done;
    if let (Some(sent), Some(weakest)) = (args.transmitter, args.sensitivity) {
        let system = sent - weakest - args.reserve;
        let margin = system - loss;
        let word = match (margin < 0.0, whole) {
            (true, _) => "will not work",
            (false, true) => "works",
            (false, false) => "cannot tell whether it works",
        };
        exit = exit.max(if word == "works" { Exit::Done } else { Exit::Objection });
        said.push(format!(
            "transmitter to receiver leaves {system:.1} dB: {word}, margin {most}{margin:.1} dB"
        ));
        let fiber = &own.lines[0];
        if let Some(km) = budget::reach_km(system, loss - fiber.loss_db(), fiber.each_db) {
            said.push(format!("with these joints it reaches {most}{km:.1} km"));
        }
        if args.overload.is_some_and(|most| sent - loss > most) {
            said.push(
                "the receiver may be overloaded: too little is lost; add an attenuator".into(),
            );
            exit = exit.max(Exit::Objection);
        }
    }
    (said, exit)
}

/// Pieces as whole numbers, kilometres with three decimals.
fn count(count: f64) -> String {
    if count.fract() == 0.0 { format!("{count:.0}") } else { format!("{count:.3}") }
}
