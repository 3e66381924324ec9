//! Each odd file, from the fault it is named after. What must come out stands in `table.toml`.

use super::draft::{Draft, Piece, Sum, long, short};

/// Name without `.sor`, and bytes.
pub type Made = (&'static str, Vec<u8>);

pub fn all() -> Vec<Made> {
    let groups =
        [checksums(), maps(), blocks(), labels(), settings(), stretches(), events(), samples()];
    let mut all: Vec<Made> =
        groups.into_iter().flatten().map(|(name, draft)| (name, draft.bytes())).collect();
    all.extend(no_traces());
    all.sort_by_key(|(name, _)| *name);
    all
}

type Drafts = Vec<(&'static str, Draft)>;

fn checksums() -> Drafts {
    let v1 = |sum| Draft::v1().with(|d| d.sum = sum);
    vec![
        ("checksum-absent", v1(None)),
        ("checksum-wrong", v1(Some(Sum::Stored(0x0100)))),
        ("checksum-zero", v1(Some(Sum::Stored(0)))),
        ("checksum-high-byte-first", v1(Some(Sum::HighByteFirst))),
        ("checksum-from-0000h", v1(Some(Sum::From(0x0000)))),
        ("checksum-from-1D0Fh", v1(Some(Sum::From(0x1D0F)))),
        ("checksum-inverted", v1(Some(Sum::Inverted))),
        ("checksum-without-its-name-v2", Draft::v2().with(|d| d.sum = Some(Sum::WithoutName))),
        ("checksum-cut-short", Draft::v1().with(|d| d.sum = None).insert_last(b"Cksum", &[0x53])),
    ]
}

fn maps() -> Drafts {
    let v1_size = |size| Draft::v1().with(|d| d.map_size = Some(size));
    let v2_size = |size| Draft::v2().with(|d| d.map_size = Some(size));
    let count = |count| Draft::v1().with(|d| d.count = Some(count));
    vec![
        ("map-size-2-too-large", v1_size(100)),
        ("map-size-2-too-small", v1_size(96)),
        ("map-size-2-too-large-v2", v2_size(104)),
        (
            "map-size-not-to-be-proven",
            v1_size(100).with(|d| d.behind = b"so the sizes prove nothing".to_vec()),
        ),
        ("map-size-negative", v1_size(-1)),
        ("map-size-below-a-map", v1_size(7)),
        ("map-size-beyond-the-file", v1_size(4096)),
        ("map-rest-behind-the-last-entry", Draft::v1().with(|d| d.behind_map = b"rest".to_vec())),
        ("map-count-negative", count(-2)),
        ("map-count-zero", count(0)),
        ("map-count-huge", count(i16::MAX)),
        ("map-revision-unknown", Draft::v1().with(|d| d.revision = 300)),
        ("map-revision-of-version-1-v2", Draft::v2().with(|d| d.revision = 100)),
        ("size-negative", Draft::v1().with(|d| d.piece("SupParams").size = Some(-11))),
        ("size-beyond-the-file", Draft::v1().with(|d| d.piece("DataPts").size = Some(i32::MAX))),
        (
            "size-beyond-the-file-escape-in-name",
            Draft::v1()
                .insert("FxdParams", b"\x1b[31mRed", b"")
                .with(|d| d.pieces[2].size = Some(1000)),
        ),
    ]
}

fn blocks() -> Drafts {
    let revision = |mut draft: Draft, name: &str, revision| {
        draft.piece(name).revision = revision;
        draft
    };
    let empty = |draft: Draft, name: &str| {
        draft.with(|d| {
            let piece = d.piece(name);
            (piece.named, piece.fields) = (false, vec![]);
        })
    };
    let reversed = |draft: Draft| draft.with(|d| d.order.reverse());
    vec![
        ("unknown-block", Draft::v1().insert("KeyEvents", b"OwnBlock", b"\x01\x02\x03")),
        ("unknown-block-v2", Draft::v2().insert("KeyEvents", b"OwnBlock", b"\x01\x02\x03")),
        ("blocks-in-another-order", Draft::v1().with(|d| d.pieces.reverse())),
        ("bodies-in-another-order-v2", reversed(Draft::v2())),
        ("bodies-in-another-order", reversed(Draft::v1())),
        ("block-twice", Draft::v1().insert("KeyEvents", b"SupParams", b"B\0\0\0\0\0\0\0")),
        ("general-empty-v2", empty(Draft::v2(), "GenParams")),
        ("fixed-empty", empty(Draft::v1(), "FxdParams")),
        ("data-empty", empty(Draft::v1(), "DataPts")),
        ("general-empty", empty(Draft::v1(), "GenParams")),
        (
            "general-shorter-than-its-name-v2",
            empty(Draft::v2(), "GenParams").with(|d| d.piece("GenParams").fields = b"Gen".to_vec()),
        ),
        ("fixed-missing", Draft::v1().without("FxdParams")),
        ("data-missing", Draft::v1().without("DataPts")),
        ("general-missing", Draft::v1().without("GenParams")),
        ("supplier-missing", Draft::v1().without("SupParams")),
        ("events-missing", Draft::v1().without("KeyEvents")),
        ("rest-behind-the-last-block", Draft::v1().with(|d| d.behind = b"more".to_vec())),
        ("rest-behind-the-last-field-general", Draft::v1().splice("GenParams", 25, 0, b"??")),
        ("rest-behind-the-last-field-fixed", Draft::v1().splice("FxdParams", 54, 0, b"??")),
        ("rest-behind-the-last-field-data", Draft::v1().splice("DataPts", 24, 0, b"??")),
        ("revision-of-version-2-its-layout-too", {
            let mut draft = revision(Draft::v1(), "GenParams", 200);
            draft.lay_out_as_v2("GenParams");
            draft
        }),
        ("revision-of-version-2-layout-of-1", revision(Draft::v1(), "FxdParams", 200)),
        ("revision-of-version-1-layout-of-2-v2", revision(Draft::v2(), "FxdParams", 100)),
        ("revision-of-no-version", revision(Draft::v1(), "KeyEvents", 7)),
        ("data-body-without-its-name-v2", Draft::v2().with(|d| d.piece("DataPts").named = false)),
    ]
}

fn labels() -> Drafts {
    let cable = |text: &[u8]| Draft::v1().splice("GenParams", 2, 2, text);
    vec![
        ("labels-empty-fibre-type-0-v2", {
            let mut draft = Draft::v2().put("GenParams", 8, &[0, 0]);
            let blank = b"EN\0\0\0\0\x0e\x06   \0\0\0OT\0\0\0\0\0\0\0\0\0\0";
            draft.piece("GenParams").fields = blank.to_vec();
            draft
        }),
        ("label-without-its-zero", Draft::v1().splice("GenParams", 24, 1, b"open to the end")),
        ("label-is-missing", Draft::v1().splice("SupParams", 9, 2, b"")),
        ("label-with-control-characters", cable(b"\x1b[2J\x1b]0;title\x07")),
        ("label-with-control-characters-latin-1", cable(b"\x9b2J caf\xe9")),
        ("label-with-markup", cable(b"<script>alert(1)</script>&'\"")),
        ("label-with-a-formula", cable(b"=HYPERLINK(\"x\")")),
        ("label-in-latin-1", cable(b"\xdcber die Stra\xdfe")),
        ("label-in-utf-8", cable("Über die Straße".as_bytes())),
        ("label-turns-text-round", cable("safe\u{202e}ros.exe".as_bytes())),
        ("label-very-long", cable(&[b'x'; 1500])),
        ("data-flag-unknown", Draft::v1().put("GenParams", 15, b"ZZ")),
        ("data-flag-blank", Draft::v1().put("GenParams", 15, b"  ")),
        (
            "landmarks-not-laid-out-as-expected",
            Draft::v1().insert("DataPts", b"LnkParams", b"\x01\0landmark"),
        ),
        (
            "landmarks-as-expected",
            Draft::v1().insert(
                "DataPts",
                b"LnkParams",
                &[&[1, 0][..], &[0; 32], b"hut\0"].concat(),
            ),
        ),
        ("landmarks-huge", Draft::v1().insert("DataPts", b"LnkParams", b"\xff\x7f\0\0")),
        ("landmarks-negative", Draft::v1().insert("DataPts", b"LnkParams", b"\xff\xff")),
    ]
}

fn settings() -> Drafts {
    let fixed = |at, bytes: &[u8]| Draft::v1().put("FxdParams", at, bytes);
    let wavelengths =
        |nominal, actual| fixed(6, &short(actual)).put("GenParams", 8, &short(nominal));
    vec![
        ("date-zero", fixed(0, &[0; 4])),
        ("date-in-the-future", fixed(0, &[0xff; 4])),
        ("unit-blank", fixed(4, b"  ")),
        ("unit-unknown", fixed(4, b"xx")),
        ("wavelength-nominal-in-tenths", wavelengths(15500, 15500)),
        ("wavelength-actual-in-nm", wavelengths(1550, 1550)),
        ("wavelength-actual-zero", wavelengths(1310, 0)),
        ("wavelengths-zero", wavelengths(0, 0)),
        ("wavelengths-out-of-bounds", wavelengths(-1, 30000)),
        ("acquisition-offset-set", fixed(8, &long(-5))),
        ("panel-offset-set", fixed(38, &long(5))),
        ("pulses-zero", fixed(12, &short(0))),
        ("pulses-negative", fixed(12, &short(-1))),
        ("pulses-huge", fixed(12, &short(i16::MAX))),
        ("pulse-of-0-ns", fixed(14, &short(0))),
        ("spacing-zero", fixed(16, &long(0))),
        ("spacing-negative", fixed(16, &long(-244_869))),
        // Of one sample: 0.5 m are 24.49 units of 100 ps for 10,000, so 24 of one.
        ("spacing-per-sample", fixed(16, &long(24))),
        ("spacing-per-sample-confirmed", fixed(16, &long(24))),
        ("index-zero", fixed(24, &long(0))),
        ("index-zero-another-given", fixed(24, &long(0))),
        ("index-negative", fixed(24, &long(-146_820))),
        ("index-too-large", fixed(24, &long(250_000))),
        ("index-given-though-the-file-has-one", Draft::v1()),
        ("backscatter-zero", fixed(28, &short(0))),
        ("backscatter-positive", fixed(28, &short(-820))),
        ("backscatter-for-1-us", fixed(28, &short(520))),
        ("averages-negative", fixed(30, &long(-1))),
        ("range-negative", fixed(34, &long(-147))),
        ("trace-type-unknown-v2", Draft::v2().put("FxdParams", 64, b"??")),
        ("trace-type-difference-v2", Draft::v2().put("FxdParams", 64, b"DT")),
        ("fixed-cut-short", Draft::v1().splice("FxdParams", 30, 24, b"")),
    ]
}

/// Two pulse widths: 100 and 30 ns at 0.5 m, and what each has of the 6 samples.
fn stretches() -> Drafts {
    let two = |points: [i32; 2], range: i32| {
        let arrays = [
            &short(2)[..],
            &short(100),
            &short(30),
            &long(244_869),
            &long(244_869),
            &long(points[0]),
            &long(points[1]),
        ];
        Draft::v1().put("FxdParams", 34, &long(range)).splice("FxdParams", 12, 12, &arrays.concat())
    };
    vec![
        // 6 samples of 24.49 units of 100 ps are 147, 4 of them 98
        ("two-pulses-one-behind-the-other", two([4, 2], 147)),
        ("two-pulses-one-over-the-other", two([3, 3], 73)),
        ("two-pulses-without-a-range", two([4, 2], 0)),
        ("two-pulses-that-do-not-add-up", two([6, 6], 147)),
        ("two-pulses-one-negative", two([7, -1], 147)),
    ]
}

fn events() -> Drafts {
    let key = |at, bytes: &[u8]| Draft::v1().put("KeyEvents", at, bytes);
    let more = |times: &[i32], code: &[u8]| {
        let mut rows = vec![];
        for (i, time) in times.iter().enumerate() {
            rows.extend([i as u8 + 1, 0]);
            rows.extend(long(*time));
            rows.extend([0xbe, 0, 0, 0, 0x0c, 0x4f, 0xff, 0xff]);
            rows.extend_from_slice(code);
            rows.extend(b"LS\0");
        }
        let count = short(i16::try_from(times.len()).expect("few"));
        Draft::v1().splice("KeyEvents", 0, 25, &[&count[..], &rows].concat())
    };
    vec![
        ("events-more-than-fit", key(0, &short(9))),
        ("events-more-than-fit-v2", Draft::v2().put("KeyEvents", 0, &short(i16::MAX))),
        ("events-fewer-than-there-are", more(&[24, 73], b"1F9999").put("KeyEvents", 0, &short(1))),
        ("events-negative", key(0, &short(-1))),
        ("events-none", more(&[], b"")),
        ("events-out-of-order", more(&[73, 24], b"1F9999")),
        ("event-beyond-the-trace", more(&[24, 148], b"1F9999")),
        ("events-with-two-ends", more(&[73, 98], b"1E9999")),
        ("event-code-unknown", key(16, b"9Z")),
        ("events-cut-short", Draft::v1().splice("KeyEvents", 10, 37, b"")),
        ("event-comment-without-its-zero", {
            Draft::v1().splice("KeyEvents", 24, 23, b"the rest of the block has no zero at all")
        }),
        ("totals-not-measured", key(33, &[0; 4])),
        ("totals-not-measured-as-writers-do", key(25, &[0; 22])),
    ]
}

fn samples() -> Drafts {
    let data = |at, bytes: &[u8]| Draft::v1().put("DataPts", at, bytes);
    let claims = |points: i32, count: i16, rest: &[u8]| {
        Draft::v1().with(|d| {
            let fields = [&long(points)[..], &short(count), rest].concat();
            d.piece("DataPts").fields = fields;
        })
    };
    vec![
        ("points-of-the-settings-differ", Draft::v1().put("FxdParams", 20, &long(7))),
        ("points-more-than-fit", data(0, &long(i32::MAX))),
        ("points-negative", data(0, &long(-6))),
        ("points-zero", data(0, &long(0))),
        ("points-fewer-than-the-segments-hold", data(0, &long(5))),
        ("points-fewer-and-a-rest", data(0, &long(5)).splice("DataPts", 24, 0, b"??")),
        (
            "points-more-than-the-segments-hold",
            claims(8, 1, &[&long(6)[..], &short(1000), &[0; 12], b"rest"].concat()),
        ),
        ("segments-zero", data(4, &short(0))),
        ("segments-negative", data(4, &short(-1))),
        ("segments-huge", data(4, &short(i16::MAX))),
        ("segment-huge", data(6, &long(i32::MAX))),
        ("segment-negative", data(6, &long(-6))),
        (
            "segments-without-a-sample",
            claims(0, 2, &[&long(0)[..], &short(1000), &long(0), &short(1000)].concat()),
        ),
        ("scale-factor-zero", data(10, &short(0))),
        (
            "two-scale-factors",
            claims(
                6,
                2,
                &[
                    &long(4)[..],
                    &short(1000),
                    &[0xe8, 0x03, 0xe8, 0x03, 0xe8, 0x03, 0, 0],
                    &long(2),
                    &short(2000),
                    &[0x38, 0x4a, 0x20, 0x4e],
                ]
                .concat(),
            ),
        ),
    ]
}

/// What is no trace at all, or was cut.
fn no_traces() -> Vec<Made> {
    let (v1, v2) = (Draft::v1().bytes(), Draft::v2().bytes());
    vec![
        ("empty", vec![]),
        ("one-byte", vec![0x64]),
        ("zeros", vec![0; 512]),
        ("text", b"hello, world\n".to_vec()),
        ("text-with-a-number", b"Minutes of the meeting in room 7\n".to_vec()),
        ("picture", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR".to_vec()),
        ("cut-in-the-revision", v1[..1].to_vec()),
        ("cut-in-the-map", v1[..0x30].to_vec()),
        ("cut-in-the-settings", v1[..0x98].to_vec()),
        ("cut-in-the-samples", v1[..0x100].to_vec()),
        ("cut-in-the-checksum", v1[..0x104].to_vec()),
        ("cut-in-the-map-v2", v2[..4].to_vec()),
        ("cut-in-the-samples-v2", v2[..0x160].to_vec()),
        ("cut-before-the-checksum-v2", v2[..365].to_vec()),
    ]
}

impl Draft {
    /// The same with one more block behind all others.
    fn insert_last(mut self, name: &[u8], fields: &[u8]) -> Draft {
        self.order.push(self.pieces.len());
        self.pieces.push(Piece {
            name: name.to_vec(),
            fields: fields.to_vec(),
            ..self.pieces[0].clone()
        });
        self
    }
}
