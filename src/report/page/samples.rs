//! A trace's samples, packed for the page: every sample where something happens, groups of them
//! elsewhere.
//!
//! A stream of bytes as base64. It holds blocks: number of groups, samples a group, then each group.
//! A group of one sample is its level; a larger one is its first extreme, its other extreme (in their
//! order along the fibre) and its mean, so that neither a spike nor a fitted line suffers from the
//! thinning. Levels are in thousandths of a dB, each as its difference to the one before; all numbers
//! are variable-length, seven bits a byte, signed ones with the sign in the lowest bit.

use std::ops::Range;

/// Packs `levels_db`: `whole` samples stay as they are, the others share at most `groups` groups.
pub(super) fn packed(levels_db: &[f64], whole: &[Range<usize>], groups: usize) -> String {
    let whole = merged(whole, levels_db.len());
    let kept: usize = whole.iter().map(ExactSizeIterator::len).sum();
    let size = (levels_db.len() - kept).div_ceil(groups.max(1)).max(1);
    let mut out = Writer::default();
    let mut at = 0;
    for range in whole {
        out.block(&levels_db[at..range.start], size);
        out.block(&levels_db[range.clone()], 1);
        at = range.end;
    }
    out.block(&levels_db[at..], size);
    base64(&out.bytes)
}

/// Ranges in order, none touching another, all within `samples`.
fn merged(ranges: &[Range<usize>], samples: usize) -> Vec<Range<usize>> {
    let mut sorted: Vec<Range<usize>> = ranges
        .iter()
        .map(|r| r.start.min(samples)..r.end.min(samples))
        .filter(|r| !r.is_empty())
        .collect();
    sorted.sort_by_key(|r| r.start);
    let mut out: Vec<Range<usize>> = Vec::with_capacity(sorted.len());
    for range in sorted {
        match out.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => out.push(range),
        }
    }
    out
}

#[derive(Default)]
struct Writer {
    bytes: Vec<u8>,
    last: i64,
}

impl Writer {
    /// Whole groups of `size`, then what is left as one group.
    fn block(&mut self, levels_db: &[f64], size: usize) {
        let (full, rest) = levels_db.split_at(levels_db.len() / size * size);
        for (part, size) in [(full, size), (rest, rest.len())] {
            if part.is_empty() {
                continue;
            }
            self.unsigned((part.len() / size) as u64);
            self.unsigned(size as u64);
            for group in part.chunks(size) {
                self.group(group);
            }
        }
    }

    fn group(&mut self, levels_db: &[f64]) {
        if let [level] = levels_db {
            return self.level(*level);
        }
        let (mut low, mut high) = (0, 0);
        for (i, level) in levels_db.iter().enumerate() {
            if *level < levels_db[low] {
                low = i;
            }
            if *level > levels_db[high] {
                high = i;
            }
        }
        self.level(levels_db[low.min(high)]);
        self.level(levels_db[low.max(high)]);
        self.level(levels_db.iter().sum::<f64>() / levels_db.len() as f64);
    }

    fn level(&mut self, level_db: f64) {
        let level = (level_db * 1000.0).round() as i64;
        let step = level - self.last;
        self.last = level;
        self.unsigned(((step << 1) ^ (step >> 63)) as u64);
    }

    fn unsigned(&mut self, mut number: u64) {
        while number >= 128 {
            self.bytes.push((number & 127) as u8 | 128);
            number >>= 7;
        }
        self.bytes.push(number as u8);
    }
}

/// Source: RFC 4648, section 4.
pub(super) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let word = (0..3).fold(0, |w, i| w << 8 | u32::from(three.get(i).copied().unwrap_or(0)));
        for i in 0..4 {
            let letter = LETTERS[(word >> (18 - 6 * i) & 63) as usize];
            out.push(if i <= three.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_the_published_one() {
        // RFC 4648, section 10
        for (text, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(text.as_bytes()), coded);
        }
    }

    #[test]
    fn every_number_of_the_stream_is_where_the_page_looks_for_it() {
        // By hand: two samples of -1 dB as one group of two, then -0.5 dB whole.
        // groups 1, size 2; -1000 → 2·1000−1 = 1999 = 0x7CF → 0xCF 0x0F; 0; 0; groups 1, size 1;
        // +500 → 1000 = 0x3E8 → 0xE8 0x07
        let bytes = [1, 2, 0xCF, 0x0F, 0, 0, 1, 1, 0xE8, 0x07];
        assert_eq!(packed(&[-1.0, -1.0, -0.5], &[0..0, 2..3], 1), base64(&bytes));
    }

    #[test]
    fn ranges_that_touch_or_run_over_the_end_become_one() {
        assert_eq!(merged(&[40..60, 10..20, 15..30, 30..35], 50), [10..35, 40..50]);
    }
}
