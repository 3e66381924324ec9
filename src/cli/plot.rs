//! `strandline plot`: pictures of traces.

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use strandline::detect::{self, Cords};
use strandline::disk;
use strandline::plot::{self, Format, Style, Theme};
use strandline::report::{self, CAUTION, escape};

use super::files::Files;
use super::{Exit, Out};

/// A picture of each trace: level against distance, every event marked and measured
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  strandline plot link.sor -o link.svg\n  strandline plot traces -o pictures --format png --scale 2"
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
    /// Launch cord in metres
    #[arg(long, value_name = "M")]
    launch: Option<f64>,
    /// Tail cord in metres
    #[arg(long, value_name = "M")]
    tail: Option<f64>,
    /// Colours
    #[arg(long, value_enum, default_value = "light")]
    theme: Look,
    /// Pixels per point: 2 for dense screens
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=4))]
    scale: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Kind {
    Svg,
    Png,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Look {
    Light,
    Dark,
    Print,
}

pub(crate) fn run(args: &Args, out: &Out) -> Exit {
    let single = kind_of(&args.output);
    let kind = single.unwrap_or(args.format);
    let style = Style {
        theme: match args.theme {
            Look::Light => Theme::Light,
            Look::Dark => Theme::Dark,
            Look::Print => Theme::Print,
        },
        scale: args.scale,
        unit: args.files.unit.into(),
        width: 1000,
        height: 620,
    };
    let cords = Cords { launch_m: args.launch, tail_m: args.tail };
    let format = if kind == Kind::Svg { Format::Svg } else { Format::Png };
    let (answers, mut exit) = args.files.each(out, |path, trace| {
        let analysis = detect::events(&trace, &cords);
        let title = report::events::heading(&name_of(path), &trace);
        plot::trace(&trace, &analysis, &title, CAUTION, &style, format)
    });
    if single.is_some() && answers.len() > 1 {
        out.error(
            &format!(
                "{} is one picture, and there are {} files",
                args.output.display(),
                answers.len()
            ),
            Some("give a folder, as in -o pictures"),
        );
        return Exit::CouldNot;
    }
    let mut written = 0;
    for (path, answer) in answers {
        let Ok(picture) = answer else { continue };
        let target = match single {
            Some(_) => args.output.clone(),
            None => args.output.join(format!("{}.{}", escape::path(&stem_of(&path)), ending(kind))),
        };
        let saved = picture.map_err(|error| error.to_string()).and_then(|bytes| {
            disk::write_whole(&target, &bytes).map_err(|error| error.to_string())
        });
        match saved {
            Ok(()) => written += 1,
            Err(error) => {
                out.error(&format!("{}: {error}", target.display()), None);
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

fn ending(kind: Kind) -> &'static str {
    match kind {
        Kind::Svg => "svg",
        Kind::Png => "png",
    }
}

/// The kind of picture that a name asks for. `None`: it names a folder.
fn kind_of(path: &Path) -> Option<Kind> {
    let ending = path.extension()?.to_string_lossy().to_lowercase();
    match ending.as_str() {
        "svg" => Some(Kind::Svg),
        "png" => Some(Kind::Png),
        _ => None,
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().map_or(String::new(), |name| name.to_string_lossy().into_owned())
}

fn stem_of(path: &Path) -> String {
    path.file_stem().map_or(String::new(), |name| name.to_string_lossy().into_owned())
}
