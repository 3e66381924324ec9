//! The blocks of an SR-4731 file as bytes with their offsets, back byte for byte, and the checksum.
//!
//! A file is its map, the bodies of the blocks end to end, and whatever lies behind them. Nothing
//! here knows what a block means. From memory of Telcordia SR-4731 and Bellcore GR-196.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

mod checksum;
mod fields;

pub use checksum::{Fit, checksum};
pub use fields::{Damage, Fields, shown};

const MAP: &str = "Map";
const CKSUM: &str = "Cksum";
const MAP_NAME: &[u8] = b"Map\0";
const ENTRY_LEAST_BYTES: usize = 8;
const CUT_SHORT: &str = "the file seems to be cut short; copy it from the instrument again";
const DAMAGED: &str = "the file is cut short or damaged; copy it from the instrument again";
const OTHER_KIND: &str = "if it is a trace, export it from the instrument as SOR";

/// The two generations of the format.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Version {
    /// Bellcore GR-196: bodies without names, revision 100.
    V1,
    /// Telcordia SR-4731: each body begins with its name, revision 200.
    V2,
}

impl Version {
    /// The generation of a block's or the map's revision. `None` for an unknown one.
    pub fn of_revision(revision: u16) -> Option<Version> {
        match revision {
            100..=199 => Some(Version::V1),
            200..=299 => Some(Version::V2),
            _ => None,
        }
    }

    /// The revision that writers state.
    pub fn revision(self) -> u16 {
        match self {
            Version::V1 => 100,
            Version::V2 => 200,
        }
    }
}

/// One block: its entry in the map and its body.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Block<'a> {
    /// Its name in the map, without the zero.
    pub name: &'a [u8],
    /// Its own revision.
    pub revision: u16,
    /// Whether the body begins with the block's name, as version 2 wants it.
    pub named: bool,
    /// Where the body begins in the file.
    pub offset: usize,
    /// The whole body, the name in front included.
    pub body: &'a [u8],
    revision_at: usize,
    size_at: usize,
}

impl<'a> Block<'a> {
    /// Where the first field stands in the body.
    fn name_bytes(&self) -> usize {
        if self.named { self.name.len() + 1 } else { 0 }
    }

    /// A cursor over its fields; `name` is what messages call it.
    pub fn fields(&self, name: &'static str) -> Fields<'a> {
        let start = self.name_bytes();
        Fields::new(name, self.body.get(start..).unwrap_or_default(), self.offset + start)
    }

    /// Where the map states the block's revision.
    pub fn revision_at(&self) -> usize {
        self.revision_at
    }

    fn end(&self) -> usize {
        self.offset + self.body.len()
    }
}

/// A file, taken apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct File<'a> {
    /// Its generation.
    pub version: Version,
    /// The map, up to where the bodies begin.
    pub map: &'a [u8],
    /// The blocks in the order of their bodies.
    pub blocks: Vec<Block<'a>>,
    /// What lies behind the last body.
    pub behind: &'a [u8],
    /// What was odd but could be understood.
    pub oddities: Vec<Damage>,
    whole: &'a [u8],
    size_at: usize,
}

/// Whether the bytes begin like a file of either generation.
pub fn version(bytes: &[u8]) -> Option<Version> {
    if bytes.starts_with(MAP_NAME) {
        return Some(Version::V2);
    }
    let revision = u16::from_le_bytes(*bytes.first_chunk()?);
    Version::of_revision(revision).filter(|version| *version == Version::V1)
}

/// How long the file is by its own map: the map and all bodies. `None` where `bytes` are no such file, or
/// its map is not all there yet.
pub fn stated_bytes(bytes: &[u8]) -> Option<u64> {
    let map = read_map(bytes, version(bytes)?).ok()?;
    let begin = usize::try_from(map.size).ok()?.max(map.end) as u64;
    Some(begin + map.entries.iter().map(|entry| entry.size as u64).sum::<u64>())
}

/// An entry of the map.
struct Entry<'a> {
    name: &'a [u8],
    revision: u16,
    revision_at: usize,
    size: usize,
    size_at: usize,
}

impl Entry<'_> {
    /// Whether `bytes` begin with the name of this entry and its zero.
    fn names(&self, bytes: &[u8]) -> bool {
        bytes.strip_prefix(self.name).is_some_and(|rest| rest.first() == Some(&0))
    }
}

