//! A diagnosis never sounds calmer than a review of the same traces: what a review leaves open or objects to,
//! a diagnosis says, whatever of plan and traces is wanting.

use std::path::Path;

use strandline::diagnose::{self, Diagnosis, Links, Reference};
use strandline::job::{self, FiberVerdict, Review, Test};
use strandline::plan::{self, Plan};
use strandline::simulate::{self, Scenario};
use strandline::sor::{self, Version};
use strandline::source;
use strandline::trace::Label;

pub(super) const SPLICE: &str = r#"{ kind = "splice", loss_db = 0.05 }"#;

/// A sound fibre of 3 km with a splice at 1,200 m.
fn traces(fiber: u32, noise: u32) -> Vec<(String, Vec<u8>)> {
    traces_of(fiber, noise, SPLICE, 1800.0)
}

/// A fibre with a joint at 1,200 m and so much fibre behind it, between cords of 300 m, measured from both
/// ends.
pub(super) fn traces_of(
    fiber: u32,
    noise: u32,
    joint: &str,
    behind_m: f64,
) -> Vec<(String, Vec<u8>)> {
    let sections = [(300.0, PLUG), (1200.0, joint), (behind_m, PLUG), (300.0, "")];
    rendered(fiber, noise, &sections)
}

const PLUG: &str = r#"{ kind = "connector", loss_db = 0.2, reflectance_db = -55.0 }"#;

