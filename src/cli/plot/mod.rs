//! `strandline plot`: pictures of traces.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use strandline::disk;
use strandline::event::{Analysis, Role};
use strandline::grade::Verdict;
use strandline::judge::{Judged, Of};
use strandline::plot::{self, Format, PlotError, Style, Theme, Together};
use strandline::report::events::Look;
use strandline::report::{self, CAUTION, escape, verdicts};
use strandline::trace::Trace;
use strandline::units::LengthUnit;

use super::files::{self, CordArgs, Files};
use super::{Exit, Out, events, review};

mod cable;
mod together;

/// A picture of each trace: level against distance, every event marked and measured
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  strandline plot link.sor -o link.svg\n  strandline plot traces -o pictures --format png --scale 2\n  strandline plot traces/job --plan traces/job/plan.toml --cable map -o map.svg\n  strandline plot traces/job --plan traces/job/plan.toml -o pictures\n  strandline plot link.sor --around 2340m -o splice.svg\n  strandline plot link-1310.sor link-1550.sor --together -o both.svg"
)]
pub(crate) struct Args {
    #[command(flatten)]
    files: Files,
    /// The picture (.svg or .png), or a folder for the pictures of several files
    #[arg(short, long, value_name = "OUT")]
    output: PathBuf,
    /// Kind of picture, where OUT is a folder
    #[arg(long, value_enum, default_value = "svg")]
    format: Kind,
    #[command(flatten)]
    cords: CordArgs,
    /// Colours
    #[arg(long, value_enum, default_value = "light")]
    theme: Colors,
    /// Pixels per point: 2 for dense screens
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=4))]
    scale: u32,
    /// One event from near by, with its loss to scale: the one nearest to PLACE, such as 2340m or 2.34km
    #[arg(long, value_name = "PLACE", value_parser = place, conflicts_with_all = ["together", "both_ends", "change", "cable"])]
    around: Option<Place>,
    /// Two to four traces in one picture, such as two wavelengths of one fibre
    #[arg(long, conflicts_with_all = ["both_ends", "change", "cable"])]
    together: bool,
    /// One fibre in one picture: the first file from end a, the second from end b
    #[arg(long, conflicts_with_all = ["change", "cable"])]
    both_ends: bool,
    /// The first file, the second, and below them what the link loses more in the second
    #[arg(long, conflicts_with = "cable")]
    change: bool,
    /// One picture of a whole cable instead: the losses of all joints against the plan's limits
    #[arg(long, value_name = "WHAT", value_enum, requires = "plan", conflicts_with_all = OF_A_TRACE)]
    cable: Option<cable::Shown>,
    /// Judge every trace, or the cable, against this plan's limits; its cords and group index are used
    #[arg(long, value_name = "PLAN", conflicts_with_all = ["around", "together", "both_ends", "change"])]
    plan: Option<PathBuf>,
}

