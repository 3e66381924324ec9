//! Two things at once: what is wrong with a fibre beside copies, exchanged fibres, plans that say little, one
//! end alone.

use std::collections::{BTreeMap, BTreeSet};

use strandline::grade::Verdict;
use strandline::job::{self, FiberReview, FiberVerdict, Review, Severity, TestVerdict, Tray};
use strandline::plan::{self, Directions, Plan};
use strandline::simulate::cable::{self, Cable, Fault, Planted, Size};
use strandline::source;
use strandline::trace::Label;

use super::stress::{self, Fault as Done};
use super::{folder, written};

fn drawn(seed: u64, fibers: usize, planted: Vec<Planted>) -> Cable {
    let size =
        Size { closures: 3, length_m: 6_000.0, samples: 8_000, planted, ..Size::common(fibers) };
    cable::draw(seed, &size)
}

fn reviewed(cable: &Cable, plan: &Plan, name: &str) -> Review {
    job::review(written(cable, &folder(name)), plan, &source::Options::default(), &|| ())
}

fn plan_of(cable: &Cable) -> Plan {
    plan::read(&cable.plan).expect("the simulator's plans can be read")
}

/// The fibre that has a fault.
fn faulty(cable: &Cable) -> usize {
    let (own, _) = cable.truth.fiber.iter().find(|(_, f)| f.fault.is_some()).expect("planted");
    own.parse().expect("a number")
}

/// The fibre whose length differs most from that of another: by enough to tell them apart.
fn unlike(cable: &Cable, own: usize) -> usize {
    let length_m = |n: &str| cable.truth.fiber[n].length_m;
    let off = |n: &str| (length_m(n) - length_m(&own.to_string())).abs();
    let all = cable.truth.fiber.keys();
    let other = all.max_by(|a, b| off(a).total_cmp(&off(b))).expect("fibres");
    assert!(off(other) > 1.5, "lengths tell nothing here");
    other.parse().expect("a number")
}

fn faults(own: &FiberReview) -> BTreeSet<&'static str> {
    let faults = own.findings.iter().filter(|f| f.severity == Severity::Fault);
    faults.map(|f| f.kind).collect()
}

