//! Limits that concern a fibre as a whole, what is accepted, and what a joint read from one end carries.

use std::path::PathBuf;

use strandline::grade::Verdict;
use strandline::job::{self, FiberVerdict, Review, Severity};
use strandline::plan::{self, Plan, Waiver};
use strandline::simulate::cable::{self, Fault, Planted, Size};
use strandline::source;

use super::{folder, written};

fn reviewed(files: &[PathBuf], plan: &Plan) -> Review {
    job::review(files.to_vec(), plan, &source::Options::default(), &|| ())
}

fn waiver(fiber: u32, place: &str) -> Waiver {
    Waiver {
        fiber,
        place: place.into(),
        reason: "the tray is under water".into(),
        by: "N. Nobody".into(),
    }
}

#[test]
fn an_accepted_high_splice_is_shown_as_such_and_a_break_cannot_be_accepted() {
    let (mut accepted, mut broken) = (0, 0);
    for seed in [3, 11, 20] {
        let cable = cable::draw(seed, &Size::common(12));
        let files = written(&cable, &folder(&format!("waiver-{seed}")));
        let mut plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
        let before = reviewed(&files, &plan);
        for fiber in &before.fibers {
            for found in fiber.findings.iter().filter(|f| matches!(f.kind, "high-splice" | "break"))
            {
                plan.waivers.push(waiver(fiber.fiber, found.place.as_deref().expect("a place")));
            }
        }
        let after = reviewed(&files, &plan);
        for waiver in &plan.waivers {
            let own = after.fibers.iter().find(|f| f.fiber == waiver.fiber).expect("planned");
            let found = |kind: &str| own.findings.iter().find(|f| f.kind == kind);
            if let Some(splice) = found("high-splice") {
                assert_eq!(splice.severity, Severity::Remark);
                assert!(splice.says.contains("the tray is under water (N. Nobody)"), "{splice:?}");
                let joint = own.joints.iter().find(|j| j.name == waiver.place).expect("a joint");
                assert_eq!(joint.verdict, Some(Verdict::Fail), "the figure stays what it is");
                assert!(joint.waived.is_some() && !after.is_unmet(waiver));
                let mut faults = own.findings.iter().filter(|f| f.severity == Severity::Fault);
                assert!(faults.all(|f| f.place.as_ref() != Some(&waiver.place)), "{own:?}");
                accepted += 1;
            }
            if let Some(cut) = found("break") {
                assert_eq!(cut.severity, Severity::Fault);
                assert!(after.is_unmet(waiver), "and the waiver that meets nothing is said");
                broken += 1;
            }
        }
    }
    assert!(accepted > 0 && broken > 0, "{accepted} accepted, {broken} broken: prove nothing");
}

#[test]
fn the_mean_over_a_fibres_splices_has_a_limit_of_its_own() {
    let cable = cable::draw(3, &Size::common(12));
    let files = written(&cable, &folder("splice-mean"));
    let mut plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let sound = |fiber: u32| cable.truth.fiber[&fiber.to_string()].expect.is_empty();
    // A thousandth of a dB is less than any fibre's splices lose on average, and nobody can always
    // tell; 5 dB are more than they lose, and everybody can.
    for (limit, is_low) in [(5.0, false), (0.001, true)] {
        plan.limits.splice_mean_db = Some(limit);
        let review = reviewed(&files, &plan);
        let (mut judged, mut failed) = (0, 0);
        for own in &review.fibers {
            let means = own.links.iter().filter(|link| link.splice_mean_db.is_some());
            let verdicts: Vec<Verdict> =
                means.filter_map(|link| link.splice_mean_verdict).collect();
            assert!(verdicts.iter().all(|v| (*v == Verdict::Pass) != is_low), "{verdicts:?}");
            let fails = verdicts.contains(&Verdict::Fail);
            judged += verdicts.len();
            failed += usize::from(fails);
            let said = own.findings.iter().any(|f| f.kind == "high-splice" && f.place.is_none());
            if sound(own.fiber) {
                assert_eq!(said, fails, "{:?}", own.findings);
            }
        }
        assert_eq!(failed > 0, is_low, "{failed} fibres fail against {limit}");
        assert!(judged > 8, "{judged} links are too few to prove anything");
    }
}

