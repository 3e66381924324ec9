//! What is worth a remark although no limit stops it: bends without a limit, and lengths among few fibres.

use std::path::Path;

use strandline::diagnose::{self, Diagnosis, Links, Reference};
use strandline::job::{self, FiberVerdict, Finding, Review, Severity, Test, Tray};
use strandline::sor::{self, Version};
use strandline::units::GroupIndex;
use strandline::{plan, source};

use super::calm::{PLAN, SPLICE, traces_of};

fn reviewed(files: &[(String, Vec<u8>)], plan: &str) -> Review {
    let plan = plan::read(plan).unwrap_or_else(|error| panic!("{error}"));
    let options = source::Options::default();
    let read =
        |(name, bytes): &(String, Vec<u8>)| job::measure(Path::new(name), bytes, &plan, &options);
    let tests: Vec<Test> = files.iter().map(read).collect();
    job::judge(tests, &plan)
}

/// The first fibre's diagnosis against the same plan.
fn diagnosed(files: &[(String, Vec<u8>)], text: &str) -> Diagnosis {
    let plan = plan::read(text).unwrap_or_else(|error| panic!("{error}"));
    let links = Links::from_iter([(Some(1), reviewed(files, text).tests)]);
    diagnose::each(links, &Links::new(), &plan, Reference::Plan).remove(0).1
}

fn of_kind<'a>(review: &'a Review, kind: &str) -> Vec<&'a Finding> {
    review.fibers.iter().flat_map(|own| &own.findings).filter(|f| f.kind == kind).collect()
}

#[test]
fn a_bend_at_a_joint_without_a_limit_is_remarked_and_fails_nothing() {
    // 3 km · 0.34 + 0.6 + 2 · 0.2 = 2.02 dB at the most: far below the link's limit
    let limits = PLAN.replacen("splice_db = 0.15\n", "", 1).replacen(
        "\"from parts\"",
        "{ 1310 = 5.0, 1550 = 5.0 }",
        1,
    );
    let bend = r#"{ kind = "bend", loss_db = 0.6 }"#;
    // A splice of one loss at every wavelength, however large, is none.
    let bad = r#"{ kind = "splice", loss_db = 0.6 }"#;
    for (joint, said) in [(bend, 1), (bad, 0), (SPLICE, 0)] {
        let files = traces_of(1, 1, joint, 1800.0);
        let review = reviewed(&files, &limits);
        let notes = diagnosed(&files, &limits).notes.join("; ");
        assert_eq!(notes.contains("as at a tight bend"), said == 1, "{joint}: {notes}");
        let bends = of_kind(&review, "bend");
        assert_eq!(bends.len(), said, "{joint}: {bends:?}");
        assert_eq!(review.fibers[0].verdict, FiberVerdict::Pass, "{joint}");
        for found in bends {
            assert_eq!(found.severity, Severity::Remark);
            assert_eq!(found.place.as_deref(), Some("C1"));
            // planted: 0.6 dB at 1550 nm
            assert!((found.evidence["loss_db"] - 0.6).abs() < 0.05, "{found:?}");
        }
    }
}

/// `PLAN` for so many fibres, with or without its length.
fn plan_of(fibers: u32, has_length: bool) -> String {
    let plan = PLAN.replacen("1-2", &format!("1-{fibers}"), 1).replacen("1-1", "1", 1);
    if has_length { plan } else { plan.replacen("length_m = 3000.0\n", "", 1) }
}

/// Fibres by how much longer than 1,800 m their second section is.
fn fibers_longer_by(longer_m: &[f64]) -> Vec<(String, Vec<u8>)> {
    let fibers = longer_m.iter().zip(1..);
    fibers.flat_map(|(m, n)| traces_of(n, n, SPLICE, 1800.0 + m)).collect()
}

#[test]
fn a_length_that_may_be_another_cables_leaves_a_fibre_undecided_although_fibres_are_few() {
    // A fibre that stops 1 % early is broken; one that has all of its connectors and is as far off may be of another
    // cable: common practice, no source.
    let cases: [(bool, &[f64], Option<u32>); 5] = [
        (false, &[0.0, 2.0, -90.0], Some(3)),
        (true, &[0.0, 90.0], Some(2)),
        (true, &[-90.0], Some(1)),
        (true, &[-20.0], None),
        (true, &[-90.0, -90.0], None), // it is the plan's length that is wrong
    ];
    for (has_length, longer_m, odd) in cases {
        let plan = plan_of(longer_m.len() as u32, has_length);
        let review = reviewed(&fibers_longer_by(longer_m), &plan);
        for own in &review.fibers {
            let is_odd = Some(own.fiber) == odd;
            let said = own
                .findings
                .iter()
                .any(|f| (f.kind, f.severity) == ("length-outlier", Severity::Fault));
            let wanted = if is_odd { FiberVerdict::Undecided } else { FiberVerdict::Pass };
            assert_eq!((own.verdict, said), (wanted, is_odd), "{longer_m:?}: {:?}", own.findings);
        }
    }
}

