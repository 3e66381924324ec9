//! Nothing passes by what was not seen: few fibres, plans that say little, one end alone, no cords.

use std::path::PathBuf;

use strandline::disk;
use strandline::job::{self, FiberReview, FiberVerdict, Review, Severity};
use strandline::plan;
use strandline::simulate::{self, Scenario};
use strandline::sor::{self, Version};
use strandline::source;

use super::folder;

/// What lies in a fibre, in metres from its end a: a splice with a loss in dB, a break (`None`).
type Inside<'a> = &'a [(f64, Option<f64>)];

const LENGTH_M: f64 = 3_000.0;

/// A scenario of one fibre: connectors that lose 0.15 dB at its ends where cords show them.
fn scenario(
    fiber: u32,
    length_m: f64,
    inside: Inside,
    cords_m: [Option<f64>; 2],
    ends: [&str; 2],
) -> String {
    let section = |length_m: f64, cord: bool, then: &str| {
        let cord = if cord { "cord = true\n" } else { "" };
        format!("[[section]]\nlength_m = {length_m}\nattenuation_db_per_km = 0.19\n{cord}{then}")
    };
    let plug = "[section.then]\nkind = \"connector\"\nloss_db = 0.15\nreflectance_db = -52.0\n";
    let mut text = format!(
        "schema = \"strandline.scenario/1\"\nname = \"x\"\nindex = 1.468\ndirections = {}\npanel_reflectance_db = -46.0\nend_a = \"{}\"\nend_b = \"{}\"\n\
         [seeds]\nfiber = {fiber}\nnoise = {}\n[receiver]\npoles = 3\npole_pulses = 0.07\n[[wavelength]]\nnm = 1550.0\npulse_ns = 20\nspacing_m = 0.5\nsamples = 8000\n\
         backscatter_db = -81.8\nrange_db = 18.0\naverages = 30000\naveraging_s = 30.0\n\
         [labels]\ncable = \"U\"\nfiber = \"{fiber}\"\na = \"A\"\nb = \"B\"\nmeasured_at_unix_s = 1764000000\n",
        r#"["a-to-b", "b-to-a"]"#,
        ends[0],
        ends[1],
        fiber + 100
    );
    if let Some(m) = cords_m[0] {
        text += &section(m, true, plug);
    }
    let mut at_m = 0.0;
    for (place_m, loss_db) in inside {
        let then = match loss_db {
            Some(db) => format!("[section.then]\nkind = \"splice\"\nloss_db = {db}\n"),
            None => "[section.then]\nkind = \"break\"\n".to_owned(),
        };
        text += &section(place_m - at_m, false, &then);
        at_m = *place_m;
    }
    text += &section(length_m - at_m, false, if cords_m[1].is_some() { plug } else { "" });
    if let Some(m) = cords_m[1] {
        text += &section(m, true, "");
    }
    text
}

/// A job in a folder of its own: of each fibre its length and what lies in it, and how it is measured.
struct Job<'a> {
    name: &'a str,
    fibers: &'a [(f64, Inside<'a>)],
    cords_m: [Option<f64>; 2],
    /// `both`, `a-to-b` or `b-to-a`.
    directions: &'a str,
    /// More of the plan's `[cable]`, and its `[limits]`.
    cable: &'a str,
    limits: &'a str,
    end_b: &'a str,
}

impl Job<'_> {
    fn plan(&self) -> plan::Plan {
        let cord = |name: &str, cord_m: Option<f64>| {
            cord_m.map_or(String::new(), |m| format!("{name}_m = {m:.1}\n"))
        };
        let text = format!(
            "schema = \"strandline.plan/1\"\n[cable]\nid = \"U\"\nfibers = \"1-{}\"\nends = [\"A\", \"B\"]\n{}\
             [measure]\nwavelengths_nm = [1550]\ndirections = \"{}\"\n{}{}[limits]\nattenuation_db_per_km = {{ 1550 = 0.25 }}\n{}",
            self.fibers.len(),
            self.cable,
            self.directions,
            cord("launch", self.cords_m[0]),
            cord("tail", self.cords_m[1]),
            self.limits
        );
        plan::read(&text).expect("a plan")
    }

    /// The cords follow the instrument: the launch cord is at the end that it measures from.
    fn files(&self) -> Vec<PathBuf> {
        let folder = folder(&format!("unseen-{}", self.name));
        let mut files = Vec::new();
        for (fiber, (length_m, inside)) in (1..).zip(self.fibers) {
            for from_b in [false, true] {
                let planned = ["a-to-b", "b-to-a"][usize::from(from_b)];
                if self.directions != "both" && self.directions != planned {
                    continue;
                }
                let mut cords_m = self.cords_m;
                let ends = if from_b { [self.end_b, "angled"] } else { ["angled", self.end_b] };
                if from_b {
                    cords_m.reverse();
                }
                let text = scenario(fiber, *length_m, inside, cords_m, ends);
                let scenario = Scenario::from_toml(&text).expect("a scenario");
                let mut both = simulate::render(&scenario);
                let rendered = both.remove(usize::from(from_b));
                let bytes = sor::encode(&rendered.trace, Version::V2).expect("fits the format");
                let path = folder.join(format!("{fiber}-{planned}.sor"));
                disk::write_new(&path, &bytes).expect("the folder can be written");
                files.push(path);
            }
        }
        files
    }

    fn reviewed(&self) -> Review {
        job::review(self.files(), &self.plan(), &source::Options::default(), &|| ())
    }
}

