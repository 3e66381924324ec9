//! `review --report`: a folder of files that all say the same.

use serde_json::Value;

use super::{disk, err, folder, out, run};

const PLAN: &str = "traces/job/plan.toml";

fn report(name: &str) -> std::path::PathBuf {
    let folder = folder(name);
    let dir = folder.to_str().expect("UTF-8");
    let output = run(&["review", "traces/job", "--plan", PLAN, "--report", dir]);
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    assert!(err(&output).contains("written into"), "{}", err(&output));
    folder
}

fn rows(folder: &std::path::Path, name: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let bytes = disk::read(&folder.join(name)).expect("written");
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    reader.deserialize().map(|row| row.expect("a row like its headings")).collect()
}

/// What a JSON value is in a cell.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.as_f64().map_or(other.to_string(), |number| number.to_string()),
    }
}

#[test]
fn the_tables_of_a_report_say_what_its_document_says() {
    let folder = report("report-tables");
    let json = disk::read_text(&folder.join("review.json")).expect("written");
    let printed = run(&["review", "--json", "traces/job", "--plan", PLAN]);
    assert_eq!(json, out(&printed), "the file against --json");
    let document: Value = serde_json::from_str(&json).expect("JSON");
    let fibers = document["fibers"].as_array().expect("fibres");
    let mut compared = 0;
    for (table, list) in
        [("joints.csv", "joints"), ("sections.csv", "sections"), ("links.csv", "links")]
    {
        let parts = fibers.iter().flat_map(|fiber| {
            fiber[list].as_array().expect("a list").iter().map(move |part| (fiber, part))
        });
        let rows = rows(&folder, table);
        assert_eq!(rows.len(), parts.clone().count(), "{table}");
        for (row, (fiber, part)) in rows.iter().zip(parts) {
            assert_eq!(row["fiber"], cell(&fiber["fiber"]), "{table}");
            for (key, value) in part.as_object().expect("an object") {
                let column = if key == "name" { "joint" } else { key };
                assert_eq!(row[column], cell(value), "{table}, {key}");
                compared += 1;
            }
        }
    }
    assert!(compared > 500, "only {compared} cells compared");
    let tests = document["tests"].as_array().expect("tests");
    let rows_of_tests = rows(&folder, "tests.csv");
    assert_eq!(rows_of_tests.len(), tests.len());
    for (row, test) in rows_of_tests.iter().zip(tests) {
        for key in ["fiber", "wavelength_nm", "direction", "verdict", "file", "sha256", "operator"]
        {
            assert_eq!(row[key], cell(&test[key]), "{key}");
        }
    }
    let said =
        fibers.iter().chain([&document]).flat_map(|f| f["findings"].as_array().expect("list"));
    let rows_of_findings = rows(&folder, "findings.csv");
    assert_eq!(rows_of_findings.len(), said.clone().count());
    for (row, found) in rows_of_findings.iter().zip(said) {
        assert_eq!(row["says"], cell(&found["says"]));
        for (name, value) in found["evidence"].as_object().expect("an object") {
            assert_eq!(row[&format!("evidence_{name}")], cell(value), "{name}");
        }
    }
}

#[test]
fn two_reports_of_the_same_files_have_the_same_bytes() {
    let (one, other) = (report("report-once"), report("report-again"));
    let mut names: Vec<_> = std::fs::read_dir(&one)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name())
        .collect();
    names.sort();
    assert!(names.len() >= 6, "{names:?}");
    for name in names {
        assert!(!name.to_string_lossy().starts_with('.'), "{} was left over", name.display());
        let read = |folder: &std::path::Path| disk::read(&folder.join(&name)).expect("written");
        assert_eq!(read(&one), read(&other), "{}", name.display());
    }
}

#[test]
fn a_report_that_cannot_be_written_ends_with_2_and_says_where() {
    let folder = folder("report-taken");
    let taken = folder.join("taken");
    disk::write_new(&taken, b"a file, no folder").expect("writable");
    let name = taken.to_str().expect("UTF-8");
    let output = run(&["review", "traces/job", "--plan", PLAN, "--report", name]);
    assert_eq!(output.status.code(), Some(2), "{}", err(&output));
    assert!(err(&output).contains("review.json: cannot be written"), "{}", err(&output));
    assert_eq!(disk::read(&taken).expect("still there"), b"a file, no folder");
}

#[test]
fn the_page_of_a_report_holds_its_document_and_asks_for_nothing_from_outside() {
    let folder = report("report-page");
    let page = disk::read_text(&folder.join("review.html")).expect("written");
    let block = page.split_once("id=\"data-review\">").expect("the block").1;
    let held: Value = serde_json::from_str(block.split_once("</script>").expect("its end").0)
        .expect("JSON in the block");
    let json = disk::read_text(&folder.join("review.json")).expect("written");
    assert_eq!(held, serde_json::from_str::<Value>(&json).expect("JSON"));
    assert!(page.contains("default-src 'none'"));
    assert!(page.contains("never look into one"));
    assert!(page.contains("Permission is hereby granted"), "the licence of what draws");
    let again = report("report-page-again");
    assert_eq!(page, disk::read_text(&again.join("review.html")).expect("written"));
}