#[test]
fn an_index_that_differs_among_few_files_is_said() {
    // Index by fibre; which fibres have a fault for it, and which a remark because nobody knows who is right.
    type Case<'a> = (&'a [f64], &'a [u32], &'a [u32]);
    let cases: [Case; 4] = [
        (&[1.4682, 1.4682], &[], &[]),
        (&[1.4682, 1.4782], &[], &[1, 2]),
        (&[1.4682, 1.4682, 1.4782], &[3], &[]),
        (&[1.4582, 1.4682, 1.4782], &[], &[1, 2, 3]),
    ];
    for (indices, faults, remarks) in cases {
        let count = indices.len() as u32;
        let files: Vec<_> = indices
            .iter()
            .zip(1..)
            .flat_map(|(index, n)| {
                let other = |(name, bytes): (String, Vec<u8>)| (name, with_index(&bytes, *index));
                traces_of(n, n, SPLICE, 1800.0).into_iter().map(other)
            })
            .collect();
        let review = reviewed(&files, &plan_of(count, true));
        let of = |severity| -> Vec<u32> {
            let said = of_kind(&review, "wrong-index").into_iter();
            said.filter(|f| f.severity == severity).filter_map(|f| f.fiber).collect()
        };
        assert_eq!(of(Severity::Fault), faults, "{indices:?}");
        assert_eq!(of(Severity::Remark), remarks, "{indices:?}");
    }
}

/// The same samples, of which the instrument was told another index.
fn with_index(bytes: &[u8], index: f64) -> Vec<u8> {
    let mut trace = sor::decode(bytes, &sor::Options::default())
        .expect("a rendered file")
        .with_index(GroupIndex::new(index).expect("an index of glass"));
    trace.settings.file_index = trace.settings.index;
    sor::encode(&trace, Version::V2).expect("a trace fits the format")
}

#[test]
fn a_length_that_stands_out_among_few_fibres_is_remarked() {
    let (without, with) = (plan_of(3, false), plan_of(3, true));
    // how much longer than 1,800 m each fibre's second section is; whose length stands out. Fibres of one cable
    // differ by 5 m or 0.3 % at most (9 m here): common practice, no source.
    let cases: [(&str, &[f64], Option<u32>); 6] = [
        (&without, &[0.0, 2.0, -20.0], Some(3)),
        (&without, &[-20.0, 0.0, 2.0], Some(1)),
        (&without, &[0.0, 2.0, -4.0], None),
        (&without, &[0.0, 20.0, -20.0], None), // which of them is usual?
        (&without, &[0.0, -20.0], None),
        (&with, &[0.0, -20.0], Some(2)), // the plan says whose length is usual
    ];
    for (plan, longer_m, odd) in cases {
        let review = reviewed(&fibers_longer_by(longer_m), plan);
        let said: Vec<Option<u32>> =
            of_kind(&review, "length-outlier").iter().map(|found| found.fiber).collect();
        assert_eq!(said, odd.map(Some).into_iter().collect::<Vec<_>>(), "{longer_m:?}");
        let remarks = of_kind(&review, "length-outlier");
        assert!(remarks.iter().all(|found| found.severity == Severity::Remark));
        // by hand: both ends' connectors are seen, so nothing else is open
        let measured = &review.fibers[..longer_m.len()];
        assert!(measured.iter().all(|own| own.verdict == FiberVerdict::Pass), "{longer_m:?}");
    }
}

