//! The room that touches files.

use std::io;
use std::process::Command;

use super::{err, folder, root, text};
use strandline::disk;

#[test]
fn a_new_file_takes_no_name_that_is_taken_and_leaves_nothing_unfinished() {
    let folder = folder("disk-new");
    let path = folder.join("a").join("one.sor");
    disk::write_new_checked(&path, b"first").unwrap();
    let taken = disk::write_new_checked(&path, b"second").unwrap_err();
    assert_eq!(taken.kind(), io::ErrorKind::AlreadyExists);
    // what a killed writer leaves, and what belongs to somebody else
    std::fs::copy(&path, folder.join(".strandline-7.part")).unwrap();
    std::fs::copy(&path, folder.join(".somebody.part")).unwrap();
    disk::clear_unfinished(&folder).unwrap();
    assert_eq!(disk::files_in(&folder).unwrap(), [folder.join(".somebody.part"), path.clone()]);
    assert_eq!(disk::read(&path).unwrap(), b"first");
    assert!(!disk::remove_exactly(&path, &disk::sha256(b"second")).unwrap());
    assert!(disk::remove_exactly(&path, &disk::sha256(b"first")).unwrap());
    assert!(!disk::exists(&path));
}

#[test]
fn what_is_held_is_not_held_twice() {
    let path = folder("disk-held").join("lock");
    let first = disk::hold(&path).unwrap();
    assert_eq!(disk::hold(&path).unwrap_err().kind(), io::ErrorKind::WouldBlock);
    drop(first);
    disk::hold(&path).unwrap();
}

#[test]
fn what_a_killed_writer_left_is_replaced_and_what_another_may_still_write_is_not() {
    let folder = folder("disk-left");
    let long_ago = std::time::SystemTime::UNIX_EPOCH;
    let part = |n: usize| folder.join(format!(".strandline-{n}.part"));
    let left = |n: usize| {
        disk::write_whole(&part(n), b"hal").unwrap();
        let file = std::fs::File::options().write(true).open(part(n)).unwrap();
        file.set_modified(long_ago).unwrap();
        file
    };
    // Nobody holds the first; the second is held, the third was changed just now.
    drop(left(0));
    let held = left(1);
    held.lock().unwrap();
    disk::write_whole(&part(2), b"hal").unwrap();
    for n in 0..4 {
        disk::write_new(&folder.join(format!("{n}.sor")), b"whole").unwrap();
    }
    assert!(!disk::exists(&part(0)));
    assert!(disk::exists(&part(1)) && disk::exists(&part(2)));
}

/// In a process of its own: what stops its writing takes away what the other tests here have begun to write.
#[test]
fn a_process_that_ends_at_once_leaves_no_unfinished_file_of_others() {
    if std::env::var_os("STRANDLINE_ALONE").is_none() {
        let name = "on_disk::a_process_that_ends_at_once_leaves_no_unfinished_file_of_others";
        let mut alone = Command::new(std::env::current_exe().unwrap());
        let out = alone.args(["--exact", name]).env("STRANDLINE_ALONE", "1").output().unwrap();
        assert!(
            out.status.success() && String::from_utf8_lossy(&out.stdout).contains("1 passed"),
            "{out:?}"
        );
        return;
    }
    let folder = folder("disk-stop");
    let others = folder.join(".strandline-0.part");
    disk::write_whole(&others, b"theirs").unwrap();
    drop(disk::stop_writing());
    assert_eq!(disk::read(&others).unwrap(), b"theirs");
}

/// The system kills a process that writes beyond the limit of one file: it has to be asked before.
#[cfg(target_os = "linux")]
#[test]
fn a_limit_of_the_size_of_one_file_is_said_and_leaves_nothing() {
    let folder = folder("limit");
    let binary = env!("CARGO_BIN_EXE_strandline");
    // blocks of 512 or 1,024 bytes, by shell: 2 to 4 kB, and a trace has some 10
    let script = format!(
        "ulimit -f 4; exec '{binary}' simulate -o '{}' traces/ferry-clean.toml",
        text(&folder)
    );
    let done = Command::new("sh").current_dir(root()).args(["-c", &script]).output();
    let done = done.expect("a shell");
    assert_eq!(done.status.code(), Some(2), "{}", err(&done));
    assert!(err(&done).contains("ulimit"), "{}", err(&done));
    assert_eq!(std::fs::read_dir(&folder).expect("a folder").count(), 0, "nothing unfinished");
}