/// What the plan says of a whole cable, and files of a cable say themselves: an option that changes nothing
/// is refused.
const OF_A_TRACE: [&str; 8] = [
    "index",
    "launch",
    "tail",
    "spacing_per_sample",
    "pulse",
    "wavelength",
    "backscatter",
    "column_unit",
];

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Kind {
    Svg,
    Png,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Colors {
    Light,
    Dark,
    Print,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let style = Style {
        theme: match args.theme {
            Colors::Light => Theme::Light,
            Colors::Dark => Theme::Dark,
            Colors::Print => Theme::Print,
        },
        scale: args.scale,
        unit: args.files.unit.into(),
        width: 1000,
        height: 620,
    };
    if let Some(ending) = other_picture(&args.output) {
        let message = format!("{}: no pictures of kind .{ending} are made", args.output.display());
        out.error(&message, Some("name it .svg or .png, or name a folder"));
        return Exit::CouldNot;
    }
    match (args.cable, how(args)) {
        (Some(shown), _) => cable::run(args, shown, &style, out),
        (None, Some(how)) => together::run(args, how, &style, out),
        (None, None) => each(args, &style, out),
    }
}

/// How several traces are to stand together. `None`: each gets a picture of its own.
fn how(args: &Args) -> Option<Together> {
    [
        (args.together, Together::Over),
        (args.both_ends, Together::BothEnds),
        (args.change, Together::Change),
    ]
    .into_iter()
    .find_map(|(asked, how)| asked.then_some(how))
}

/// A picture of each file.
fn each(args: &Args, style: &Style, out: &Out) -> Exit {
    let read = args.plan.as_deref().map(review::read_plan).transpose();
    let Some(read) = out.told(read) else { return Exit::CouldNot };
    let plan = read.map(|(plan, _)| plan);
    let single = format_of(&args.output);
    let format = single.unwrap_or(match args.format {
        Kind::Svg => Format::Svg,
        Kind::Png => Format::Png,
    });
    let cords = args.cords.cords();
    let paths: Vec<PathBuf> = files::listed(&args.files.paths).into_iter().flatten().collect();
    if single.is_some() && paths.len() > 1 {
        out.error(
            &format!(
                "{} is one picture, and there are {} files",
                args.output.display(),
                paths.len()
            ),
            Some("give a folder, as in -o pictures"),
        );
        return Exit::CouldNot;
    }
    let targets = targets(&paths, |path| match single {
        Some(_) => args.output.clone(),
        None => args.output.join(format!("{}.{}", escape::path(&stem_of(path)), ending(format))),
    });
    // Written where they are drawn: a thousand pictures need not fit into memory.
    let (answers, mut exit) = args.files.each(out, |path, trace| {
        let target = match targets.get(path) {
            Some(Ok(target)) => target,
            Some(Err(message)) => return Err(format!("{}: {message}", path.display())),
            None => return Err(format!("{}: it was not there before", path.display())),
        };
        let answer = events::answer(trace, cords, args.files.index, plan.as_ref());
        let bytes = drawn(path, &answer, args.around, style, format)
            .map_err(|says| format!("{}: {says}", path.display()))?;
        disk::write_whole(target, &bytes)
            .map_err(|error| format!("{}: cannot be written: {error}", target.display()))?;
        Ok((answer.exit(), answer.cord_notes(&name_of(path))))
    });
    let mut written = 0;
    for saved in answers.into_iter().filter_map(|(_, answer)| answer.ok()) {
        match saved {
            Ok((own, notes)) => {
                written += 1;
                exit = exit.max(own);
                for note in &notes {
                    out.note(note);
                }
            }
            Err(message) => {
                out.error(&message, None);
                exit = Exit::CouldNot;
            }
        }
    }
    out.note(&format!(
        "{written} {} written to {}",
        if written == 1 { "picture" } else { "pictures" },
        args.output.display()
    ));
    exit
}

/// The picture of one file, or of one of its events; an error where there is none.
fn drawn(
    path: &Path,
    answer: &events::Answer,
    around: Option<Place>,
    style: &Style,
    format: Format,
) -> Result<Vec<u8>, String> {
    let (trace, analysis) = (&answer.trace, &answer.analysis);
    let title = report::events::heading(&name_of(path), trace);
    let drawn = match around {
        None => {
            let judged = answer.judged.as_ref();
            let title =
                judged.map_or(title.clone(), |own| format!("{title}\n{}", link(own, style)));
            plot::trace(trace, analysis, judged, &title, CAUTION, style, format)
        }
        Some(place) => {
            let near = nearest(trace, analysis, place.metres(style.unit), style.unit)?;
            plot::around(trace, analysis, near, &title, CAUTION, style, format)
        }
    };
    drawn.map_err(|error| error.to_string())
}

/// The verdict on all of a link, and what its own figures say.
fn link(judged: &Judged, style: &Style) -> String {
    let look = Look { unit: style.unit, width: 0, explain: false };
    let whole = judged.verdict().map_or("nothing is judged", Verdict::word);
    let own = judged.items.iter().filter(|item| item.of == Of::Link).map(|item| {
        // the word alone: the font of pictures has no ticks
        let verdict = item.verdict;
        verdicts::link_line(item, look).replace(&verdict.marked(), verdict.word())
    });
    let count = |verdict| judged.count(verdict);
    let counts = format!(
        "{whole}: {} pass, {} undecided, {} fail",
        count(Verdict::Pass),
        count(Verdict::Undecided),
        count(Verdict::Fail)
    );
    std::iter::once(counts).chain(own).take(4).collect::<Vec<_>>().join("\n")
}

/// A place as the user says it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Place {
    value: f64,
    /// `None`: the unit of the picture.
    unit: Option<LengthUnit>,
}

