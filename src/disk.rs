//! The only room that touches files: read, walk in order, write whole or not at all, hash.

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{LazyLock, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use sha2::{Digest, Sha256};

/// Largest file that is read: far above any trace, far below what would hurt.
const LARGEST_BYTES: u64 = 256 * 1024 * 1024;

/// The whole of a file.
///
/// # Errors
/// Where it cannot be read, or is larger than 256 MB.
pub fn read(path: &Path) -> io::Result<Vec<u8>> {
    let file = fs::File::open(path).map_err(plain)?;
    let length = file.metadata().map_err(plain)?.len();
    if length > LARGEST_BYTES {
        return Err(too_large(length));
    }
    let mut bytes = Vec::with_capacity(length as usize);
    // pipes have no length, files may grow
    file.take(LARGEST_BYTES + 1).read_to_end(&mut bytes).map_err(plain)?;
    if bytes.len() as u64 > LARGEST_BYTES {
        return Err(too_large(bytes.len() as u64));
    }
    Ok(bytes)
}

fn too_large(length: u64) -> io::Error {
    let says = format!("{length} bytes are more than a trace can have");
    io::Error::new(io::ErrorKind::FileTooLarge, says)
}

/// The same error in words for people where the system's speak to programmers; its kind stays.
fn plain(error: io::Error) -> io::Error {
    let says = match error.kind() {
        io::ErrorKind::NotFound => "there is no such file or folder",
        io::ErrorKind::PermissionDenied => "no permission",
        io::ErrorKind::AlreadyExists => "something of this name is there already",
        io::ErrorKind::IsADirectory => "it is a folder",
        io::ErrorKind::NotADirectory => "what should be a folder on the way is a file",
        io::ErrorKind::StorageFull => "the disk is full",
        io::ErrorKind::ReadOnlyFilesystem => "the disk can only be read",
        _ => return error,
    };
    io::Error::new(error.kind(), says)
}

/// A path for a message: control characters in names are escaped, the rest stays as it is.
pub fn shown(path: &Path) -> String {
    let escaped =
        |c: char| if c.is_control() { c.escape_default().collect() } else { String::from(c) };
    path.to_string_lossy().chars().map(escaped).collect()
}

/// The text of a file, without a byte order mark.
///
/// # Errors
/// As [`read`], and where it is not UTF-8.
pub fn read_text(path: &Path) -> io::Result<String> {
    let text = String::from_utf8(read(path)?).map_err(|_| {
        io::Error::new(io::ErrorKind::InvalidData, "the file is not UTF-8 text; save it as UTF-8")
    })?;
    if let Some(rest) = text.strip_prefix('\u{feff}') {
        return Ok(rest.to_owned());
    }
    Ok(text)
}

/// Whether the path names a folder.
pub fn is_folder(path: &Path) -> bool {
    path.is_dir()
}

/// Whether there is anything at the path.
pub fn exists(path: &Path) -> bool {
    path.exists()
}

/// All trace files (`*.sor`, in any case) in a folder and those inside it, sorted by path. Folders
/// reached twice through links are walked once.
///
/// An inner folder that cannot be read stands in the list itself, so that whoever reads the list
/// meets its error by name: nothing is left out in silence.
///
/// # Errors
/// Where the folder itself cannot be read.
pub fn traces_in(folder: &Path) -> io::Result<Vec<PathBuf>> {
    walk(folder, |path| path.extension().is_some_and(|e| e.eq_ignore_ascii_case("sor")))
}

/// All files in a folder and those inside it, as [`traces_in`].
///
/// # Errors
/// As [`traces_in`].
pub fn files_in(folder: &Path) -> io::Result<Vec<PathBuf>> {
    walk(folder, |_| true)
}

fn walk(folder: &Path, wanted: fn(&Path) -> bool) -> io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    let mut seen = BTreeSet::from([fs::canonicalize(folder).map_err(plain)?]);
    let mut inner = Vec::new();
    list(folder, wanted, &mut inner, &mut found).map_err(plain)?;
    while let Some(folder) = inner.pop() {
        let is_new = fs::canonicalize(&folder).map_or(true, |real| seen.insert(real));
        if is_new && list(&folder, wanted, &mut inner, &mut found).is_err() {
            found.push(folder);
        }
    }
    found.sort();
    Ok(found)
}

fn list(
    folder: &Path,
    wanted: fn(&Path) -> bool,
    inner: &mut Vec<PathBuf>,
    found: &mut Vec<PathBuf>,
) -> io::Result<()> {
    let entries = fs::read_dir(folder)?.map(|entry| Ok(entry?.path()));
    let mut paths = entries.collect::<io::Result<Vec<PathBuf>>>()?;
    // Of two links to one folder always the same one is walked: the last of a sorted stack first.
    paths.sort_unstable_by(|one, other| other.cmp(one));
    for path in paths {
        match fs::metadata(&path) {
            Ok(data) if data.is_dir() => inner.push(path),
            Ok(data) if data.is_file() && wanted(&path) => found.push(path), // a pipe would never end
            Err(_) if wanted(&path) => found.push(path), // a broken link: reading it says so
            _ => {}
        }
    }
    Ok(())
}

