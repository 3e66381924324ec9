//! `strandline diagnose`: which dB is lost where, why, and where to dig.

use std::path::PathBuf;

use strandline::diagnose::{self, Diagnosis, Links, Reference};
use strandline::job::{self, Test};
use strandline::plan::{self, Plan};
use strandline::report::diagnosis;
use strandline::{disk, source};

use super::progress::Progress;
use super::{Exit, Out, files, review};

/// A link that loses too much: which dB is lost where, its likely cause, where to dig, what to do first
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline diagnose traces/ferry-bend-1310.sor traces/ferry-bend-1550.sor\n\nEnds with 1 where something loses more than the plan or the baseline allows, or where these allow nothing to hold it against, or a part of the link is not seen or not judged."
)]
pub(crate) struct Args {
    /// Traces of the link, or folders of them: several wavelengths and both ends tell more
    #[arg(required = true, value_name = "FILE")]
    paths: Vec<PathBuf>,
    /// The plan: joints, limits, and the route that turns metres into places
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,
    /// Earlier traces of the same link; what they lost is then what is allowed
    #[arg(long, value_name = "FILE", num_args = 1..)]
    baseline: Vec<PathBuf>,
    /// Length of the launch cord in metres, without a plan
    #[arg(long, value_name = "M", conflicts_with = "plan", value_parser = files::metres, allow_negative_numbers = true)]
    launch: Option<f64>,
    /// Length of the tail cord in metres, without a plan
    #[arg(long, value_name = "M", conflicts_with = "plan", value_parser = files::metres, allow_negative_numbers = true)]
    tail: Option<f64>,
    /// The document strandline.diagnosis/1 for programs
    #[arg(long)]
    json: bool,
    /// The places as GeoJSON to stdout instead of the answer; into a file beside the answer with --output. The plan's route must have latitudes and longitudes
    #[arg(long, conflicts_with = "json")]
    geojson: bool,
    /// File for --geojson, such as places.geojson, never written over
    #[arg(short, long, value_name = "FILE", requires = "geojson")]
    output: Option<PathBuf>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    if let Some(name) = args.paths.iter().find(|path| args.geojson && is_map(path)) {
        let name = name.display();
        let hint = format!("--geojson prints to stdout; --geojson --output {name} writes it there");
        out.error(&format!("{name}: no trace has this ending"), Some(&hint));
        return Exit::CouldNot;
    }
    if !files::all_there(&[&args.paths[..], &args.baseline].concat(), out) {
        return Exit::CouldNot;
    }
    let (now, listed) = files::found(&args.paths, out);
    let (before, listed_before) = files::found(&args.baseline, out);
    let mut exit = listed.max(listed_before);
    if !args.baseline.is_empty() && before.is_empty() {
        return exit;
    }
    let Some(mut plan) = out.told(plan_of(args, &now)) else { return Exit::CouldNot };
    if args.plan.is_none() && !before.is_empty() {
        plan = diagnose::with_baseline(plan.clone(), &read(&before, &plan));
    }
    let reference = match (&args.plan, before.is_empty()) {
        (_, false) => Reference::Baseline,
        (Some(_), true) => Reference::Plan,
        (None, true) => Reference::Preset,
    };
    let (mut now, before) = (read(&now, &plan), read(&before, &plan));
    if reference == Reference::Plan {
        plan = with_usual(&mut now, &plan, out);
    }
    exit = exit.max(files::unreadable(&now, out)).max(files::unreadable(&before, out));
    for note in job::short_cords(&now) {
        out.note(&note);
    }
    if reference == Reference::Baseline && before.iter().all(|test| test.read().is_none()) {
        out.error("no trace of the baseline could be read, so nothing is held against it", None);
        return Exit::CouldNot;
    }
    let now = grouped(now, out);
    let before = grouped(before, out);
    let (Some(now), Some(before)) = (now, before) else { return Exit::CouldNot };
    let links = diagnose::each(now, &before, &plan, reference);
    if links.is_empty() {
        out.error("no trace could be read, so there is nothing to diagnose", None);
        return Exit::CouldNot;
    }
    if reference == Reference::Preset {
        tell_of_plans(&args.paths, out);
    }
    let told = answer(args, &links, &plan, out);
    let objects = reference != Reference::Preset && !links.iter().all(|(_, d)| d.is_fine());
    exit.max(told).max(if objects { Exit::Objection } else { Exit::Done })
}

/// The plan with the cable's usual length, where it has none and most of the fibres tell it.
fn with_usual(now: &mut [Test], plan: &Plan, out: &Out) -> Plan {
    let usual = job::with_usual(now, plan, &source::Options::default());
    if let (None, Some(length_m)) = (plan.cable.length_m, usual.cable.length_m) {
        out.note(&job::usual_length_words(length_m));
    }
    usual
}

/// Says which plans lie beside the traces and are not used.
fn tell_of_plans(paths: &[PathBuf], out: &Out) {
    let plans = paths.iter().map(|path| path.join("plan.toml")).filter(|plan| disk::exists(plan));
    for plan in plans {
        let plan = plan.display();
        out.note(&format!("{plan} is not used; --plan {plan} holds the traces against it"));
    }
}

