//! A file put together by hand, with every claim in it open to a lie.
//!
//! Independent of `strandline::sor`: its own layout and its own bit-by-bit checksum, so that a
//! mistake there does not hide a mistake here.

/// The whole version 1 file of 261 bytes that the open format's description gives as its example:
/// 6 samples, index 1.4682, 100 ns, one event that is the end.
const BY_HAND: &str = "\
64 00 62 00 00 00 07 00 47 65 6e 50 61 72 61 6d 73 00 64 00 19 00 00 00 53 75 70 50 61 72 61 6d \
73 00 64 00 0b 00 00 00 46 78 64 50 61 72 61 6d 73 00 64 00 36 00 00 00 4b 65 79 45 76 65 6e 74 \
73 00 64 00 2f 00 00 00 44 61 74 61 50 74 73 00 64 00 18 00 00 00 43 6b 73 75 6d 00 64 00 02 00 \
00 00 45 4e 43 37 00 31 32 00 0e 06 41 00 42 00 00 42 43 00 00 00 00 51 41 00 00 41 43 4d 45 00 \
00 00 00 00 00 00 00 81 24 69 6d 74 8c 3c 00 00 00 00 01 00 64 00 85 bc 03 00 06 00 00 00 84 3d \
02 00 34 03 30 75 00 00 93 00 00 00 00 00 00 00 40 9c e8 03 00 00 32 00 e8 fd b8 0b 01 00 01 00 \
49 00 00 00 be 00 00 00 0c 4f ff ff 31 45 39 39 39 39 4c 53 00 fa 00 00 00 00 00 00 00 49 00 00 \
00 00 00 00 00 00 00 00 00 00 00 06 00 00 00 01 00 06 00 00 00 e8 03 e8 03 e8 03 e8 03 00 00 70 \
94 40 9c 53 13";

pub fn by_hand() -> Vec<u8> {
    BY_HAND.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("hex")).collect()
}

/// One block: what the map says of it, and what stands in it.
#[derive(Clone)]
pub struct Piece {
    pub name: Vec<u8>,
    pub revision: u16,
    pub fields: Vec<u8>,
    /// What the map states as its size, where it lies.
    pub size: Option<i32>,
    /// Whether its body begins with its name.
    pub named: bool,
}

/// How the checksum is made. Source of the readings: the open format's page on the checksum.
#[derive(Clone, Copy)]
pub enum Sum {
    Standard,
    Stored(u16),
    HighByteFirst,
    WithoutName,
    From(u16),
    Inverted,
}

/// A whole file.
#[derive(Clone)]
pub struct Draft {
    named_map: bool,
    pub revision: u16,
    /// What the map states as its size and its number of blocks, where it lies.
    pub map_size: Option<i32>,
    pub count: Option<i16>,
    pub pieces: Vec<Piece>,
    /// The bodies' order, as indices into `pieces`.
    pub order: Vec<usize>,
    pub behind_map: Vec<u8>,
    pub behind: Vec<u8>,
    pub sum: Option<Sum>,
}

/// The bytes of an i32 as they stand in a file.
pub fn long(value: i32) -> [u8; 4] {
    value.to_le_bytes()
}

/// The bytes of an i16 as they stand in a file.
pub fn short(value: i16) -> [u8; 2] {
    value.to_le_bytes()
}

impl Draft {
    /// The example of the format's description, cut into its blocks.
    pub fn v1() -> Draft {
        let mut bytes = by_hand().split_off(0x62);
        let mut piece = |name: &str, size: usize| {
            let rest = bytes.split_off(size);
            let fields = std::mem::replace(&mut bytes, rest);
            Piece { name: name.into(), revision: 100, fields, size: None, named: false }
        };
        let pieces = vec![
            piece("GenParams", 25),
            piece("SupParams", 11),
            piece("FxdParams", 54),
            piece("KeyEvents", 47),
            piece("DataPts", 24),
        ];
        Draft {
            named_map: false,
            revision: 100,
            map_size: None,
            count: None,
            order: (0..pieces.len()).collect(),
            pieces,
            behind_map: vec![],
            behind: vec![],
            sum: Some(Sum::Standard),
        }
    }

    /// The same trace in version 2: names in front of the bodies, and the fields that version 2 has
    /// more.
    pub fn v2() -> Draft {
        let mut draft = Draft::v1();
        (draft.named_map, draft.revision) = (true, 200);
        for piece in &mut draft.pieces {
            (piece.named, piece.revision) = (true, 200);
        }
        for name in ["GenParams", "FxdParams", "KeyEvents"] {
            draft.lay_out_as_v2(name);
        }
        draft
    }

    /// Puts the fields that only version 2 has into one block. From the back, so that the places
    /// before stay those of version 1.
    pub fn lay_out_as_v2(&mut self, name: &str) {
        let more: &[(usize, &[u8])] = match name {
            "GenParams" => &[(21, &[0; 4]), (8, &[0x8c, 0x02])], // offset distance; fibre type 652
            "FxdParams" => &[
                (54, b"ST\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0"), // trace type, window
                (38, &[0; 4]),                               // range distance
                (34, &[30, 0]),                              // averaging time, 3.0 s
                (12, &[0; 4]),                               // acquisition offset distance
            ],
            "KeyEvents" => &[(24, &[0; 20])], // markers that are not set
            _ => panic!("{name} is laid out alike in both"),
        };
        let fields = &mut self.piece(name).fields;
        for (at, put) in more {
            fields.splice(at..at, put.iter().copied());
        }
    }

