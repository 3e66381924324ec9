//! Files of one fibre that show different lengths although no majority tells which of them is wrong, and names of the plan
//! that no label has.

use std::path::Path;

use strandline::job::{self, FiberVerdict, Station, Test};
use strandline::{plan, source};

use super::calm::{PLAN, SPLICE, traces_of};

/// What a fibre of 3 km has behind its joint, as each wavelength measures it.
type Fiber = [(u16, f64); 2];

fn fiber(at_1310_m: f64, at_1550_m: f64) -> Fiber {
    [(1310, at_1310_m), (1550, at_1550_m)]
}

/// Files of all fibres from end a.
fn files(fibers: &[Fiber]) -> Vec<(String, Vec<u8>)> {
    let mut files = Vec::new();
    for (own, number) in fibers.iter().zip(1..) {
        for (nm, behind_m) in own {
            let is_it = |name: &str| name.contains(&nm.to_string()) && name.contains("-ab");
            let all = traces_of(number, number, SPLICE, *behind_m).into_iter();
            files.extend(all.filter(|(name, _)| is_it(name)));
        }
    }
    assert_eq!(files.len(), 2 * fibers.len());
    files
}

#[test]
fn lengths_that_contradict_each_other_from_one_end_leave_a_fibre_undecided_and_dispersion_does_not()
{
    // From 1310 to 1550 nm 3 km of glass seem 1.35 m longer where the files state one index: by hand, 4.5e-4, from
    // the dispersion of G.652 (from memory).
    let longer = fiber(1801.65, 1803.0);
    let (usual, third) = (fiber(1798.65, 1800.0), fiber(1800.65, 1802.0));
    // Each bears the other's number at 1550 nm.
    let exchanged = [fiber(1798.65, 1803.0), fiber(1801.65, 1800.0)];
    let cases: [(&[Fiber], &[u32]); 7] = [
        (&[fiber(1800.0, 1800.0), fiber(1803.0, 1803.0)], &[]),
        (&[usual, longer], &[]),
        (&exchanged, &[1, 2]),
        (&[exchanged[0], exchanged[1], third], &[1, 2]),
        (&[usual, longer, fiber(1798.65, 1802.0)], &[3]),
        (&[usual], &[]),
        (&[fiber(1800.0, 1806.0)], &[1]),
    ];
    for (fibers, wrong) in cases {
        let text = PLAN
            .replacen("1-2", &format!("1-{}", fibers.len()), 1)
            .replacen("1-1", "1", 1)
            .replacen("[measure]\n", "[measure]\ndirections = \"a-to-b\"\n", 1);
        let plan = plan::read(&text).unwrap_or_else(|error| panic!("{error}"));
        let options = source::Options::default();
        let files = files(fibers);
        let read = |(name, bytes): &(String, Vec<u8>)| {
            job::measure(Path::new(name), bytes, &plan, &options)
        };
        let tests: Vec<Test> = files.iter().map(read).collect();
        let review = job::judge(tests, &plan);
        for own in &review.fibers {
            let is_wrong = wrong.contains(&own.fiber);
            let wanted = if is_wrong { FiberVerdict::Undecided } else { FiberVerdict::Pass };
            let said: Vec<_> = own.findings.iter().map(|f| (f.kind, f.files.len())).collect();
            let expected: &[_] = if is_wrong { &[("wrong-label", 2)] } else { &[] };
            assert_eq!((own.verdict, &*said), (wanted, expected), "{fibers:?}: {:?}", own.findings);
        }
        let tasks = job::todo(&review, &plan);
        let measured: Vec<_> = tasks
            .iter()
            .filter(|task| task.does.starts_with("measure 1310 and 1550 nm again"))
            .map(|task| (task.station, task.fiber))
            .collect();
        let wanted: Vec<_> = wrong.iter().map(|n| (Station::EndA, Some(*n))).collect();
        assert_eq!(measured, wanted, "{tasks:?}");
        assert_eq!(tasks.len(), wanted.len(), "{tasks:?}");
        assert_eq!(review.counts.undecided, 2 * wrong.len());
    }
}

#[test]
fn an_end_of_the_plan_that_no_label_names_is_said() {
    let cases = [("TOWER", 0), ("TOWRE", 1), ("tower", 0), ("", 0)];
    for (end, said) in cases {
        let text = PLAN.replacen("1-2", "1", 1).replacen("TOWER", end, 1);
        let plan = plan::read(&text).unwrap_or_else(|error| panic!("{error}"));
        let options = source::Options::default();
        let read = |(name, bytes): (String, Vec<u8>)| {
            job::measure(Path::new(&name), &bytes, &plan, &options)
        };
        let tests = traces_of(1, 1, SPLICE, 1800.0).into_iter().map(read).collect();
        let notes = job::judge(tests, &plan).notes;
        let own: Vec<&String> =
            notes.iter().filter(|note| note.contains("among its ends")).collect();
        assert_eq!(own.len(), said, "{end:?}: {notes:?}");
        assert!(own.iter().all(|note| note.contains(end) && note.contains("\"TOWER\" (4 files)")));
    }
}
