//! Verdicts on analyses made by hand: what is judged, and what is not.

use super::*;
use crate::event::{Noise, Peak, Section, Span};
use crate::plan;
use crate::trace::{Instrument, Labels, Scale, Settings, Stretch};
use crate::units::GroupIndex;

/// A trace of a kilometre, 100 ns, 30 s, at 1550 nm; its samples matter little here.
fn a_trace() -> Trace {
    let index = GroupIndex::new(1.4682).unwrap();
    Trace {
        counts: (0..4000).map(|i| 10_000 + i / 4).collect(),
        scales: vec![Scale { samples: 4000, count_micro_db: 1000 }],
        stretches: vec![Stretch { samples: 4000, pulse_ns: 100, spacing_1e_14_s: 250_000 }],
        settings: Settings {
            wavelength_nm: Some(1550.0),
            backscatter_db: Some(-82.0),
            averaging_s: Some(30.0),
            ..Settings::bare(index)
        },
        labels: Labels::default(),
        instrument: Instrument::default(),
        table: None,
        notes: Vec::new(),
    }
}

fn event(number: usize, position_m: f64, role: Role) -> Event {
    Event {
        number,
        position_m: PanelM(position_m),
        position_sigma_m: 0.1,
        role,
        peak: None,
        likely: (role == Role::Joint).then_some(Likely::Splice),
        reason: String::new(),
        loss_db: (role == Role::Joint).then_some(Measured::new(0.1, 0.005)),
        loss_at_least_db: None,
        extent_m: 20.0,
        merged: 1,
    }
}

/// Cord, link of two splices, cord: connectors at 500 m and 1500 m.
fn an_analysis() -> Analysis {
    let mut events = vec![
        event(1, 0.0, Role::Start),
        event(2, 500.0, Role::Joint),
        event(3, 800.0, Role::Joint),
        event(4, 1100.0, Role::Joint),
        event(5, 1300.0, Role::Echo),
        event(6, 1500.0, Role::Joint),
        event(7, 2000.0, Role::End),
    ];
    for i in [1, 5] {
        events[i].likely = Some(Likely::Connector);
        events[i].peak = Some(Peak::Whole { reflectance_db: Some(Measured::new(-50.0, 0.2)) });
    }
    let places = [0.0, 500.0, 800.0, 1100.0, 1500.0, 2000.0];
    let section = |pair: &[f64]| Section {
        from_m: PanelM(pair[0]),
        to_m: PanelM(pair[1]),
        attenuation_db_per_km: Some(Measured::new(0.2, 0.01)),
    };
    Analysis {
        events,
        sections: places.windows(2).map(section).collect(),
        span: Some(Span {
            start_m: PanelM(500.0),
            end_m: PanelM(1500.0),
            length_m: Measured::new(1000.0, 0.2),
            loss_db: Some(Measured::new(0.6, 0.01)),
            orl_db: Some(Measured::new(35.0, 0.1)),
        }),
        noise: Noise {
            floor_db: Some(-40.0),
            correlated_samples: 1.0,
            speckle: 0.0,
            receiver_m: 1.0,
            noise_from_m: None,
        },
        opinions: Vec::new(),
        notes: Vec::new(),
    }
}

fn a_plan(limits: &str) -> Plan {
    let text = format!(
        "schema = \"strandline.plan/1\"\n[cable]\nid = \"X\"\nfibers = \"1\"\nends = [\"A\", \"B\"]\n\
         length_m = 1000.0\n[measure]\nwavelengths_nm = [1550]\nlaunch_m = 500.0\ntail_m = 500.0\n\
         [limits]\n{limits}\n"
    );
    plan::read(&text).unwrap()
}

fn item(judged: &Judged, of: Of, quantity: Quantity) -> Item {
    let found = judged.items.iter().find(|item| item.of == of && item.quantity == quantity);
    found.unwrap_or_else(|| panic!("no {quantity:?} of {of:?}: {judged:?}")).clone()
}

#[test]
fn the_links_own_joints_are_judged_and_nothing_else() {
    let plan = a_plan("splice_db = 0.5\nconnector_db = 0.5\nreflectance_db = -40.0");
    let judged = trace(&plan, &a_trace(), &an_analysis());
    let of: Vec<(Of, Quantity)> = judged.items.iter().map(|i| (i.of, i.quantity)).collect();
    let loss = |n| (Of::Event(n), Quantity::Loss);
    let reflectance = |n| (Of::Event(n), Quantity::Reflectance);
    assert_eq!(of, [loss(2), reflectance(2), loss(3), loss(4), loss(6), reflectance(6)]);
    assert_eq!(judged.verdict(), Some(Verdict::Pass));
    assert!(judged.notes.is_empty(), "{:?}", judged.notes);
}

