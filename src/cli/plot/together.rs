//! Several traces in one picture.

use strandline::event::Analysis;
use strandline::plot::{self, Curve, Style, Together};
use strandline::report::{CAUTION, escape};
use strandline::trace::Trace;

use super::super::{Exit, Out, events};
use super::Args;

pub(super) fn run(args: &Args, how: Together, style: &Style, out: &Out) -> Exit {
    let Some(format) = super::format_of(&args.output) else {
        out.error(
            &format!("{}: several traces make one picture", args.output.display()),
            Some("give a name that ends in .svg or .png"),
        );
        return Exit::CouldNot;
    };
    let cords = args.cords.cords();
    let (answers, exit) = args.files.each(out, |path, trace| {
        let answer = events::answer(trace, cords, args.files.index, None);
        let file = escape::terminal(&super::name_of(path));
        let name = named(&file, &answer.trace);
        let notes = answer.cord_notes(&super::name_of(path));
        (answer.trace, answer.analysis, file, name, notes)
    });
    if exit != Exit::Done {
        return exit; // a picture that leaves one out would say something else
    }
    let mut read: Vec<(Trace, Analysis, String, String)> = Vec::new();
    for (trace, analysis, file, name, notes) in answers.into_iter().filter_map(|(_, a)| a.ok()) {
        for note in &notes {
            out.note(note);
        }
        read.push((trace, analysis, file, name));
    }
    for doubt in doubts(&read, how) {
        out.note(&format!("note: {doubt}"));
    }
    let curves: Vec<Curve<'_>> =
        read.iter().map(|(trace, analysis, _, name)| Curve { trace, analysis, name }).collect();
    let files: Vec<&str> = read.iter().map(|r| r.2.as_str()).collect();
    let title = match how {
        Together::Over => listed(&files),
        Together::BothEnds => format!("from both ends: {}", listed(&files)),
        Together::Change => format!("what has changed from {}", files.join(" to ")),
    };
    super::write(&args.output, plot::together(&curves, how, &title, CAUTION, style, format), out)
}

/// `a, b and c`.
fn listed(names: &[&str]) -> String {
    match names {
        [first @ .., last] if !first.is_empty() => format!("{} and {last}", first.join(", ")),
        _ => names.concat(),
    }
}

/// What tells one trace from the others: file, fibre, where from, wavelength.
fn named(file: &str, trace: &Trace) -> String {
    let mut parts = vec![file.to_owned()];
    for (words, label) in [("fibre ", &trace.labels.fiber), ("from ", &trace.labels.from)] {
        if !label.is_blank() {
            parts.push(format!("{words}{}", escape::label(label)));
        }
    }
    parts.extend(trace.settings.wavelength_nm.map(|nm| format!("{nm:.0} nm")));
    parts.join(", ")
}

/// What speaks against these traces being what the user says they are.
fn doubts(read: &[(Trace, Analysis, String, String)], how: Together) -> Vec<String> {
    let [(a, ..), (b, ..)] = read else { return Vec::new() };
    let mut doubts = Vec::new();
    if how == Together::BothEnds && !a.labels.from.is_blank() && a.labels.from == b.labels.from {
        let from = escape::label(&a.labels.from);
        doubts.push(format!("both traces say that they were taken from {from}"));
    }
    if how != Together::Over
        && let (Some(a), Some(b)) = (a.settings.wavelength_nm, b.settings.wavelength_nm)
        && (a - b).abs() > 15.0
    {
        doubts.push(format!("the wavelengths differ: {a:.0} and {b:.0} nm"));
    }
    doubts
}
