//! The demo data in `traces/`: rendered again and compared byte for byte.
//!
//! With `STRANDLINE_RENDER=1` in the environment the files are written instead.

#![expect(clippy::unwrap_used, reason = "a test may stop where a file is not as it should be")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use strandline::disk;
use strandline::simulate::cable::{self, Planted, Size};
use strandline::simulate::{Rendered, Scenario, render};
use strandline::sor::{self, Version};

type Files = BTreeMap<PathBuf, Vec<u8>>;

fn traces() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("traces")
}

fn trace_bytes(rendered: &Rendered) -> Vec<u8> {
    sor::encode(&rendered.trace, Version::V2).unwrap()
}

/// Every scenario in `traces/`, rendered.
fn demo_files() -> Files {
    let mut files = Files::new();
    for entry in fs::read_dir(traces()).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "toml") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        let scenario = Scenario::from_toml(&text)
            .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert_eq!(path.file_stem().unwrap().to_str(), Some(scenario.name.as_str()));
        for rendered in render(&scenario) {
            let file = traces().join(&rendered.name);
            files.insert(file.with_extension("sor"), trace_bytes(&rendered));
            files.insert(file.with_extension("truth.json"), rendered.truth.to_json().into());
        }
    }
    files
}

fn job_files() -> Files {
    let size = Size {
        closures: 3,
        length_m: 5600.0,
        samples: 4000,
        cord_m: 300.0,
        planted: vec![
            Planted::HighSplice,
            Planted::Bend,
            Planted::DirtyConnector,
            Planted::Copy,
            Planted::Missing,
        ],
        ..Size::common(8)
    };
    // Of the seeds that deal these faults to fibres 1 to 6 and leave 7 and 8 sound, with the splice and
    // the bend in the same closure, for one screen shows how they are told apart. Nothing else made it.
    let job = cable::draw(11_900_670_162, &size);
    let folder = traces().join("job");
    let mut files = Files::new();
    files.insert(folder.join("plan.toml"), job.plan.into());
    files.insert(folder.join("expected.json"), job.truth.to_json().into());
    for rendered in &job.traces {
        files.insert(folder.join(format!("{}.sor", rendered.name)), trace_bytes(rendered));
    }
    files
}

#[test]
fn demo_data_is_what_its_scenarios_render() {
    let mut files = demo_files();
    assert_eq!(files.keys().filter(|path| path.extension().unwrap() == "sor").count(), 10);
    files.append(&mut job_files());
    let total: usize = files.values().map(Vec::len).sum();
    assert!(total < 3_000_000, "demo data has {total} bytes");
    if std::env::var_os("STRANDLINE_RENDER").is_some() {
        fs::create_dir_all(traces().join("job")).unwrap();
        for (path, bytes) in &files {
            disk::write_whole(path, bytes).unwrap();
        }
    }
    for (path, bytes) in &files {
        let kept = fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert!(kept == *bytes, "{} is not what its scenario renders", path.display());
    }
    // Nothing else lies there: a file without a scenario would be of unknown truth.
    let known = |path: &PathBuf| files.contains_key(path);
    for folder in [traces(), traces().join("job")] {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let is_data =
                path.extension().is_some_and(|ending| ending == "sor" || ending == "json");
            assert!(!is_data || known(&path), "{} belongs to nothing", path.display());
        }
    }
}

#[test]
fn a_demo_trace_read_back_is_the_trace_that_was_rendered() {
    for (path, bytes) in demo_files() {
        if path.extension().unwrap() != "sor" {
            continue;
        }
        let text = path.file_stem().unwrap().to_str().unwrap().to_owned();
        let trace = sor::decode(&bytes, &sor::Options::default()).unwrap();
        assert_eq!(trace.notes, [], "{text}");
        assert!(trace.labels.comment.text().contains("invented"), "{text}");
    }
}