/// Exactly these faults of these fibres, and none of others.
fn only(review: &Review, expected: &[(usize, &[&'static str])]) {
    let said = review.fibers.iter().map(|own| (own.fiber as usize, faults(own)));
    let said: BTreeMap<usize, BTreeSet<&str>> = said.filter(|(_, all)| !all.is_empty()).collect();
    let expected = expected.iter().map(|(n, kinds)| (*n, kinds.iter().copied().collect()));
    let says: Vec<_> = review.fibers.iter().flat_map(|own| &own.findings).collect();
    assert_eq!(said, expected.collect(), "{says:#?}");
}

#[test]
fn of_exchanged_fibres_the_readings_of_one_glass_are_taken_together() {
    let mut cable = drawn(81, 10, vec![Planted::HighSplice]);
    let bad = faulty(&cable);
    let sound = unlike(&cable, bad);
    for (file, rendered) in cable.truth.files.iter().zip(&mut cable.traces) {
        let number = if file.fiber == bad { sound } else { bad };
        if file.direction == "b-to-a" && (file.fiber == bad || file.fiber == sound) {
            rendered.trace.labels.fiber = Label::from(number.to_string().as_str());
        }
    }
    let review = reviewed(&cable, &plan_of(&cable), "mixed-swapped");
    only(&review, &[(bad, &["high-splice", "swapped"]), (sound, &["swapped"])]);
    let Some(Fault::HighSplice { closure, .. }) = cable.truth.fiber[&bad.to_string()].fault else {
        panic!("a high splice is planted");
    };
    let truth = &cable.truth.fiber[&bad.to_string()].closures[closure - 1];
    let own = review.fibers.iter().find(|own| own.fiber as usize == bad).expect("planned");
    let joints = own.joints.iter().filter(|j| j.name == format!("C{closure}"));
    for joint in joints {
        let loss = joint.loss.loss_db.expect("measured");
        assert!((loss.value - truth.loss_db["1550"]).abs() < 0.02, "{joint:?} {truth:?}");
    }
}

#[test]
fn a_copy_is_not_read_together_with_a_fibres_own_traces() {
    let mut cable = drawn(82, 10, vec![Planted::Bend]);
    let bent = faulty(&cable);
    let sound = unlike(&cable, bent);
    let traces = cable.traces.clone();
    let at = |fiber: usize, direction: &str| {
        let is_it = |f: &cable::CableFile| {
            f.fiber == fiber && f.wavelength_nm == 1550 && f.direction == direction
        };
        cable.truth.files.iter().position(is_it).expect("drawn")
    };
    for direction in ["a-to-b", "b-to-a"] {
        let (from, to) = (at(bent, direction), at(sound, direction));
        cable.traces[to].trace = traces[from].trace.clone();
        cable.traces[to].trace.labels.fiber = Label::from(sound.to_string().as_str());
    }
    let review = reviewed(&cable, &plan_of(&cable), "mixed-copy");
    only(&review, &[(bent, &["bend", "copy"]), (sound, &["copy"])]);
    for row in review.rows.iter().filter(|row| row.wavelength_nm == Some(1550)) {
        if row.fiber == Some(bent as u32) || row.fiber == Some(sound as u32) {
            assert_eq!(row.verdict, TestVerdict::Undecided);
            assert!(row.reasons.iter().all(|says| says != job::NO_LIMIT), "{row:?}");
        }
    }
    let own = review.fibers.iter().find(|own| own.fiber as usize == sound).expect("planned");
    assert_eq!(own.verdict, FiberVerdict::Undecided);
}

#[test]
fn without_a_length_in_the_plan_that_of_most_fibres_tells_a_break() {
    let cable = drawn(83, 8, vec![Planted::Break]);
    let mut plan = plan_of(&cable);
    plan.cable.length_m = None;
    let review = reviewed(&cable, &plan, "mixed-length");
    let broken = faulty(&cable);
    only(&review, &[(broken, &["break"])]);
    let truth = cable.truth.fiber[&broken.to_string()].expect[0].at_m.expect("a place");
    let own = review.fibers.iter().find(|own| own.fiber as usize == broken).expect("planned");
    assert!((own.findings[0].at_m.expect("a place") - truth).abs() < 2.0, "{own:?}");
    let whole = review.fibers.iter().filter(|own| own.fiber as usize != broken);
    assert!(whole.clone().all(|own| own.verdict == FiberVerdict::Pass));
    assert!(whole.flat_map(|own| &own.links).all(|l| l.limit_db.is_some()));
    assert!(review.notes.iter().any(|says| says.contains("no length_m")), "{:?}", review.notes);

    // Of three nobody knows which length is the usual one: it cannot pass.
    let cable = drawn(84, 3, vec![Planted::Break]);
    let broken = faulty(&cable);
    let mut plan = plan_of(&cable);
    plan.cable.length_m = None;
    let review = reviewed(&cable, &plan, "mixed-length-few");
    let own = review.fibers.iter().find(|own| own.fiber as usize == broken).expect("planned");
    assert!(own.links.iter().all(|l| l.verdict == Some(Verdict::Undecided)), "{:?}", own.links);
    assert_ne!(own.verdict, FiberVerdict::Pass);
}

#[test]
fn a_forgotten_launch_cord_is_told_from_a_forgotten_tail_cord_as_long() {
    // Both leave as much fibre.
    let mut cable = drawn(85, 8, vec![]);
    for (file, rendered) in cable.truth.files.iter().zip(&mut cable.traces) {
        if file.fiber == 3 && file.direction == "a-to-b" {
            let trace = &mut rendered.trace;
            let cord = (500.0 / rendered.truth.spacing_m).round() as usize;
            // What the panel itself reflects stays: the cord behind it is cut out.
            let panel = (60.0 / rendered.truth.spacing_m) as usize;
            trace.counts.drain(panel..panel + cord);
            let left = trace.counts.len();
            trace.stretches[0].samples = left;
            trace.scales[0].samples = left;
        }
    }
    let mut plan = plan_of(&cable);
    plan.cable.length_m = Some(cable.truth.fiber["3"].length_m - 8.0);
    // half a metre more or less on the cord's label decides which of both fits the plan's length better
    for launch_m in [499.5, 500.5] {
        plan.measure.launch_m = Some(launch_m);
        let review = reviewed(&cable, &plan, "mixed-cord");
        only(&review, &[(3, &["no-cord"])]);
        let own = review.fibers.iter().find(|own| own.fiber == 3).expect("planned");
        let true_m = cable.truth.fiber["3"].closures.iter().map(|c| c.at_m);
        for (at_m, planned) in true_m.zip(&plan.joints) {
            let joint = own.joints.iter().find(|j| j.name == planned.name).expect("planned");
            assert!((joint.at_m - at_m).abs() < 15.0, "{joint:?}, {at_m} m");
            let far = own.joints.iter().filter(|j| j.name == "end b");
            assert!(far.into_iter().all(|j| j.loss.from_a_db.is_some()), "{own:?}");
        }
    }
}

#[test]
fn beside_a_break_a_tray_asks_for_no_measurement_that_the_break_stops() {
    let cable = drawn(83, 8, vec![Planted::Break]);
    let plan = plan_of(&cable);
    let review = reviewed(&cable, &plan, "mixed-tray");
    let broken = faulty(&cable);
    let own = review.fibers.iter().find(|own| own.fiber as usize == broken).expect("planned");
    let at_m = cable.truth.fiber[&broken.to_string()].expect[0].at_m.expect("a place");
    for joint in &plan.joints {
        let tray = Tray::new(plan.clone(), &joint.name, None).expect("a joint of the plan");
        let end = if joint.at_m < at_m { "end b" } else { "end a" };
        let (instructions, fine) = tray.instructions(own);
        assert!(!fine && instructions.len() == 2, "{instructions:?}");
        for one in instructions {
            assert_eq!(one.says, format!("repair the break first: {end}'s light stops on the way"));
        }
    }
    // From end a alone a joint behind the break is no less measured: its light stops before.
    let files: Vec<_> = written(&cable, &folder("mixed-tray-a"));
    let (from_a, _): (Vec<_>, Vec<_>) =
        files.into_iter().zip(&cable.truth.files).partition(|(_, file)| file.direction == "a-to-b");
    let from_a = from_a.into_iter().map(|(path, _)| path).collect();
    let review = job::review(from_a, &plan, &source::Options::default(), &|| ());
    let own = review.fibers.iter().find(|own| own.fiber as usize == broken).expect("planned");
    for joint in plan.joints.iter().filter(|joint| joint.at_m > at_m) {
        let tray = Tray::new(plan.clone(), &joint.name, None).expect("a joint of the plan");
        let (instructions, _) = tray.instructions(own);
        assert!(instructions.iter().all(|i| i.says.starts_with("repair the break first: end a")));
    }
}

#[test]
fn from_one_end_alone_faults_of_the_glass_are_said_and_nothing_of_sound_fibres() {
    let mut said = 0;
    for seed in [301, 302] {
        let mut job = stress::hand_over::draw(seed);
        job.files.retain(|(name, _)| name.contains("_AB"));
        job.broken.clear();
        job.plan = job.plan.replace("directions = \"both\"", "directions = \"a-to-b\"");
        let review = stress::reviewed(&job, seed);
        let plan = plan::read(&job.plan).expect("a plan");
        assert_eq!(plan.measure.directions, Directions::AToB);
        for (own, done) in review.fibers.iter().zip(&job.faults) {
            let wanted = match done {
                Done::HighSection => "high-attenuation",
                Done::Unplanned => "unplanned-event",
                Done::Sound => "",
                _ => continue,
            };
            let wanted: BTreeSet<&str> =
                Some(wanted).filter(|k| !k.is_empty()).into_iter().collect();
            let other = job.others.iter().flatten().any(|(i, _)| *i as u32 + 1 == own.fiber);
            if !other {
                assert_eq!(
                    faults(own),
                    wanted,
                    "seed {seed} fibre {}: {:?}",
                    own.fiber,
                    own.findings
                );
                said += wanted.len();
            }
        }
    }
    assert!(said > 1, "{said} faults prove nothing");
}
