//! The worklist: everything that is open is a task, at the end or place where it is done, and once.

use std::collections::{BTreeMap, BTreeSet};

use strandline::job::{self, Direction, JointReview, Review, Station, Task, TestVerdict};
use strandline::plan::{self, Directions, Plan};
use strandline::simulate::cable::{self, Cable, Planted, Size};
use strandline::source;

use super::{folder, written};

fn short(seed: u64, fibers: usize, planted: bool) -> Cable {
    let mut size = Size { closures: 3, length_m: 6_000.0, samples: 6_000, ..Size::common(fibers) };
    if !planted {
        size.planted.clear();
    }
    cable::draw(seed, &size)
}

fn reviewed(cable: &Cable, plan: &Plan, name: &str) -> Review {
    job::review(written(cable, &folder(name)), plan, &source::Options::default(), &|| ())
}

fn plan_of(cable: &Cable) -> Plan {
    plan::read(&cable.plan).expect("the simulator's plans can be read")
}

/// Wavelengths of a task that is a measurement: `measure 1310 and 1550 nm again, …`.
fn measured_nm(task: &Task) -> Option<Vec<u16>> {
    let (nm, _) = task.does.strip_prefix("measure ")?.split_once(" nm")?;
    Some(nm.split(" and ").map(|nm| nm.parse().expect("a wavelength")).collect())
}

fn end_of(direction: Direction) -> Station {
    if direction == Direction::AToB { Station::EndA } else { Station::EndB }
}

/// Everything that is missing or undecided is a task of its fibre, and no measurement is asked for twice.
fn holds(review: &Review, plan: &Plan) -> Vec<Task> {
    let tasks = job::todo(review, plan);
    let mut asked: BTreeMap<(u32, Station, u16), usize> = BTreeMap::new();
    for task in &tasks {
        for nm in measured_nm(task).unwrap_or_default() {
            *asked.entry((task.fiber.expect("a fibre's"), task.station, nm)).or_default() += 1;
        }
    }
    assert!(asked.values().all(|times| *times == 1), "{tasks:#?}");
    let fibers: BTreeSet<Option<u32>> = tasks.iter().map(|task| task.fiber).collect();
    for row in &review.rows {
        let key = row.fiber.zip(row.wavelength_nm).zip(row.direction);
        let key = key.map(|((fiber, nm), end)| (fiber, end_of(end), nm));
        if row.verdict == TestVerdict::Missing {
            assert_eq!(asked.get(&key.expect("planned")), Some(&1), "{row:?} {tasks:#?}");
        }
        if row.verdict == TestVerdict::Undecided {
            // Without limits the job's plan is the task.
            let fiber = row.fiber.filter(|_| row.reasons != [job::NO_LIMIT]);
            assert!(fibers.contains(&fiber), "{row:?} {tasks:#?}");
        }
    }
    assert!(tasks.is_sorted_by_key(|task| task.station), "{tasks:#?}");
    tasks
}

#[test]
fn all_that_is_open_in_a_job_with_faults_is_a_task_once() {
    for seed in [3, 11, 20, 31] {
        let cable = short(seed, 14, true);
        let mut plan = plan_of(&cable);
        let folder = format!("todo-{seed}");
        let sound = reviewed(&cable, &plan, &folder);
        let few = holds(&sound, &plan).len();
        // limits that lie where the losses do leave much undecided
        plan.limits.splice_db = Some(0.04);
        plan.limits.connector_db = Some(0.2);
        let strict = reviewed(&cable, &plan, &folder);
        assert!(strict.counts.undecided > 3, "seed {seed} proves nothing");
        assert!(holds(&strict, &plan).len() > few);
    }
}

