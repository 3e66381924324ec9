//! The command line: arguments in, one library call, the answer printed.

use std::fmt::Display;
use std::io::{self, IsTerminal, Write};
use std::process::ExitCode;
use std::sync::OnceLock;
use strandline::disk;

use anstyle::AnsiColor;
use clap::{Parser, Subcommand, ValueEnum};
use strandline::grade::Verdict;
use strandline::report::{CAUTION, escape, table};

mod arrivals;
mod budget;
mod collect;
mod compare;
mod completions;
mod diagnose;
mod draft;
mod events;
mod files;
mod jobs;
mod man;
mod plot;
mod progress;
mod relabel;
mod report;
mod review;
mod show;
mod simulate;
mod tray;
mod watch;

/// How a command ended; the larger one wins where several files end differently.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Exit {
    /// Done, and nothing to object to.
    Done = 0,
    /// Done, and something failed its limits, is undecided or missing; never where nothing was held
    /// against limits or an earlier round.
    Objection = 1,
    /// Could not: bad usage, or a file that cannot be read. The readable ones are still done.
    CouldNot = 2,
}

#[derive(Parser)]
#[command(
    name = "strandline",
    version,
    about = "Reads fibre-optic OTDR traces, finds and measures every event with an honest uncertainty.",
    after_help = CAUTION,
    disable_help_subcommand = true
)]
struct Cli {
    /// Colour in the output; the environment variable NO_COLOR turns `auto` off
    #[arg(long, global = true, value_enum, default_value = "auto", display_order = 100)]
    color: Color,
    #[command(subcommand)]
    command: Command,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Color {
    Auto,
    Always,
    Never,
}

#[derive(Subcommand)]
enum Command {
    Show(show::Args),
    Events(events::Args),
    Plot(plot::Args),
    Plan(draft::Args),
    Review(review::Args),
    Tray(tray::Args),
    Watch(watch::Args),
    Diagnose(diagnose::Args),
    Compare(compare::Args),
    Budget(budget::Args),
    Collect(collect::Args),
    Relabel(relabel::Args),
    Simulate(simulate::Args),
    Completions(completions::Args),
    Man(man::Args),
}

/// Parses, runs, and turns the end into an exit status.
pub(crate) fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // clap prints help to stdout and usage errors to stderr
            let lost = error.print().is_err_and(|error| error.kind() != io::ErrorKind::BrokenPipe);
            let exit = if error.use_stderr() || lost { Exit::CouldNot } else { Exit::Done };
            return ExitCode::from(exit as u8);
        }
    };
    let out = Out::new(cli.color);
    // Watch has a summary to print. Where a signal is ignored or taken already it stays so.
    if !matches!(cli.command, Command::Watch(_)) {
        let _ = ctrlc::try_set_handler(interrupted);
    }
    let exit = match cli.command {
        Command::Show(args) => show::run(&args, &out),
        Command::Events(args) => events::run(&args, &out),
        Command::Plot(args) => plot::run(&args, &out),
        Command::Plan(args) => draft::run(&args, &out),
        Command::Review(args) => review::run(&args, &out),
        Command::Budget(args) => budget::run(&args, &out),
        Command::Watch(args) => watch::run(&args, &out),
        Command::Diagnose(args) => diagnose::run(&args, &out),
        Command::Compare(args) => compare::run(&args, &out),
        Command::Tray(args) => tray::run(&args, &out),
        Command::Collect(args) => collect::run(&args, &out),
        Command::Relabel(args) => relabel::run(&args, &out),
        Command::Simulate(args) => simulate::run(&args, &out),
        Command::Completions(args) => completions::run(&args, &out),
        Command::Man(args) => man::run(&args, &out),
    };
    ExitCode::from(exit.max(out.ended()) as u8)
}

/// Ctrl-C: leaves no unfinished file. 130 is 128 and the number of the signal, as shells count.
fn interrupted() {
    let _nothing_more = disk::stop_writing();
    std::process::exit(130);
}

/// Where answers and talk go.
pub(crate) struct Out {
    color: bool,
    /// Characters per line of what people read.
    pub(crate) width: usize,
    /// Why stdout could not be written to, once it could not.
    failed: OnceLock<io::Error>,
}

