//! Files that arrive in folders: which are whole, which are still being copied, which are gone.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use strandline::{disk, sor};

/// A file whose map does not say that it is whole is taken as it is after this long without a change:
/// some files never fit their map.
const SETTLED: Duration = Duration::from_secs(2);

/// What a look at the folders found.
#[derive(Debug)]
pub(super) enum News {
    /// A file is whole, by its own map or because it does not change any more.
    Whole(PathBuf, Vec<u8>),
    /// A file that was whole is not there any more.
    Gone(PathBuf),
    /// A file stays shorter than its map says: bytes there, bytes stated.
    Short(PathBuf, u64, u64),
    /// A folder or file cannot be read just now.
    Dark(PathBuf, String),
}

struct Seen {
    stamp: (u64, u128),
    since: Instant,
    state: State,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    /// Not whole yet.
    Coming,
    /// The same, and said.
    Stuck,
    Whole,
}

/// Folders under watch.
pub(super) struct Arrivals {
    folders: Vec<PathBuf>,
    seen: BTreeMap<PathBuf, Seen>,
    /// Folders that could not be read at the last look.
    dark: Vec<PathBuf>,
}

impl Arrivals {
    pub(super) fn new(folders: &[PathBuf]) -> Arrivals {
        Arrivals { folders: folders.to_vec(), seen: BTreeMap::new(), dark: Vec::new() }
    }

    /// Whether a file is under way, so that another look is due soon.
    pub(super) fn any_coming(&self) -> bool {
        self.seen.values().any(|seen| seen.state == State::Coming)
    }

    /// Looks at all folders. The news come in order of path.
    pub(super) fn look(&mut self, now: Instant) -> Vec<News> {
        let mut news = Vec::new();
        for path in self.listed(&mut news) {
            // Gone again, which the next look says, or a link to nothing, which reading it does.
            let stamp = disk::stamp(&path).unwrap_or_default();
            let new = Seen { stamp, since: now, state: State::Coming };
            let seen = self.seen.entry(path.clone()).or_insert(new);
            if seen.stamp != stamp {
                *seen = Seen { stamp, since: now, state: State::Coming };
            }
            if seen.state == State::Coming {
                news.extend(seen.judged(&path, now));
            }
        }
        news
    }

    /// Every trace that is there. Those that are not any more are forgotten.
    fn listed(&mut self, news: &mut Vec<News>) -> Vec<PathBuf> {
        let mut all = Vec::new();
        for folder in self.folders.clone() {
            match disk::traces_in(&folder) {
                Ok(inside) => {
                    self.dark.retain(|dark| *dark != folder);
                    self.seen.retain(|path, seen| {
                        let gone = path.starts_with(&folder) && inside.binary_search(path).is_err();
                        if gone && seen.state != State::Coming {
                            news.push(News::Gone(path.clone()));
                        }
                        !gone
                    });
                    all.extend(inside);
                }
                // A stick that was pulled out takes nothing back that was measured.
                Err(error) if !self.dark.contains(&folder) => {
                    news.push(News::Dark(folder.clone(), error.to_string()));
                    self.dark.push(folder);
                }
                Err(_) => {}
            }
        }
        all
    }
}

impl Seen {
    fn judged(&mut self, path: &Path, now: Instant) -> Option<News> {
        let settled = now.duration_since(self.since) >= SETTLED;
        let bytes = match disk::read(path) {
            Ok(bytes) => bytes,
            Err(error) if settled => {
                self.state = State::Stuck;
                return Some(News::Dark(path.to_owned(), error.to_string()));
            }
            Err(_) => return None, // still locked by whoever writes it
        };
        let (there, stated) = (bytes.len() as u64, sor::stated_bytes(&bytes));
        match stated {
            Some(stated) if there >= stated => {}
            Some(stated) if settled && sor::decode(&bytes, &sor::Options::default()).is_err() => {
                self.state = State::Stuck;
                return Some(News::Short(path.to_owned(), there, stated));
            }
            _ if settled => {}
            _ => return None,
        }
        self.state = State::Whole;
        Some(News::Whole(path.to_owned(), bytes))
    }
}
