//! A link that loses too much, rendered: what is planted must stand first, at its place, under its
//! cause.

use std::path::Path;

use strandline::diagnose::{self, Diagnosis, Links, Reference};
use strandline::event::{Event, Likely};
use strandline::job::{self, Test};
use strandline::plan::{self, Plan};
use strandline::report::diagnosis;
use strandline::simulate::{self, Scenario};
use strandline::sor::{self, Version};
use strandline::source;

/// What is done to a link of 8 km with splices at 2,000 m and 5,000 m, connectors at both ends.
#[derive(Clone, Copy)]
struct Link {
    first_connector: &'static str,
    c1: &'static str,
    /// Attenuation of the fibre between C1 and C2 at 1310 and 1550 nm.
    slope: [f64; 2],
    c2: &'static str,
    last_connector: &'static str,
    seed: u64,
}

const CONNECTOR: &str = r#"{ kind = "connector", loss_db = 0.2, reflectance_db = -55.0 }"#;
const SPLICE: &str = r#"{ kind = "splice", loss_db = 0.04 }"#;

const SOUND: Link = Link {
    first_connector: CONNECTOR,
    c1: SPLICE,
    slope: [0.34, 0.20],
    c2: SPLICE,
    last_connector: CONNECTOR,
    seed: 1,
};

