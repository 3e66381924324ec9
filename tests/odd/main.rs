//! Odd and broken files: what must come out of each.

use proptest::prelude::*;
use strandline::sor::{self, Options, Version};
use strandline::trace::Trace;
use strandline::units::GroupIndex;

/// A whole version 1 file of 261 bytes, made by hand from the open format's own example:
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

fn by_hand() -> Vec<u8> {
    BY_HAND.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("hex")).collect()
}

fn decode(bytes: &[u8]) -> Result<Trace, sor::SorError> {
    sor::decode(bytes, &Options::default())
}

#[test]
fn the_hand_made_file_says_what_was_written_into_it() {
    let trace = decode(&by_hand()).expect("a good file");
    assert_eq!(trace.notes, []);
    assert_eq!(trace.counts, [1000, 1000, 1000, 0, 38000, 40000]);
    assert_eq!(trace.labels.cable.text(), "C7");
    assert_eq!(trace.labels.operator.text(), "QA");
    assert_eq!(trace.settings.wavelength_nm, Some(1550.0));
    assert_eq!(trace.settings.backscatter_db, Some(-82.0));
    let row = &trace.table.as_ref().expect("a table").rows[0];
    assert_eq!((row.time_100_ps, row.reflectance_db, row.is_end()), (73, Some(-45.3), true));
    // by hand: 244869e-14 s · 299792458 m/s / 1.4682
    assert!((trace.spacing_m() - 0.499_999_18).abs() < 1e-8);
}

