//! Fibres as long as each other, told apart by their glass: files under another's number, fibres exchanged at one
//! end, and nothing said of either where all is well.

use std::path::Path;

use strandline::job::{self, FiberVerdict, Finding, Review, Test};
use strandline::plan;
use strandline::simulate::{self, Rendered, Scenario};
use strandline::sor::{self, Version};
use strandline::source;
use strandline::trace::Label;

use super::calm::PLAN;

const FIBERS: u32 = 8;

/// A figure that differs from fibre to fibre and from joint to joint, between 0 and 1.
fn drawn(fiber: u32, joint: u32) -> f64 {
    f64::from((fiber * 37 + joint * 61 + fiber * joint * 17) % 100) / 100.0
}

/// The four traces of a fibre of 3 km, each as long as every other: from end a and end b at 1310 nm, then at
/// 1550 nm. Noise never repeats.
fn traces(fiber: u32, noise: u32) -> Vec<Rendered> {
    let plug = |joint| {
        let (loss, reflectance) =
            (0.1 + 0.2 * drawn(fiber, joint), -60.0 + 12.0 * drawn(fiber, joint + 3));
        format!(
            r#"{{ kind = "connector", loss_db = {loss:.4}, reflectance_db = {reflectance:.3} }}"#
        )
    };
    let splice =
        format!(r#"{{ kind = "splice", loss_db = {:.4} }}"#, 0.01 + 0.05 * drawn(fiber, 1));
    let sections = [(300.0, plug(0)), (1200.0, splice), (1800.0, plug(2)), (300.0, String::new())];
    let mut text = format!(
        "schema = \"strandline.scenario/1\"\nname = \"f\"\nindex = 1.4682\ndirections = [\"a-to-b\", \"b-to-a\"]\nend_a = \"angled\"\nend_b = \"angled\"\n[seeds]\nfiber = {fiber}\nnoise = {noise}\n[labels]\na = \"SHED\"\nb = \"TOWER\"\n"
    );
    for nm in [1310, 1550] {
        text.push_str(&format!(
            "[[wavelength]]\nnm = {nm}\npulse_ns = 30\nspacing_m = 0.5\nsamples = 10000\nbackscatter_db = -81.0\nrange_db = 13.0\nspeckle = 0.001\n"
        ));
    }
    for (length, then) in sections {
        let step_db = 0.1 * drawn(fiber, 9) - 0.05;
        let more = 0.1 * drawn(fiber, length as u32);
        let (short, long) = (0.30 + more, 0.18 + more);
        text.push_str(&format!(
            "[[section]]\nlength_m = {length:?}\nattenuation_db_per_km = {{ 1310 = {short:.5}, 1550 = {long:.5} }}\n"
        ));
        if length == 1800.0 {
            text.push_str(&format!("backscatter_step_db = {step_db:.4}\n"));
        }
        if !then.is_empty() {
            text.push_str(&format!("then = {then}\n"));
        }
    }
    simulate::render(&Scenario::from_toml(&text).unwrap_or_else(|e| panic!("{e}\n{text}")))
}

/// Which fibre's glass stands under a fibre's number in its trace at an index of [`traces`], and how many seconds
/// later it was taken than usual. Glass 0 is none: the file is missing.
type Taken = (u32, usize, u32, i64);

/// The review of all fibres, with some files besides or instead.
fn reviewed(instead: &[Taken], besides: &[Taken]) -> Review {
    reviewed_of(FIBERS, instead, besides)
}

fn reviewed_of(fibers: u32, instead: &[Taken], besides: &[Taken]) -> Review {
    let glass: Vec<Vec<Rendered>> = (1..=fibers).map(|fiber| traces(fiber, fiber)).collect();
    let text = PLAN.replacen("1-2", &format!("1-{fibers}"), 1);
    let text = text.replacen("{ 1310 = 0.36, 1550 = 0.22 }", "{ 1310 = 0.50, 1550 = 0.40 }", 1);
    let plan = plan::read(&text).expect("a plan");
    let usual = (1..=fibers).flat_map(|fiber| (0..4).map(move |at| (fiber, at, fiber, 0)));
    let replaced = usual.map(|one: Taken| {
        *instead.iter().find(|other| (other.0, other.1) == (one.0, one.1)).unwrap_or(&one)
    });
    let read = |(number, at, whose, later_s): Taken| {
        let mut trace = match later_s {
            0 => glass[whose as usize - 1][at].trace.clone(),
            _ => traces(whose, whose + FIBERS).remove(at).trace,
        };
        trace.labels.fiber = Label::new(format!("{number:03}").into_bytes());
        let at_s = 1_764_000_000 + i64::from(whose) * 100 + at as i64 + later_s;
        trace.settings.measured_at_unix_s = u32::try_from(at_s).ok();
        let bytes = sor::encode(&trace, Version::V2).expect("a rendered trace fits the format");
        let name = format!("{number}-{at}-{whose}-{later_s}.sor");
        job::measure(Path::new(&name), &bytes, &plan, &source::Options::default())
    };
    let there = replaced.chain(besides.iter().copied()).filter(|taken| taken.2 > 0);
    let tests: Vec<Test> = there.map(read).collect();
    job::judge(tests, &plan)
}

fn said<'a>(review: &'a Review, kind: &str) -> Vec<(u32, &'a Finding)> {
    let of = |own: &'a job::FiberReview| own.findings.iter().map(move |found| (own.fiber, found));
    review.fibers.iter().flat_map(of).filter(|(_, found)| found.kind == kind).collect()
}

