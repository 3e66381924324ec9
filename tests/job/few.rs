//! What is worth a remark although no limit stops it: bends without a limit, and lengths among few fibres.

use std::path::Path;

use strandline::diagnose::{self, Diagnosis, Links, Reference};
use strandline::job::{self, FiberVerdict, Finding, Review, Severity, Test};
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

#[test]
fn a_length_that_stands_out_among_few_fibres_is_remarked() {
    let without = PLAN.replacen("length_m = 3000.0\n", "", 1).replacen("1-2", "1-3", 1);
    let with = PLAN.replacen("1-2", "1-3", 1);
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
        let fibers = longer_m.iter().zip(1..);
        let files: Vec<_> = fibers.flat_map(|(m, n)| traces_of(n, n, SPLICE, 1800.0 + m)).collect();
        let review = reviewed(&files, plan);
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
