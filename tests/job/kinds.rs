//! Each kind of finding that the simulator does not plant itself: done to one fibre of a sound cable,
//! said of it, and of no other.

use std::collections::{BTreeMap, BTreeSet};

use super::chance::Chance;
use strandline::grade::Verdict;
use strandline::job::{self, FiberVerdict, Review, Severity};
use strandline::plan::{self, Plan};
use strandline::simulate::Rendered;
use strandline::simulate::cable::{self, Cable, Fault, Planted, Size};
use strandline::source;
use strandline::trace::{Label, Listed, Table};

use super::{folder, written};

const NOBODY: usize = 0;

/// A cable without faults; short, so that it renders quickly.
fn sound(seed: u64, planted: Vec<Planted>) -> Cable {
    let size = Size { closures: 4, length_m: 8_000.0, samples: 8_000, planted, ..Size::common(12) };
    cable::draw(seed, &size)
}

/// The traces labelled as those of a fibre, by wavelength and direction.
fn of(cable: &mut Cable, fiber: usize) -> BTreeMap<(u32, String), &mut Rendered> {
    let files = cable.truth.files.iter().zip(&mut cable.traces);
    let own = files.filter(|(file, _)| file.fiber == fiber);
    own.map(|(file, trace)| ((file.wavelength_nm, file.direction.clone()), trace)).collect()
}

fn reviewed(cable: &Cable, plan: &Plan, name: &str) -> Review {
    job::review(written(cable, &folder(name)), plan, &source::Options::default(), &|| ())
}

fn plan_of(cable: &Cable, changes: &[(&str, &str)]) -> Plan {
    let mut text = cable.plan.clone();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    plan::read(&text).expect("the simulator's plans can be read")
}

/// Faults by fibre.
fn faults(review: &Review) -> BTreeMap<usize, BTreeSet<&'static str>> {
    let said = |own: &job::FiberReview| -> BTreeSet<&'static str> {
        let faults = own.findings.iter().filter(|f| f.severity == Severity::Fault);
        faults.map(|f| f.kind).collect()
    };
    let all = review.fibers.iter().map(|own| (own.fiber as usize, said(own)));
    all.filter(|(_, said)| !said.is_empty()).collect()
}

/// Exactly `kind` of exactly `fiber`.
fn only(review: &Review, fiber: usize, kind: &'static str) {
    let expected: BTreeMap<usize, BTreeSet<&str>> = if fiber == NOBODY {
        BTreeMap::new()
    } else {
        BTreeMap::from([(fiber, BTreeSet::from([kind]))])
    };
    let says: Vec<_> = review.fibers.iter().flat_map(|f| &f.findings).collect();
    assert_eq!(faults(review), expected, "{says:#?}");
}

#[test]
fn nothing_is_said_of_a_sound_cable() {
    let cable = sound(5, Vec::new());
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-sound");
    only(&review, NOBODY, "");
    assert!(review.is_clean());
}

#[test]
fn a_file_under_another_fibres_label_is_said_to_be_wrongly_labelled() {
    let mut cable = sound(6, Vec::new());
    // fibre 4 has its own file and one that shows fibre 9
    let label = Label::from("004");
    let moved = of(&mut cable, 9).remove(&(1550, "b-to-a".into())).expect("drawn");
    moved.trace.labels.fiber = label;
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-fiber");
    let said = faults(&review);
    assert_eq!(said[&4], BTreeSet::from(["wrong-label"]), "{said:?}");
    assert_eq!(said[&9], BTreeSet::from(["missing"]), "{said:?}");
    let own = &review.fibers[3].findings[0];
    assert_eq!(own.evidence["seems_fiber"], 9.0);
    // Its own measurement counts, whichever of both is later.
    let counting = review.rows.iter().filter(|r| r.fiber == Some(4) && r.counts).count();
    assert_eq!((counting, said.len()), (4, 2));
}

#[test]
fn a_file_labelled_from_the_other_end_is_said_to_be_wrongly_labelled() {
    let mut cable = sound(7, Vec::new());
    let file = of(&mut cable, 3).remove(&(1310, "a-to-b".into())).expect("drawn");
    let labels = &mut file.trace.labels;
    std::mem::swap(&mut labels.from, &mut labels.to);
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-end");
    only(&review, 3, "wrong-label");
    assert_eq!(review.fibers[2].verdict, FiberVerdict::Incomplete);
}