/// Whether a name is that of a map, not of a trace.
fn is_map(path: &std::path::Path) -> bool {
    path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("geojson"))
}

fn answer(args: &Args, links: &[(Option<u32>, Diagnosis)], plan: &Plan, out: &Out) -> Exit {
    if args.json {
        return out.document(diagnosis::json(links), Exit::Done);
    }
    if !args.geojson {
        tell(links, plan, out);
        return Exit::Done;
    }
    let (map, nowhere) = match diagnosis::geojson(links) {
        Ok((map, nowhere)) => (Ok(map), nowhere),
        Err(error) => (Err(error), 0),
    };
    let exit = match (&args.output, map) {
        (Some(path), Ok(map)) => {
            tell(links, plan, out);
            written(path, &map, out)
        }
        (_, map) => out.document(map, Exit::Done),
    };
    if nowhere > 0 {
        out.note(&format!(
            "{nowhere} places are on no map: the plan's route has no latitude and longitude around them"
        ));
    }
    exit
}

fn tell(links: &[(Option<u32>, Diagnosis)], plan: &Plan, out: &Out) {
    for (i, (fiber, diagnosis)) in links.iter().enumerate() {
        if links.len() > 1 {
            let whose = fiber.map_or("fibre unknown".to_owned(), |n| format!("fibre {n}"));
            out.print(&format!("{}{whose}\n", if i > 0 { "\n" } else { "" }));
        }
        out.lines(&diagnosis::lines(diagnosis, plan, out.width));
    }
    out.caution();
}

fn written(path: &std::path::Path, map: &str, out: &Out) -> Exit {
    match disk::write_new(path, map.as_bytes()) {
        Ok(()) => {
            out.note(&format!("{}: the places as GeoJSON", path.display()));
            Exit::Done
        }
        Err(error) => {
            let taken = error.kind() == std::io::ErrorKind::AlreadyExists;
            let hint = taken.then_some("a file is never written over: give another name");
            out.error(&format!("{}: {error}", path.display()), hint);
            Exit::CouldNot
        }
    }
}

/// The plan that is named, or a drafted one.
fn plan_of(args: &Args, files: &[PathBuf]) -> Result<Plan, String> {
    if let Some(path) = &args.plan {
        return review::read_plan(path).map(|read| read.0);
    }
    drafted(files, args.launch, args.tail)
}

/// A plan that says no more than the first file and the cords do.
pub(super) fn drafted(
    files: &[PathBuf],
    launch_m: Option<f64>,
    tail_m: Option<f64>,
) -> Result<Plan, String> {
    let mut sorted = files.to_vec();
    sorted.sort();
    let traces = sorted.iter().filter_map(|f| source::read(f, &source::Options::default()).ok());
    let (mut own, mut nm, mut kinds) = (None, Vec::new(), Vec::new());
    for trace in traces {
        let labels = &trace.labels;
        own.get_or_insert((labels.cable.text(), [labels.from.text(), labels.to.text()]));
        let wavelength = trace.settings.wavelength_nm.unwrap_or(0.0);
        kinds.push((trace.settings.wavelength_nm, labels.fiber_type));
        nm.push(wavelength.round().clamp(600.0, 2000.0) as u16);
    }
    nm.sort_unstable();
    nm.dedup();
    if nm.is_empty() {
        nm.push(1550); // nothing can be read: the files themselves say why
    }
    let (cable, ends) = own.unwrap_or_default();
    let preset = plan::usual_preset(kinds);
    diagnose::without_plan(cable, ends, &nm, preset, launch_m, tail_m)
        .map_err(|error| format!("without a plan: {error}"))
}

pub(super) fn read(files: &[PathBuf], plan: &Plan) -> Vec<Test> {
    let progress = Progress::new(files.len());
    job::read_all(files, plan, &source::Options::default(), &|| progress.step())
}

/// Sorts traces by fibre. `None`, and told: they may be of several fibres, and nothing tells which; taken
/// for one link, all but a few would count for nothing.
pub(super) fn grouped(tests: Vec<Test>, out: &Out) -> Option<Links> {
    let mut groups = Links::new();
    for test in tests {
        if let Some(fiber) = test.read().map(|c| c.fiber) {
            groups.entry(fiber).or_default().push(test);
        }
    }
    let nameless = groups.get(&None).map_or(&[] as &[Test], Vec::as_slice);
    if diagnose::superseded(nameless) == 0 {
        return Some(groups);
    }
    let files: Vec<String> =
        nameless.iter().take(3).map(|test| test.path.display().to_string()).collect();
    let rest = if nameless.len() > files.len() { " …" } else { "" };
    out.error(
        &format!(
            "neither label nor name says which fibre these {} traces are of, and several are of one wavelength and end: {}{rest}",
            nameless.len(),
            files.join(", ")
        ),
        Some("name the traces of one link: one for each wavelength and end"),
    );
    None
}
