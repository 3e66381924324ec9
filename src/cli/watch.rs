//! `strandline watch`: answers while traces arrive.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{self, Receiver, Sender};
use std::time::{Duration, Instant};

use notify::event::{AccessKind, AccessMode};
use notify::{EventKind, RecommendedWatcher, RecursiveMode, Watcher};
use rayon::prelude::*;
use strandline::job::{self, Direction, Review, Row, Test, TestVerdict, Tray};
use strandline::plan::Plan;
use strandline::report::{escape, table};
use strandline::{disk, source};

use super::arrivals::{Arrivals, News};
use super::{Exit, Out, files, review, tray};

/// Answers for each trace as it arrives in a folder, from a handset's stick or a sync folder
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline watch /media/handset --plan plan.toml --joint C2\n\nCtrl-C ends it and prints the summary: with --joint what `strandline tray` prints, else the review. It ends with the exit status of that."
)]
pub(crate) struct Args {
    /// Folders that traces arrive in
    #[arg(required = true, value_name = "FOLDER")]
    folders: Vec<PathBuf>,
    /// The plan, else the folder's own plan.toml
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,
    /// A joint, as the plan names it: answers for its tray alone
    #[arg(long, value_name = "NAME")]
    joint: Option<String>,
    /// The cable is built from end a to this joint so far: there it ends for now
    #[arg(long, value_name = "NAME")]
    built_to: Option<String>,
    /// Look twice a second instead of waiting for the system's word, as for network drives
    #[arg(long)]
    poll: bool,
    /// End by itself after so many seconds
    #[arg(long = "for", value_name = "SECONDS", value_parser = seconds, allow_negative_numbers = true)]
    for_s: Option<Duration>,
}

fn seconds(text: &str) -> Result<Duration, String> {
    let number: f64 = text.parse().map_err(|_| format!("{text:?} is no number of seconds"))?;
    Duration::try_from_secs_f64(number).map_err(|_| format!("{number} is no number of seconds"))
}

/// Between two looks where the system reports no changes: an answer comes within a second.
const POLL: Duration = Duration::from_millis(400);

/// Between two looks where it does, for what it may have missed.
const SAFETY: Duration = Duration::from_secs(3);

/// Changes come in bursts; after the first, this is waited for the others.
const BURST: Duration = Duration::from_millis(10);

/// Why the loop wakes.
enum Wake {
    Changed,
    End,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    if !files::all_there(&args.folders, out) {
        return Exit::CouldNot;
    }
    let Some((mut desk, folders)) = out.told(prepared(args)) else { return Exit::CouldNot };
    let (send, wake) = mpsc::channel();
    let end = send.clone();
    if let Err(error) = ctrlc::set_handler(move || drop(end.send(Wake::End))) {
        out.note(&format!("Ctrl-C will end without a summary: {error}"));
    }
    // Before the first look, so that nothing falls between both.
    let watcher = if args.poll { None } else { watcher(&folders, &send, out) };
    // A time beyond what the clock can count to never comes.
    let until = args.for_s.and_then(|time| Instant::now().checked_add(time));
    let mut arrivals = Arrivals::new(&folders);
    desk.take(arrivals.look(Instant::now()), false, out);
    desk.tell_start(&folders, out);
    loop {
        let soon = watcher.is_none() || arrivals.any_coming();
        let mut wait = if soon { POLL } else { SAFETY };
        if let Some(until) = until {
            wait = wait.min(until.saturating_duration_since(Instant::now()));
        }
        let ended = ended(&wake, wait) || until.is_some_and(|until| Instant::now() >= until);
        desk.take(arrivals.look(Instant::now()), true, out);
        if ended {
            return desk.tell_end(out);
        }
    }
}

/// Waits for a change, and a little for what comes with it. `true`: the user has ended it.
fn ended(wake: &Receiver<Wake>, wait: Duration) -> bool {
    match wake.recv_timeout(wait) {
        Ok(Wake::End) => return true,
        Ok(Wake::Changed) => std::thread::sleep(BURST),
        Err(_) => return false,
    }
    wake.try_iter().any(|wake| matches!(wake, Wake::End))
}