impl<'a> File<'a> {
    /// Takes a file apart.
    ///
    /// # Errors
    /// Where the bytes are no such file, or where the map does not tell where the bodies are.
    pub fn read(bytes: &'a [u8]) -> Result<File<'a>, Damage> {
        let Some(version) = version(bytes) else {
            let start = bytes.get(..bytes.len().min(4)).unwrap_or_default();
            let (found, hint) = match start {
                [] => ("nothing".to_owned(), CUT_SHORT),
                _ => (shown(start), OTHER_KIND),
            };
            let expected = "expected \"Map\\0\" or a revision of 100 to 199: this is no SOR file";
            return Err(Damage::new(MAP, 0, "beginning", found, expected).hint(hint));
        };
        let mut oddities = Vec::new();
        let map = read_map(bytes, version)
            .map_err(|damage| Damage { hint: damage.hint.or(Some(DAMAGED)), ..damage })?;
        let begin = bodies_begin(bytes, version, &map, &mut oddities)?;
        let (blocks, end) = walk(bytes, version, &map.entries, begin, &mut oddities)?;
        let behind = &bytes[end..];
        if !behind.is_empty() {
            let found = format!("{} bytes", behind.len());
            let expected = "expected none; kept as they are";
            oddities.push(Damage::new("File", end, "rest behind the last block", found, expected));
        }
        note_doubles(&blocks, &mut oddities);
        let (whole, size_at) = (bytes, map.size_at);
        Ok(File { version, map: &bytes[..begin], blocks, behind, oddities, whole, size_at })
    }

    /// The first block of this name.
    pub fn block(&self, name: &str) -> Option<&Block<'a>> {
        self.blocks.iter().find(|block| block.name == name.as_bytes())
    }

    /// The file put together again from its parts: the very same bytes.
    pub fn written(&self) -> Vec<u8> {
        let mut bytes = self.map.to_vec();
        for block in &self.blocks {
            bytes.extend_from_slice(block.body);
        }
        bytes.extend_from_slice(self.behind);
        bytes
    }

    /// The file with other fields in the first block of this name: its size, the size of the map and
    /// the checksum are right again, every other block is the same. `fields`: without the name in
    /// front. `None` where there is no such block, or it would pass the format's longs.
    pub fn with_fields(&self, name: &str, fields: &[u8]) -> Option<Vec<u8>> {
        let changed = self.block(name)?;
        let name_bytes = changed.name_bytes();
        let mut bytes = self.map.to_vec();
        let size = i32::try_from(name_bytes + fields.len()).ok()?;
        put(&mut bytes, changed.size_at, &size.to_le_bytes())?;
        put(&mut bytes, self.size_at, &i32::try_from(self.map.len()).ok()?.to_le_bytes())?;
        let mut sum_at = None;
        for block in &self.blocks {
            if block.offset == changed.offset && block.name == changed.name {
                bytes.extend_from_slice(block.body.get(..name_bytes)?);
                bytes.extend_from_slice(fields);
                continue;
            }
            if sum_at.is_none() && block.name == CKSUM.as_bytes() {
                let has_room = block.body.len() >= block.name_bytes() + 2;
                sum_at = has_room.then_some(bytes.len() + block.name_bytes());
            }
            bytes.extend_from_slice(block.body);
        }
        bytes.extend_from_slice(self.behind);
        if let Some(sum_at) = sum_at {
            let sum = checksum(bytes.get(..sum_at)?).to_le_bytes();
            put(&mut bytes, sum_at, &sum)?;
        }
        Some(bytes)
    }

    /// How the stored checksum agrees with the file. `None` where there is none.
    pub fn checksum_fit(&self) -> Option<Fit> {
        let block = self.block(CKSUM)?;
        let stored = *block.body.get(block.name_bytes()..)?.first_chunk()?;
        let before = self.whole.get(..block.offset + block.name_bytes())?;
        Some(checksum::fit(stored, before, block.offset))
    }
}

/// Overwrites the bytes at a place. `None` where there are none.
fn put(bytes: &mut [u8], at: usize, new: &[u8]) -> Option<()> {
    bytes.get_mut(at..at + new.len())?.copy_from_slice(new);
    Some(())
}

struct Map<'a> {
    size: i32,
    size_at: usize,
    entries: Vec<Entry<'a>>,
    end: usize,
}