#[test]
fn a_file_labelled_with_another_wavelength_is_said_to_be_wrongly_labelled() {
    let mut cable = sound(8, Vec::new());
    let file = of(&mut cable, 11).remove(&(1310, "a-to-b".into())).expect("drawn");
    file.trace.settings.wavelength_nm = Some(1550.0);
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-wavelength");
    only(&review, 11, "wrong-label");
}

#[test]
fn who_measured_and_when_is_said_where_it_is_unlike_the_rest() {
    let mut cable = sound(9, Vec::new());
    for file in of(&mut cable, 2).into_values() {
        file.trace.labels.operator = Label::from("N. Body");
    }
    let plan = plan_of(&cable, &[]);
    only(&reviewed(&cable, &plan, "kinds-operator"), 2, "odd-one-out");
    let mut cable = sound(9, Vec::new());
    for file in of(&mut cable, 2).into_values() {
        file.trace.settings.measured_at_unix_s = Some(946_684_800); // a clock that was never set
    }
    let review = reviewed(&cable, &plan, "kinds-date");
    only(&review, 2, "odd-one-out");
    assert_eq!(review.fibers[1].verdict, FiberVerdict::Undecided);
    // Two fibres of twelve are as odd as one.
    let mut cable = sound(9, Vec::new());
    for fiber in [2, 7] {
        for file in of(&mut cable, fiber).into_values() {
            file.trace.labels.operator = Label::from("N. Body");
        }
    }
    let odd = BTreeSet::from(["odd-one-out"]);
    let said = faults(&reviewed(&cable, &plan, "kinds-two-fibres"));
    assert_eq!(said, BTreeMap::from([(2, odd.clone()), (7, odd)]));
    // Two operators who share the work are nothing odd.
    let mut cable = sound(9, Vec::new());
    for fiber in 1..=5 {
        for file in of(&mut cable, fiber).into_values() {
            file.trace.labels.operator = Label::from("N. Body");
        }
    }
    only(&reviewed(&cable, &plan, "kinds-two-operators"), NOBODY, "");
}

#[test]
fn an_index_or_pulse_unlike_the_other_traces_is_said_without_one_in_the_plan() {
    let mut cable = sound(10, Vec::new());
    for file in of(&mut cable, 5).into_values() {
        let odd = strandline::units::GroupIndex::new(1.4750).expect("glass");
        file.trace.settings.index = odd;
        file.trace.settings.file_index = odd;
    }
    for file in of(&mut cable, 6).into_values() {
        for stretch in &mut file.trace.stretches {
            stretch.pulse_ns = 90;
        }
    }
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-settings");
    let said = faults(&review);
    assert_eq!(said[&5], BTreeSet::from(["wrong-index"]), "{said:?}");
    assert!(said[&6].contains("wrong-pulse"), "{said:?}");
    assert_eq!(said.len(), 2, "{said:?}");

    // A quarter of the fibres do not make a pulse the job's; where half have either nobody knows whose it is.
    let mut cable = sound(10, Vec::new());
    let mut said_of = |fibers: std::ops::RangeInclusive<usize>| {
        for fiber in fibers {
            for file in of(&mut cable, fiber).into_values() {
                for stretch in &mut file.trace.stretches {
                    stretch.pulse_ns = 90;
                }
            }
        }
        let said = faults(&reviewed(&cable, &plan_of(&cable, &[]), "kinds-pulses"));
        let wrong = said.iter().filter(|(_, kinds)| kinds.contains("wrong-pulse"));
        wrong.map(|(fiber, _)| *fiber).collect::<Vec<_>>()
    };
    assert_eq!(said_of(1..=3), [1, 2, 3]);
    assert!(said_of(4..=6).is_empty());
}

#[test]
fn a_fibre_of_another_length_stands_out() {
    let mut cable = sound(11, Vec::new());
    for file in of(&mut cable, 7).into_values() {
        for stretch in &mut file.trace.stretches {
            // 0.6 % longer: 48 m, where the others spread over 11 m
            stretch.spacing_1e_14_s = (f64::from(stretch.spacing_1e_14_s) * 1.006).round() as u32;
        }
    }
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-length");
    only(&review, 7, "length-outlier");
    assert_eq!(review.fibers[6].verdict, FiberVerdict::Undecided);
}

#[test]
fn a_splice_within_its_limit_stands_out_among_better_ones() {
    let cable = sound(12, vec![Planted::HighSplice]);
    let (number, closure) = planted(&cable, |fault| match fault {
        Fault::HighSplice { closure, .. } => Some(*closure),
        _ => None,
    });
    let generous = plan_of(&cable, &[("splice_db = 0.20", "splice_db = 1.50")]);
    let review = reviewed(&cable, &generous, "kinds-loss");
    only(&review, number, "loss-outlier");
    let found = &review.fibers[number - 1].findings[0];
    assert_eq!(found.place, Some(format!("C{closure}")));
}