/// Writes a file whole or not at all: beside it first, then renamed. Folders on the way are made.
///
/// # Errors
/// Where it cannot be written; what stood at `path` then still does.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let unfinished = prepare(path, bytes)?;
    let beside = &unfinished.0;
    fs::rename(beside, path).inspect_err(|_| drop(fs::remove_file(beside))).map_err(plain)
}

/// As [`write_whole`], but never over a file that is there.
///
/// # Errors
/// `AlreadyExists` where there is one, else as [`write_whole`].
pub fn write_new(path: &Path, bytes: &[u8]) -> io::Result<()> {
    if fs::symlink_metadata(path).is_ok() {
        return Err(plain(io::ErrorKind::AlreadyExists.into()));
    }
    let unfinished = prepare(path, bytes)?;
    let beside = &unfinished.0;
    // A hard link fails where the name is taken, also against another writer at the same moment.
    let linked = fs::hard_link(beside, path).or_else(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => Err(error),
        // File systems without links, such as a stick's: an empty file holds the name until the whole one has it.
        _ => create(path)
            .and_then(|_| fs::rename(beside, path).inspect_err(|_| drop(fs::remove_file(path)))),
    });
    let _ = fs::remove_file(beside);
    linked.map_err(plain)
}

/// As [`write_new`], and checked: the bytes are forced to the medium and read back before they get
/// their name.
///
/// # Errors
/// As [`write_new`], and `InvalidData` where what is read back is not what was written.
pub fn write_new_checked(path: &Path, bytes: &[u8]) -> io::Result<()> {
    if fs::symlink_metadata(path).is_ok() {
        return Err(plain(io::ErrorKind::AlreadyExists.into()));
    }
    let unfinished = prepare(path, bytes)?;
    let beside = &unfinished.0;
    let written = fs::File::open(beside)
        .and_then(|file| file.sync_all())
        .and_then(|()| read(beside))
        .and_then(|back| if back == bytes { Ok(()) } else { Err(not_as_written()) });
    written.inspect_err(|_| drop(fs::remove_file(beside)))?;
    // Whole or not at all also where there are no links, as on a stick: there two writers at the
    // same moment could take one name, so callers hold their folder.
    let named = fs::hard_link(beside, path).or_else(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => Err(error),
        _ if fs::symlink_metadata(path).is_ok() => Err(io::ErrorKind::AlreadyExists.into()),
        _ => fs::rename(beside, path),
    });
    let _ = fs::remove_file(beside);
    named.map_err(plain)
}

fn not_as_written() -> io::Error {
    let says = "what was read back is not what was written: do not trust this medium";
    io::Error::new(io::ErrorKind::InvalidData, says)
}

/// The largest file that this process may write, in bytes: for one byte more the system kills it, and the
/// unfinished file stays. Linux tells it; `None` where there is no limit, and where nothing tells it.
static LARGEST_WRITABLE: LazyLock<Option<u64>> = LazyLock::new(|| {
    let limits = fs::read_to_string("/proc/self/limits").ok()?;
    let own = limits.lines().find_map(|line| line.strip_prefix("Max file size"))?;
    own.split_whitespace().next()?.parse().ok()
});

fn must_fit(length: u64) -> io::Result<()> {
    match *LARGEST_WRITABLE {
        Some(limit) if length > limit => {
            let says = format!(
                "{length} bytes are more than the {limit} that one file may have here; raise the limit (ulimit -f)"
            );
            Err(io::Error::new(io::ErrorKind::FileTooLarge, says))
        }
        _ => Ok(()),
    }
}

/// Makes an empty file that is not there yet.
fn create(path: &Path) -> io::Result<fs::File> {
    fs::OpenOptions::new().write(true).create_new(true).open(path)
}

/// Makes a folder and those around it. A file in its place is no name that is taken, as callers
/// would understand `AlreadyExists`: another name would not help.
fn make_folder(folder: &Path) -> io::Result<()> {
    fs::create_dir_all(folder).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => plain(io::ErrorKind::NotADirectory.into()),
        _ => plain(error),
    })
}

/// How names of unfinished files begin and end.
const UNFINISHED: (&str, &str) = (".strandline-", ".part");

/// Unfinished files of this process, for [`stop_writing`].
static WRITING: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

/// An unfinished file while this process writes it.
struct Unfinished(PathBuf);