impl Out {
    fn new(color: Color) -> Out {
        let terminal = io::stdout().is_terminal();
        let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty())
            || std::env::var_os("TERM").is_some_and(|v| v == "dumb");
        let color = match color {
            Color::Always => true,
            Color::Never => false,
            Color::Auto => terminal && !plain,
        };
        Out {
            color,
            width: width(terminal.then(console::Term::stdout).as_ref()),
            failed: OnceLock::new(),
        }
    }

    /// Prints to stdout. What could not be written is told once, at the end.
    pub(crate) fn print(&self, text: &str) {
        if self.failed.get().is_some() {
            return;
        }
        let mut stdout = io::stdout().lock();
        if let Err(error) = stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
            let _ = self.failed.set(error);
        }
    }

    /// How printing ended: a reader that has gone away has read enough, a full disk has not.
    fn ended(&self) -> Exit {
        match self.failed.get() {
            Some(error) if error.kind() != io::ErrorKind::BrokenPipe => {
                self.error(&format!("the answer could not be written: {error}"), None);
                Exit::CouldNot
            }
            _ => Exit::Done,
        }
    }

    /// Prints lines, the first bold where colour is on.
    pub(crate) fn lines(&self, lines: &[String]) {
        let bold = anstyle::Style::new().bold();
        let mut text = String::new();
        for (i, line) in lines.iter().enumerate() {
            if i == 0 && self.color {
                text.push_str(&format!("{bold}{line}{bold:#}\n"));
            } else {
                text.push_str(&if self.color { colored(line) } else { line.clone() });
                text.push('\n');
            }
        }
        self.print(&text);
    }

    /// The caution below what people read.
    pub(crate) fn caution(&self) {
        self.print(&format!("\n{}\n", table::wrap(CAUTION, self.width).join("\n")));
    }

    /// An error to stderr, and at most one advice: each a line, or lines as wide as the terminal.
    pub(crate) fn error(&self, message: &str, hint: Option<&str>) {
        tell(&format!("error: {message}"));
        if let Some(hint) = hint {
            tell(&format!("hint: {hint}"));
        }
    }

    /// What was made, or its error told.
    pub(crate) fn told<T>(&self, made: Result<T, String>) -> Option<T> {
        made.inspect_err(|message| self.error(message, None)).ok()
    }

    /// Prints a document for programs; `exit`: how the command ends where it could be written.
    pub(crate) fn document<E: Display>(&self, text: Result<String, E>, exit: Exit) -> Exit {
        let text = text.map_err(|error| format!("the document could not be written: {error}"));
        match self.told(text) {
            Some(text) => {
                self.print(&text);
                exit
            }
            None => Exit::CouldNot,
        }
    }

    /// A remark to stderr.
    pub(crate) fn note(&self, message: &str) {
        tell(message);
    }
}

/// What the second line of a text and those behind it stand in by.
const HUNG: &str = "  ";

/// A text to stderr. Programs get it in one line; on a terminal it breaks between words.
fn tell(text: &str) {
    let text = escape::terminal(text);
    let mut stderr = io::stderr().lock();
    let lines = if stderr.is_terminal() {
        let own = width(Some(&console::Term::stderr())).saturating_sub(HUNG.len());
        table::wrap(&text, own).join(&format!("\n{HUNG}"))
    } else {
        text
    };
    let _ = writeln!(stderr, "{lines}");
}

/// A line with its verdicts coloured: the words and marks say the same without.
fn colored(line: &str) -> String {
    let mut line = line.to_owned();
    for (verdict, color) in [
        (Verdict::Pass, AnsiColor::Green),
        (Verdict::Undecided, AnsiColor::Yellow),
        (Verdict::Fail, AnsiColor::Red),
    ] {
        let style = anstyle::Style::new().bold().fg_color(Some(color.into()));
        let marked = verdict.marked();
        line = line.replace(&marked, &format!("{style}{marked}{style:#}"));
    }
    line
}

/// The terminal's width, at least 40; 100 where the output is no terminal; COLUMNS overrides.
fn width(terminal: Option<&console::Term>) -> usize {
    let stated = std::env::var("COLUMNS").ok().and_then(|text| text.parse::<usize>().ok());
    let measured = || Some(usize::from(terminal?.size_checked()?.1));
    stated.or_else(measured).unwrap_or(100).clamp(40, 160)
}