/// Sections by their lengths, each with what follows it.
fn rendered(fiber: u32, noise: u32, sections: &[(f64, &str)]) -> Vec<(String, Vec<u8>)> {
    let mut text = format!(
        "schema = \"strandline.scenario/1\"\nname = \"f\"\nindex = 1.4682\ndirections = [\"a-to-b\", \"b-to-a\"]\nend_a = \"angled\"\nend_b = \"angled\"\n[seeds]\nfiber = {fiber}\nnoise = {noise}\n[labels]\nfiber = \"{fiber:03}\"\na = \"SHED\"\nb = \"TOWER\"\n"
    );
    for nm in [1310, 1550] {
        text.push_str(&format!(
            "[[wavelength]]\nnm = {nm}\npulse_ns = 30\nspacing_m = 0.5\nsamples = 10000\nbackscatter_db = -81.0\nrange_db = 13.0\nspeckle = 0.001\n"
        ));
    }
    for (length, then) in sections {
        text.push_str(&format!(
            "[[section]]\nlength_m = {length:?}\nattenuation_db_per_km = {{ 1310 = 0.34, 1550 = 0.20 }}\n"
        ));
        if !then.is_empty() {
            text.push_str(&format!("then = {then}\n"));
        }
    }
    let scenario = Scenario::from_toml(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let encode = |r: simulate::Rendered| {
        let bytes = sor::encode(&r.trace, Version::V2).expect("a rendered trace fits the format");
        (format!("{fiber:03}-{}.sor", r.name), bytes)
    };
    simulate::render(&scenario).into_iter().map(encode).collect()
}

pub(super) const PLAN: &str = r#"
schema = "strandline.plan/1"
[cable]
id = ""
fibers = "1-2"
ends = ["SHED", "TOWER"]
length_m = 3000.0
[measure]
wavelengths_nm = [1310, 1550]
launch_m = 300.0
tail_m = 300.0
[[joint]]
name = "C1"
at_m = 1200.0
kind = "splice"
[limits]
splice_db = 0.15
connector_db = 0.5
reflectance_db = -40.0
attenuation_db_per_km = { 1310 = 0.36, 1550 = 0.22 }
link_loss_db = "from parts"
"#;

fn plan(text: &str) -> Plan {
    plan::read(text).unwrap_or_else(|error| panic!("{error}"))
}

fn both(files: &[(String, Vec<u8>)], plan: &Plan) -> (Review, Vec<(Option<u32>, Diagnosis)>) {
    let options = source::Options::default();
    let read =
        |(name, bytes): &(String, Vec<u8>)| job::measure(Path::new(name), bytes, plan, &options);
    let tests: Vec<Test> = files.iter().map(read).collect();
    let mut links = Links::new();
    for test in tests.clone() {
        let fiber = test.read().and_then(|content| content.fiber);
        links.entry(fiber).or_default().push(test);
    }
    let each = diagnose::each(links, &Links::new(), plan, Reference::Plan);
    (job::judge(tests, plan), each)
}

/// All that a diagnosis says of what it did not judge, and of other faults.
fn said(diagnosis: &Diagnosis) -> String {
    let faults = diagnosis.faults.iter().map(|found| &found.says);
    let all: Vec<&String> = diagnosis.unseen.iter().chain(&diagnosis.open).chain(faults).collect();
    all.into_iter().cloned().collect::<Vec<_>>().join("; ")
}

#[test]
fn of_sound_fibres_whose_plan_says_all_nothing_is_said() {
    let files = [traces(1, 1), traces(2, 2)].concat();
    let (review, each) = both(&files, &plan(PLAN));
    assert!(review.is_clean(), "{:?}", review.fibers);
    for (fiber, diagnosis) in &each {
        assert!(diagnosis.is_fine(), "{fiber:?}: {}", said(diagnosis));
        assert!(diagnosis.decides.is_empty(), "{:?}", diagnosis.decides);
    }
}

#[test]
fn what_a_review_leaves_open_a_diagnosis_says_and_what_would_decide_it() {
    // what is wanting in the plan, and the word for it that must be said
    let cases = [
        ("connector_db = 0.5\n", "connector_db"),
        ("length_m = 3000.0\n", ""), // the tail cord's connector shows the end: nothing is wanting
        ("tail_m = 300.0\n", ""),    // the launch cords of both ends show both connectors
    ];
    for (line, wanting) in cases {
        let own = plan(&PLAN.replacen(line, "", 1));
        let (review, each) = both(&traces(1, 1), &own);
        let passes = review.fibers[0].verdict == FiberVerdict::Pass;
        assert_eq!(passes, wanting.is_empty(), "{line}: {:?}", review.fibers[0]);
        let (_, diagnosis) = &each[0];
        assert_eq!(diagnosis.is_fine(), passes, "{line}: {}", said(diagnosis));
        assert!(said(diagnosis).contains(wanting), "{line}: {}", said(diagnosis));
    }
    // From one end without a tail cord the far connector is not in the link's loss: a false pass, were it judged.
    let own = PLAN.replacen("tail_m = 300.0\n", "directions = \"a-to-b\"\n", 1).replacen(
        "\"from parts\"",
        "{ 1310 = 5.0, 1550 = 5.0 }",
        1,
    );
    let sections = [(300.0, PLUG), (1200.0, SPLICE), (1800.0, "")];
    let one_end: Vec<_> =
        rendered(1, 1, &sections).into_iter().filter(|(name, _)| name.contains("-ab")).collect();
    assert_eq!(one_end.len(), 2);
    let (review, each) = both(&one_end, &plan(&own));
    assert_eq!(review.fibers[0].verdict, FiberVerdict::Undecided);
    let (_, diagnosis) = &each[0];
    assert!(!diagnosis.is_fine());
    assert!(said(diagnosis).contains("cords at both ends"), "{}", said(diagnosis));
    let does: Vec<&str> = diagnosis.decides.iter().map(|task| task.does.as_str()).collect();
    assert!(does.iter().any(|does| does.contains("with cords at both ends")), "{does:?}");
}

#[test]
fn what_the_plan_asks_for_and_is_not_there_is_said_to_be_measured() {
    let files: Vec<_> =
        traces(1, 1).into_iter().filter(|(name, _)| name.contains("1550")).collect();
    let (review, each) = both(&files, &plan(PLAN));
    assert_eq!(review.fibers[0].verdict, FiberVerdict::Incomplete);
    let (_, diagnosis) = &each[0];
    assert!(diagnosis.excesses.is_empty() && !diagnosis.is_fine());
    for end in ["end a", "end b"] {
        let says = format!("the plan asks for 1310 nm from {end}");
        assert!(said(diagnosis).contains(&says), "{}", said(diagnosis));
    }
    assert_eq!(diagnosis.decides.len(), 2, "one measurement at each end: {:?}", diagnosis.decides);
    assert!(diagnosis.decides.iter().all(|task| task.does == "measure 1310 nm"));
}

#[test]
fn one_recording_under_two_labels_is_a_fault_of_both_diagnoses() {
    let own = traces(1, 1);
    let again = own.iter().map(|(name, bytes)| (format!("again-{name}"), labelled(bytes, "002")));
    let files = [own.clone(), again.collect()].concat();
    let (review, each) = both(&files, &plan(PLAN));
    assert!(review.fibers.iter().all(|own| own.verdict == FiberVerdict::Undecided));
    assert_eq!(each.len(), 2);
    for (fiber, diagnosis) in &each {
        assert!(!diagnosis.is_fine(), "{fiber:?}");
        assert!(diagnosis.faults.iter().any(|f| f.kind == "copy"), "{}", said(diagnosis));
    }
}

/// The same recording with another fibre's number on its label.
fn labelled(bytes: &[u8], fiber: &str) -> Vec<u8> {
    let mut trace = sor::decode(bytes, &sor::Options::default()).expect("a rendered trace");
    trace.labels.fiber = Label::new(fiber);
    sor::encode(&trace, Version::V2).expect("it fits")
}
