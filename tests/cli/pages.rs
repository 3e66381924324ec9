//! The pages: what they say to type runs as it stands there, and what they show is what it prints.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::{disk, err, folder, out, root, run};

/// README and everything in docs.
fn pages() -> Vec<PathBuf> {
    let mut pages = vec![root().join("README.md")];
    let docs = disk::files_in(&root().join("docs")).expect("readable");
    pages.extend(docs.into_iter().filter(|path| path.extension().is_some_and(|e| e == "md")));
    assert!(pages.len() > 8);
    pages
}

/// A block of shell lines, and the block of text right behind it, if there is one.
struct Block {
    commands: String,
    shows: Option<String>,
}

fn blocks(page: &str) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    let mut lines = page.lines();
    let mut follows = false;
    while let Some(line) = lines.next() {
        let fence = line.trim_start();
        if !fence.starts_with("```") {
            follows &= line.is_empty();
            continue;
        }
        let inside: Vec<&str> =
            lines.by_ref().take_while(|line| !line.trim_start().starts_with("```")).collect();
        let inside = inside.join("\n") + "\n";
        match (fence, blocks.last_mut()) {
            ("```sh", _) => blocks.push(Block { commands: inside, shows: None }),
            ("```text", Some(last)) if follows => last.shows = Some(inside),
            _ => {}
        }
        follows = fence == "```sh";
    }
    blocks
}

/// A folder with everything that the pages name: this project's demo traces and, under the names
/// that stand for the user's own files, copies of some of them.
fn desk(name: &str) -> PathBuf {
    let desk = folder(name);
    let copy = |from: &str, to: &str| {
        let bytes = disk::read(&root().join(from)).expect("demo data");
        disk::write_whole(&desk.join(to), &bytes).expect("writable");
    };
    for path in disk::files_in(&root().join("traces")).expect("readable") {
        let inside = path.strip_prefix(root()).expect("below the root").to_str().expect("UTF-8");
        copy(inside, inside);
        if let Some(file) =
            inside.strip_prefix("traces/job/").filter(|f| f.split('.').next_back() == Some("sor"))
        {
            for stands_for in ["handset", "last-year", "this-year", "media/stick"] {
                copy(inside, &format!("{stands_for}/{file}"));
            }
        }
    }
    for (from, to) in [
        ("traces/ferry-clean-1550.sor", "fibre-07.sor"),
        ("traces/ferry-bend-1310.sor", "link-1310.sor"),
        ("traces/ferry-bend-1550.sor", "link-1550.sor"),
    ] {
        copy(from, to);
    }
    copy("traces/job/plan.toml", "plan.toml");
    desk
}

/// The lines that can be run here: cargo's are CI's own, as are those that need what lies beside the
/// project; `/media` is a folder of the desk.
fn lines(block: &Block) -> Vec<String> {
    let is_ours = |line: &&str| !line.contains("cargo ") && !line.contains(" ../");
    block.commands.lines().filter(is_ours).map(|line| line.replace("/media/", "media/")).collect()
}

fn shell(line: &str, desk: &Path) -> Command {
    let bin = Path::new(env!("CARGO_BIN_EXE_strandline")).parent().expect("in a folder");
    let mut paths = vec![bin.to_owned()];
    paths.extend(std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default()));
    let mut shell = Command::new("sh");
    shell.args(["-c", line]).current_dir(desk).env("COLUMNS", "80").env("HOME", desk);
    shell.env("PATH", std::env::join_paths(paths).expect("paths without colons"));
    shell
}

#[cfg(unix)]
#[test]
fn every_command_of_a_page_runs_as_it_stands_there_and_prints_what_the_page_shows() {
    let (mut ran, mut shown) = (0, 0);
    for page in pages() {
        let stem = page.file_stem().expect("a name").to_string_lossy().into_owned();
        let text = disk::read_text(&page).expect("readable");
        let desk = desk(&format!("pages-{stem}"));
        for block in blocks(&text).iter().filter(|block| !lines(block).is_empty()) {
            let mut printed = String::new();
            for line in lines(block) {
                // a watch ends by itself only here
                let line = line.replace("strandline watch ", "strandline watch --for 0.1 ");
                let output = shell(&line, &desk).output().expect("a shell");
                let said = err(&output);
                // 1 is an answer too: the demo has faults
                let ended = output.status.code();
                assert!(matches!(ended, Some(0 | 1)), "{stem}: {line}: {ended:?}: {said}");
                assert!(!said.contains("error:"), "{stem}: {line}: {said}");
                printed.push_str(&out(&output));
                ran += 1;
            }
            // what the README's first block shows, which is cargo's, golden.rs and .ci/run hold
            if let Some(shows) = &block.shows {
                assert!(printed.ends_with(shows.as_str()), "{stem}: {}\n{printed}", block.commands);
                shown += 1;
            }
        }
    }
    assert!(ran > 30 && shown > 0, "{ran} commands, {shown} answers shown");
}

#[test]
fn every_command_named_in_running_text_exists_with_its_options() {
    let mut seen = 0;
    for page in pages() {
        let text = disk::read_text(&page).expect("readable");
        for named in text.split('`').skip(1).step_by(2).filter(|t| t.starts_with("strandline ")) {
            let mut words = named.split_whitespace().skip(1);
            let command = words.next().expect("a command");
            if command == "COMMAND" {
                continue; // stands for any of them
            }
            let help = out(&run(&[command, "--help"]));
            assert!(help.contains("Usage: strandline"), "{}: {named}", page.display());
            for option in words.filter(|word| word.starts_with('-')) {
                let option = option.trim_end_matches([']', ')', ',']);
                let known = help.split(|c: char| c.is_whitespace() || c == ',');
                assert!(known.into_iter().any(|w| w == option), "{}: {named}", page.display());
            }
            seen += 1;
        }
    }
    assert!(seen > 5, "{seen}");
}

#[test]
fn each_library_has_its_reason_and_each_reason_its_library() {
    let manifest = disk::read_text(&root().join("Cargo.toml")).expect("readable");
    let manifest: toml::Table = manifest.parse().expect("TOML");
    let mut used: Vec<&str> = ["dependencies", "dev-dependencies"]
        .iter()
        .flat_map(|key| manifest[*key].as_table().expect("a table").keys().map(String::as_str))
        .collect();
    used.sort_unstable();
    let page = disk::read_text(&root().join("docs/dependencies.md")).expect("readable");
    let mut explained: Vec<&str> = page
        .lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| crate"))
        .filter_map(|line| line.split('|').nth(1))
        .filter(|names| !names.contains("JavaScript")) // kept whole, no dependency
        .flat_map(|names| names.trim().trim_end_matches(" (tests)").split(", "))
        .collect();
    explained.sort_unstable();
    assert_eq!(used, explained);
}

#[test]
fn the_page_of_plans_has_each_preset_and_no_other() {
    let page = disk::read_text(&root().join("docs/plan.md")).expect("readable");
    let table = page.lines().skip_while(|line| !line.starts_with("| preset")).skip(2);
    let rows = table.take_while(|line| line.starts_with('|'));
    let cells: Vec<&str> = rows.filter_map(|row| row.split('|').nth(1)).collect();
    let mut named: Vec<&str> = cells.iter().flat_map(|c| c.split('`').skip(1).step_by(2)).collect();
    named.sort_unstable();
    let mut known: Vec<&str> = strandline::plan::PRESETS.iter().map(|own| own.name).collect();
    known.sort_unstable();
    assert_eq!(named, known);
}