#[test]
fn a_splice_from_one_end_near_its_limit_asks_for_the_other_end() {
    // by hand: 0.10 ± 0.05 against 0.15: P = Φ(1) = 0.84; from both ends ± 0.0047: decided
    let judged = trace(&a_plan("splice_db = 0.15"), &a_trace(), &an_analysis());
    let own = item(&judged, Of::Event(3), Quantity::Loss);
    assert_eq!(own.verdict, Verdict::Undecided);
    assert!((own.probability.unwrap() - 0.84).abs() < 0.01, "{own:?}");
    assert!(own.remedy.unwrap().starts_with("the other end"));
    assert_eq!(judged.verdict(), Some(Verdict::Undecided));
    // without that doubt it passes
    let sure = trace(&a_plan("splice_db = 0.15\none_way_db = 0.001"), &a_trace(), &an_analysis());
    assert_eq!(sure.verdict(), Some(Verdict::Pass));
}

#[test]
fn a_noisy_loss_says_how_much_longer_to_average() {
    let mut analysis = an_analysis();
    analysis.events[2].loss_db = Some(Measured::new(0.1, 0.06));
    let plan = a_plan("splice_db = 0.15\none_way_db = 0.001\nlinearity_db_per_db = 0.001");
    let own = item(&trace(&plan, &a_trace(), &analysis), Of::Event(3), Quantity::Loss);
    // by hand: 0.05 dB of room are 1.645 sigma of 0.0304 dB. The mean of both ends has 0.042 dB, which
    // does not do; (0.06 / 0.0304)² = 3.9 times 30 s does
    assert_eq!(own.verdict, Verdict::Undecided);
    assert!(own.remedy.as_deref().unwrap().starts_with("averaging 3.9 times"), "{own:?}");
}

#[test]
fn places_that_share_a_loss_pass_under_one_limit_and_fail_over_both() {
    let verdict = |sum: f64| {
        let mut analysis = an_analysis();
        analysis.events[2].merged = 2;
        analysis.events[2].loss_db = Some(Measured::new(sum, 0.001));
        analysis.events[3].loss_db = None;
        let plan = a_plan("splice_db = 0.2\none_way_db = 0.001\nlinearity_db_per_db = 0.001");
        let judged = trace(&plan, &a_trace(), &analysis);
        assert!(judged.of_event(4).is_none(), "the second of the group has no figure of its own");
        item(&judged, Of::Event(3), Quantity::Loss)
    };
    assert_eq!(verdict(0.15).verdict, Verdict::Pass);
    assert_eq!(verdict(0.5).verdict, Verdict::Fail);
    let between = verdict(0.3);
    assert_eq!(between.verdict, Verdict::Undecided);
    // 300 m apart: any shorter pulse parts them
    assert!(between.remedy.as_deref().unwrap().starts_with("a pulse of 50 ns"), "{between:?}");
}

#[test]
fn two_joints_closer_than_the_receiver_resolves_hide_no_joint_behind_them() {
    let mut analysis = an_analysis();
    analysis.events[2].merged = 2; // both at one place: the next event is no part of the group
    analysis.events[3].loss_db = Some(Measured::new(0.9, 0.001));
    let judged = trace(&a_plan("splice_db = 0.2"), &a_trace(), &analysis);
    assert_eq!(judged.of_event(4), Some(Verdict::Fail));
}

#[test]
fn a_group_of_two_splices_is_two_in_their_mean_and_in_the_links_parts() {
    // loss of the first splice and how many places share it, loss of the second, mean by hand, how many
    let cases = [
        ((0.30, 2), None, Some(0.15), 2), // both are seen, and lose together
        ((0.30, 2), Some(0.06), Some(0.12), 3), // two in one event, and one apart: 0.36/3
        ((0.30, 1), Some(0.06), Some(0.18), 2),
        ((0.30, 1), None, None, 2), // the second is hidden
    ];
    for ((first, merged), second, mean, count) in cases {
        let mut analysis = an_analysis();
        analysis.events[2].merged = merged;
        analysis.events[2].loss_db = Some(Measured::new(first, 0.001));
        analysis.events[3].loss_db = second.map(|db| Measured::new(db, 0.001));
        let plan = a_plan("splice_mean_db = 0.4\none_way_db = 0.001");
        let own = item(&trace(&plan, &a_trace(), &analysis), Of::Splices, Quantity::MeanLoss);
        let Figure::Whole(found) = own.figure else { panic!("{own:?}") };
        assert_eq!(own.verdict == Verdict::Pass, mean.is_some(), "{own:?}");
        assert!((found.value - mean.unwrap_or(first)).abs() < 1e-9, "{own:?}");
        let parts = parts(&plan, &a_trace(), &analysis);
        let splices = parts.iter().find(|part| part.part == "splices").unwrap();
        assert_eq!((splices.count, splices.loss_db.is_some()), (f64::from(count), mean.is_some()));
    }
}

