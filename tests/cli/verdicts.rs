//! `events` against limits: verdicts, exit status, what is never said.

use super::{disk, err, folder, out, root, run, run_wide};

const PLAN: &str = "traces/job/plan.toml";

#[test]
fn a_sound_trace_ends_with_0_and_one_that_fails_with_1() {
    let sound = run(&["events", "traces/job/HFL-44_001_1310_AB.sor", "--plan", PLAN]);
    assert_eq!(sound.status.code(), Some(0), "{}{}", out(&sound), err(&sound));
    assert!(out(&sound).contains("verdict: pass"), "{}", out(&sound));
    let limits = ["--launch", "500", "--tail", "500", "--preset", "outside-plant-g652d"];
    let high = run(&[&["events", "traces/ferry-high-splice.sor"][..], &limits].concat());
    assert_eq!(high.status.code(), Some(1), "{}", out(&high));
    assert!(out(&high).contains("verdict: fail"), "{}", out(&high));
    assert!(out(&high).contains("the contract's limits come first"), "{}", out(&high));
    let unjudged = run(&["events", "traces/ferry-high-splice.sor"]);
    assert_eq!(unjudged.status.code(), Some(0), "without limits nothing is judged");
    assert!(!out(&unjudged).contains("verdict"));
}

#[test]
fn json_says_each_verdict_with_figure_sigma_limit_and_probability() {
    let output = run(&["events", "traces/job", "--plan", PLAN, "--json"]);
    assert_eq!(output.status.code(), Some(1), "the demo job has faults");
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let mut items = 0;
    for trace in document["traces"].as_array().expect("traces") {
        for item in trace["judgement"]["items"].as_array().expect("items") {
            items += 1;
            assert!(
                ["pass", "fail", "undecided"].contains(&item["verdict"].as_str().expect("word"))
            );
            assert!(
                item["limit_at_most"].is_number() || item["limit_at_least"].is_number(),
                "{item}"
            );
            assert_eq!(item["value"].is_number(), item["sigma"].is_number(), "{item}");
            assert_eq!(item["value"].is_number(), item["probability"].is_number(), "{item}");
            assert_eq!(item["verdict"] == "undecided", item["would_decide"].is_string(), "{item}");
        }
        for event in trace["events"].as_array().expect("events") {
            assert_eq!(event["loss_db"].is_number(), event["loss_doubt"].is_object(), "{event}");
        }
    }
    assert!(items > 50, "{items} verdicts are too few to prove anything");
    let plain = out(&run(&["events", "traces/job", "--json"]));
    assert!(!plain.contains("judgement"));
}

#[test]
fn verdicts_fit_the_terminal_and_never_call_a_fibre_dark_or_safe() {
    for columns in ["40", "80", "120"] {
        for args in [
            &["events", "traces", "--plan", PLAN][..],
            &["events", "traces", "--preset", "pon-n1", "--explain", "--unit", "kft"],
            &["budget", "--plan", PLAN],
        ] {
            let output = run_wide(columns, args);
            let width: usize = columns.parse().expect("a number");
            for line in out(&output).lines() {
                assert!(line.chars().count() <= width, "{line:?} at {columns}");
                let words: Vec<String> =
                    line.split(|c: char| !c.is_alphabetic()).map(str::to_lowercase).collect();
                assert!(
                    !words.iter().any(|w| w == "dark" || w == "safe" || w == "safely"),
                    "{line}"
                );
            }
        }
    }
}

