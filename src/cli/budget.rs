//! `strandline budget`: what a link may lose, and how that compares to what it does lose.

use std::path::{Path, PathBuf};

use strandline::budget::{self, Budget, Line, System, Works};
use strandline::detect::{self, Cords};
use strandline::event::Analysis;
use strandline::grade::{self, Verdict};
use strandline::judge::{self, Of};
use strandline::plan::Plan;
use strandline::report::table::{self, Align, Column};
use strandline::report::{escape, events, verdicts};
use strandline::source;
use strandline::trace::Trace;
use strandline::units::LengthUnit;

use super::{Exit, Out, files, review};

/// What a planned link may lose, part by part; with traces, how that compares to what it loses
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  strandline budget --plan plan.toml --transmitter 0 --sensitivity -28\n  strandline budget --plan plan.toml link-1310.sor\n\nThe contract's limits come first."
)]
pub(crate) struct Args {
    /// Trace files of the link, or folders of them
    #[arg(value_name = "FILE")]
    paths: Vec<PathBuf>,
    /// The plan
    #[arg(long, value_name = "PLAN")]
    plan: PathBuf,
    /// Least power of the transmitter in dBm
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, requires = "sensitivity", value_parser = power)]
    transmitter: Option<f64>,
    /// Highest power of the transmitter in dBm, where that differs
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, requires = "transmitter", value_parser = power)]
    strongest: Option<f64>,
    /// Weakest power the receiver works with, in dBm
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, requires = "transmitter", value_parser = power)]
    sensitivity: Option<f64>,
    /// Strongest power the receiver bears, in dBm
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, requires = "transmitter", value_parser = power)]
    overload: Option<f64>,
    /// What the signal suffers other than loss, such as dispersion, in dB
    #[arg(long, value_name = "DB", default_value_t = 0.0, value_parser = decibels, allow_negative_numbers = true)]
    penalty: f64,
    /// Kept for ageing and repairs, in dB
    #[arg(long, value_name = "DB", default_value_t = 0.0, value_parser = decibels, allow_negative_numbers = true)]
    reserve: f64,
}

/// Powers that are believed, in dBm: from single photons to what melts the fibre.
const POWERS_DBM: std::ops::RangeInclusive<f64> = -150.0..=60.0;

fn power(text: &str) -> Result<f64, String> {
    let number: f64 = text.parse().map_err(|_| format!("{text:?} is no number"))?;
    if POWERS_DBM.contains(&number) {
        Ok(number)
    } else {
        Err(format!("{number} is no power of light in a fibre, expected dBm such as -28"))
    }
}

fn decibels(text: &str) -> Result<f64, String> {
    let number: f64 = text.parse().map_err(|_| format!("{text:?} is no number"))?;
    if number.is_finite() && number >= 0.0 {
        Ok(number)
    } else {
        Err(format!("{number} is no loss, expected 0 dB or more"))
    }
}

impl Args {
    /// `None`: none was named. An error where its powers contradict each other.
    fn system(&self) -> Result<Option<System>, String> {
        let Some((transmitter_dbm, sensitivity_dbm)) = self.transmitter.zip(self.sensitivity)
        else {
            return Ok(None);
        };
        if let Some(strongest) = self.strongest.filter(|strongest| *strongest < transmitter_dbm) {
            return Err(format!(
                "--strongest {strongest} dBm is less than --transmitter {transmitter_dbm} dBm, the least power of the same"
            ));
        }
        if sensitivity_dbm >= transmitter_dbm {
            return Err(format!(
                "--sensitivity {sensitivity_dbm} dBm is not below --transmitter {transmitter_dbm} dBm, so no link would work: is a minus missing?"
            ));
        }
        if let Some(overload) = self.overload.filter(|overload| *overload <= sensitivity_dbm) {
            return Err(format!(
                "--overload {overload} dBm is not above --sensitivity {sensitivity_dbm} dBm, the weakest power the same receiver works with"
            ));
        }
        Ok(Some(System {
            transmitter_dbm,
            strongest_dbm: self.strongest,
            sensitivity_dbm,
            overload_dbm: self.overload,
            penalties_db: self.penalty,
            reserve_db: self.reserve,
        }))
    }
}

const COLUMNS: [Column; 4] = [
    ("count", Align::Right),
    ("part", Align::Left),
    ("each dB", Align::Right),
    ("dB", Align::Right),
];