/// Reads the entries that the map counts, wherever it claims to end.
fn read_map(bytes: &[u8], version: Version) -> Result<Map<'_>, Damage> {
    let mut fields = Fields::new(MAP, bytes, 0);
    if version == Version::V2 {
        fields.bytes("name", MAP_NAME.len())?;
    }
    let revision = fields.u16("revision")?;
    if Version::of_revision(revision) != Some(version) {
        let expected = "expected 200 to 299, for the file begins like version 2";
        return Err(fields.damage("revision", revision, expected));
    }
    let size = fields.i32("map size")?;
    let size_at = fields.last_at();
    let count = i32::from(fields.i16("number of blocks")?);
    if count < 1 {
        return Err(fields.damage("number of blocks", count, "expected 1 or more"));
    }
    let least = fields.at();
    if usize::try_from(size).map_or(true, |size| size < least || size > bytes.len()) {
        let expected = format!("the file has {} bytes, the map at least {least}", bytes.len());
        return Err(Damage::new(MAP, size_at, "map size", size, expected).hint(CUT_SHORT));
    }
    let count = fields
        .count("number of blocks", count - 1, 0, ENTRY_LEAST_BYTES)
        .map_err(|d| Damage { found: format!("{count}, the map included"), ..d })?;
    let mut entries = Vec::with_capacity(count);
    for _ in 0..count {
        entries.push(read_entry(&mut fields)?);
    }
    Ok(Map { size, size_at, entries, end: fields.at() })
}

fn read_entry<'a>(fields: &mut Fields<'a>) -> Result<Entry<'a>, Damage> {
    let (name, terminated) = fields.string();
    if !terminated {
        return Err(fields.damage("block name", shown(name), "expected a zero byte behind it"));
    }
    let revision = fields.u16("block revision")?;
    let revision_at = fields.last_at();
    let size = fields.i32("block size")?;
    let size_at = fields.last_at();
    let Ok(size) = usize::try_from(size) else {
        return Err(fields.damage(
            "block size",
            size,
            format!("expected 0 or more for {}", shown(name)),
        ));
    };
    Ok(Entry { name, revision, revision_at, size, size_at })
}

/// Where the bodies begin: behind the map as it states its size, or, where that is wrong, behind its
/// last entry – if the rest of the file proves it.
fn bodies_begin(
    bytes: &[u8],
    version: Version,
    map: &Map<'_>,
    oddities: &mut Vec<Damage>,
) -> Result<usize, Damage> {
    let stated = map.size as usize;
    if stated == map.end {
        return Ok(stated);
    }
    let total = map.entries.iter().map(|e| e.size as u64).sum::<u64>();
    let proves = |begin: usize| match version {
        Version::V1 => begin as u64 + total == bytes.len() as u64,
        Version::V2 => {
            bytes.get(begin..).is_some_and(|body| map.entries.iter().any(|e| e.names(body)))
        }
    };
    if stated > map.end && proves(stated) {
        let found = format!("{} bytes", stated - map.end);
        let expected = "expected none; kept as they are";
        oddities.push(Damage::new(MAP, map.end, "rest behind the last entry", found, expected));
        return Ok(stated);
    }
    if proves(map.end) {
        let expected = format!("its entries end at {} and there the bodies begin", map.end);
        oddities.push(Damage::new(MAP, map.size_at, "map size", map.size, expected));
        return Ok(map.end);
    }
    let expected = format!("its entries end at {}, and neither fits the bodies", map.end);
    Err(Damage::new(MAP, map.size_at, "map size", map.size, expected))
}