    pub fn piece(&mut self, name: &str) -> &mut Piece {
        self.pieces.iter_mut().find(|piece| piece.name == name.as_bytes()).expect("a block")
    }

    /// The same with bytes put over some fields; `at` counts from the block's first field.
    pub fn put(mut self, name: &str, at: usize, bytes: &[u8]) -> Draft {
        self.piece(name).fields[at..at + bytes.len()].copy_from_slice(bytes);
        self
    }

    /// The same with `old` bytes of a block, from `at`, replaced by others.
    pub fn splice(mut self, name: &str, at: usize, old: usize, bytes: &[u8]) -> Draft {
        self.piece(name).fields.splice(at..at + old, bytes.iter().copied());
        self
    }

    /// The same with one more block, before the block `before`.
    pub fn insert(mut self, before: &str, name: &[u8], fields: &[u8]) -> Draft {
        let like = self.pieces[0].clone();
        let at = self.pieces.iter().position(|p| p.name == before.as_bytes()).expect("a block");
        let (name, fields) = (name.to_vec(), fields.to_vec());
        self.pieces.insert(at, Piece { name, fields, size: None, ..like });
        self.order = (0..self.pieces.len()).collect();
        self
    }

    /// The same without a block.
    pub fn without(mut self, name: &str) -> Draft {
        self.pieces.retain(|piece| piece.name != name.as_bytes());
        self.order = (0..self.pieces.len()).collect();
        self
    }

    /// The same with anything else changed.
    pub fn with(mut self, change: impl FnOnce(&mut Draft)) -> Draft {
        change(&mut self);
        self
    }

    pub fn bytes(&self) -> Vec<u8> {
        let mut sum = Piece {
            name: b"Cksum".to_vec(),
            revision: if self.named_map { 200 } else { 100 },
            fields: vec![0, 0],
            size: None,
            named: self.named_map,
        };
        let listed = || self.pieces.iter().chain(self.sum.map(|_| &sum));
        let mut map = if self.named_map { b"Map\0".to_vec() } else { vec![] };
        let entries: usize = listed().map(|piece| piece.name.len() + 7).sum();
        let size = i32::try_from(map.len() + 8 + entries + self.behind_map.len()).expect("small");
        let count = i16::try_from(listed().count() + 1).expect("few");
        map.extend(self.revision.to_le_bytes());
        map.extend(long(self.map_size.unwrap_or(size)));
        map.extend(short(self.count.unwrap_or(count)));
        for piece in listed() {
            let body = i32::try_from(piece.body().len()).expect("small");
            map.extend_from_slice(&piece.name);
            map.push(0);
            map.extend(piece.revision.to_le_bytes());
            map.extend(long(piece.size.unwrap_or(body)));
        }
        map.extend_from_slice(&self.behind_map);
        for i in &self.order {
            map.extend(self.pieces[*i].body());
        }
        if let Some(how) = self.sum {
            sum.fields = how.stored(&map, if self.named_map { b"Cksum\0" } else { b"" }).to_vec();
            map.extend(sum.body());
        }
        map.extend_from_slice(&self.behind);
        map
    }
}

impl Piece {
    fn body(&self) -> Vec<u8> {
        let mut body = vec![];
        if self.named {
            body.extend_from_slice(&self.name);
            body.push(0);
        }
        body.extend_from_slice(&self.fields);
        body
    }
}

impl Sum {
    fn stored(self, before: &[u8], name: &[u8]) -> [u8; 2] {
        let all = [before, name].concat();
        match self {
            Sum::Standard => crc(0xFFFF, &all).to_le_bytes(),
            Sum::Stored(value) => value.to_le_bytes(),
            Sum::HighByteFirst => crc(0xFFFF, &all).to_be_bytes(),
            Sum::WithoutName => crc(0xFFFF, before).to_le_bytes(),
            Sum::From(start) => crc(start, &all).to_le_bytes(),
            Sum::Inverted => (!crc(0xFFFF, &all)).to_le_bytes(),
        }
    }
}

/// CRC-16 with polynomial 1021h, bit by bit. Check value, from the CRC catalogue (CRC-16/IBM-3740):
/// 29B1h for "123456789".
fn crc(start: u16, bytes: &[u8]) -> u16 {
    bytes.iter().fold(start, |crc, byte| {
        (0..8).fold(crc ^ (u16::from(*byte) << 8), |crc, _| {
            if crc & 0x8000 == 0 { crc << 1 } else { (crc << 1) ^ 0x1021 }
        })
    })
}

#[test]
fn the_draft_is_the_example_byte_for_byte() {
    assert_eq!(Draft::v1().bytes(), by_hand());
    assert_eq!(crc(0xFFFF, b"123456789"), 0x29B1);
    // Sizes by hand from the format's page: GenParams 25 + 6 and its name 10, FxdParams 82 + 10.
    let mut v2 = Draft::v2();
    assert_eq!(v2.piece("GenParams").body().len(), 41);
    assert_eq!(v2.piece("FxdParams").body().len(), 92);
    assert_eq!(v2.piece("KeyEvents").body().len(), 10 + 2 + 43 + 22);
}