#[test]
fn a_splice_that_shares_its_loss_with_a_connector_is_not_known() {
    let mut analysis = an_analysis();
    // A connector and the splice behind it lose together; of the other splice nothing is hidden.
    analysis.events[1].merged = 2;
    analysis.events[1].position_m = PanelM(520.0);
    analysis.events[2].loss_db = None;
    let plan = a_plan("splice_mean_db = 0.4\none_way_db = 0.001");
    let own = item(&trace(&plan, &a_trace(), &analysis), Of::Splices, Quantity::MeanLoss);
    assert_eq!(own.verdict, Verdict::Undecided, "{own:?}");
}

#[test]
fn a_joint_whose_loss_is_hidden_is_undecided_and_a_bound_can_only_fail() {
    let mut analysis = an_analysis();
    analysis.events[2].loss_db = None;
    let plan = a_plan("splice_db = 0.5\nreflectance_db = -40.0");
    let judged = trace(&plan, &a_trace(), &analysis);
    assert_eq!(judged.of_event(3), Some(Verdict::Undecided));
    analysis.events[2].loss_at_least_db = Some(14.0);
    assert_eq!(trace(&plan, &a_trace(), &analysis).of_event(3), Some(Verdict::Fail));
    for (bound, verdict) in [(-45.0, Verdict::Undecided), (-30.0, Verdict::Fail)] {
        analysis.events[1].peak = Some(Peak::Saturated { at_least_db: Some(bound) });
        let own = item(&trace(&plan, &a_trace(), &analysis), Of::Event(2), Quantity::Reflectance);
        assert_eq!((own.verdict, own.probability), (verdict, None), "{bound}");
    }
}

#[test]
fn a_link_without_its_end_connectors_never_passes_its_loss() {
    let plan = a_plan("link_loss_db = { 1550 = 2.0 }");
    let link = |analysis: &Analysis| {
        item(&trace(&plan, &a_trace(), analysis), Of::Link, Quantity::Loss).verdict
    };
    let mut analysis = an_analysis();
    assert_eq!(link(&analysis), Verdict::Pass);
    analysis.span.as_mut().unwrap().end_m = PanelM(2000.0);
    assert_eq!(link(&analysis), Verdict::Undecided);
    analysis.span.as_mut().unwrap().loss_db = Some(Measured::new(3.0, 0.01));
    assert_eq!(link(&analysis), Verdict::Fail);
    analysis.span = None;
    assert_eq!(link(&analysis), Verdict::Undecided);
}

#[test]
fn too_little_loss_fails_an_access_networks_class() {
    // G7: class B+, 13 to 28 dB (ITU-T G.984.2, quoted); here with the usual linearity switched off
    let mut plan = Plan::of_presets(&[plan::Preset::named("pon-b-plus").unwrap()]);
    (plan.limits.linearity_db_per_db, plan.limits.one_way_db) = (0.0, 0.0);
    let mut analysis = an_analysis();
    for (loss_db, least, most) in [(27.9, 1.0, 0.8413), (12.9, 0.1587, 1.0)] {
        analysis.span.as_mut().unwrap().loss_db = Some(Measured::new(loss_db, 0.1));
        let judged = trace(&plan, &a_trace(), &analysis);
        let p = |wanted: Limit| {
            let own = judged.items.iter().find(|i| i.limit == wanted).unwrap();
            own.probability.unwrap()
        };
        assert!((p(Limit::AtLeast(13.0)) - least).abs() < 1e-4, "{loss_db}");
        assert!((p(Limit::AtMost(28.0)) - most).abs() < 1e-4, "{loss_db}");
    }
}

#[test]
fn joints_that_pass_alone_are_not_sure_together() {
    // G6: 48 joints of 98 % each are 0.379 together, independence
    let own = Item {
        of: Of::Event(2),
        quantity: Quantity::Loss,
        figure: Figure::Whole(Measured::new(0.1, 0.01)),
        limit: Limit::AtMost(0.15),
        probability: Some(0.98),
        verdict: Verdict::Pass,
        doubt: None,
        counts: true,
        remedy: None,
        waived: None,
    };
    let judged = Judged { items: vec![own; 48], notes: Vec::new() };
    assert_eq!(judged.verdict(), Some(Verdict::Pass));
    assert!((judged.together().unwrap() - 0.379).abs() < 1e-3);
}