#[test]
fn eight_joints_from_both_ends_tell_what_one_from_one_end_carries() {
    let cable = cable::draw(5, &Size::common(6));
    let files = written(&cable, &folder("one-way"));
    let plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let whole = reviewed(&files, &plan);
    assert!(whole.one_way.is_own && whole.one_way.joints >= 8, "{:?}", whole.one_way);
    // the root mean square of the steps that the review itself lists, reckoned anew
    let steps: Vec<f64> = whole
        .fibers
        .iter()
        .flat_map(|fiber| &fiber.joints)
        .filter(|joint| joint.name.starts_with('C'))
        .filter_map(|joint| joint.loss.step_db.map(|step| step.value))
        .collect();
    let spread = (steps.iter().map(|s| s * s).sum::<f64>() / steps.len() as f64).sqrt();
    // widened for being estimated: t of 8 degrees is 1.860, the normal 1.645 (GUM, table G.2)
    let widened = whole.one_way.sigma_db / spread;
    assert!((1.0..1.860 / 1.645 + 0.005).contains(&widened), "{widened}");
    // From one end alone there are none, and the plan's figure stands.
    let is_forth = |path: &&PathBuf| path.to_string_lossy().contains("AB");
    let forth: Vec<PathBuf> = files.iter().filter(is_forth).cloned().collect();
    assert!(!forth.is_empty() && forth.len() < files.len());
    let half = reviewed(&forth, &plan);
    assert!(!half.one_way.is_own);
    assert_eq!(half.one_way.sigma_db, plan.limits.one_way_db);
    assert!(half.has_one_way_joints());
    assert!(half.one_way.words().contains("common practice"), "{}", half.one_way.words());
}

#[test]
fn a_link_longer_than_allowed_is_said_and_one_near_its_limit_is_undecided() {
    let cable = cable::draw(5, &Size { planted: Vec::new(), ..Size::common(6) });
    let files = written(&cable, &folder("max-length"));
    let mut plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let true_m = |fiber: u32| cable.truth.fiber[&fiber.to_string()].length_m;
    let longest_m = (1..=6).map(true_m).fold(0.0, f64::max);
    let verdicts = |limit_m: f64, plan: &mut Plan| {
        plan.limits.max_length_m = Some(limit_m);
        let review = reviewed(&files, plan);
        for own in &review.fibers {
            let fails = own.links.iter().any(|l| l.length_verdict == Some(Verdict::Fail));
            let said = own.findings.iter().find(|f| f.kind == "length-outlier");
            assert_eq!(fails, said.is_some(), "{:?}", own.findings);
            if let Some(found) = said {
                assert!((found.evidence["length_m"] - true_m(own.fiber)).abs() < 2.0, "{found:?}");
            }
        }
        review.fibers.iter().map(|own| own.links[0].length_verdict).collect::<Vec<_>>()
    };
    // An index is taken to be right within 0.0005 of 1.4682, rectangular: 2.8 m in 14 km, one sigma.
    assert_eq!(verdicts(longest_m + 20.0, &mut plan), vec![Some(Verdict::Pass); 6]);
    assert!(verdicts(longest_m + 1.0, &mut plan).contains(&Some(Verdict::Undecided)));
    assert_eq!(verdicts(10_000.0, &mut plan), vec![Some(Verdict::Fail); 6]);
}