#[test]
fn a_tray_calls_no_joint_fine_whose_loss_the_plan_does_not_limit() {
    let text = PLAN
        .replacen("kind = \"splice\"", "kind = \"connector\"", 1)
        .replacen("connector_db = 0.5\n", "", 1)
        .replacen("\"from parts\"", "{ 1310 = 5.0, 1550 = 5.0 }", 1);
    let plug = r#"{ kind = "connector", loss_db = 1.3, reflectance_db = -55.0 }"#;
    let review = reviewed(&traces_of(1, 1, plug, 1800.0), &text);
    let plan = plan::read(&text).unwrap_or_else(|error| panic!("{error}"));
    let tray = Tray::new(plan, "C1", None).expect("the plan's joint");
    let (said, fine) = tray.instructions(&review.fibers[0]);
    assert_eq!((said.len(), fine), (2, false));
    // It reflects -55 dB, and -40 dB are allowed: that passes, and says nothing of what it loses.
    assert!(said.iter().all(|own| own.says.contains("no limit to judge its loss by")), "{said:?}");
}

#[test]
fn one_wavelength_does_not_tell_a_bad_splice_from_a_bend_and_is_not_said_to() {
    let one = PLAN.replacen("[1310, 1550]", "[1550]", 1);
    let bad = r#"{ kind = "splice", loss_db = 0.6 }"#;
    let all = traces_of(1, 1, bad, 1800.0);
    let at_1550: Vec<_> = all.iter().filter(|file| file.0.contains("1550")).cloned().collect();
    assert_eq!(at_1550.len(), 2);
    for (files, text, tells) in [(&all, PLAN, true), (&at_1550, one.as_str(), false)] {
        let review = reviewed(files, text);
        let found = of_kind(&review, "high-splice")[0];
        assert_eq!(found.next.contains("alike at every wavelength"), tells, "{}", found.next);
        assert_eq!(found.next.contains("look for a tight bend"), !tells, "{}", found.next);
        let plan = plan::read(text).unwrap_or_else(|error| panic!("{error}"));
        let tray = Tray::new(plan, "C1", None).expect("the plan's joint");
        let (said, fine) = tray.instructions(&review.fibers[0]);
        assert!(!fine && said.iter().all(|own| own.says.starts_with("splice again")), "{said:?}");
        assert!(said.iter().all(|own| own.says.contains("bend") != tells), "{said:?}");
    }
}

#[test]
fn a_bad_connector_in_a_tray_is_cleaned_and_not_spliced() {
    let text = PLAN.replacen("kind = \"splice\"", "kind = \"connector\"", 1);
    let plug = r#"{ kind = "connector", loss_db = 1.3, reflectance_db = -55.0 }"#;
    let review = reviewed(&traces_of(1, 1, plug, 1800.0), &text);
    let plan = plan::read(&text).unwrap_or_else(|error| panic!("{error}"));
    let tray = Tray::new(plan, "C1", None).expect("the plan's joint");
    let (said, fine) = tray.instructions(&review.fibers[0]);
    assert!(
        !fine && said.iter().all(|own| own.says.starts_with("clean the connector")),
        "{said:?}"
    );
}

#[test]
fn a_planned_joint_behind_the_end_of_all_fibres_is_noted() {
    let text = plan_of(1, false);
    let behind = text.replacen("at_m = 1200.0", "at_m = 12000.0", 1);
    let files = traces_of(1, 1, SPLICE, 1800.0);
    let noted = |text: &str| reviewed(&files, text).notes.iter().any(|note| note.contains("C1 at"));
    assert_eq!([noted(&text), noted(&behind)], [false, true]);
}

#[test]
fn a_splitter_without_a_limit_is_held_against_that_of_its_ways_everywhere() {
    let text = plan_of(1, true)
        .replacen("kind = \"splice\"", "kind = \"splitter\"\nways = 4", 1)
        .replacen("\"from parts\"", "{ 1310 = 12.0, 1550 = 12.0 }", 1);
    let splitter = r#"{ kind = "splitter", loss_db = 7.0 }"#;
    let files = traces_of(1, 1, splitter, 1800.0);
    // 0.8 + 3.4 · log2(4) = 7.6 dB (Telcordia GR-1209, from memory)
    let of_ways = 7.6;
    let diagnosis = diagnosed(&files, &text);
    let part = diagnosis.parts.iter().find(|part| part.name == "C1").expect("planned");
    let allowed = part.figures.iter().map(|figure| figure.allowed_db.map(|db| db.value));
    assert_eq!(allowed.collect::<Vec<_>>(), [Some(of_ways); 2]);
    let review = reviewed(&files, &text);
    let plan = plan::read(&text).unwrap_or_else(|error| panic!("{error}"));
    let drawn = strandline::report::losses::of(&review, &plan);
    let at_c1 = drawn.columns.iter().filter(|column| column.joint == "C1");
    assert_eq!(at_c1.map(|column| column.limit_db).collect::<Vec<_>>(), [Some(of_ways); 2]);
}