/// Traces as files in memory.
fn rendered(link: Link, directions: &str, wavelengths: &[u16]) -> Vec<(String, Vec<u8>)> {
    let mut text = format!(
        "schema = \"strandline.scenario/1\"\nname = \"link\"\nindex = 1.4682\ndirections = [{directions}]\nend_a = \"angled\"\nend_b = \"angled\"\n[seeds]\nfiber = {}\nnoise = {}\n[labels]\na = \"SHED\"\nb = \"TOWER\"\n",
        link.seed, link.seed
    );
    for nm in wavelengths {
        text.push_str(&format!(
            "[[wavelength]]\nnm = {nm}\npulse_ns = 100\nspacing_m = 1.0\nsamples = 12000\nbackscatter_db = -81.0\nrange_db = 13.0\nspeckle = 0.001\n"
        ));
    }
    let [short, long] = link.slope;
    let usual = "{ 1310 = 0.34, 1550 = 0.20 }".to_owned();
    let odd = format!("{{ 1310 = {short:?}, 1550 = {long:?} }}");
    for (length, slope, then) in [
        (500.0, &usual, Some(link.first_connector)),
        (2000.0, &usual, Some(link.c1)),
        (3000.0, &odd, Some(link.c2)),
        (3000.0, &usual, Some(link.last_connector)),
        (500.0, &usual, None),
    ] {
        text.push_str(&format!(
            "[[section]]\nlength_m = {length:?}\nattenuation_db_per_km = {slope}\n"
        ));
        if let Some(joint) = then {
            text.push_str(&format!("then = {joint}\n"));
        }
    }
    let scenario = Scenario::from_toml(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let encode = |r: simulate::Rendered| {
        let bytes = sor::encode(&r.trace, Version::V2).expect("a rendered trace fits the format");
        (format!("{}-{}.sor", r.name, link.seed), bytes)
    };
    simulate::render(&scenario).into_iter().map(encode).collect()
}

const BOTH: &str = "\"a-to-b\", \"b-to-a\"";

fn plan() -> Plan {
    plan::read(
        r#"
schema = "strandline.plan/1"
[cable]
id = ""
fibers = "1"
ends = ["SHED", "TOWER"]
length_m = 8000.0
fiber_per_sheath = 1.01
[measure]
wavelengths_nm = [1310, 1550]
launch_m = 500.0
tail_m = 500.0
[[joint]]
name = "C1"
at_m = 2000.0
kind = "splice"
[[joint]]
name = "C2"
at_m = 5000.0
kind = "splice"
[[route]]
name = "pit 7"
sheath_m = 4889.5
slack_m = 20.0
latitude = 50.0
longitude = -3.0
[[route]]
name = "pit 8"
sheath_m = 5109.5
latitude = 50.002
longitude = -3.0
[limits]
splice_db = 0.15
connector_db = 0.5
reflectance_db = -40.0
attenuation_db_per_km = { 1310 = 0.36, 1550 = 0.22 }
"#,
    )
    .expect("a plan")
}

fn measured(files: &[(String, Vec<u8>)], plan: &Plan) -> Vec<Test> {
    let options = source::Options::default();
    files.iter().map(|(name, bytes)| job::measure(Path::new(name), bytes, plan, &options)).collect()
}

fn diagnosed(link: Link) -> Diagnosis {
    let plan = plan();
    let tests = measured(&rendered(link, BOTH, &[1310, 1550]), &plan);
    alone(tests, Vec::new(), &plan, Reference::Plan)
}

/// The diagnosis of one link.
fn alone(tests: Vec<Test>, before: Vec<Test>, plan: &Plan, reference: Reference) -> Diagnosis {
    let links = |tests: Vec<Test>| Links::from_iter([(None, tests)]);
    let mut each = diagnose::each(links(tests), &links(before), plan, reference);
    assert_eq!(each.len(), 1);
    each.remove(0).1
}

/// Names of parts and first causes, in the order they are ranked.
fn ranked(diagnosis: &Diagnosis) -> Vec<(&str, &str)> {
    let each = diagnosis.excesses.iter();
    each.map(|e| (e.part.name.as_str(), e.causes[0].kind)).collect()
}

#[test]
fn nothing_is_said_of_a_sound_link_and_its_parts_add_up() {
    let diagnosis = diagnosed(SOUND);
    assert_eq!(ranked(&diagnosis), []);
    assert!(diagnosis.is_fine(), "{:?} {:?}", diagnosis.open, diagnosis.faults);
    // by hand: 8 km · 0.34 + 2 · 0.04 + 2 · 0.2 = 3.2 dB; 8 · 0.20 + 0.48 = 2.08 dB
    for (whole, loss) in diagnosis.wholes.iter().zip([3.20, 2.08]) {
        assert!((whole.loss_db.value - loss).abs() < 0.03, "{whole:?}");
    }
    // 8 km · 0.36 + 2 · 0.15 + 2 · 0.5 = 4.18 dB
    assert!((diagnosis.wholes[0].allowed_db.expect("graded") - 4.18).abs() < 0.01);
}

#[test]
fn each_fault_alone_is_named_at_its_place_under_its_cause() {
    let bend = Link { c2: r#"{ kind = "bend", loss_db = 0.9 }"#, ..SOUND };
    let splice = Link { c1: r#"{ kind = "splice", loss_db = 0.6 }"#, ..SOUND };
    let dirty = Link {
        last_connector: r#"{ kind = "connector", loss_db = 1.1, reflectance_db = -33.0 }"#,
        ..SOUND
    };
    let strained = Link { slope: [0.35, 0.30], ..SOUND };
    let worse = Link { slope: [0.44, 0.30], ..SOUND };
    // what is planted, name, cause, excess in dB by hand
    let cases = [
        (bend, "C2", "bend", 0.9 - 0.15),
        (splice, "C1", "splice", 0.6 - 0.15),
        (dirty, "end b", "connector", 1.1 - 0.5),
        (strained, "C1–C2", "bend", 3.0 * (0.30 - 0.22)),
        (worse, "C1–C2", "fibre", 3.0 * (0.44 - 0.36)),
    ];
    for (link, name, kind, more) in cases {
        let diagnosis = diagnosed(link);
        assert_eq!(ranked(&diagnosis), [(name, kind)], "{:#?}", diagnosis.excesses);
        let found = diagnosis.excesses[0].too_much_db.expect("a figure");
        assert!((found.value - more).abs() < 0.03 + 3.0 * found.sigma, "{name}: {found}");
    }
}

#[test]
fn several_faults_are_ranked_by_what_they_lose_too_much() {
    let link = Link {
        first_connector: r#"{ kind = "connector", loss_db = 0.85, reflectance_db = -45.0 }"#, // 0.35
        c1: r#"{ kind = "splice", loss_db = 0.75 }"#, // 0.60
        slope: [0.36, 0.52],                          // 3 km · 0.30 = 0.90
        c2: r#"{ kind = "bend", loss_db = 1.5 }"#,    // 1.35
        ..SOUND
    };
    let diagnosis = diagnosed(link);
    let names: Vec<&str> = ranked(&diagnosis).iter().map(|r| r.0).collect();
    assert_eq!(names, ["C2", "C1–C2", "C1", "end a"]);
}

#[test]
fn a_break_comes_first_and_its_place_is_known_from_both_ends() {
    // 1,200 m behind C1
    let text = r#"{ kind = "break", loss_db = 0.0 }"#;
    let link = Link { c1: r#"{ kind = "splice", loss_db = 0.7 }"#, c2: text, ..SOUND };
    let diagnosis = diagnosed(link);
    assert_eq!(ranked(&diagnosis), [("break", "break"), ("C1", "splice")]);
    let place = &diagnosis.excesses[0].place;
    let from_b = place.from_b_m.expect("measured");
    assert!((place.from_a_m.value - 5000.0).abs() < 3.0, "{place:?}");
    assert!((from_b.value - 3000.0).abs() < 3.0, "{place:?}");
    // by hand: an index known to 0.05 % is 2.5 m at 5 km
    assert!((2.4..3.2).contains(&place.from_a_m.sigma), "{place:?}");
}

#[test]
fn the_place_is_told_from_both_ends_in_sheath_metres_and_past_a_pit() {
    let link = Link { c2: r#"{ kind = "bend", loss_db = 0.9 }"#, ..SOUND };
    let diagnosis = diagnosed(link);
    let place = &diagnosis.excesses[0].place;
    // by hand: 5000 m of fibre / 1.01 = 4950.5 m of sheath; the loops of pit 7 end at 4909.5 m
    assert!((place.sheath_m.value - 4950.5).abs() < 0.5, "{place:?}");
    let route = place.route.as_ref().expect("the plan has a route");
    let words = diagnosis::route_words(route);
    // sigma: √(2.5² + 4.95² + 2² + 0.3²) m from index, ratio, loops and mark
    assert_eq!(words, "between pit 7 and pit 8, 41 ± 6 m past pit 7");
    let map = diagnosis::geojson(&[(Some(1), diagnosis)]).expect("GeoJSON").0;
    let map: serde_json::Value = serde_json::from_str(&map).expect("JSON");
    let point = &map["features"][0]["geometry"]["coordinates"];
    // 41 of 200 m: 0.205 · 0.002 degrees north of pit 7; longitude first (RFC 7946)
    assert!((point[0].as_f64().expect("longitude") + 3.0).abs() < 1e-9);
    assert!((point[1].as_f64().expect("latitude") - 50.000_41).abs() < 2e-5);
}

#[test]
fn against_a_baseline_a_new_loss_is_found_and_what_was_there_before_is_not() {
    let plan = plan();
    let old = Link { c1: r#"{ kind = "splice", loss_db = 0.7 }"#, seed: 5, ..SOUND };
    let new = Link { c2: r#"{ kind = "splice", loss_db = 0.24 }"#, seed: 6, ..old };
    let before = measured(&rendered(old, "\"a-to-b\"", &[1310, 1550]), &plan);
    let now = measured(&rendered(new, "\"a-to-b\"", &[1310, 1550]), &plan);
    let diagnosis = alone(now, before, &plan, Reference::Baseline);
    assert_eq!(ranked(&diagnosis), [("C2", "splice")], "{:#?}", diagnosis.excesses);
    let more = diagnosis.excesses[0].too_much_db.expect("a figure");
    // by hand: 0.24 - 0.04
    assert!((more.value - 0.20).abs() < 0.02, "{more}");
}

#[test]
fn one_wavelength_from_one_end_asks_for_more_before_anything_is_opened() {
    let plan = plan();
    let link = Link { c1: r#"{ kind = "splice", loss_db = 0.6 }"#, ..SOUND };
    let tests = measured(&rendered(link, "\"a-to-b\"", &[1550]), &plan);
    let diagnosis = alone(tests, Vec::new(), &plan, Reference::Plan);
    let found = &diagnosis.excesses[0];
    assert_eq!(found.part.name, "C1");
    assert!(found.causes.iter().any(|c| c.kind == "bend"), "{:?}", found.causes);
    assert!(found.first.starts_with("measure from the other end"), "{}", found.first);
    let tests = measured(&rendered(link, BOTH, &[1550]), &plan);
    let diagnosis = alone(tests, Vec::new(), &plan, Reference::Plan);
    assert!(diagnosis.excesses[0].first.contains("1625 or 1650 nm"));
}

#[test]
fn a_fibre_shorter_than_planned_has_one_far_connector() {
    // 12 m short: more than a pulse, less than a break; its connector loses more than a splice may
    let connector = r#"{ kind = "connector", loss_db = 0.4, reflectance_db = -55.0 }"#;
    let mut plan = plan();
    plan.cable.length_m = Some(8012.0);
    let link = Link { last_connector: connector, ..SOUND };
    for directions in ["\"a-to-b\"", "\"b-to-a\"", BOTH] {
        let tests = measured(&rendered(link, directions, &[1310, 1550]), &plan);
        let diagnosis = alone(tests, Vec::new(), &plan, Reference::Plan);
        assert_eq!(ranked(&diagnosis), [], "{directions}: {:#?}", diagnosis.excesses);
    }
    // what nobody planned lies at one place of the glass, from whichever end it is seen
    let patched = Link { c2: r#"{ kind = "splice", loss_db = 0.5 }"#, ..link };
    plan.joints.pop();
    let tests = measured(&rendered(patched, BOTH, &[1310, 1550]), &plan);
    let diagnosis = alone(tests, Vec::new(), &plan, Reference::Plan);
    let [found] = &diagnosis.excesses[..] else { panic!("{:#?}", diagnosis.excesses) };
    assert!((found.place.from_a_m.value - 5000.0).abs() < 3.0, "{:?}", found.place);
}

#[test]
fn behind_a_splitter_seen_from_the_head_end_nothing_is_graded() {
    let link = Link {
        c1: r#"{ kind = "splitter", loss_db = 7.2 }"#,
        c2: r#"{ kind = "splice", loss_db = 0.9 }"#,
        ..SOUND
    };
    let mut plan = plan();
    plan.joints[0].kind = plan::JointKind::Splitter;
    plan.limits.splitter_db = Some(7.5);
    let tests = measured(&rendered(link, "\"a-to-b\"", &[1310, 1550]), &plan);
    let diagnosis = alone(tests, Vec::new(), &plan, Reference::Plan);
    assert_eq!(ranked(&diagnosis), [], "{:#?}", diagnosis.excesses);
    assert_eq!(diagnosis.splitter_m, Some(2000.0));
    assert!(diagnosis.notes[0].contains("all branches"), "{:?}", diagnosis.notes);
}

#[test]
fn what_looks_like_a_splitter_at_the_links_end_is_none_of_it() {
    let plan = plan();
    let mut tests = measured(&rendered(SOUND, "\"a-to-b\"", &[1550]), &plan);
    let content = tests[0].content.as_mut().expect("readable");
    let end_m = content.near_m.expect("seen") + content.length_m.expect("seen").value;
    let behind = |event: &&mut Event| event.position_m.0 > end_m - 1.0;
    let mut marked = 0;
    for event in content.analysis.events.iter_mut().filter(behind) {
        event.likely = Some(Likely::Splitter);
        marked += 1;
    }
    assert!(marked > 0, "the end is seen");
    let diagnosis = alone(tests, Vec::new(), &plan, Reference::Plan);
    assert_eq!(diagnosis.splitter_m, None, "{:?}", diagnosis.notes);
}

#[test]
fn the_order_of_arguments_changes_nothing() {
    let plan = plan();
    let link = Link { c1: r#"{ kind = "splice", loss_db = 0.6 }"#, ..SOUND };
    let mut files = rendered(link, BOTH, &[1310, 1550]);
    let text = |files: &[(String, Vec<u8>)]| {
        let found = alone(measured(files, &plan), Vec::new(), &plan, Reference::Plan);
        diagnosis::json(&[(None, found)]).expect("a document")
    };
    let one = text(&files);
    files.reverse();
    files.swap(0, 1);
    assert_eq!(one, text(&files));
}

/// Two rounds of one link, other noise, half a dB of change at C2 at 1550 nm.
fn rounds(changed: bool) -> (Vec<Test>, Vec<Test>, Plan) {
    let plan = plan();
    let old = Link { seed: 21, ..SOUND };
    let bent = r#"{ kind = "bend", loss_db = 0.1 }"#;
    let new = Link { c2: if changed { bent } else { SPLICE }, seed: 22, ..SOUND };
    let before = measured(&rendered(old, BOTH, &[1310, 1550]), &plan);
    let now = measured(&rendered(new, BOTH, &[1310, 1550]), &plan);
    (before, now, plan)
}

#[test]
fn two_rounds_of_an_unchanged_link_differ_within_their_sigmas() {
    let (before, now, plan) = rounds(false);
    let comparison = diagnose::compare(&before, &now, &plan);
    assert!(comparison.changes.len() > 16, "{}", comparison.changes.len());
    assert!(!comparison.changes.iter().any(|c| c.is_sure), "{:#?}", comparison.changes);
}

#[test]
fn a_change_of_a_twentieth_of_a_db_is_sure_and_worse() {
    let (before, now, plan) = rounds(true);
    let comparison = diagnose::compare(&before, &now, &plan);
    let sure: Vec<_> = comparison.changes.iter().filter(|c| c.is_sure).collect();
    let one = sure.iter().find(|c| c.part == "C2" && c.wavelength_nm == 1550).expect("C2 changed");
    // by hand: 0.10 - 0.04
    assert!((one.change.value - 0.06).abs() < 0.02, "{one:?}");
    assert!(one.is_worse());
    assert!(sure.iter().all(|c| c.part == "C2"), "{sure:#?}");
    // Both rounds from the same ends: unequal glass cancels, so 0.05 dB of it are in no sigma.
    assert!(one.change.sigma < 0.01, "{one:?}");
    let back = diagnose::compare(&now, &before, &plan);
    let one = back.changes.iter().find(|c| c.part == "C2" && c.wavelength_nm == 1550);
    assert!(!one.expect("compared").is_worse(), "what is mended is no objection");
}