#[test]
fn a_reflectance_near_its_limit_hangs_on_how_well_the_backscatter_is_known() {
    let planted = vec![Planted::ReflectiveConnector];
    let cable = cable::draw(23, &Size { planted, ..Size::common(4) });
    let files = written(&cable, &folder("backscatter"));
    let mut plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let mut fibers = cable.truth.fiber.iter();
    let (number, reflectance_db) = fibers
        .find_map(|(number, truth)| match truth.fault {
            Some(Fault::ReflectiveConnector { reflectance_db, .. }) => {
                Some((number.parse::<u32>().ok()?, reflectance_db))
            }
            _ => None,
        })
        .expect("it is planted");
    // Half a dB over its limit: the simulator's own coefficient is exact, an instrument's is a setting.
    plan.limits.reflectance_db = Some(reflectance_db - 0.5);
    for (sigma_db, wanted) in [(0.01, true), (plan.limits.backscatter_sigma_db, false)] {
        plan.limits.backscatter_sigma_db = sigma_db;
        let review = reviewed(&files, &plan);
        let own = review.fibers.iter().find(|f| f.fiber == number).expect("planned");
        let said = own.findings.iter().any(|f| f.kind == "high-reflectance");
        assert_eq!(said, wanted, "{sigma_db}: {:?}", own.joints);
        assert_eq!(own.verdict == FiberVerdict::Undecided, !wanted);
    }
}

#[test]
fn a_connector_that_drives_the_receiver_to_its_limit_reflects_that_much_at_least() {
    let planted = vec![Planted::ReflectiveConnector];
    let mut cable = cable::draw(29, &Size { planted, ..Size::common(4) });
    let (number, reflectance_db) = cable
        .truth
        .fiber
        .iter()
        .find_map(|(number, truth)| match truth.fault {
            Some(Fault::ReflectiveConnector { reflectance_db, .. }) => {
                Some((number.parse::<usize>().ok()?, reflectance_db))
            }
            _ => None,
        })
        .expect("it is planted");
    // One dB is cut off each highest peak: two dB of reflectance.
    for (file, rendered) in cable.truth.files.iter().zip(&mut cable.traces) {
        if file.fiber == number {
            let top = rendered.trace.counts.iter().min().expect("samples") + 1000;
            rendered.trace.counts.iter_mut().for_each(|count| *count = top.max(*count));
        }
    }
    let files = written(&cable, &folder("cut-off"));
    let plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
    let review = reviewed(&files, &plan);
    let own = review.fibers.iter().find(|f| f.fiber as usize == number).expect("planned");
    let found = own.findings.iter().find(|f| f.kind == "high-reflectance").expect("said");
    assert!(found.says.contains("or more: the receiver was at its limit"), "{found:?}");
    let bound_db = found.evidence["reflectance_db"];
    assert!(bound_db < reflectance_db && bound_db > reflectance_db - 4.0, "{bound_db}");
    assert_eq!(own.verdict, FiberVerdict::Fail);
    // A limit above what was seen of it leaves it open: the rest of the peak is unknown.
    let mut generous = plan.clone();
    generous.limits.reflectance_db = Some(reflectance_db + 3.0);
    let review = reviewed(&files, &generous);
    let own = review.fibers.iter().find(|f| f.fiber as usize == number).expect("planned");
    assert_eq!(own.verdict, FiberVerdict::Undecided, "{:?}", own.findings);
}

#[test]
fn a_cord_within_what_a_reflection_hides_is_warned_of_with_both_figures() {
    // by hand: 500 ns are 0.5·299792458/1.468·5e-7 = 51.05 m of fibre; J8 asks for cords longer than the
    // dead zone, which is no shorter than the pulse
    for (cord_m, warned) in [(40.0, true), (500.0, false)] {
        let size = Size { cord_m, pulse_ns: 500, planted: Vec::new(), ..Size::common(2) };
        let cable = cable::draw(4, &size);
        let files = written(&cable, &folder(&format!("cord-{cord_m}")));
        let plan = plan::read(&cable.plan).expect("the simulator's plans can be read");
        let review = reviewed(&files, &plan);
        assert_eq!(!review.notes.is_empty(), warned, "{:?}", review.notes);
        let both = ["launch cord of 40.0 m", "tail cord of 40.0 m"];
        for (note, cord) in review.notes.iter().zip(both) {
            assert!(note.contains(cord) && note.contains("500 ns"), "{note}");
            let metres = note.split(" ns (").nth(1).and_then(|rest| rest.split(' ').next());
            let metres: f64 = metres.and_then(|m| m.parse().ok()).expect("a dead zone");
            assert!((51.0..300.0).contains(&metres), "{note}");
        }
    }
}
