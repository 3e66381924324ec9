//! What holds for every file, good or broken.

use proptest::prelude::*;
use strandline::sor::{self, Options, Version};
use strandline::trace::Trace;

use super::draft::by_hand;

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

#[test]
fn a_file_cut_at_any_byte_is_an_error() {
    let bytes = by_hand();
    for length in 0..bytes.len() {
        assert!(decode(&bytes[..length]).is_err(), "cut at {length}");
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