impl Unfinished {
    /// Writes a file that is not there yet, held while it is written, and takes it away where that fails halfway.
    fn write(path: &Path, bytes: &[u8]) -> io::Result<Unfinished> {
        let mut own = writing();
        let mut file = create(path)?;
        own.insert(path.to_owned());
        drop(own);
        let unfinished = Unfinished(path.to_owned());
        let _ = file.try_lock(); // some file systems know no locks
        file.write_all(bytes).inspect_err(|_| drop(fs::remove_file(path)))?;
        Ok(unfinished)
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        writing().remove(&self.0);
    }
}

fn writing() -> MutexGuard<'static, BTreeSet<PathBuf>> {
    WRITING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Removes what this process has begun to write and not finished. For a process that ends at once: while the
/// guard is held no other file is begun.
pub fn stop_writing() -> impl Drop {
    let writing = writing();
    for path in &*writing {
        let _ = fs::remove_file(path);
    }
    writing
}

/// Nothing is written for longer than this without a change of its file: from memory, no source.
const LEFT_AFTER: Duration = Duration::from_mins(1);

/// Whether an unfinished file is what a killed process left: nobody has changed it for a while, and nobody
/// holds it. File systems that know no locks leave nothing to be sure of.
fn is_left_behind(path: &Path) -> bool {
    let Ok(file) = fs::OpenOptions::new().write(true).open(path) else { return false };
    let age = file.metadata().and_then(|data| data.modified()).map(|time| time.elapsed());
    age.is_ok_and(|age| age.is_ok_and(|age| age > LEFT_AFTER)) && file.try_lock().is_ok()
}

/// Writes the bytes under a spare name in the folder of `path`, which is made if it is not there.
fn prepare(path: &Path, bytes: &[u8]) -> io::Result<Unfinished> {
    const SPARE_NAMES: usize = 1000; // writers at the same moment, and what a crash left behind
    path.file_name().ok_or(io::ErrorKind::InvalidInput)?;
    must_fit(bytes.len() as u64)?;
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        make_folder(folder)?;
    }
    for n in 0..SPARE_NAMES {
        let beside = path.with_file_name(format!("{}{n}{}", UNFINISHED.0, UNFINISHED.1));
        if is_left_behind(&beside) {
            let _ = fs::remove_file(&beside);
        }
        match Unfinished::write(&beside, bytes) {
            Ok(unfinished) => return Ok(unfinished),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(plain(error)),
        }
    }
    let says = "too many unfinished files (.strandline-*.part) in the folder; remove them";
    Err(io::Error::new(io::ErrorKind::AlreadyExists, says))
}

/// Removes the unfinished files that writers of this room left in a folder, and in those inside it,
/// when they were interrupted. Nothing else is removed.
///
/// # Errors
/// Where the folder cannot be read, or such a file cannot be removed.
pub fn clear_unfinished(folder: &Path) -> io::Result<()> {
    for path in files_in(folder)? {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if name.starts_with(UNFINISHED.0) && name.ends_with(UNFINISHED.1) {
            fs::remove_file(&path)?;
        }
    }
    Ok(())
}

/// Removes a file if it holds exactly the bytes with this SHA-256. `false`: it holds others, and
/// stays.
///
/// # Errors
/// `NotFound` where there is none, else where it cannot be read or removed.
pub fn remove_exactly(path: &Path, sha256_of: &str) -> io::Result<bool> {
    if sha256(&read(path)?) != sha256_of {
        return Ok(false);
    }
    fs::remove_file(path).map(|()| true)
}

/// A file held against a second run of the same work, until dropped or until the process ends.
#[derive(Debug)]
pub struct Held(#[expect(dead_code, reason = "held, never read")] fs::File);

/// Holds a file, which is made if it is not there. File systems that know no locks hold nothing.
///
/// # Errors
/// `WouldBlock` where another process holds it, else where it cannot be opened for writing.
pub fn hold(path: &Path) -> io::Result<Held> {
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        make_folder(folder)?;
    }
    let file = fs::OpenOptions::new().create(true).append(true).open(path).map_err(plain)?;
    match file.try_lock() {
        Err(fs::TryLockError::WouldBlock) => Err(io::ErrorKind::WouldBlock.into()),
        _ => Ok(Held(file)),
    }
}

/// Whether a path lies in a folder, or is it; links and `..` followed. A path that is not there yet
/// lies where it would be made. `false` where there is no such folder.
pub fn lies_in(path: &Path, folder: &Path) -> bool {
    let there = |path: &&Path| path.exists();
    let nearest = path.ancestors().find(there).filter(|p| !p.as_os_str().is_empty());
    let real = |path: &Path| fs::canonicalize(path).ok();
    real(nearest.unwrap_or(Path::new(".")))
        .zip(real(folder))
        .is_some_and(|(path, folder)| folder.is_dir() && path.starts_with(folder))
}