#[test]
fn a_short_section_is_covered_by_the_fibre_and_a_long_bad_one_is_not() {
    let plan = a_plan("attenuation_db_per_km = { 1550 = 0.23 }\nlinearity_db_per_db = 0.001");
    let mut analysis = an_analysis();
    analysis.sections[2].attenuation_db_per_km = Some(Measured::new(0.2, 0.5)); // 300 m
    let judged = trace(&plan, &a_trace(), &analysis);
    assert!(!item(&judged, Of::Section(2), Quantity::Attenuation).counts);
    assert_eq!(judged.verdict(), Some(Verdict::Pass));
    analysis.sections[1].to_m = PanelM(1000.0);
    analysis.sections[1].attenuation_db_per_km = Some(Measured::new(0.3, 0.01)); // 500 m
    assert_eq!(trace(&plan, &a_trace(), &analysis).verdict(), Some(Verdict::Fail));
}

#[test]
fn what_was_accepted_is_shown_and_does_not_count() {
    let mut plan = a_plan("splice_db = 0.3");
    plan.joints.push(plan::PlannedJoint {
        name: "C1".into(),
        at_m: 300.0,
        kind: JointKind::Splice,
        ways: None,
    });
    let mut trace_of_7 = a_trace();
    (trace_of_7.labels.fiber, trace_of_7.labels.from) = ("007".into(), "A".into());
    let mut analysis = an_analysis();
    analysis.events[2].loss_db = Some(Measured::new(0.9, 0.01));
    assert_eq!(trace(&plan, &trace_of_7, &analysis).verdict(), Some(Verdict::Fail));
    let reason = "the tray is under water".to_owned();
    plan.waivers.push(plan::Waiver { fiber: 7, place: "C1".into(), reason, by: String::new() });
    let judged = trace(&plan, &trace_of_7, &analysis);
    assert_eq!(judged.verdict(), Some(Verdict::Pass));
    let own = item(&judged, Of::Event(3), Quantity::Loss);
    assert_eq!(own.verdict, Verdict::Fail, "the figure stays what it is");
    assert!(own.waived.unwrap().contains("under water"));
    // Another fibre, or another joint, is not accepted with it.
    trace_of_7.labels.fiber = "8".into();
    assert_eq!(trace(&plan, &trace_of_7, &analysis).verdict(), Some(Verdict::Fail));
}

#[test]
fn a_trace_of_another_cable_is_told_so() {
    let mut other = a_trace();
    other.labels.cable = "Y".into();
    let judged = trace(&a_plan("splice_db = 0.5"), &other, &an_analysis());
    assert!(
        judged.notes.iter().any(|n| n.contains("cable Y") && n.contains("for X")),
        "{judged:?}"
    );
}

#[test]
fn a_planned_cord_that_does_not_show_leaves_its_connector_undecided() {
    let plan = a_plan("connector_db = 0.5");
    let mut analysis = an_analysis();
    assert_eq!(trace(&plan, &a_trace(), &analysis).verdict(), Some(Verdict::Pass));
    analysis.span.as_mut().unwrap().start_m = PanelM(0.0);
    let near = item(&trace(&plan, &a_trace(), &analysis), Of::NearEnd, Quantity::Loss);
    assert_eq!((near.verdict, near.figure), (Verdict::Undecided, Figure::Unmeasured));
    analysis.span.as_mut().unwrap().end_m = PanelM(2000.0);
    let far = item(&trace(&plan, &a_trace(), &analysis), Of::FarEnd, Quantity::Loss);
    assert!(far.remedy.unwrap().contains("tail cord"));
}

#[test]
fn a_cut_off_peak_fails_only_where_its_bound_is_surely_over_the_limit_and_never_passes() {
    // by hand: at 95 % a bound is sure to 1.645 sigma of the backscatter coefficient, here 0.82 dB
    let plan = a_plan("reflectance_db = -40.0\nbackscatter_sigma_db = 0.5");
    let mut analysis = an_analysis();
    for (bound, wanted) in [
        (-60.0, Verdict::Undecided),
        (-39.5, Verdict::Undecided),
        (-39.2, Verdict::Undecided),
        (-39.1, Verdict::Fail),
    ] {
        analysis.events[5].peak = Some(Peak::Saturated { at_least_db: Some(bound) });
        let judged = trace(&plan, &a_trace(), &analysis);
        let own = item(&judged, Of::Event(6), Quantity::Reflectance);
        assert_eq!(own.verdict, wanted, "{bound}");
        assert_eq!(judged.verdict(), Some(wanted), "nothing else objects: {bound}");
    }
    // Without a bound nothing is known of it.
    analysis.events[5].peak = Some(Peak::Saturated { at_least_db: None });
    let own = item(&trace(&plan, &a_trace(), &analysis), Of::Event(6), Quantity::Reflectance);
    assert_eq!((own.verdict, own.figure), (Verdict::Undecided, Figure::Unmeasured));
}

