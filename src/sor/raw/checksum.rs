//! The checksum: CRC-16, polynomial 1021h, most significant bit first, no reflection.
//! Source: CRC catalogue, CRC-16/IBM-3740 (also called CCITT-FALSE).

const POLYNOMIAL: u16 = 0x1021;
const START: u16 = 0xFFFF;
const STARTS: [u16; 3] = [START, 0x0000, 0x1D0F];

/// `TABLES[k][b]`: the remainder of byte `b` followed by `k` zero bytes. Eight bytes a step keep the
/// checksum far cheaper than reading the file.
const TABLES: [[u16; 256]; 8] = tables();

const fn tables() -> [[u16; 256]; 8] {
    let mut tables = [[0; 256]; 8];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = (byte as u16) << 8;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x8000 == 0 { crc << 1 } else { (crc << 1) ^ POLYNOMIAL };
            bit += 1;
        }
        tables[0][byte] = crc;
        byte += 1;
    }
    let mut k = 1;
    while k < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[k - 1][byte];
            tables[k][byte] = (before << 8) ^ tables[0][(before >> 8) as usize];
            byte += 1;
        }
        k += 1;
    }
    tables
}

/// The checksum of `bytes` in its standard form.
pub fn checksum(bytes: &[u8]) -> u16 {
    checksum_from(START, bytes)
}

fn checksum_from(start: u16, bytes: &[u8]) -> u16 {
    let (chunks, rest) = bytes.as_chunks::<8>();
    let mut crc = start;
    for chunk in chunks {
        let [high, low] = crc.to_be_bytes();
        let folded = [
            chunk[0] ^ high,
            chunk[1] ^ low,
            chunk[2],
            chunk[3],
            chunk[4],
            chunk[5],
            chunk[6],
            chunk[7],
        ];
        crc =
            folded.iter().zip(TABLES.iter().rev()).fold(0, |sum, (b, t)| sum ^ t[usize::from(*b)]);
    }
    for byte in rest {
        crc = (crc << 8) ^ TABLES[0][usize::from((crc >> 8) as u8 ^ byte)];
    }
    crc
}

/// How a stored checksum agrees with the bytes it covers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fit {
    /// As the standard says.
    Standard,
    /// Zero, which some writers store for "none".
    Zero,
    /// Right in another reading, described here.
    Variant(String),
    /// No known reading fits; this would be the standard value.
    Wrong(u16),
}

/// Compares the `stored` two bytes with the file's bytes before them. `block_at`: where the body of
/// the checksum's own block begins, which some writers leave out.
pub fn fit(stored: [u8; 2], before: &[u8], block_at: usize) -> Fit {
    let standard = checksum(before);
    if u16::from_le_bytes(stored) == standard {
        return Fit::Standard;
    }
    if stored == [0, 0] {
        return Fit::Zero;
    }
    variant(stored, before, block_at).map_or(Fit::Wrong(standard), Fit::Variant)
}

/// The reading with the fewest departures from the standard that fits.
fn variant(stored: [u8; 2], before: &[u8], block_at: usize) -> Option<String> {
    let mut fits = Vec::new();
    let ranges = [(before, ""), (before.get(..block_at)?, "without its own block's name")];
    for (bytes, range) in &ranges[..if block_at == before.len() { 1 } else { 2 }] {
        for start in STARTS {
            let crc = checksum_from(start, bytes);
            for (xor, inverted) in [(0, ""), (0xFFFF, "inverted")] {
                let begun =
                    if start == START { String::new() } else { format!("start {start:04X}h") };
                for (value, order) in [
                    (u16::from_le_bytes(stored), ""),
                    (u16::from_be_bytes(stored), "high byte first"),
                ] {
                    if value == crc ^ xor {
                        let words = [order, *range, begun.as_str(), inverted];
                        let words: Vec<&str> =
                            words.into_iter().filter(|w| !w.is_empty()).collect();
                        fits.push((words.len(), words.join(", ")));
                    }
                }
            }
        }
    }
    fits.into_iter().min().map(|(_, words)| words)
}
