//! The room that touches files.

use std::io;

use super::folder;
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
