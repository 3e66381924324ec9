//! A PDF with its small objects packed together: krilla writes each by itself and in plain text, and a
//! document whose tables are tagged has thousands of them.
//!
//! What is written: ISO 32000-1, 7.5.7 (object streams) and 7.5.8 (cross-reference streams), which every
//! reader since PDF 1.5 knows. No object is changed.

use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;

/// Objects in a stream: to read one a program unpacks all of them.
const TOGETHER: usize = 200;

/// The same document packed; as it was where it is not put together as krilla does.
pub(super) fn packed(plain: Vec<u8>) -> Vec<u8> {
    Plain::read(&plain).and_then(|plain| plain.write()).unwrap_or(plain)
}

/// A document as krilla writes it: objects one after the other, a table of their places, a trailer.
struct Plain<'a> {
    head: &'a [u8],
    /// Number and bytes between `obj` and `endobj`.
    objects: Vec<(usize, &'a [u8])>,
    /// How many numbers there are, 0 included.
    size: usize,
    /// The trailer's entries behind `/Size`.
    trailer: &'a [u8],
}

impl<'a> Plain<'a> {
    fn read(bytes: &'a [u8]) -> Option<Plain<'a>> {
        let end = last(bytes, b"startxref")?;
        let table_at = number(bytes.get(end + b"startxref\n".len()..)?)?;
        let trailer_at = last(bytes, b"trailer\n<</Size ")?;
        let table = bytes.get(table_at..trailer_at)?.strip_prefix(b"xref\n0 ")?;
        let size = number(table)?;
        let entries = table.get(table.iter().position(|byte| *byte == b'\n')? + 1..)?;
        let mut places: Vec<(usize, usize)> = Vec::with_capacity(size);
        for (n, entry) in entries.chunks(20).enumerate() {
            match entry.get(17)? {
                b'n' => places.push((number(entry)?, n)),
                _ if n == 0 => {}
                _ => return None,
            }
        }
        places.sort_unstable();
        let ends = places.iter().skip(1).map(|place| place.0).chain([table_at]);
        let objects = places.iter().zip(ends).map(|((from, n), to)| {
            let object = bytes.get(*from..to)?.strip_prefix(format!("{n} 0 obj\n").as_bytes())?;
            Some((*n, object.trim_ascii_end().strip_suffix(b"\nendobj")?))
        });
        let trailer = bytes.get(trailer_at + b"trailer\n<</Size ".len()..end)?.trim_ascii_end();
        let own = trailer.strip_suffix(b">>")?;
        Some(Plain {
            head: bytes.get(..places.first()?.0)?,
            objects: objects.collect::<Option<_>>()?,
            size,
            trailer: own.get(own.iter().take_while(|byte| byte.is_ascii_digit()).count()..)?,
        })
    }

    fn write(&self) -> Option<Vec<u8>> {
        let is_stream = |object: &(usize, &[u8])| object.1.ends_with(b"endstream");
        let (streams, small): (Vec<_>, Vec<_>) = self.objects.iter().copied().partition(is_stream);
        let groups = small.chunks(TOGETHER);
        // Numbers of their own: each group's, then the table's.
        let mut entries = vec![Entry::Free; self.size + groups.len() + 1];
        let mut out = self.head.to_vec();
        for (n, object) in streams {
            *entries.get_mut(n)? = Entry::At(out.len());
            put(&mut out, n, object);
        }
        for (i, group) in groups.enumerate() {
            let own = self.size + i;
            for (k, (n, _)) in group.iter().enumerate() {
                *entries.get_mut(*n)? = Entry::Inside { stream: own, index: k };
            }
            entries[own] = Entry::At(out.len());
            put(&mut out, own, &object_stream(group)?);
        }
        let table_at = out.len();
        *entries.last_mut()? = Entry::At(table_at);
        let table = self.table(&entries)?;
        put(&mut out, entries.len() - 1, &table);
        out.extend(format!("startxref\n{table_at}\n%%EOF").into_bytes());
        Some(out)
    }

    /// Where each object is, as a stream that says what the trailer did.
    fn table(&self, entries: &[Entry]) -> Option<Vec<u8>> {
        // A row less the row above it (PNG's filter Up): rows are mostly alike.
        let mut above = [0_u8; ROW];
        let mut rows = Vec::with_capacity(entries.len() * (ROW + 1));
        for entry in entries {
            let row = entry.row()?;
            rows.push(2);
            rows.extend(row.iter().zip(above).map(|(own, above)| own.wrapping_sub(above)));
            above = row;
        }
        let size = entries.len();
        let mut says =
            format!("/Type/XRef/W[1 4 2]/Size {size}/DecodeParms<</Predictor 12/Columns {ROW}>>")
                .into_bytes();
        says.extend(self.trailer);
        stream(&says, &rows)
    }
}

/// Bytes of an entry: its kind, a place or a stream's number, an index within.
const ROW: usize = 7;

#[derive(Clone, Copy)]
enum Entry {
    Free,
    At(usize),
    Inside { stream: usize, index: usize },
}

impl Entry {
    fn row(self) -> Option<[u8; ROW]> {
        let (kind, middle, last) = match self {
            Entry::Free => (0, 0, u16::MAX),
            Entry::At(place) => (1, u32::try_from(place).ok()?, 0),
            Entry::Inside { stream, index } => {
                (2, u32::try_from(stream).ok()?, u16::try_from(index).ok()?)
            }
        };
        let ([a, b, c, d], [e, f]) = (middle.to_be_bytes(), last.to_be_bytes());
        Some([kind, a, b, c, d, e, f])
    }
}

/// Objects behind a list of their numbers and places.
fn object_stream(group: &[(usize, &[u8])]) -> Option<Vec<u8>> {
    let (mut list, mut bodies) = (String::new(), Vec::new());
    for (n, object) in group {
        list.push_str(&format!("{n} {} ", bodies.len()));
        bodies.extend_from_slice(object);
        bodies.push(b'\n');
    }
    let says = format!("/Type/ObjStm/N {}/First {}", group.len(), list.len());
    stream(says.as_bytes(), &[list.as_bytes(), &bodies].concat())
}

/// A stream object, deflated.
fn stream(says: &[u8], bytes: &[u8]) -> Option<Vec<u8>> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).ok()?;
    let bytes = encoder.finish().ok()?;
    let length = format!("/Filter/FlateDecode/Length {}>>\nstream\n", bytes.len());
    Some([b"<<", says, length.as_bytes(), &bytes, b"\nendstream"].concat())
}