const ONE_END: Job = Job {
    name: "",
    fibers: &[(LENGTH_M, &[]), (LENGTH_M + 0.8, &[])],
    cords_m: [Some(150.0), None],
    directions: "a-to-b",
    cable: "length_m = 3000.0\n",
    limits: "splice_db = 0.2\n",
    end_b: "angled",
};

fn own(review: &Review, fiber: u32) -> &FiberReview {
    review.fibers.iter().find(|own| own.fiber == fiber).expect("planned")
}

/// The fibre is undecided, without a fault, and says why in these words.
fn is_open(review: &Review, fiber: u32, words: &str) {
    let own = own(review, fiber);
    assert_eq!(own.verdict, FiberVerdict::Undecided, "fibre {fiber}: {:?}", own.findings);
    assert!(own.findings.iter().all(|f| f.severity == Severity::Remark), "{:?}", own.findings);
    assert!(own.open.iter().any(|open| open.1.contains(words)), "{:?}", own.open);
    let mut rows = review.rows.iter().filter(|row| row.fiber == Some(fiber));
    assert!(rows.any(|row| row.reasons.iter().any(|why| why.contains(words))));
}

fn passes(review: &Review, fiber: u32) {
    let own = own(review, fiber);
    assert_eq!(own.verdict, FiberVerdict::Pass, "fibre {fiber}: {:?} {:?}", own.open, own.findings);
}

#[test]
fn without_a_length_and_a_tail_cord_a_fibres_end_may_be_a_break() {
    let fibers: &[(f64, Inside)] = &[(LENGTH_M, &[(1_700.0, None)]), (LENGTH_M, &[])];
    let job = Job { name: "no-length", fibers, cable: "", ..ONE_END };
    let review = job.reviewed();
    // One of two is broken, and nothing tells which is as long as the cable.
    is_open(&review, 1, "ends or breaks");
    is_open(&review, 2, "ends or breaks");
    // A tail cord's connector tells: the one shows it, the other's end is none.
    let job = Job { name: "no-length-tail", cords_m: [Some(150.0), Some(150.0)], ..job };
    let review = job.reviewed();
    is_open(&review, 1, "does not show where the fibre ends");
    passes(&review, 2);
}

#[test]
fn a_light_that_stops_a_little_early_passes_for_an_end_only_where_that_is_seen() {
    // 18 m is less than the 20 m before which a break is called one, and more than fibres of a cable differ by.
    let fibers: &[(f64, Inside)] = &[(LENGTH_M, &[(LENGTH_M - 18.0, None)]), (LENGTH_M, &[])];
    let job = Job { name: "early", fibers, ..ONE_END };
    let review = job.reviewed();
    is_open(&review, 1, "18 m before the plan's length");
    passes(&review, 2);
    // As long as the plan says within what cables differ by: seen from both ends it is whole.
    let short = [(LENGTH_M - 18.0, &[] as Inside), (LENGTH_M, &[])];
    let job = Job { name: "short", fibers: &short, directions: "both", ..job };
    let review = job.reviewed();
    passes(&review, 1);
    passes(&review, 2);
}

#[test]
fn a_trace_that_shows_no_end_passes_nothing_although_the_other_does() {
    // Shortly before end b, behind the panel's own reflection as seen from there: where that hides it the trace
    // shows no end, else a break.
    let mut hidden = 0;
    for (n, short_m) in [0.5, 1.0, 1.4, 1.8].into_iter().enumerate() {
        let inside = [(LENGTH_M - short_m, None)];
        let fibers: &[(f64, Inside)] = &[(LENGTH_M, &inside), (LENGTH_M, &[])];
        let name = &format!("dead-zone-{n}");
        let review =
            Job { name, fibers, cords_m: [None, None], directions: "both", ..ONE_END }.reviewed();
        let broken = own(&review, 1);
        if !broken.findings.iter().any(|f| f.kind == "break") {
            is_open(&review, 1, "from end b does not show where the fibre ends");
            hidden += 1;
        }
        passes(&review, 2);
    }
    assert!(hidden > 0);
}

#[test]
fn a_loss_beside_an_end_is_judged_as_a_splice_and_a_pigtails_good_one_is_no_surprise() {
    // Four metres behind the connector, two pulses: no part of it.
    let fibers: &[(f64, Inside)] =
        &[(LENGTH_M, &[(4.2, Some(1.2))]), (LENGTH_M, &[(4.2, Some(0.12))])];
    let review = Job { name: "pigtail", fibers, ..ONE_END }.reviewed();
    let bad = own(&review, 1);
    assert_eq!(bad.verdict, FiberVerdict::Fail, "{:?}", bad.findings);
    let found = bad.findings.iter().find(|f| f.kind == "unplanned-event").expect("said");
    assert!((found.at_m.expect("a place") - 4.2).abs() < 1.0, "{found:?}");
    passes(&review, 2);
    assert!(own(&review, 2).findings.is_empty());
}