#[test]
fn an_undecided_joint_is_to_be_averaged_so_long_and_one_at_its_limit_not() {
    let cable = short(5, 2, false);
    let mut plan = plan_of(&cable);
    let whole = reviewed(&cable, &plan, "todo-longer");
    assert!(holds(&whole, &plan).is_empty(), "a sound cable asks for nothing");
    plan.limits.linearity_db_per_db = 0.0;
    // the joint that loses most: whatever limit lies near it, the others pass
    let planned = |joint: &JointReview| joint.name.starts_with('C');
    let all = whole.fibers.iter().flat_map(|own| own.joints.iter().map(move |j| (own.fiber, j)));
    let value = |joint: &JointReview| joint.loss.loss_db.expect("measured").value;
    let (fiber, joint) = all
        .filter(|(_, joint)| planned(joint))
        .max_by(|a, b| value(a.1).total_cmp(&value(b.1)))
        .expect("planned joints");
    let loss = joint.loss.loss_db.expect("measured");
    let name = joint.name.as_str();
    // One sigma from the limit, where 95 % asks for 1.645: averaging 1.645² = 2.7 times as long.
    plan.limits.splice_db = Some(loss.value + loss.sigma);
    let near = reviewed(&cable, &plan, "todo-longer");
    let tasks = holds(&near, &plan);
    let is_it = |t: &&Task| t.fiber == Some(fiber) && t.does.ends_with(&format!("for {name}"));
    let own: Vec<&Task> = tasks.iter().filter(is_it).collect();
    assert!(!own.is_empty() && own.len() <= 4, "{tasks:#?}");
    let content = near.tests[0].read().expect("readable");
    let stated = content.averaging_s.expect("stated");
    for task in own {
        assert!(matches!(task.station, Station::EndA | Station::EndB), "{task:?}");
        let seconds = task.does.split("averaging ").nth(1).and_then(|t| t.split(' ').next());
        let seconds: f64 = seconds.and_then(|s| s.parse().ok()).expect("seconds");
        assert!(seconds > 2.0 * stated && seconds < 8.0 * stated, "{task:?}, {stated} s stated");
    }
    // At the very limit no averaging helps: it is a matter of the place.
    plan.limits.splice_db = Some(loss.value);
    let tasks = holds(&reviewed(&cable, &plan, "todo-longer"), &plan);
    let own = tasks.iter().find(|t| t.fiber == Some(fiber) && t.place == name).expect("a task");
    assert!(matches!(own.station, Station::Along(_)), "{own:?}");
    assert!(own.does.contains("waiver"), "{own:?}");
}

#[test]
fn beside_a_fault_a_joint_that_is_open_has_a_task_of_its_own() {
    let mut size = Size { closures: 3, length_m: 6_000.0, samples: 6_000, ..Size::common(2) };
    size.planted = vec![Planted::HighSplice];
    let cable = cable::draw(9, &size);
    let mut plan = plan_of(&cable);
    plan.limits.linearity_db_per_db = 0.0;
    let review = reviewed(&cable, &plan, "todo-beside");
    let (own, bad) = review
        .fibers
        .iter()
        .find_map(|own| {
            let found = own.findings.iter().find(|f| f.kind == "high-splice")?;
            Some((own, found.place.clone().expect("a joint")))
        })
        .expect("planted");
    let value = |joint: &JointReview| joint.loss.loss_db.expect("measured").value;
    let others = own.joints.iter().filter(|j| j.name.starts_with('C') && j.name != bad);
    let open = others.max_by(|a, b| value(a).total_cmp(&value(b))).expect("joints");
    let loss = open.loss.loss_db.expect("measured");
    // One sigma from the limit, where 95 % asks for 1.645.
    plan.limits.splice_db = Some(loss.value + loss.sigma);
    let near = reviewed(&cable, &plan, "todo-beside");
    let fiber = Some(own.fiber);
    let is_failed = |row: &&job::Row| row.fiber == fiber && row.verdict == TestVerdict::Fail;
    assert_eq!(near.rows.iter().filter(is_failed).count(), 4, "every row of it fails");
    let tasks = holds(&near, &plan);
    let longer = tasks.iter().filter(|t| t.fiber == fiber && t.does.contains("averaging"));
    let longer: Vec<&Task> = longer.collect();
    assert!(!longer.is_empty(), "{tasks:#?}");
    assert!(longer.iter().all(|t| t.does.ends_with(&format!("for {}", open.name))), "{tasks:#?}");
    // A fibre in two is measured anew as a whole once it is repaired.
    size.planted = vec![Planted::Break];
    let cable = cable::draw(9, &size);
    let plan = plan_of(&cable);
    let broken = reviewed(&cable, &plan, "todo-broken");
    let own = broken.fibers.iter().find(|f| f.findings.iter().any(|f| f.kind == "break"));
    let fiber = own.expect("planted").fiber;
    let tasks = holds(&broken, &plan);
    assert!(
        !tasks.iter().any(|t| t.fiber == Some(fiber) && measured_nm(t).is_some()),
        "{tasks:#?}"
    );
}