/// The fibre with a fault, and what `pick` makes of it.
fn planted<T>(cable: &Cable, pick: impl Fn(&Fault) -> Option<T>) -> (usize, T) {
    let mut fibers = cable.truth.fiber.iter();
    fibers
        .find_map(|(n, f)| Some((n.parse().ok()?, pick(f.fault.as_ref()?)?)))
        .expect("it is planted")
}

/// The plan without its joint at a closure.
fn without(cable: &Cable, closure: usize) -> Plan {
    let mut plan = plan_of(cable, &[("\"from parts\"", "{ 1310 = 9.0, 1550 = 9.0 }")]);
    plan.joints.retain(|j| j.name != format!("C{closure}"));
    plan
}

#[test]
fn a_loss_where_no_joint_is_planned_is_said_and_a_bend_is_told_from_a_splice() {
    let cable = sound(13, vec![Planted::HighSplice, Planted::Bend]);
    let (splice, at) = planted(&cable, |fault| match fault {
        Fault::HighSplice { closure, .. } => Some(*closure),
        _ => None,
    });
    let review = reviewed(&cable, &without(&cable, at), "kinds-unplanned");
    assert!(faults(&review)[&splice].contains("unplanned-event"), "{:?}", faults(&review));
    let own = &review.fibers[splice - 1];
    let found = own.findings.iter().find(|f| f.kind == "unplanned-event").expect("said");
    let truth = &cable.truth.fiber[&splice.to_string()].closures[at - 1];
    assert!((found.at_m.expect("a place") - truth.at_m).abs() < 2.0);
    assert!((found.evidence["loss_db"] - truth.loss_db["1550"]).abs() < 0.02);

    let (bend, at) = planted(&cable, |fault| match fault {
        Fault::Bend { closure, .. } => Some(*closure),
        _ => None,
    });
    let review = reviewed(&cable, &without(&cable, at), "kinds-unplanned-bend");
    assert!(faults(&review)[&bend].contains("bend"), "{:?}", faults(&review));
}

#[test]
fn a_return_loss_below_its_limit_is_said() {
    let cable = sound(14, vec![Planted::ReflectiveConnector]);
    let (number, ()) =
        planted(&cable, |fault| matches!(fault, Fault::ReflectiveConnector { .. }).then_some(()));
    // A reflection of -34 to -28 dB leaves no more than its own size of return loss, seen from its
    // end; sound connectors at -50 dB and 8 km of backscatter leave about 32 dB.
    // The simulator states the backscatter coefficient that it renders with.
    let changes = [("reflectance_db = -40.0", "orl_db = 31.0\nbackscatter_sigma_db = 0.01")];
    let review = reviewed(&cable, &plan_of(&cable, &changes), "kinds-return-loss");
    let lowest = |own: &job::FiberReview| {
        own.links.iter().filter_map(|l| l.return_loss_db).map(|l| l.value).fold(99.0, f64::min)
    };
    let said = faults(&review);
    for own in &review.fibers {
        let wanted = lowest(own) < 30.7;
        let found = said.get(&(own.fiber as usize)).is_some_and(|s| s.contains("low-return-loss"));
        assert_eq!(wanted, found, "fibre {}: {}", own.fiber, lowest(own));
    }
    assert!(said.contains_key(&number), "{said:?}");
}

#[test]
fn an_instruments_own_table_that_differs_is_a_remark() {
    let mut cable = sound(15, Vec::new());
    let file = of(&mut cable, 4).remove(&(1550, "a-to-b".into())).expect("drawn");
    let index = file.trace.settings.index;
    let row = Listed {
        number: 1,
        time_100_ps: (index.seconds(500.0) * 1e10).round() as i32,
        attenuation_db_per_km: 0.2,
        loss_db: 1.9, // the launch cord's connector loses 0.35 dB at most
        reflectance_db: Some(-55.0),
        code: Label::from("1F9999"),
        method: Label::from("LS"),
        comment: Label::default(),
    };
    file.trace.table = Some(Table { rows: vec![row], loss_db: None, orl_db: None });
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-opinion");
    only(&review, NOBODY, "");
    let remarks: Vec<_> = review.fibers.iter().flat_map(|f| &f.findings).collect();
    assert_eq!(remarks.len(), 1, "{remarks:?}");
    assert_eq!((remarks[0].kind, remarks[0].fiber), ("second-opinion", Some(4)));
    assert!(review.is_clean());
}