#[test]
fn a_link_without_a_connector_in_it_can_fail_its_largest_loss_and_not_pass_it() {
    let limits = |db: f64| format!("splice_db = 0.2\nlink_loss_db = {{ 1550 = {db} }}\n");
    // by hand: 3 km · 0.19 and one connector of 0.15 dB lose 0.72 dB
    let (large, small) = (limits(2.0), limits(0.4));
    let review = Job { name: "link-open", limits: &large, ..ONE_END }.reviewed();
    is_open(&review, 1, "connector of an end is not in that");
    let review = Job { name: "link-fails", limits: &small, ..ONE_END }.reviewed();
    assert_eq!(own(&review, 1).verdict, FiberVerdict::Fail);
    let cords_m = [Some(150.0), Some(150.0)];
    let review = Job { name: "link-whole", limits: &large, cords_m, ..ONE_END }.reviewed();
    passes(&review, 1);
}

#[test]
fn a_limit_from_parts_that_the_plan_does_not_limit_is_not_made_up() {
    // The cord shows a connector, of which the plan says nothing.
    let limits = "splice_db = 0.2\nlink_loss_db = \"from parts\"\n";
    let review = Job { name: "parts", limits, ..ONE_END }.reviewed();
    is_open(&review, 1, "the plan has no connector_db");
    let limits = "splice_db = 0.2\nconnector_db = 0.5\nlink_loss_db = \"from parts\"\n";
    let job = Job { name: "parts-all", limits, ..ONE_END };
    passes(&job.reviewed(), 1);
    // Without a length in the plan that between the cords' connectors is taken.
    let cords_m = [Some(150.0), Some(150.0)];
    let review = Job { name: "parts-own", cable: "", cords_m, ..job }.reviewed();
    passes(&review, 1);
    // by hand: 3 km · 0.25 + 2 · 0.5
    let limit_db = own(&review, 1).links[0].limit_db.expect("a limit");
    assert!((limit_db - 1.75).abs() < 0.001, "{limit_db}");
}

#[test]
fn an_end_that_hangs_open_fails_no_return_loss() {
    // by hand: the open end returns 14.7 + 2 · 0.57 dB, and a connector 2 · 0.15 dB more: 16.1 dB
    let limits = "splice_db = 0.2\norl_db = 30.0\n";
    let job = Job { name: "open", limits, end_b: "open", ..ONE_END };
    is_open(&job.reviewed(), 1, "an open end is in that");
    passes(&Job { name: "closed", end_b: "angled", ..job }.reviewed(), 1);
}

#[test]
fn two_measurements_of_different_glass_are_unsettled_where_another_fibres_is_missing() {
    let fibers: &[(f64, Inside)] = &[(LENGTH_M, &[]), (LENGTH_M + 3.0, &[]), (LENGTH_M, &[])];
    let plan = Job { fibers: &fibers[..2], ..ONE_END }.plan();
    let files = Job { name: "label", fibers, ..ONE_END }.files();
    // The third is another measurement of fibre 1's length, under fibre 2's number and taken later.
    let mut trace = source::read(&files[2], &source::Options::default()).expect("just written");
    trace.labels.fiber = "2".into();
    trace.settings.measured_at_unix_s = Some(1_764_000_500);
    let bytes = sor::encode(&trace, Version::V2).expect("fits the format");
    let wrong = files[2].with_file_name("wrong.sor");
    disk::write_new(&wrong, &bytes).expect("the folder can be written");
    let of = |files: &[&PathBuf]| {
        let files = files.iter().copied().cloned().collect();
        job::review(files, &plan, &source::Options::default(), &|| ())
    };
    let review = of(&[&wrong, &files[1]]);
    assert_eq!(own(&review, 1).verdict, FiberVerdict::Incomplete);
    is_open(&review, 2, "the same measurement of fibre 1 is missing");
    // Once that is there: a fibre that was spliced again may well have another length.
    passes(&of(&[&files[0], &wrong, &files[1]]), 2);
}

#[test]
fn an_end_that_no_cord_shows_is_said_not_to_be_judged() {
    let says = |directions, cords_m| {
        let job = Job { cords_m, directions, ..ONE_END };
        job::judge(Vec::new(), &job.plan()).all_notes(&job.plan())
    };
    let cord = Some(150.0);
    let [end_b] = says("a-to-b", [cord, None]).try_into().expect("one end");
    assert!(end_b.contains("end b: no cord") && end_b.contains("a break less than 9 m"), "{end_b}");
    assert_eq!(says("both", [cord, None]), Vec::<String>::new());
    assert_eq!(says("a-to-b", [cord, cord]), Vec::<String>::new());
    assert_eq!(says("both", [None, None]).len(), 2);
}
