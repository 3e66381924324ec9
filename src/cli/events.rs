//! `strandline events`: the event table.

use std::path::PathBuf;

use strandline::detect::{Cords, Study};
use strandline::grade::Verdict;
use strandline::judge::{self, Judged};
use strandline::plan::{self, Limits, Plan};
use strandline::plot;
use strandline::report::data::{self, TraceData};
use strandline::report::events::{self, Look};
use strandline::report::verdicts;
use strandline::trace::Trace;
use strandline::units::GroupIndex;

use super::files::{self, CordArgs, Files};
use super::{Exit, Out, review};

/// Every event of the files: place, kind, loss, reflectance, each with its uncertainty
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  strandline events traces\n  strandline events link.sor --launch 500 --explain\n  strandline events --json traces > events.json\n  strandline events traces/job --plan traces/job/plan.toml\n\nA figure behind ± is one standard deviation."
)]
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of the command line")]
pub(crate) struct Args {
    #[command(flatten)]
    files: Files,
    #[command(flatten)]
    cords: CordArgs,
    /// Judge everything against this plan's limits; its cords and group index are used
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,
    /// Judge against limits of open standards, without a plan; may be given more than once
    #[arg(long, value_name = "NAME", conflicts_with = "plan", value_parser = preset)]
    preset: Vec<&'static plan::Preset>,
    /// Say why each event is called what it is, and what its uncertainty is made of
    #[arg(long)]
    explain: bool,
    /// The trace itself below its table, in dots
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    draw: bool,
    /// The document strandline.events/1 for programs, in metres and dB
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// A row an event for spreadsheets, in metres and dB
    #[arg(long)]
    csv: bool,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let Some(plan) = out.told(limits(args)) else { return Exit::CouldNot };
    if args.json || args.csv {
        for_programs(args, plan.as_ref(), out)
    } else {
        for_people(args, plan.as_ref(), out)
    }
}

fn for_programs(args: &Args, plan: Option<&Plan>, out: &Out) -> Exit {
    let (answers, exit) = each(args, plan, out, |name, answer| {
        let (trace, analysis) = (&answer.trace, &answer.analysis);
        match plan.zip(answer.judged.as_ref()) {
            Some((plan, judged)) => data::judged(name, trace, analysis, plan, judged),
            None => data::read(name, trace, analysis),
        }
    });
    let entry = |(path, data): files::Answer<TraceData>| {
        data.unwrap_or_else(|error| data::unreadable(&path.to_string_lossy(), &error))
    };
    let document = data::document(answers.into_iter().map(entry).collect());
    if args.csv {
        out.document(data::csv(&document), exit)
    } else {
        out.document(data::json(&document), exit)
    }
}

fn for_people(args: &Args, plan: Option<&Plan>, out: &Out) -> Exit {
    let look = Look { unit: args.files.unit.into(), width: out.width, explain: args.explain };
    let (answers, exit) = each(args, plan, out, |name, answer| {
        let mut lines = answer.lines(name, plan, look);
        if args.draw {
            lines.extend(plot::braille(&answer.trace, &answer.analysis, look.unit, out.width));
        }
        let notes = answer.trace.notes.iter().map(|note| format!("{name}: note: {note}"));
        (lines, notes.chain(answer.cord_notes(name)).collect::<Vec<String>>())
    });
    let mut first = true;
    for (lines, notes) in answers.iter().filter_map(|(_, answer)| answer.as_ref().ok()) {
        if !first {
            out.print("\n");
        }
        first = false;
        out.lines(lines);
        for note in notes {
            out.note(note);
        }
    }
    if !first {
        out.caution();
    }
    exit
}

/// Measures and judges all files, and makes of each what `make` does: name and answer in.
fn each<T: Send>(
    args: &Args,
    plan: Option<&Plan>,
    out: &Out,
    make: impl Fn(&str, &Answer) -> T + Sync,
) -> (Vec<files::Answer<T>>, Exit) {
    let (answers, exit) = args.files.each(out, |path, trace| {
        let answer = answer(trace, args.cords.cords(), args.files.index, plan);
        (make(&path.to_string_lossy(), &answer), answer.exit())
    });
    let objected = answers.iter().filter_map(|(_, made)| Some(made.as_ref().ok()?.1)).max();
    let made = answers.into_iter().map(|(path, made)| (path, made.map(|(made, _)| made)));
    (made.collect(), exit.max(objected.unwrap_or(Exit::Done)))
}