/// Cuts the bodies out, one behind the other; the second value is where the last one ends.
fn walk<'a>(
    bytes: &'a [u8],
    version: Version,
    entries: &[Entry<'a>],
    begin: usize,
    oddities: &mut Vec<Damage>,
) -> Result<(Vec<Block<'a>>, usize), Damage> {
    let mut by_name: BTreeMap<&[u8], VecDeque<usize>> = BTreeMap::new();
    for (i, entry) in entries.iter().enumerate() {
        by_name.entry(entry.name).or_default().push_back(i);
    }
    let mut taken = vec![false; entries.len()];
    let mut next = 0;
    let mut blocks = Vec::with_capacity(entries.len());
    let mut offset = begin;
    while blocks.len() < entries.len() {
        while taken[next] {
            next += 1;
        }
        let rest = &bytes[offset..];
        let mut i = next;
        if version == Version::V2 && !entries[next].names(rest) {
            let name = rest.split(|byte| *byte == 0).next().unwrap_or_default();
            if let Some(named) = by_name.get(name).and_then(VecDeque::front) {
                let expected = format!("expected {}; read by the name", shown(entries[next].name));
                oddities.push(Damage::new(
                    "Map",
                    offset,
                    "block in this place",
                    shown(name),
                    expected,
                ));
                i = *named;
            }
        }
        taken[i] = true;
        if let Some(queue) = by_name.get_mut(entries[i].name) {
            queue.pop_front(); // of equal names the first in the map always goes first
        }
        let block = cut(bytes, version, &entries[i], offset)?;
        offset = block.end();
        blocks.push(block);
    }
    Ok((blocks, offset))
}

/// Cuts out the body of `entry` at `offset`.
fn cut<'a>(
    bytes: &'a [u8],
    version: Version,
    entry: &Entry<'a>,
    offset: usize,
) -> Result<Block<'a>, Damage> {
    let Entry { name, revision, revision_at, size, size_at } = *entry;
    let rest = &bytes[offset..];
    let damage = |expected: String| {
        Damage::new(MAP, size_at, "block size", format!("{size} for {}", shown(name)), expected)
    };
    let Some(body) = rest.get(..size) else {
        let expected = format!("the file has {} bytes left at byte {offset}", rest.len());
        return Err(damage(expected).hint(CUT_SHORT));
    };
    let other_generation = Version::of_revision(revision).is_some_and(|own| own != version);
    let may_name = version == Version::V2 || other_generation;
    let named = may_name && entry.names(body);
    if version == Version::V2 && (size == 0 || !other_generation && size <= name.len()) {
        return Err(damage(format!("its name alone takes {}", name.len() + 1)));
    }
    Ok(Block { name, revision, named, offset, body, revision_at, size_at })
}

fn note_doubles(blocks: &[Block<'_>], oddities: &mut Vec<Damage>) {
    let mut seen = BTreeSet::new();
    for block in blocks.iter().filter(|block| !seen.insert(block.name)) {
        let expected = "expected once; the first counts, this one is kept as it is";
        oddities.push(Damage::new(
            "Map",
            block.offset,
            "second block of a name",
            shown(block.name),
            expected,
        ));
    }
}

/// Puts a file together from scratch: the map, the blocks in this order, the checksum last.
///
/// `blocks`: name and fields, without the name in front. `None` where a size passes the format's
/// longs.
pub fn write(version: Version, blocks: &[(&str, Vec<u8>)]) -> Option<Vec<u8>> {
    let named = |name: &str| if version == Version::V2 { name.len() + 1 } else { 0 };
    let entry_bytes = |name: &str| name.len() + 7;
    let names = blocks.iter().map(|(name, _)| *name).chain([CKSUM]);
    let map_bytes = named(MAP) + 8 + names.map(entry_bytes).sum::<usize>();
    let mut bytes = Vec::new();
    if version == Version::V2 {
        bytes.extend_from_slice(MAP_NAME);
    }
    bytes.extend_from_slice(&version.revision().to_le_bytes());
    bytes.extend_from_slice(&i32::try_from(map_bytes).ok()?.to_le_bytes());
    bytes.extend_from_slice(&i16::try_from(blocks.len() + 2).ok()?.to_le_bytes());
    let sizes = blocks.iter().map(|(name, fields)| (*name, fields.len()));
    for (name, fields_bytes) in sizes.chain([(CKSUM, 2)]) {
        bytes.extend_from_slice(name.as_bytes());
        bytes.push(0);
        bytes.extend_from_slice(&version.revision().to_le_bytes());
        bytes.extend_from_slice(&i32::try_from(named(name) + fields_bytes).ok()?.to_le_bytes());
    }
    for (name, fields) in
        blocks.iter().map(|(name, fields)| (*name, fields.as_slice())).chain([(CKSUM, &[][..])])
    {
        if version == Version::V2 {
            bytes.extend_from_slice(name.as_bytes());
            bytes.push(0);
        }
        bytes.extend_from_slice(fields);
    }
    bytes.extend_from_slice(&checksum(&bytes).to_le_bytes());
    Some(bytes)
}