#[test]
fn what_one_end_cannot_tell_is_to_be_measured_from_the_other() {
    let mut cable = short(5, 2, false);
    let forth = |direction: &str| direction == "a-to-b";
    let keep: Vec<bool> = cable.truth.files.iter().map(|f| forth(&f.direction)).collect();
    let mut kept = keep.iter();
    cable.traces.retain(|_| *kept.next().expect("as many"));
    cable.truth.files.retain(|file| forth(&file.direction));
    let mut plan = plan_of(&cable);
    // 0.05 dB for unequal fibres leaves nearly every splice open against 0.1 dB
    plan.limits.splice_db = Some(0.1);
    plan.measure.directions = Directions::AToB;
    let tasks = holds(&reviewed(&cable, &plan, "todo-one-end"), &plan);
    let at_b: Vec<&Task> = tasks.iter().filter(|t| t.station == Station::EndB).collect();
    assert!(at_b.iter().any(|t| t.does.contains("as well")), "{tasks:#?}");
    // Where the plan asks for both ends, end b is missing, and that alone is the task.
    plan.measure.directions = Directions::Both;
    let tasks = holds(&reviewed(&cable, &plan, "todo-one-end"), &plan);
    let does: BTreeSet<&str> = tasks.iter().map(|t| t.does.as_str()).collect();
    assert_eq!(does, BTreeSet::from(["measure 1310 and 1550 nm"]), "{tasks:#?}");
}

#[test]
fn too_noisy_a_trace_is_to_be_measured_again_at_its_own_end() {
    let cable = short(5, 2, false);
    let mut plan = plan_of(&cable);
    let stated = 20.0;
    plan.measure.min_averaging_s = Some(10.0 * stated);
    let mut cable = cable;
    for (file, rendered) in cable.truth.files.iter().zip(&mut cable.traces) {
        let is_short = file.fiber == 2 && file.direction == "b-to-a" && file.wavelength_nm == 1550;
        rendered.trace.settings.averaging_s = Some(if is_short { stated } else { 20.0 * stated });
    }
    let tasks = holds(&reviewed(&cable, &plan, "todo-noisy"), &plan);
    let own: Vec<&Task> = tasks.iter().filter(|t| measured_nm(t).is_some()).collect();
    assert_eq!(own.len(), 1, "{tasks:#?}");
    assert_eq!((own[0].station, own[0].fiber), (Station::EndB, Some(2)));
    assert_eq!(own[0].does, "measure 1550 nm again, averaging 200 s at least, as agreed");
    assert!(tasks.iter().all(|t| !t.does.starts_with("too-noisy")), "said once: {tasks:#?}");
}

#[test]
fn a_plan_without_limits_is_one_task_for_the_job() {
    let cable = short(5, 2, false);
    let mut plan = plan_of(&cable);
    let limits = &mut plan.limits;
    (limits.splice_db, limits.connector_db, limits.reflectance_db) = (None, None, None);
    (limits.splice_mean_db, limits.link_loss_db, limits.orl_db) = (None, None, None);
    limits.attenuation_db_per_km.clear();
    let tasks = holds(&reviewed(&cable, &plan, "todo-unlimited"), &plan);
    assert_eq!(tasks.len(), 1, "{tasks:#?}");
    assert!(tasks[0].fiber.is_none() && tasks[0].does.contains("set limits"), "{tasks:#?}");
}
