//! `strandline man`: the manual, a page a command.

use std::io;
use std::path::PathBuf;

use clap::CommandFactory;
use clap_mangen::Man;
use strandline::disk;
use strandline::report::CAUTION;

use super::{Cli, Exit, Out};

/// The manual: its first page, or all pages into a folder
#[derive(clap::Args)]
#[command(after_help = "Example:\n  strandline man -o ~/.local/share/man/man1")]
pub(crate) struct Args {
    /// Folder for all pages, a page a command, made where it is missing
    #[arg(short, long, value_name = "DIR")]
    output: Option<PathBuf>,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let pages = pages().map_err(|error| format!("the manual could not be made: {error}"));
    let Some(pages) = out.told(pages) else { return Exit::CouldNot };
    let Some(folder) = &args.output else {
        out.print(&String::from_utf8_lossy(&pages[0].1));
        return Exit::Done;
    };
    for (name, page) in &pages {
        let path = folder.join(name);
        if let Err(error) = disk::write_whole(&path, page) {
            out.error(&format!("{}: cannot be written: {error}", path.display()), None);
            return Exit::CouldNot;
        }
    }
    out.note(&format!("{} pages written into {}", pages.len(), folder.display()));
    Exit::Done
}

/// Name and text of every page, that of the whole command first.
fn pages() -> io::Result<Vec<(String, Vec<u8>)>> {
    let mut whole = Cli::command();
    whole.build(); // gives each command the name of its page
    let commands: Vec<clap::Command> = whole.get_subcommands().cloned().collect();
    std::iter::once(whole).chain(commands).map(page).collect()
}

fn page(command: clap::Command) -> io::Result<(String, Vec<u8>)> {
    let is_first = command.has_subcommands();
    let man = Man::new(command).source(concat!("strandline ", env!("CARGO_PKG_VERSION")));
    let mut text = Vec::new();
    man.render_title(&mut text)?;
    man.render_name_section(&mut text)?;
    man.render_synopsis_section(&mut text)?;
    man.render_description_section(&mut text)?;
    man.render_options_section(&mut text)?;
    if is_first {
        man.render_subcommands_section(&mut text)?;
    } else {
        text.extend(examples(&man)?.into_bytes());
    }
    text.extend_from_slice(EXIT_STATUS.as_bytes());
    text.extend(format!(".SH SAFETY\n{CAUTION}\n").into_bytes());
    if !is_first {
        text.extend_from_slice(b".SH SEE ALSO\nstrandline(1)\n");
    }
    Ok((man.get_filename(), text))
}

/// What stands behind the options of a command's help: examples and what is to be known of them.
fn examples(man: &Man) -> io::Result<String> {
    let mut text = Vec::new();
    man.render_extra_section(&mut text)?;
    let text = String::from_utf8_lossy(&text).replace(".SH EXTRA\n", ".SH EXAMPLES\n");
    Ok(text.replace("Examples:\n", "").replace("Example:\n", ""))
}

/// As in docs/commands.md.
const EXIT_STATUS: &str = ".SH \"EXIT STATUS\"\n\
    .TP\n0\ndone, and nothing to object to\n\
    .TP\n1\ndone, and something failed its limits, is undecided or missing; only what is held against limits or an earlier round ends so\n\
    .TP\n2\ncould not: wrong usage, a file that cannot be read, an answer that cannot be written. The readable files are still done\n";