fn preset(name: &str) -> Result<&'static plan::Preset, String> {
    plan::Preset::named(name).ok_or_else(|| {
        let known: Vec<&str> = plan::PRESETS.iter().map(|preset| preset.name).collect();
        format!("no preset has this name; known are {}", known.join(", "))
    })
}

/// The limits to judge by. `None`: nothing is judged.
fn limits(args: &Args) -> Result<Option<Plan>, String> {
    match &args.plan {
        Some(path) => review::read_plan(path).map(|(plan, _)| Some(plan)),
        None => Ok((!args.preset.is_empty()).then(|| Plan::of_presets(&args.preset))),
    }
}

/// One trace, measured and judged.
pub(super) struct Answer {
    pub(super) trace: Trace,
    study: Study,
    pub(super) analysis: strandline::event::Analysis,
    pub(super) judged: Option<Judged>,
    /// Where the plan's group index is used instead of the file's.
    agreed: Option<GroupIndex>,
    /// Cords that are too short.
    short_cords: Vec<judge::ShortCord>,
}

/// `own`: the user's cords; `index`: the user's group index, already in the trace.
pub(super) fn answer(
    trace: Trace,
    own: Cords,
    index: Option<GroupIndex>,
    plan: Option<&Plan>,
) -> Answer {
    let cords = Cords {
        launch_m: own.launch_m.or(plan.and_then(|plan| plan.measure.launch_m)),
        tail_m: own.tail_m.or(plan.and_then(|plan| plan.measure.tail_m)),
    };
    let agreed = plan
        .filter(|_| index.is_none())
        .zip(trace.settings.wavelength_nm)
        .and_then(|(plan, nm)| plan.planned_index(nm))
        .filter(|index| *index != trace.settings.index);
    let trace = match agreed {
        Some(index) => trace.with_index(index),
        None => trace,
    };
    let study = Study::of(&trace);
    let analysis = study.analysis(&trace, &cords);
    let judged = plan.map(|plan| judge::trace(plan, &trace, &analysis));
    let zones = analysis.events.iter().map(|event| study.dead_zones(event));
    let short_cords = judge::short_cords(&trace, [cords.launch_m, cords.tail_m], zones);
    Answer { trace, study, analysis, judged, agreed, short_cords }
}

impl Answer {
    /// Warnings of cords that are too short, for a file of this name.
    pub(super) fn cord_notes(&self, name: &str) -> Vec<String> {
        let cords = self.short_cords.iter();
        cords.map(|cord| format!("{name}: note: {}", cord.words())).collect()
    }

    fn lines(&self, name: &str, plan: Option<&Plan>, look: Look) -> Vec<String> {
        let mut lines = events::lines(name, &self.trace, &self.analysis, look);
        if look.explain {
            let usual = Limits::of_presets(&[]);
            let limits = plan.map_or(&usual, |plan| &plan.limits);
            lines.extend(verdicts::doubts(&self.trace, &self.analysis, limits, look));
            let zones: Vec<_> =
                self.analysis.events.iter().map(|e| (e.number, self.study.dead_zones(e))).collect();
            lines.extend(events::dead_zones(&zones, look));
        }
        if let Some(index) = self.agreed {
            lines.push(format!(
                "  distances with the plan's group index {}; the file has {}",
                index.value(),
                self.trace.settings.file_index.value()
            ));
        }
        if let Some((plan, judged)) = plan.zip(self.judged.as_ref()) {
            lines.extend(verdicts::lines(judged, plan, &self.trace, &self.analysis, look));
        }
        lines
    }

    /// Whatever is not decided well is something to object to.
    pub(super) fn exit(&self) -> Exit {
        match &self.judged {
            Some(judged) if judged.verdict() != Some(Verdict::Pass) => Exit::Objection,
            _ => Exit::Done,
        }
    }
}