#[test]
fn a_planned_joint_is_judged_as_what_it_is_and_not_as_what_it_looks_like() {
    let joint = |kind| plan::PlannedJoint { name: "C1".into(), at_m: 300.0, kind, ways: None };
    let mut labelled = a_trace();
    labelled.labels.from = "A".into();
    let mut analysis = an_analysis();
    analysis.events[2].loss_db = Some(Measured::new(0.4, 0.01));
    let limits = "splice_db = 0.2\nconnector_db = 0.5\nreflectance_db = -40.0\none_way_db = 0.001";
    let judged = |kind: Option<JointKind>, analysis: &Analysis| {
        let mut plan = a_plan(limits);
        plan.joints.extend(kind.map(joint));
        trace(&plan, &labelled, analysis)
    };
    let loss = |judged: &Judged| item(judged, Of::Event(3), Quantity::Loss).verdict;
    // 0.4 dB: too much for a splice, allowed for a connector that reflects so little that it looks like one
    assert_eq!(loss(&judged(None, &analysis)), Verdict::Fail);
    assert_eq!(loss(&judged(Some(JointKind::Splice), &analysis)), Verdict::Fail);
    assert_eq!(loss(&judged(Some(JointKind::Connector), &analysis)), Verdict::Pass);
    // A splice that reflects is no connector for that, and may reflect no more than one.
    let peak = |db: f64| Peak::Whole { reflectance_db: Some(Measured::new(db, 0.1)) };
    analysis.events[2].likely = Some(Likely::Connector);
    for (reflectance_db, wanted) in [(-60.0, Verdict::Pass), (-30.0, Verdict::Fail)] {
        analysis.events[2].peak = Some(peak(reflectance_db));
        for kind in [JointKind::Splice, JointKind::Connector] {
            let judged = judged(Some(kind), &analysis);
            assert_eq!(loss(&judged) == Verdict::Pass, kind == JointKind::Connector);
            let own = item(&judged, Of::Event(3), Quantity::Reflectance);
            assert_eq!(own.verdict, wanted, "{kind:?} {reflectance_db}");
        }
        // Where nothing is planned it is taken for what it looks like.
        assert_eq!(loss(&judged(None, &analysis)), Verdict::Pass);
    }
}

#[test]
fn a_weak_step_whose_place_is_doubtful_is_the_planned_joint_it_may_be() {
    let mut plan = a_plan("splice_db = 0.5");
    plan.joints.push(plan::PlannedJoint {
        name: "C1".into(),
        at_m: 340.0,
        kind: JointKind::Splice,
        ways: None,
    });
    let mut labelled = a_trace();
    labelled.labels.from = "A".into();
    let mut analysis = an_analysis();
    // 40 m off its planned place, where two pulses are 20 m: with 15 m of doubt it may be the joint.
    for (sigma_m, is_it) in [(1.0, false), (15.0, true)] {
        analysis.events[2].position_sigma_m = sigma_m;
        let judged = trace(&plan, &labelled, &analysis);
        let unseen = judged.notes.iter().any(|n| n.contains("no event at C1"));
        assert_eq!(unseen, !is_it, "{sigma_m}: {:?}", judged.notes);
    }
}

#[test]
fn a_trace_that_states_no_wavelength_does_not_pass_limits_that_hang_on_it() {
    let plan = a_plan(
        "link_loss_db = { 1310 = 2.0, 1550 = 1.0 }\nattenuation_db_per_km = { 1310 = 0.4, 1550 = 0.3 }",
    );
    let mut unsaid = a_trace();
    unsaid.settings.wavelength_nm = None;
    let judged = trace(&plan, &unsaid, &an_analysis());
    assert_eq!(judged.verdict(), Some(Verdict::Undecided), "{:?}", judged.items);
    let link = item(&judged, Of::Link, Quantity::Loss);
    assert_eq!((link.figure, link.limit), (Figure::Unmeasured, Limit::AtMost(1.0)));
    assert!(link.remedy.as_deref().is_some_and(|remedy| remedy.contains("wavelength")));
}
