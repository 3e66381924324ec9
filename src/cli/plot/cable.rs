//! Pictures of a whole cable.

use clap::ValueEnum;
use strandline::plot::{self, Style};
use strandline::report::losses;

use super::super::{Exit, Out, files, review};
use super::Args;

/// What is shown of a cable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Shown {
    /// Fibres × joints, each loss as a figure
    Map,
    /// How the losses spread against their limit
    Spread,
}

pub(super) fn run(args: &Args, shown: Shown, style: &Style, out: &Out) -> Exit {
    let Some(path) = &args.plan else { unreachable!("clap asks for --plan") };
    let Some((plan, _)) = out.told(review::read_plan(path)) else { return Exit::CouldNot };
    let Some(format) = super::format_of(&args.output) else {
        out.error(
            &format!("{}: a cable is one picture", args.output.display()),
            Some("give a name that ends in .svg or .png"),
        );
        return Exit::CouldNot;
    };
    let (files, listed) = files::found(&args.files.paths, out);
    let review = review::of(files, &plan);
    let losses = losses::of(&review, &plan);
    let drawn = match shown {
        Shown::Map => plot::heat_map(&losses, style, format),
        Shown::Spread => plot::strip(&losses, style, format),
    };
    let written = super::write(&args.output, drawn, out);
    let objection = if review.is_clean() { Exit::Done } else { Exit::Objection };
    objection.max(listed).max(files::unreadable(&review.tests, out)).max(written)
}
