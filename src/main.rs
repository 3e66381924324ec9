//! The `strandline` command: parse, run, exit status.

use std::process::ExitCode;

mod cli;

fn main() -> ExitCode {
    cli::run()
}