#[test]
fn fibres_as_long_as_each_other_are_left_alone_where_no_label_is_wrong() {
    let review = reviewed(&[], &[]);
    for own in &review.fibers {
        assert_eq!(own.verdict, FiberVerdict::Pass, "{:?}", own.findings);
    }
}

#[test]
fn an_older_file_of_another_fibre_is_told_although_both_are_as_long() {
    // Fibre 3's trace from end a at 1550 nm stands under number 6, an hour before that one's own, or after.
    for later_s in [-3600, 3600] {
        let taken_again = [(6, 2, 3, later_s)];
        let review = reviewed(&[], &taken_again);
        let wrong = said(&review, "wrong-label");
        assert_eq!(wrong.len(), 1, "{later_s}: {wrong:?}");
        assert_eq!((wrong[0].0, wrong[0].1.evidence["seems_fiber"]), (6, 3.0));
        assert_eq!(review.fibers[5].verdict, FiberVerdict::Undecided);
        // The others pass: fibre 6's own trace counts.
        let passed = review.fibers.iter().filter(|own| own.verdict == FiberVerdict::Pass).count();
        assert_eq!(passed, FIBERS as usize - 1);
    }
}

#[test]
fn two_files_under_each_others_numbers_are_told() {
    let review = reviewed(&[(2, 1, 7, 0), (7, 1, 2, 0)], &[]);
    let wrong: Vec<u32> = said(&review, "wrong-label").iter().map(|found| found.0).collect();
    assert_eq!(wrong, [2, 7]);
    assert!(said(&review, "swapped").is_empty());
}

#[test]
fn fibres_exchanged_at_one_end_are_told_although_both_are_as_long() {
    let exchanged: Vec<Taken> =
        [1, 3].into_iter().flat_map(|at| [(4, at, 5, 0), (5, at, 4, 0)]).collect();
    let review = reviewed(&exchanged, &[]);
    let swapped: Vec<(u32, f64)> = said(&review, "swapped")
        .iter()
        .map(|(n, found)| (*n, found.evidence["with_fiber"]))
        .collect();
    assert_eq!(swapped, [(4, 5.0), (5, 4.0)]);
    assert!(said(&review, "wrong-label").is_empty());
    assert_eq!(review.fibers[3].verdict, FiberVerdict::Fail);
}

#[test]
fn of_few_fibres_two_files_of_different_glass_are_unsettled_where_anothers_is_missing() {
    // Fibre 1's trace from end a at 1550 nm bears number 2, and is missing under its own.
    let taken: Taken = (2, 2, 1, -3600);
    let moved = reviewed_of(2, &[(1, 2, 0, 0)], &[taken]);
    let own = &moved.fibers[1];
    assert_eq!(own.verdict, FiberVerdict::Undecided, "{:?}", own.findings);
    assert!(own.open.iter().any(|(_, says)| says.contains("different glass")), "{:?}", own.open);
    // Fibre 2's own, measured twice, is no other glass although fibre 1's is missing.
    let again = reviewed_of(2, &[(1, 2, 0, 0)], &[(2, 2, 2, -3600)]);
    assert_eq!(again.fibers[1].verdict, FiberVerdict::Pass, "{:?}", again.fibers[1].open);
}
