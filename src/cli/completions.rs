//! `strandline completions`: the shell completes commands, options and their values.

use clap::CommandFactory;
use clap_complete::Shell;

use super::{Cli, Exit, Out};

/// A script with which a shell completes this command
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  strandline completions fish > ~/.config/fish/completions/strandline.fish"
)]
pub(crate) struct Args {
    /// The shell
    #[arg(value_enum)]
    shell: Shell,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "strandline", &mut script);
    out.print(&String::from_utf8_lossy(&script));
    Exit::Done
}