const MEASURED: [Column; 4] = [
    ("count", Align::Right),
    ("part", Align::Left),
    ("measured dB", Align::Right),
    ("allowed dB", Align::Right),
];

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    if !files::all_there(&args.paths, out) {
        return Exit::CouldNot;
    }
    let answer = args.system().and_then(|system| {
        let (plan, _) = review::read_plan(&args.plan)?;
        let budgets = budget::of(&plan).map_err(|says| format!("{}: {says}", args.plan.display()));
        budgets.map(|budgets| (system, plan, budgets))
    });
    let Some((system, plan, budgets)) = out.told(answer) else { return Exit::CouldNot };
    let mut exit = Exit::Done;
    for own in &budgets {
        let mut lines = vec![format!("{} nm", own.wavelength_nm)];
        lines.extend(table::lines(&COLUMNS, &rows(own), out.width));
        let (said, own_exit) = said(own, &plan, system.as_ref());
        exit = exit.max(own_exit);
        lines.extend(said.iter().flat_map(|text| table::hung(text, out.width)));
        out.lines(&lines);
    }
    let (files, listed) = if args.paths.is_empty() {
        (Vec::new(), Exit::Done)
    } else {
        files::found(&args.paths, out)
    };
    exit = exit.max(listed);
    for path in &files {
        match source::read(path, &source::Options::default()) {
            Ok(trace) => exit = exit.max(compare(path, trace, &plan, system.as_ref(), out)),
            Err(error) => {
                out.error(&format!("{}: {}", path.display(), error.cause), error.hint());
                exit = Exit::CouldNot;
            }
        }
    }
    if let Some(origin) = plan.limits.origin() {
        let lines = table::hung(&format!("limits: {origin}"), out.width);
        out.print(&(lines.join("\n") + "\n"));
    }
    out.caution();
    exit
}

fn rows(own: &Budget) -> Vec<Vec<String>> {
    let figure = |line: &Line, db: f64| table::figure((!line.is_unsaid()).then_some(db), 3);
    own.lines
        .iter()
        .map(|l| vec![l.counted(), l.part.clone(), figure(l, l.each_db), figure(l, l.loss_db())])
        .collect()
}

/// What follows from one wavelength's budget, and how that ends.
fn said(own: &Budget, plan: &Plan, system: Option<&System>) -> (Vec<String>, Exit) {
    let unsaid: Vec<&str> = own.unsaid().map(|line| line.part.as_str()).collect();
    let whole = unsaid.is_empty();
    let (least, most) = if whole { ("", "") } else { ("at least ", "at most ") };
    let loss = own.loss_db();
    let mut said = vec![format!("together {least}{loss:.3} dB")];
    let mut exit = Exit::Done;
    if !whole {
        said.push(format!("the plan allows nothing for {}: not counted", unsaid.join(", ")));
    }
    if let (Some(limit), Some(margin)) = (own.limit_db, own.margin_db()) {
        said.push(format!("the plan allows {limit:.3} dB: margin {most}{margin:.3} dB"));
        exit = if margin < 0.0 { Exit::Objection } else { exit };
    }
    if let Some(limit) = own.min_limit_db {
        said.push(format!(
            "the plan asks for {limit:.3} dB at least: allowances are upper bounds, so only a measurement tells"
        ));
    }
    if let Some(limit) = plan.limits.max_length_m {
        let length = own.length_m();
        let word = if length > limit { "longer than" } else { "within" };
        said.push(format!("{length:.1} m are {word} the plan's {limit:.1} m"));
        exit = if length > limit { Exit::Objection } else { exit };
    }
    if let Some(system) = system {
        let works = system.over(own);
        said.extend(works_words(own, system, works));
        exit = exit.max(if works == Works::Yes { Exit::Done } else { Exit::Objection });
    }
    (said, exit)
}

/// Whether a system works over a budget, and how far it could go.
fn works_words(own: &Budget, system: &System, works: Works) -> Vec<String> {
    let most = if own.unsaid().next().is_none() { "" } else { "at most " };
    let loss = own.loss_db();
    let mut said = vec![
        format!(
            "transmitter to receiver leaves {:.1} dB: {}, margin {most}{:.1} dB",
            system.budget_db(),
            works.word(),
            system.margin_db(loss)
        ),
        format!("the receiver gets {most}{:.1} dBm at these allowances", system.received_dbm(loss)),
    ];
    let fiber = &own.lines[0];
    if let Some(km) = budget::reach_km(system.budget_db(), loss - fiber.loss_db(), fiber.each_db) {
        said.push(format!("with these joints it reaches {most}{km:.1} km"));
    }
    if let Some(least) = system.must_lose_db() {
        if loss < least {
            said.push(format!(
                "the receiver is overloaded: the link has to lose {least:.1} dB at least; add an attenuator"
            ));
        } else {
            said.push(format!(
                "the link has to lose {least:.1} dB at least, lest the receiver be overloaded: allowances are upper bounds, so only a measurement tells"
            ));
        }
    }
    said
}

