//! One mutant by its number: the same on every machine.

/// A source of numbers. SplitMix64, Steele, Lea, Flood (2014): any start gives a good sequence.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number below `end`; 0 where that is 0.
    fn below(&mut self, end: usize) -> usize {
        (self.next() % (end.max(1) as u64)) as usize
    }
}

/// Values that break arithmetic.
const WICKED: [i32; 14] = [
    0,
    1,
    2,
    -1,
    -2,
    i16::MAX as i32,
    i16::MIN as i32,
    u16::MAX as i32,
    i32::MAX,
    i32::MIN,
    1_000_000,
    100_000,
    200_000,
    0x0101_0101,
];

/// Behind this place most files hold samples alone.
const HEADER: usize = 500;

pub struct Mutants<'a> {
    seeds: &'a [Vec<u8>],
    numbers: Numbers,
}

impl<'a> Mutants<'a> {
    pub fn new(seeds: &'a [Vec<u8>], number: u64) -> Mutants<'a> {
        Mutants { seeds, numbers: Numbers(number) }
    }

    fn seed(&mut self) -> &'a [u8] {
        &self.seeds[self.numbers.below(self.seeds.len())]
    }

    pub fn make(mut self) -> Vec<u8> {
        let mut bytes = self.seed().to_vec();
        for _ in 0..=self.numbers.below(3) {
            match self.numbers.below(8) {
                0 => self.flip(&mut bytes, usize::MAX),
                1 => self.flip(&mut bytes, HEADER),
                2 | 3 => self.put_wicked(&mut bytes),
                4 => self.overwrite_samples(&mut bytes),
                5 => self.splice(&mut bytes),
                6 => self.move_a_piece(&mut bytes),
                _ => bytes.truncate(self.numbers.below(bytes.len())),
            }
        }
        bytes
    }

    fn flip(&mut self, bytes: &mut [u8], end: usize) {
        for _ in 0..=self.numbers.below(8) {
            let at = self.numbers.below(end.min(bytes.len()));
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1 << self.numbers.below(8);
            }
        }
    }

    fn put_wicked(&mut self, bytes: &mut [u8]) {
        let at = self.numbers.below(HEADER.min(bytes.len()));
        let value = WICKED[self.numbers.below(WICKED.len())].to_le_bytes();
        let length = if self.numbers.below(2) == 0 { 2 } else { 4 };
        for (byte, new) in bytes.iter_mut().skip(at).zip(&value[..length]) {
            *byte = *new;
        }
    }

    /// Samples as no fibre gives them: dark, saturated, wild, a saw.
    fn overwrite_samples(&mut self, bytes: &mut [u8]) {
        let start = HEADER + self.numbers.below(bytes.len().saturating_sub(HEADER));
        let length = 2 * self.numbers.below(4000);
        let kind = self.numbers.below(4);
        let end = (start + length).min(bytes.len());
        for (i, pair) in bytes.get_mut(start..end).unwrap_or_default().chunks_mut(2).enumerate() {
            let value = match kind {
                0 => 0xFFFF,
                1 => 0,
                2 => self.numbers.next() as u16,
                _ => ((i % 50) * 1000) as u16,
            };
            pair.copy_from_slice(&value.to_le_bytes()[..pair.len()]);
        }
    }

    /// The front of one file and the back of another.
    fn splice(&mut self, bytes: &mut Vec<u8>) {
        let other = self.seed();
        bytes.truncate(self.numbers.below(bytes.len()));
        bytes.extend_from_slice(&other[self.numbers.below(other.len())..]);
    }

    fn move_a_piece(&mut self, bytes: &mut Vec<u8>) {
        let start = self.numbers.below(bytes.len());
        let end = (start + self.numbers.below(200)).min(bytes.len());
        let piece: Vec<u8> = bytes.drain(start..end).collect();
        for _ in 0..self.numbers.below(3) {
            let at = self.numbers.below(bytes.len() + 1);
            bytes.splice(at..at, piece.iter().copied());
        }
    }
}

#[test]
fn a_mutant_is_the_same_each_time_and_most_differ() {
    let seeds = [vec![7; 900], vec![9; 700]];
    let make = |number| Mutants::new(&seeds, number).make();
    assert_eq!(make(3), make(3));
    let distinct: std::collections::BTreeSet<Vec<u8>> = (0..100).map(make).collect();
    assert!(distinct.len() > 90, "{}", distinct.len());
}
