//! Commands that copy traces, against what may happen to files: interruptions, name clashes, hostile
//! labels, copies under other names.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use strandline::trace::Trace;
use strandline::{disk, sor, source};

mod collect;
mod draft;
mod jobs;
mod on_disk;
mod relabel;
mod same;
mod watch;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// A folder of its own for a test, empty at the beginning.
fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("files").join(name);
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("the target folder can be written");
    folder
}

/// The command in the project's folder.
fn command(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_strandline"));
    command.current_dir(root()).env("COLUMNS", "80").env("NO_COLOR", "1").args(args);
    command
}

fn run(args: &[&str]) -> Output {
    command(args).output().expect("the command runs")
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

/// Everything below a folder: relative path and bytes.
fn state(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let files = disk::files_in(folder).expect("readable");
    let inside = |path: &PathBuf| path.strip_prefix(folder).expect("below").to_owned();
    files.iter().map(|path| (inside(path), disk::read(path).expect("readable"))).collect()
}

fn demo(name: &str) -> Trace {
    source::read(&root().join("traces").join(name), &source::Options::default()).expect("demo data")
}

/// Writes a trace, whatever stands there.
fn put(trace: &Trace, path: &Path) {
    let bytes = sor::encode(trace, sor::Version::V2).expect("fits");
    disk::write_whole(path, &bytes).expect("writable");
}