/// A trace of the link beside the plan, part by part.
fn compare(path: &Path, trace: Trace, plan: &Plan, system: Option<&System>, out: &Out) -> Exit {
    let nm = trace.settings.wavelength_nm;
    let trace = match nm.and_then(|nm| plan.planned_index(nm)) {
        Some(index) => trace.with_index(index),
        None => trace,
    };
    let cords = Cords { launch_m: plan.measure.launch_m, tail_m: plan.measure.tail_m };
    let analysis = detect::events(&trace, &cords);
    let mut lines = vec![String::new()];
    lines.extend(table::wrap(&events::heading(&path.to_string_lossy(), &trace), out.width));
    lines.extend(table::lines(&MEASURED, &beside(plan, &trace, &analysis), out.width));
    let judged = judge::trace(plan, &trace, &analysis);
    let look = events::Look { unit: LengthUnit::M, width: out.width, explain: false };
    let link: Vec<&judge::Item> = judged.items.iter().filter(|item| item.of == Of::Link).collect();
    for item in &link {
        lines.extend(table::hung(&verdicts::link_line(item, look), out.width));
    }
    let own = grade::worst(link.iter().map(|item| item.verdict));
    let mut all: Vec<Option<Verdict>> = vec![own];
    if let Some(system) = system {
        let (words, verdict) = measured_works(&analysis, plan, system);
        lines.extend(words.iter().flat_map(|text| table::hung(text, out.width)));
        all.push(verdict);
    } else if link.is_empty() {
        lines.extend(table::hung(
            "the plan sets no limit for the link at this wavelength",
            out.width,
        ));
    }
    for note in &judged.notes {
        lines.extend(table::hung(&format!("note: {}", escape::terminal(note)), out.width));
    }
    out.lines(&lines);
    let fine = all.iter().flatten().all(|verdict| *verdict == Verdict::Pass);
    if fine && all.iter().any(Option::is_some) { Exit::Done } else { Exit::Objection }
}

/// Each part of the link as measured, and what its kind is allowed.
fn beside(plan: &Plan, trace: &Trace, analysis: &Analysis) -> Vec<Vec<String>> {
    let allowed =
        trace.settings.wavelength_nm.and_then(|nm| budget::seen(plan, nm)).unwrap_or_default();
    let mut rows = Vec::new();
    for part in judge::parts(plan, trace, analysis) {
        let own: Vec<&Line> = allowed
            .iter()
            .filter(|line| line.part.split(' ').next() == part.part.split(' ').next())
            .collect();
        let limit: f64 = own.iter().map(|line| line.loss_db()).sum();
        let line = Line { part: part.part.into(), count: part.count, each_db: 0.0 };
        rows.push(vec![
            line.counted(),
            part.part.to_owned(),
            part.loss_db
                .map_or("–".into(), |loss| table::close(&events::with_sigma(Some(loss), 3))),
            table::figure((!own.is_empty() && limit > 0.0).then_some(limit), 3),
        ]);
    }
    rows
}

/// Whether a system works over the link as measured.
fn measured_works(
    analysis: &Analysis,
    plan: &Plan,
    system: &System,
) -> (Vec<String>, Option<Verdict>) {
    let Some(loss) = analysis.span.and_then(|span| span.loss_db) else {
        return (
            vec!["no loss of the link: cannot tell whether it works".into()],
            Some(Verdict::Undecided),
        );
    };
    let own = system.over_measured(loss, &plan.limits);
    let mut said = vec![format!(
        "transmitter to receiver leaves {:.1} dB: {} over this link, margin {} dB: {}",
        system.budget_db(),
        own.works.word(),
        events::with_sigma(Some(own.margin_db), 2),
        own.enough.marked()
    )];
    if let Some((least, bears)) = own.bears {
        let advice = if bears == Verdict::Pass { "" } else { "; add an attenuator" };
        said.push(format!(
            "the link has to lose {least:.1} dB at least, lest the receiver be overloaded: {}{advice}",
            bears.marked()
        ));
    }
    (said, Some(own.verdict()))
}