fn put(out: &mut Vec<u8>, number: usize, object: &[u8]) {
    out.extend(format!("{number} 0 obj\n").into_bytes());
    out.extend_from_slice(object);
    out.extend_from_slice(b"\nendobj\n");
}

/// Where some bytes stand for the last time.
fn last(bytes: &[u8], wanted: &[u8]) -> Option<usize> {
    bytes.windows(wanted.len()).rposition(|own| own == wanted)
}

/// The number that some bytes begin with.
fn number(bytes: &[u8]) -> Option<usize> {
    let digits = bytes.iter().take_while(|byte| byte.is_ascii_digit()).count();
    std::str::from_utf8(&bytes[..digits]).ok()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::read::ZlibDecoder;
    use std::io::Read;

    /// A document by hand: a stream, two small objects, one of them twice as high in number.
    fn plain(small: usize) -> Vec<u8> {
        let mut out = b"%PDF-1.7\n".to_vec();
        let mut places = Vec::new();
        for n in 1..=small {
            places.push(out.len());
            put(&mut out, n, format!("<</Type/StructElem/K {n}>>").as_bytes());
        }
        places.push(out.len());
        put(&mut out, small + 1, b"<</Length 3>>\nstream\nabc\nendstream");
        let at = out.len();
        out.extend(format!("xref\n0 {}\n0000000000 65535 f\r\n", small + 2).into_bytes());
        for place in places {
            out.extend(format!("{place:010} 00000 n\r\n").into_bytes());
        }
        let end = format!("trailer\n<</Size {}/Root 1 0 R>>\nstartxref\n{at}\n%%EOF", small + 2);
        out.extend(end.into_bytes());
        out
    }

    /// What a stream object holds, and what is said of it before.
    fn unpacked(bytes: &[u8]) -> (String, Vec<u8>) {
        let from = bytes.windows(8).position(|w| w == b"\nstream\n").expect("a stream");
        let mut held = Vec::new();
        ZlibDecoder::new(&bytes[from + 8..]).read_to_end(&mut held).expect("deflated");
        (String::from_utf8_lossy(&bytes[..from]).into_owned(), held)
    }

    #[test]
    fn every_object_is_found_by_the_table_as_it_was() {
        let small = 450; // three groups
        let packed = packed(plain(small));
        assert!(packed.len() < plain(small).len() / 4);
        let table_at = number(&packed[last(&packed, b"startxref\n").unwrap() + 10..]).unwrap();
        let (says, rows) = unpacked(&packed[table_at..]);
        assert!(says.contains("/Root 1 0 R") && says.contains("/Size 456"), "{says}");
        let mut row = [0_u8; ROW];
        let mut table = Vec::new();
        for own in rows.chunks(ROW + 1) {
            assert_eq!(own[0], 2);
            row.iter_mut().zip(&own[1..]).for_each(|(a, b)| *a = a.wrapping_add(*b));
            table.push(row);
        }
        assert_eq!(table.len(), 456);
        let place = |row: [u8; ROW]| u32::from_be_bytes([row[1], row[2], row[3], row[4]]) as usize;
        for (n, row) in table.iter().enumerate().take(small + 1).skip(1) {
            assert_eq!(row[0], 2, "{n}");
            let (says, held) = unpacked(&packed[place(table[place(*row)])..]);
            let first: usize =
                says.split("/First ").nth(1).and_then(|s| number(s.as_bytes())).unwrap();
            let list: Vec<usize> = String::from_utf8_lossy(&held[..first])
                .split_whitespace()
                .map(|word| word.parse().unwrap())
                .collect();
            let k = usize::from(u16::from_be_bytes([row[5], row[6]]));
            assert_eq!(list[2 * k], n);
            let object = format!("<</Type/StructElem/K {n}>>");
            assert!(held[first + list[2 * k + 1]..].starts_with(object.as_bytes()), "{n}");
        }
        let stream = &packed[place(table[small + 1])..];
        assert!(stream.starts_with(b"451 0 obj\n<</Length 3>>\nstream\nabc\nendstream\nendobj"));
    }

    #[test]
    fn what_is_put_together_otherwise_stays_as_it_is() {
        for odd in [b"".to_vec(), b"%PDF-1.7\nstartxref\n99999\n%%EOF".to_vec(), {
            let mut cut = plain(3);
            cut.truncate(200);
            cut
        }] {
            assert_eq!(packed(odd.clone()), odd);
        }
    }
}