impl Place {
    fn metres(self, unit: LengthUnit) -> f64 {
        self.value * self.unit.unwrap_or(unit).metres()
    }
}

fn place(text: &str) -> Result<Place, String> {
    let split = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, symbol) = text.split_at(split);
    let units = [LengthUnit::M, LengthUnit::Km, LengthUnit::Ft, LengthUnit::Kft, LengthUnit::Mi];
    let unit = units.into_iter().find(|unit| unit.symbol() == symbol);
    match number.trim().parse::<f64>() {
        Ok(value) if value.is_finite() && (unit.is_some() || symbol.is_empty()) => {
            Ok(Place { value, unit })
        }
        _ => Err(format!("{text:?} is no place, expected such as 2340m, 2.34km, 7677ft")),
    }
}

/// Number of the event nearest to a place, the panel aside. An error where the trace does not reach
/// that far: what is nearest there is not what was meant.
fn nearest(
    trace: &Trace,
    analysis: &Analysis,
    at_m: f64,
    unit: LengthUnit,
) -> Result<usize, String> {
    let end_m = trace.position_m(trace.counts.len() - 1).0;
    if at_m > end_m {
        let shown = |m: f64| format!("{:.1} {}", m / unit.metres(), unit.symbol());
        return Err(format!("--around {}: the trace ends at {}", shown(at_m), shown(end_m)));
    }
    let off = |position_m: f64| (position_m - at_m).abs();
    let events = analysis.events.iter().filter(|e| e.role != Role::Start);
    events
        .min_by(|a, b| off(a.position_m.0).total_cmp(&off(b.position_m.0)))
        .map(|e| e.number)
        .ok_or_else(|| "it has no event".to_owned())
}

/// Where each file's picture goes, or why it has no place: one of two files of the same name would
/// be lost in silence. Names that differ in case alone are the same on many disks.
fn targets(
    paths: &[PathBuf],
    target: impl Fn(&Path) -> PathBuf,
) -> BTreeMap<PathBuf, Result<PathBuf, String>> {
    let mut taken: BTreeMap<String, &PathBuf> = BTreeMap::new();
    let mut all = BTreeMap::new();
    for path in paths {
        let own = target(path);
        let first = *taken.entry(own.to_string_lossy().to_lowercase()).or_insert(path);
        all.entry(path.clone()).or_insert_with(|| {
            if first == path {
                Ok(own)
            } else {
                Err(format!(
                    "its picture would have the same name as that of {}; draw them into two folders",
                    first.display()
                ))
            }
        });
    }
    all
}

fn ending(format: Format) -> &'static str {
    match format {
        Format::Svg => "svg",
        Format::Png => "png",
    }
}

/// The kind of picture that a name asks for. `None`: it names a folder.
fn format_of(path: &Path) -> Option<Format> {
    let ending = path.extension()?.to_string_lossy().to_lowercase();
    match ending.as_str() {
        "svg" => Some(Format::Svg),
        "png" => Some(Format::Png),
        _ => None,
    }
}

/// An ending that means a picture of another kind, and no folder.
fn other_picture(path: &Path) -> Option<String> {
    const OTHERS: [&str; 9] = ["pdf", "jpg", "jpeg", "gif", "webp", "tif", "tiff", "eps", "html"];
    let ending = path.extension()?.to_string_lossy().to_lowercase();
    (OTHERS.contains(&ending.as_str()) && !disk::is_folder(path)).then_some(ending)
}

/// Writes the one picture of a command.
fn write(target: &Path, drawn: Result<Vec<u8>, PlotError>, out: &Out) -> Exit {
    let saved = drawn.map_err(|error| error.to_string()).and_then(|bytes| {
        disk::write_whole(target, &bytes).map_err(|error| format!("cannot be written: {error}"))
    });
    match saved {
        Ok(()) => {
            out.note(&format!("1 picture written to {}", target.display()));
            Exit::Done
        }
        Err(message) => {
            out.error(&format!("{}: {message}", target.display()), None);
            Exit::CouldNot
        }
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().map_or(String::new(), |name| name.to_string_lossy().into_owned())
}

fn stem_of(path: &Path) -> String {
    path.file_stem().map_or(String::new(), |name| name.to_string_lossy().into_owned())
}