#[test]
fn retests_without_a_time_that_tells_them_apart_are_undecided() {
    let mut cable = sound(16, vec![Planted::Retest]);
    let (number, ()) = planted(&cable, |f| matches!(f, Fault::Retest { .. }).then_some(()));
    for (file, rendered) in cable.truth.files.iter().zip(&mut cable.traces) {
        if file.fiber == number {
            rendered.trace.settings.measured_at_unix_s = Some(1_764_000_000);
        }
    }
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-retest");
    let own = review.rows.iter().filter(|r| r.fiber == Some(number as u32) && r.counts);
    assert!(own.clone().count() == 4 && own.into_iter().all(|r| r.unsettled));
    assert!(!review.is_clean());
}

#[test]
fn traces_too_noisy_for_the_limits_are_said_to_be() {
    let mut cable = sound(17, Vec::new());
    let mut chance = Chance(1);
    for file in of(&mut cable, 8).into_values() {
        // Noise of the receiver: of one power all along, here 2 dB below the launch cord's middle.
        let cord = 250.0 / file.trace.spacing_m();
        let noise_db = f64::from(file.trace.counts[cord as usize]) * 1e-3 + 2.0;
        for count in &mut file.trace.counts {
            let power = 10.0_f64.powf(-f64::from(*count) * 1e-3 / 5.0);
            let noisy = power + 10.0_f64.powf(-noise_db / 5.0) * chance.normal();
            *count = (-5e3 * noisy.max(1e-9).log10()).round().clamp(0.0, 65_535.0) as u16;
        }
    }
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-noisy");
    let said = faults(&review);
    let own = said.get(&8).is_some_and(|kinds| kinds.contains("too-noisy"));
    assert!(own, "{said:?} {:?}", review.fibers[7].joints);
    assert_eq!(said.len(), 1, "{said:?}");
}

#[test]
fn an_index_far_off_is_said_to_be_wrong_and_no_break_is_made_of_it() {
    // 1.5 % either way: 120 m of 8 km, where a break begins at 80 m.
    for (seed, odd, tail) in [(18, 1.4902, true), (19, 1.4462, true), (20, 1.4902, false)] {
        let mut cable = sound(seed, Vec::new());
        let file = of(&mut cable, 5).remove(&(1550, "a-to-b".into())).expect("drawn");
        let odd = strandline::units::GroupIndex::new(odd).expect("glass");
        file.trace.settings.index = odd;
        file.trace.settings.file_index = odd;
        let mut plan = plan_of(&cable, &[]);
        if !tail {
            plan.measure.tail_m = None;
            plan.limits.link_loss_db = None; // made of parts that are not seen without a cord
        }
        let review = reviewed(&cable, &plan, &format!("kinds-index-{seed}"));
        only(&review, 5, "wrong-index");
    }
}

#[test]
fn traces_that_end_before_the_fibre_does_pass_nothing_that_they_do_not_show() {
    let mut cable = sound(21, Vec::new());
    for file in of(&mut cable, 8).into_values() {
        let shown = file.trace.counts.len() * 55 / 100;
        file.trace.counts.truncate(shown);
        file.trace.stretches[0].samples = shown;
        file.trace.scales[0].samples = shown;
    }
    let review = reviewed(&cable, &plan_of(&cable, &[]), "kinds-short");
    let own = &review.fibers[7];
    assert_eq!(own.verdict, FiberVerdict::Undecided, "{:?}", own.links);
    assert!(own.links.iter().all(|l| l.verdict == Some(Verdict::Undecided)), "{:?}", own.links);
    assert!(faults(&review).keys().all(|fiber| *fiber == 8), "{:?}", faults(&review));
    // Nor does it pass a limit whose figure needs both ends, where there is no other.
    for limit in ["orl_db = 20.0", "max_length_m = 20000.0"] {
        let changes = [("link_loss_db = \"from parts\"\n", ""), ("reflectance_db = -40.0", limit)];
        let plan = plan_of(&cable, &changes);
        let own = &reviewed(&cable, &plan, "kinds-short").fibers[7];
        assert!(own.links.iter().all(|l| l.verdict.is_none()), "{:?}", own.links);
        let verdicts = own.links.iter().map(|l| l.return_loss_verdict.or(l.length_verdict));
        assert!(verdicts.into_iter().all(|v| v == Some(Verdict::Undecided)), "{limit}: {own:?}");
        assert_eq!(own.verdict, FiberVerdict::Undecided, "{limit}");
    }
}