/// Has the system report changes. `None`: it cannot, and has to be polled.
fn watcher(folders: &[PathBuf], send: &Sender<Wake>, out: &Out) -> Option<RecommendedWatcher> {
    let send = send.clone();
    let started = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
        if event.is_ok_and(|event| is_reading(event.kind)) {
            return; // our own looks among them: each would bring the next
        }
        let _ = send.send(Wake::Changed);
    })
    .and_then(|mut watcher| {
        for folder in folders {
            watcher.watch(folder, RecursiveMode::Recursive)?;
        }
        Ok(watcher)
    });
    started.inspect_err(|error| out.note(&format!("looking twice a second instead: {error}"))).ok()
}

/// Whether somebody has only read.
fn is_reading(kind: EventKind) -> bool {
    matches!(kind, EventKind::Access(access) if access != AccessKind::Close(AccessMode::Write))
}

fn prepared(args: &Args) -> Result<(Desk, Vec<PathBuf>), String> {
    let (plan, _) = review::read_plan(&review::plan_of(&args.folders, args.plan.as_ref())?)?;
    let built_to = args.built_to.as_deref();
    let tray = match &args.joint {
        Some(joint) => Some(Tray::new(plan.clone(), joint, built_to)?),
        None => None,
    };
    let plan = job::built(plan, built_to)?;
    if let Some(folder) = args.folders.iter().find(|folder| !disk::is_folder(folder)) {
        return Err(format!("{}: it is a file, expected a folder", folder.display()));
    }
    let folders = args.folders.clone();
    Ok((
        Desk {
            plan,
            tray,
            folders: folders.clone(),
            tests: BTreeMap::new(),
            dark: BTreeMap::new(),
            warned: BTreeSet::new(),
        },
        folders,
    ))
}

/// What has been measured so far.
struct Desk {
    plan: Plan,
    tray: Option<Tray>,
    folders: Vec<PathBuf>,
    tests: BTreeMap<PathBuf, Test>,
    /// Files that could not be read, and why: a summary that was silent about them would pass them over.
    dark: BTreeMap<PathBuf, String>,
    /// Cords that were said to be too short: once is enough, and soon enough to take longer ones.
    warned: BTreeSet<&'static str>,
}

impl Desk {
    /// Measures what is new and forgets what is gone; `tell`: answers for each.
    fn take(&mut self, news: Vec<News>, tell: bool, out: &Out) {
        let (mut whole, mut gone) = (Vec::new(), Vec::new());
        for one in news {
            match one {
                News::Whole(path, bytes) => {
                    self.dark.remove(&path);
                    whole.push((path, bytes));
                }
                News::Gone(path) => {
                    self.dark.remove(&path);
                    gone.extend(self.tests.remove(&path));
                }
                News::Short(path, there, stated) => out.note(&format!(
                    "{}: {there} of {stated} bytes so far; waiting for the rest",
                    path.display()
                )),
                News::Dark(path, says) => {
                    out.note(&format!("{}: cannot be read just now: {says}", path.display()));
                    // A stick that was pulled out has lost nothing.
                    if !self.folders.contains(&path) {
                        self.dark.insert(path, says);
                    }
                }
            }
        }
        // Touched, not changed: nothing to say.
        whole.retain(|(path, bytes)| {
            let hash = disk::sha256(bytes);
            self.tests.get(path).is_none_or(|test| test.sha256 != hash)
        });
        let (plan, options) = (&self.plan, source::Options::default());
        let new: Vec<Test> = whole
            .par_iter()
            .map(|(path, bytes)| job::measure(path, bytes, plan, &options))
            .collect();
        let paths: Vec<PathBuf> = new.iter().map(|test| test.path.clone()).collect();
        self.warn_of_cords(&new, out);
        self.tests.extend(new.into_iter().map(|test| (test.path.clone(), test)));
        if !tell || (paths.is_empty() && gone.is_empty()) {
            return;
        }
        let review = self.judged();
        for test in &gone {
            out.print(&line(&format!("{}: gone", self.shown(&test.path))));
        }
        for path in &paths {
            self.answer(path, &review, out);
        }
        self.keep(review);
    }