/// Bytes at a place, and what must come of it: a note or an error that holds these words.
enum Must {
    Note(&'static str),
    Error(&'static str),
}
use Must::{Error, Note};

#[test]
fn each_fault_has_its_answer() {
    // fault, byte, bytes put there, what must come out
    let cases: &[(&str, usize, &[u8], Must)] = &[
        ("checksum wrong", 0x103, &[0, 1], Note("checksum does not fit")),
        ("checksum zero", 0x103, &[0, 0], Note("checksum is 0")),
        ("map size too large by 2", 0x02, &[100, 0, 0, 0], Note("map size is 100")),
        ("map size negative", 0x02, &[255, 255, 255, 255], Error("map size is -1")),
        ("map size beyond the file", 0x02, &[0, 16, 0, 0], Error("map size is 4096")),
        ("unit unknown", 0x8a, b"xx", Note("unit of distance")),
        ("wavelength in nm", 0x8c, &[0x0e, 0x06], Note("read as nm")),
        ("spacing zero", 0x96, &[0, 0, 0, 0], Error("data spacing is 0")),
        ("spacing negative", 0x96, &[255, 255, 255, 255], Error("data spacing is -1")),
        ("index zero", 0x9e, &[0, 0, 0, 0], Error("group index is 0")),
        ("backscatter zero", 0xa2, &[0, 0], Note("backscatter coefficient is 0")),
        ("backscatter for a microsecond", 0xa2, &[0xf4, 0x01], Note("1 µs")),
        ("date zero", 0x86, &[0, 0, 0, 0], Note("no date")),
        ("event count too large", 0xbc, &[9, 0], Note("number of events is 9")),
        ("event count negative", 0xbc, &[255, 255], Note("number of events is -1")),
        ("event code unknown", 0xcc, b"9Z", Note("event code")),
        ("points of the settings wrong", 0x9a, &[7, 0, 0, 0], Note("number of points is 7")),
        (
            "points more than the block holds",
            0xeb,
            &[0xff, 0xff, 0xff, 0x7f],
            Error("the block has room for"),
        ),
        (
            "points of a segment huge",
            0xf1,
            &[0xff, 0xff, 0xff, 0x7f],
            Error("the block has room for 6"),
        ),
        ("no scale factor", 0xef, &[0, 0], Error("number of scale factors is 0")),
        ("scale factor zero", 0xf5, &[0, 0], Error("scale factor is 0")),
        ("control characters in a label", 0x64, &[0x1b, 0x1b], Note("control characters")),
        ("data flag unknown", 0x71, b"ZZ", Note("data flag")),
        ("acquisition offset set", 0x8e, &[5, 0, 0, 0], Note("acquisition offset is 5")),
        ("block size negative", 0x14, &[255, 255, 255, 255], Error("block size is -1")),
        ("revision of the other generation", 0x12, &[200, 0], Note("other generation")),
        ("revision of no generation", 0x00, &[0x2c, 0x01], Error("this is no SOR file")),
    ];
    for (fault, at, put, must) in cases {
        let mut bytes = by_hand();
        bytes[*at..*at + put.len()].copy_from_slice(put);
        match (decode(&bytes), must) {
            (Ok(trace), Note(says)) => {
                let notes: Vec<String> = trace.notes.iter().map(ToString::to_string).collect();
                assert!(notes.iter().any(|note| note.contains(says)), "{fault}: {notes:?}");
            }
            (Err(error), Error(says)) => {
                assert!(error.to_string().contains(says), "{fault}: {error}");
            }
            (Ok(trace), Error(_)) => panic!("{fault}: read, with {:?}", trace.notes),
            (Err(error), Note(_)) => panic!("{fault}: {error}"),
        }
    }
}

#[test]
fn an_index_of_zero_is_read_with_the_users_own() {
    let mut bytes = by_hand();
    bytes[0x9e..0xa2].copy_from_slice(&[0; 4]);
    let options = Options { index: GroupIndex::new(1.4682), ..Options::default() };
    let trace = sor::decode(&bytes, &options).expect("readable with an index");
    assert!(trace.notes.iter().any(|n| n.says.contains("the index given is used")));
}

#[test]
fn bytes_behind_the_last_block_are_noted_and_kept() {
    let mut bytes = by_hand();
    bytes.extend_from_slice(b"more");
    assert!(
        decode(&bytes)
            .expect("readable")
            .notes
            .iter()
            .any(|n| n.says.contains("behind the last block"))
    );
    assert_eq!(sor::raw::File::read(&bytes).expect("readable").written(), bytes);
}

#[test]
fn a_file_cut_at_any_byte_is_an_error() {
    let bytes = by_hand();
    for length in 0..bytes.len() {
        assert!(decode(&bytes[..length]).is_err(), "cut at {length}");
    }
}

#[test]
fn empty_text_and_zero_filled_files_are_errors() {
    for bytes in [&b""[..], b"\0", b"hello, world", &[0; 4096]] {
        assert!(decode(bytes).is_err());
    }
}

#[test]
fn what_is_written_is_read_back_without_a_note_in_both_versions() {
    let trace = decode(&by_hand()).expect("a good file");
    for version in [Version::V1, Version::V2] {
        let bytes = sor::encode(&trace, version).expect("fits");
        let again = decode(&bytes).expect("own output");
        assert_eq!(again, trace, "{version:?}");
    }
}

#[test]
fn a_changed_label_leaves_everything_else_as_it_was() {
    let bytes = by_hand();
    let change = sor::Change { fiber: Some("a longer name".into()), ..sor::Change::default() };
    let changed = sor::relabel(&bytes, &change).expect("good labels");
    let (old, new) = (decode(&bytes).expect("good"), decode(&changed).expect("good"));
    assert_eq!(new.notes, []);
    assert_eq!(new.labels.fiber.text(), "a longer name");
    assert_eq!((new.counts, new.settings, new.table), (old.counts, old.settings, old.table));
}

#[test]
fn every_trace_at_hand_is_written_back_byte_for_byte() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut count = 0;
    for folder in ["traces", "../shared/traces", "../shared/traces-hard", "../shared/job"] {
        let folder = root.join(folder);
        if !folder.is_dir() {
            println!("{} is not here: left out", folder.display());
            continue;
        }
        for path in strandline::disk::traces_in(&folder).expect("a folder") {
            let bytes = strandline::disk::read(&path).expect("readable");
            assert_eq!(sor::raw::File::read(&bytes).expect("readable").written(), bytes);
            count += 1;
        }
    }
    assert!(count > 20, "{count} files");
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        let _ = decode(&bytes);
    }

    #[test]
    fn no_changed_byte_panics_and_what_is_read_is_written_back(
        at in 0_usize..261, value in any::<u8>(), second in 0_usize..261, other in any::<u8>(),
    ) {
        let mut bytes = by_hand();
        bytes[at] = value;
        bytes[second] = other;
        let _ = decode(&bytes);
        if let Ok(file) = sor::raw::File::read(&bytes) {
            prop_assert_eq!(file.written(), bytes);
        }
    }
}