#[test]
fn an_unknown_preset_lists_the_known_ones_and_a_bad_plan_says_its_line() {
    let output = run(&["events", "traces/ferry-clean-1550.sor", "--preset", "gold"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("pon-b-plus"), "{}", err(&output));
    let output =
        run(&["events", "traces/ferry-clean-1550.sor", "--plan", "traces/ferry-clean.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("line "), "{}", err(&output));
}

#[test]
fn csv_has_a_verdict_where_limits_were_given() {
    let file = "traces/job/HFL-44_001_1310_AB.sor";
    let judged = out(&run(&["events", "--csv", file, "--plan", PLAN]));
    let mut lines = judged.lines();
    assert!(lines.next().is_some_and(|head| head.ends_with(",verdict")), "{judged}");
    let words: Vec<&str> = lines.filter_map(|line| line.rsplit(',').next()).collect();
    assert!(words.contains(&"pass") && words.contains(&""), "{words:?}");
    assert!(!out(&run(&["events", "--csv", file])).contains("verdict"));
}

#[test]
fn a_budget_beside_a_trace_says_what_was_measured_and_whether_it_works() {
    let file = "traces/job/HFL-44_002_1310_AB.sor";
    let budget = |more: &[&str]| run(&[&["budget", "--plan", PLAN, file][..], more].concat());
    let plain = budget(&[]);
    assert_eq!(plain.status.code(), Some(0), "{}{}", out(&plain), err(&plain));
    for words in ["measured dB", "end connectors", "link loss: "] {
        assert!(out(&plain).contains(words), "{words}: {}", out(&plain));
    }
    // transmitter and receiver, exit status, words
    let cases: [(&[&str], i32, &str); 4] = [
        (&["--transmitter", "0", "--sensitivity", "-20"], 0, "works over this link"),
        (&["--transmitter", "0", "--sensitivity", "-2"], 1, "will not work over this link"),
        (&["--transmitter", "0", "--sensitivity", "-20", "--penalty", "19"], 1, "will not work"),
        (
            &["--transmitter", "3", "--sensitivity", "-20", "--overload", "-3"],
            1,
            "add an attenuator",
        ),
    ];
    for (system, status, words) in cases {
        let output = budget(system);
        assert_eq!(output.status.code(), Some(status), "{system:?}: {}", out(&output));
        assert!(out(&output).contains(words), "{system:?}: {}", out(&output));
        // An overloaded receiver is not said to work beside that.
        assert_eq!(out(&output).contains("dB: works"), status == 0, "{system:?}: {}", out(&output));
    }
    let missing = run(&["budget", "--plan", PLAN, "traces/no-such.sor"]);
    assert_eq!(missing.status.code(), Some(2));
}

/// The demo job's plan with other limits, in a folder of its own.
fn plan_with(name: &str, change: impl Fn(&str) -> String) -> String {
    let whole = disk::read_text(&root().join(PLAN)).expect("demo data");
    let changed: String = whole.lines().map(|line| change(line) + "\n").collect();
    assert_ne!(whole, changed);
    let path = folder(name).join("plan.toml");
    disk::write_new(&path, changed.as_bytes()).expect("writable");
    path.to_str().expect("UTF-8").to_owned()
}

/// Of each undecided measurement of a review its fibre and its reasons.
fn undecided(plan: &str) -> Vec<(u64, String)> {
    let output = run(&["review", "traces/job", "--plan", plan, "--json"]);
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let tests = document["tests"].as_array().expect("tests").iter();
    let open = tests.filter(|test| test["verdict"] == "undecided");
    open.map(|test| (test["fiber"].as_u64().expect("a number"), test["reasons"].to_string()))
        .collect()
}

#[test]
fn a_plan_without_limits_passes_nothing_and_every_answer_says_why() {
    let plan =
        plan_with(
            "no-limits",
            |line| {
                if line.contains("_db") { String::new() } else { line.to_owned() }
            },
        );
    let review = run(&["review", "traces/job", "--plan", &plan]);
    assert_eq!(review.status.code(), Some(1), "{}", err(&review));
    assert!(out(&review).contains("sets no limit for anything"), "{}", out(&review));
    assert!(!out(&review).contains("nothing to object to"), "{}", out(&review));
    let open = undecided(&plan);
    assert_eq!(open.len(), 31, "all that were measured");
    assert!(open.iter().all(|(_, reasons)| reasons.contains("sets no limit")), "{open:?}");
    let sound = "traces/job/HFL-44_007_1550_AB.sor";
    let diagnosis = run(&["diagnose", sound, "--plan", &plan]);
    assert_eq!(diagnosis.status.code(), Some(1), "{}", err(&diagnosis));
    assert!(out(&diagnosis).contains("no limit to hold it against"), "{}", out(&diagnosis));
    // fibre 7 is sound (traces/job/expected.json); all that the plan asks for, and then one of four
    let all = ["AB", "BA"].map(|end| ["1310", "1550"].map(|nm| seventh(nm, end)));
    let all: Vec<&str> = all.iter().flatten().map(String::as_str).collect();
    let fine = run(&[&["diagnose", "--plan", PLAN][..], &all].concat());
    assert_eq!(fine.status.code(), Some(0), "{}", out(&fine));
    let part = run(&["diagnose", sound, "--plan", PLAN]);
    assert_eq!(part.status.code(), Some(1), "{}", out(&part));
    assert!(out(&part).contains("not judged: the plan asks for"), "{}", out(&part));
}

#[test]
fn traces_of_another_cable_are_told_together_with_the_reason() {
    let other = plan_with("other-cable", |line| line.replace("HFL-44", "HFL-45"));
    let review = run(&["review", "traces/job", "--plan", &other]);
    let text = out(&review).replace("\n    ", " ");
    let says = "31 files that the plan does not ask for: the label names another cable than HFL-45";
    assert!(text.contains(says), "{text}");
    assert_eq!(text.matches("surplus (remark)").count(), 1, "{text}");
    // all of the demo job's plan
    assert!(text.contains("fibres 1-8: missing: none of their measurements is there"), "{text}");
}

#[test]
fn plans_that_are_not_used_are_named() {
    let inside = run(&["review", "traces"]);
    assert_eq!(inside.status.code(), Some(2));
    assert!(err(&inside).contains("strandline review traces/job"), "{}", err(&inside));
    let unused = run(&["diagnose", "traces/job"]);
    assert!(err(&unused).contains("--plan traces/job/plan.toml"), "{}", err(&unused));
    let used = run(&["diagnose", "traces/job", "--plan", PLAN]);
    assert!(!err(&used).contains("is not used"), "{}", err(&used));
}

fn seventh(nm: &str, end: &str) -> String {
    format!("traces/job/HFL-44_007_{nm}_{end}.sor")
}

#[test]
fn what_is_undecided_has_its_figure_sigma_and_limit_in_every_answer() {
    // near its limit nobody can tell of a splice that was read from end a alone at 1550 nm
    let plan = plan_with("near-limits", |line| {
        if line.starts_with("splice_db") { "splice_db = 0.044".into() } else { line.to_owned() }
    });
    let open = undecided(&plan);
    assert!(!open.is_empty() && open.iter().all(|(_, reasons)| reasons.len() > 2), "{open:?}");
    let one = open.iter().find(|(fiber, _)| *fiber == 1).expect("fibre 1 is undecided");
    assert!(one.1.contains(": it loses 0.0") && one.1.contains(" ± 0.0"), "{one:?}");
    assert!(one.1.contains("the limit is 0.044 dB"), "{one:?}");
    let review = out(&run(&["review", "traces/job", "--plan", &plan]));
    assert!(review.contains("fibre 1: undecided at 1550 nm: C"), "{review}");
}

#[test]
fn a_cord_within_what_a_reflection_hides_is_warned_of_wherever_it_is_used() {
    // 100 ns are 10.2 m of fibre (c/2n): a cord of 6 m lies within its own launch reflection
    let folder = folder("short-cord");
    let target = |name: &str| folder.join(name).to_str().expect("UTF-8").to_owned();
    let plan = plan_with("short-cord-plan", |line| {
        if line.starts_with("launch_m") { "launch_m = 6.0".into() } else { line.to_owned() }
    });
    let trace = "traces/ferry-clean-1550.sor";
    let (one, two) = (target("one.svg"), target("two.svg"));
    let own = ["--launch", "6"];
    let commands: [&[&str]; 5] = [
        &["events", trace],
        &["plot", trace, "-o", &one],
        &["plot", "--together", trace, "traces/ferry-high-splice.sor", "-o", &two],
        &["watch", "traces/job", "--plan", &plan, "--for", "0.1"],
        &["review", "traces/job", "--plan", &plan],
    ];
    for args in commands {
        let cord: &[&str] = if args.contains(&"--plan") { &[] } else { &own };
        let output = run(&[args, cord].concat());
        let all = format!("{}{}", out(&output), err(&output));
        let all = all.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(all.contains("launch cord of 6.0 m is no longer than"), "{args:?}: {all}");
    }
}
