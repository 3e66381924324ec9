//! Whole outputs against files beside this one, reviewed by eye. They keep the form, not the truth of a
//! figure: that is held by `tests/engine` and `tests/job`.
//!
//! After a wanted change `STRANDLINE_GOLDEN=1 cargo test --release --test cli golden` writes them anew,
//! and fails, so that nobody forgets to look at the difference.

use strandline::report::CAUTION;

use super::{commands, disk, err, out, root, run, run_wide};

#[test]
fn every_output_has_the_form_that_was_reviewed() {
    let plan = "traces/job/plan.toml";
    let cases: [(&str, &str, &[&str]); 14] = [
        ("show.txt", "80", &["show", "traces/ferry-clean-1550.sor", "--unit", "km"]),
        ("events.txt", "80", &["events", "traces/ferry-high-splice.sor", "--explain"]),
        ("events-plan.txt", "80", &["events", "traces/job/HFL-44_002_1310_AB.sor", "--plan", plan]),
        (
            "events-preset.txt",
            "80",
            &[
                "events",
                "traces/quay-splitter.sor",
                "--preset",
                "pon-b-plus",
                "--preset",
                "outside-plant-g657",
            ],
        ),
        ("events-kft.txt", "80", &["events", "traces/quay-splitter.sor", "--unit", "kft"]),
        ("events-narrow.txt", "40", &["events", "traces/ferry-break.sor"]),
        ("events-draw.txt", "80", &["events", "traces/ferry-high-splice.sor", "--draw"]),
        ("events.csv", "80", &["events", "--csv", "traces/ferry-break.sor"]),
        ("events.json", "80", &["events", "--json", "traces/ferry-break.sor"]),
        ("tray.txt", "80", &["tray", "traces/job", "--plan", plan, "--joint", "C2"]),
        ("tray-phone.txt", "40", &["tray", "traces/job", "--plan", plan, "--joint", "C2"]),
        ("budget.txt", "80", &["budget", "--plan", plan]),
        ("help.txt", "80", &["--help"]),
        ("events-help.txt", "80", &["events", "--help"]),
    ];
    let anew = std::env::var_os("STRANDLINE_GOLDEN").is_some();
    let mut differ = Vec::new();
    for (name, columns, args) in cases {
        let path = root().join("tests/cli/golden").join(name);
        let output = run_wide(columns, args);
        let text = out(&output);
        if disk::read_text(&path).is_ok_and(|golden| golden == text) {
            continue;
        }
        if anew {
            disk::write_whole(&path, text.as_bytes()).expect("the source folder can be written");
        }
        differ.push(format!("{name}: strandline {}\n{text}{}", args.join(" "), err(&output)));
    }
    assert!(differ.is_empty(), "not as reviewed, or written anew:\n\n{}", differ.join("\n"));
}

#[test]
fn the_readme_shows_what_its_main_command_prints() {
    let readme = disk::read_text(&root().join("README.md")).expect("the README");
    let command = "cargo run --release -- review traces/job --plan traces/job/plan.toml";
    assert!(readme.contains(command));
    let shown = readme.split("```text\n").nth(1).and_then(|rest| rest.split("```").next());
    let output = run(&["review", "traces/job", "--plan", "traces/job/plan.toml"]);
    assert_eq!(shown, Some(out(&output).as_str()), "README.md against the command");
    assert!(out(&output).ends_with(&format!("\n{CAUTION}\n")));
}

#[test]
fn the_page_of_commands_has_each_command_and_each_of_its_options() {
    let page = disk::read_text(&root().join("docs/commands.md")).expect("the page");
    let (shared, _) = page.split_once("\n## ").expect("what holds everywhere, then the commands");
    let mut missing = Vec::new();
    for command in commands() {
        let section = page.split("\n## ").find(|s| s.starts_with(&format!("{command}\n")));
        let section = section.unwrap_or_else(|| panic!("no heading for {command}"));
        let help = out(&run(&[&command, "--help"]));
        let own = help.lines().filter(|line| line.trim_start().starts_with('-'));
        for option in own.flat_map(|line| line.split([' ', ','])).filter(|w| w.starts_with("--")) {
            let named = format!("`{option}");
            if !section.contains(&named) && !shared.contains(&named) {
                missing.push(format!("{command} {option}"));
            }
        }
    }
    assert!(missing.is_empty(), "not explained under their commands: {missing:?}");
}
