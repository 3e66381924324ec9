//! The only room that touches files: read, walk in order, write whole or not at all, hash.

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// Largest file that is read: far above any trace, far below what would hurt.
const LARGEST_BYTES: u64 = 256 * 1024 * 1024;

/// The whole of a file.
///
/// # Errors
/// Where it cannot be read, or is larger than 256 MB.
pub fn read(path: &Path) -> io::Result<Vec<u8>> {
    let file = fs::File::open(path)?;
    let length = file.metadata()?.len();
    if length > LARGEST_BYTES {
        return Err(io::Error::new(
            io::ErrorKind::FileTooLarge,
            format!("{length} bytes are more than a trace can have"),
        ));
    }
    let mut bytes = Vec::with_capacity(length as usize);
    file.take(LARGEST_BYTES).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// The text of a file, without a byte order mark.
///
/// # Errors
/// As [`read`], and where it is not UTF-8.
pub fn read_text(path: &Path) -> io::Result<String> {
    let text = String::from_utf8(read(path)?)
        .map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "the file is not UTF-8 text"))?;
    Ok(text.strip_prefix('\u{feff}').map_or(text.clone(), str::to_owned))
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
/// # Errors
/// Where the folder itself cannot be read; inner folders that cannot are left out.
pub fn traces_in(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    let mut seen = BTreeSet::new();
    walk(folder, &mut seen, &mut found)?;
    found.sort();
    Ok(found)
}

fn walk(folder: &Path, seen: &mut BTreeSet<PathBuf>, found: &mut Vec<PathBuf>) -> io::Result<()> {
    if !seen.insert(fs::canonicalize(folder)?) {
        return Ok(());
    }
    for entry in fs::read_dir(folder)?.flatten() {
        let path = entry.path();
        if path.is_dir() {
            let _ = walk(&path, seen, found); // an inner folder without permission is no reason to stop
        } else if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("sor")) {
            found.push(path);
        }
    }
    Ok(())
}

/// Writes a file whole or not at all: beside it first, then renamed. Folders on the way are made.
///
/// # Errors
/// Where it cannot be written; what stood at `path` then still does.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let beside = prepare(path, bytes)?;
    fs::rename(&beside, path).inspect_err(|_| drop(fs::remove_file(&beside)))
}

/// As [`write_whole`], but never over a file that is there.
///
/// # Errors
/// `AlreadyExists` where there is one, else as [`write_whole`].
pub fn write_new(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let beside = prepare(path, bytes)?;
    // A hard link fails where the name is taken, also against another writer at the same moment.
    let linked = fs::hard_link(&beside, path).or_else(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => Err(error),
        _ if path.exists() => Err(io::Error::from(io::ErrorKind::AlreadyExists)),
        _ => fs::copy(&beside, path).map(|_| ()), // file systems without links, such as a stick's
    });
    let _ = fs::remove_file(&beside);
    linked
}

fn prepare(path: &Path, bytes: &[u8]) -> io::Result<PathBuf> {
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        fs::create_dir_all(folder)?;
    }
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().ok_or(io::ErrorKind::InvalidInput)?);
    name.push(".part");
    let beside = path.with_file_name(name);
    let written = fs::File::create(&beside).and_then(|mut file| file.write_all(bytes));
    written.inspect_err(|_| drop(fs::remove_file(&beside)))?;
    Ok(beside)
}

/// Adds lines to the end of a file, which is made if it is not there.
///
/// # Errors
/// Where it cannot be written.
pub fn append(path: &Path, text: &str) -> io::Result<()> {
    let mut file = fs::OpenOptions::new().create(true).append(true).open(path)?;
    file.write_all(text.as_bytes())
}

/// Size in bytes and time of last change, in seconds since 1970, of a file.
///
/// # Errors
/// Where it cannot be looked at.
pub fn size_and_time(path: &Path) -> io::Result<(u64, u64)> {
    let data = fs::metadata(path)?;
    let since = data.modified()?.duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    Ok((data.len(), since.as_secs()))
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

    #[test]
    fn the_hash_is_the_published_one() {
        // FIPS 180-4 example, "abc"
        assert_eq!(
            sha256(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }
}
