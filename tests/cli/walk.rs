//! Folders, odd names, broken files in a run of good ones.

use std::path::Path;

use super::{CLEAN, disk, err, folder, out, root, run};

pub(super) fn copy(from: &str, to: &Path) {
    let bytes = disk::read(&root().join(from)).expect("demo data");
    disk::write_new(to, &bytes).expect("writable");
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

#[test]
fn a_folder_is_walked_in_order_whatever_the_case_of_an_ending() {
    let folder = folder("cli-walk");
    copy(CLEAN, &folder.join("b b/2.SOR"));
    copy(CLEAN, &folder.join("a/9.sor"));
    copy(CLEAN, &folder.join("a/10.Sor"));
    disk::write_new(&folder.join("a/notes.txt"), b"no trace").expect("writable");
    let output = run(&["events", "--csv", text(&folder)]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let mut files: Vec<String> = out(&output)
        .lines()
        .skip(1)
        .map(|line| line.split(',').next().unwrap_or_default().replace('\\', "/"))
        .collect();
    files.dedup();
    let ends: Vec<&str> = files.iter().filter_map(|f| f.split("/cli-walk/").nth(1)).collect();
    assert_eq!(ends, ["a/10.Sor", "a/9.sor", "b b/2.SOR"]);
}

#[test]
fn files_come_out_in_the_order_given_and_one_named_twice_comes_once() {
    let dotted = "./traces/quay-splitter.sor";
    let output =
        run(&["show", "traces/quay-splitter.sor", CLEAN, "traces/quay-splitter.sor", dotted]);
    let named: Vec<String> =
        out(&output).lines().filter(|l| l.contains("traces/")).map(str::to_owned).collect();
    assert_eq!(named, ["traces/quay-splitter.sor", CLEAN]);
    assert!(!out(&output).starts_with('\n'));
}

#[test]
fn a_path_that_gives_no_trace_is_an_error_for_every_command() {
    let empty = folder("cli-empty");
    std::fs::create_dir_all(&empty).expect("writable");
    let plan = "traces/job/plan.toml";
    let into = empty.with_file_name("cli-empty-out");
    for path in [text(&empty), "no/such/folder"] {
        for args in [
            &["show", path][..],
            &["events", path],
            &["events", "--json", path],
            &["plot", path, "-o", text(&into)],
            &["review", path, "--plan", plan],
            &["tray", path, "--plan", plan, "--joint", "C2"],
            &["relabel", path, "--set", "fiber=1", "-o", text(&into)],
        ] {
            let output = run(args);
            assert_eq!(output.status.code(), Some(2), "{args:?}");
            let errors = err(&output).lines().filter(|l| l.starts_with("error: ")).count();
            assert_eq!(errors, 1, "{args:?}: {}", err(&output));
        }
    }
    assert!(!disk::exists(&into));
}

#[test]
fn broken_files_are_named_and_never_stop_or_crash_a_command() {
    let folder = folder("cli-broken");
    let whole = disk::read(&root().join(CLEAN)).expect("demo data");
    let cases: [(&str, Vec<u8>); 6] = [
        ("empty.sor", Vec::new()),
        ("zeros.sor", vec![0; 5000]),
        ("words.sor", b"these are words, and no trace".to_vec()),
        ("cut.sor", whole[..whole.len() / 2].to_vec()),
        ("cut-in-map.sor", whole[..40].to_vec()),
        ("one-byte.sor", whole[..1].to_vec()),
    ];
    for (name, bytes) in &cases {
        disk::write_new(&folder.join(name), bytes).expect("writable");
    }
    copy(CLEAN, &folder.join("good.sor"));
    let pictures = folder.join("pictures");
    for args in [
        &["show", text(&folder)][..],
        &["events", text(&folder)],
        &["plot", text(&folder), "-o", text(&pictures)],
        &["tray", text(&folder), "--plan", "traces/job/plan.toml", "--joint", "C2"],
        &["review", text(&folder), "--plan", "traces/job/plan.toml"],
    ] {
        let output = run(args);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", err(&output));
        for (name, bytes) in &cases {
            let own: Vec<String> =
                err(&output).lines().filter(|l| l.contains(name)).map(str::to_owned).collect();
            assert!(own.len() == 1 && own[0].starts_with("error: "), "{args:?} {name}: {own:?}");
            assert_eq!(&disk::read(&folder.join(name)).expect("still there"), bytes);
        }
    }
    assert!(disk::exists(&pictures.join("good.svg")), "the good one is still done");
    let left = std::fs::read_dir(&pictures).expect("made").count();
    assert_eq!(left, 1, "nothing half written beside it");
}

#[test]
fn two_column_text_is_read_where_its_pulse_is_given() {
    let folder = folder("cli-text");
    let path = folder.join("export.csv");
    // 2 km of 0.2 dB/km, a step of 0.5 dB at 1 km; Windows line ends
    let level = |m: u16| -0.2e-3 * f64::from(m) - if m < 1000 { 0.0 } else { 0.5 };
    let rows: Vec<String> = (0..2000).map(|m| format!("{m},{:.4}\r\n", level(m))).collect();
    disk::write_new(&path, rows.concat().as_bytes()).expect("writable");
    let unsaid = run(&["events", text(&path)]);
    assert_eq!(unsaid.status.code(), Some(2));
    assert!(err(&unsaid).contains("hint: give --pulse"), "{}", err(&unsaid));
    let json = run(&["events", "--json", text(&path), "--pulse", "10", "--wavelength", "1550"]);
    assert_eq!(json.status.code(), Some(0), "{}", err(&json));
    let document: serde_json::Value = serde_json::from_slice(&json.stdout).expect("JSON");
    let step = document["traces"][0]["events"]
        .as_array()
        .and_then(|events| events.iter().find(|e| e["role"] == "joint"))
        .unwrap_or_else(|| panic!("no joint in {document}"));
    let figure = |key: &str| step[key].as_f64().expect("measured");
    assert!((figure("position_m") - 1000.0).abs() < 2.0, "{step}");
    assert!((figure("loss_db") - 0.5).abs() < 0.01, "{step}");
}