/// Adds lines to the end of a file, which is made if it is not there, and forces them to the medium.
///
/// # Errors
/// Where it cannot be written.
pub fn append(path: &Path, text: &str) -> io::Result<()> {
    let mut file = fs::OpenOptions::new().create(true).append(true).open(path).map_err(plain)?;
    must_fit(file.metadata()?.len() + text.len() as u64)?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_data()).map_err(plain)
}

/// Size in bytes and time of last change, in nanoseconds since 1970, of a file.
///
/// # Errors
/// Where it cannot be looked at.
pub fn stamp(path: &Path) -> io::Result<(u64, u128)> {
    let data = fs::metadata(path).map_err(plain)?;
    let since = data.modified()?.duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    Ok((data.len(), since.as_nanos()))
}

/// SHA-256 of some bytes, as 64 lower-case hex digits. Source: FIPS 180-4.
pub fn sha256(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    let mut hex = String::with_capacity(64);
    for byte in Sha256::digest(bytes) {
        let _ = write!(hex, "{byte:02x}");
    }
    hex
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An empty folder of its own below the target folder.
    fn folder(name: &str) -> PathBuf {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/tmp/disk").join(name);
        let _ = fs::remove_dir_all(&folder);
        fs::create_dir_all(&folder).unwrap();
        folder
    }

    fn names(folder: &Path) -> Vec<String> {
        let found = traces_in(folder).unwrap();
        found.iter().map(|p| shown(p.strip_prefix(folder).unwrap()).replace('\\', "/")).collect()
    }

    #[test]
    fn traces_are_found_in_any_case_sorted_and_once() {
        let folder = folder("walk");
        for name in ["b.SOR", "a.sor", "in/c.Sor", "in/notes.txt", "in/sor", "d.sor.bak"] {
            write_whole(&folder.join(name), b"x").unwrap();
        }
        assert_eq!(names(&folder), ["a.sor", "b.SOR", "in/c.Sor"]);
    }

    #[cfg(unix)]
    #[test]
    fn links_in_a_ring_are_walked_once_and_broken_ones_are_listed() {
        use std::os::unix::fs::symlink;
        let folder = folder("ring");
        write_whole(&folder.join("in/a.sor"), b"x").unwrap();
        symlink(&folder, folder.join("in/up")).unwrap();
        symlink(folder.join("in"), folder.join("same")).unwrap();
        symlink("nowhere", folder.join("gone.sor")).unwrap();
        assert_eq!(names(&folder), ["gone.sor", "in/a.sor"]);
        assert!(read(&folder.join("gone.sor")).is_err());
    }

    #[test]
    fn a_new_file_never_takes_the_place_of_another() {
        let path = folder("new").join("deep/a.sor");
        write_new(&path, b"first").unwrap();
        let second = write_new(&path, b"second").unwrap_err();
        assert_eq!(second.kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(read(&path).unwrap(), b"first");
        write_whole(&path, b"third").unwrap();
        assert_eq!(read(&path).unwrap(), b"third");
        let beside: Vec<_> = fs::read_dir(path.parent().unwrap()).unwrap().collect();
        assert_eq!(beside.len(), 1, "nothing unfinished stays: {beside:?}");
    }

    #[test]
    fn writers_at_the_same_moment_leave_one_whole_file_each_time() {
        let path = folder("race").join("a.sor");
        let wrote: Vec<bool> = std::thread::scope(|scope| {
            let path = &path;
            let start = |n: u8| scope.spawn(move || write_new(path, &vec![n; 100_000]).is_ok());
            let running: Vec<_> = (0..8).map(start).collect();
            running.into_iter().map(|thread| thread.join().unwrap()).collect()
        });
        assert_eq!(wrote.iter().filter(|wrote| **wrote).count(), 1);
        let bytes = read(&path).unwrap();
        assert!(bytes.len() == 100_000 && bytes.iter().all(|byte| *byte == bytes[0]));
    }

    #[test]
    fn a_file_beyond_all_traces_is_refused_before_it_is_read() {
        let path = folder("large").join("huge.sor");
        write_whole(&path, b"").unwrap();
        // A hole in the file: no space on disk, only a length.
        let file = fs::OpenOptions::new().write(true).open(&path).unwrap();
        file.set_len(LARGEST_BYTES + 1).unwrap();
        assert_eq!(read(&path).unwrap_err().kind(), io::ErrorKind::FileTooLarge);
        fs::remove_file(&path).unwrap();
    }

    #[test]
    fn a_name_with_control_characters_is_harmless_in_a_message() {
        assert_eq!(shown(Path::new("a\u{1b}[2J\nb ü.sor")), "a\\u{1b}[2J\\nb ü.sor");
    }

    #[test]
    fn the_hash_is_the_published_one() {
        // FIPS 180-4 example, "abc"
        assert_eq!(
            sha256(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }
}