    fn warn_of_cords(&mut self, new: &[Test], out: &Out) {
        for cord in new.iter().filter_map(Test::read).flat_map(|content| &content.short_cords) {
            if self.warned.insert(cord.name) {
                out.note(&format!("note: {}", cord.words()));
            }
        }
    }

    /// A file below its folder.
    fn shown(&self, path: &Path) -> String {
        let inside = self.folders.iter().find_map(|folder| path.strip_prefix(folder).ok());
        inside.unwrap_or(path).display().to_string()
    }

    fn judged(&mut self) -> Review {
        let tests = std::mem::take(&mut self.tests).into_values().collect();
        job::judge_together(tests, &self.plan, &source::Options::default())
    }

    /// Puts the tests of a review back where they came from.
    fn keep(&mut self, review: Review) {
        self.tests = review.tests.into_iter().map(|test| (test.path.clone(), test)).collect();
    }

    /// The answer for one file.
    fn answer(&self, path: &Path, review: &Review, out: &Out) {
        let index = review.tests.iter().position(|test| test.path == path);
        let Some(row) = review.rows.iter().find(|row| row.test == index) else { return };
        let c = review.counts;
        let mut says = format!(
            "{}: {} ({} of {} measured)",
            self.shown(path),
            words(row),
            c.measured,
            c.planned
        );
        let fiber = review.fibers.iter().find(|own| Some(own.fiber) == row.fiber);
        let fiber = fiber.filter(|_| row.counts);
        if self.tray.is_none() || fiber.is_none() {
            let mut reasons = row.reasons.clone();
            reasons.dedup();
            for reason in reasons {
                says.push_str(&format!("; {reason}"));
            }
        }
        let mut lines = table::hung(&escape::terminal(&says), out.width);
        if let (Some(tray), Some(fiber)) = (&self.tray, fiber) {
            lines.extend(tray::fiber_lines(tray, fiber, out.width));
        }
        out.print(&(lines.join("\n") + "\n"));
    }

    fn tell_start(&mut self, folders: &[PathBuf], out: &Out) {
        let review = self.judged();
        let c = review.counts;
        let names: Vec<String> =
            folders.iter().map(|folder| folder.display().to_string()).collect();
        out.print(&line(&format!(
            "{}: {} of {} measured, {} failed; watching {}, Ctrl-C ends with the summary",
            self.plan.cable.id,
            c.measured,
            c.planned,
            c.failed,
            names.join(", ")
        )));
        self.keep(review);
    }

    /// The summary, as the command prints it that looks once.
    fn tell_end(&mut self, out: &Out) -> Exit {
        let review = self.judged();
        out.print("\n");
        let exit = match &self.tray {
            Some(tray) => tray::tell(tray, &review, out),
            None => review::tell(&review, &self.plan, out),
        };
        for (path, says) in &self.dark {
            out.error(&format!("{}: cannot be read: {says}", path.display()), None);
        }
        let dark = if self.dark.is_empty() { Exit::Done } else { Exit::CouldNot };
        exit.max(dark).max(files::unreadable(&review.tests, out))
    }
}

fn line(text: &str) -> String {
    escape::terminal(text) + "\n"
}

/// `fibre 3, 1310 nm, a-to-b: pass`
fn words(row: &Row) -> String {
    let fiber = row.fiber.map_or("no fibre".to_owned(), |n| format!("fibre {n}"));
    let mut parts = vec![fiber];
    parts.extend(row.wavelength_nm.map(|nm| format!("{nm} nm")));
    parts.extend(row.direction.map(|direction| Direction::word(direction).to_owned()));
    match row.verdict {
        TestVerdict::Unreadable => TestVerdict::Unreadable.word().to_owned(),
        verdict => format!("{}: {}", parts.join(", "), verdict.word()),
    }
}
