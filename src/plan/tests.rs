//! What a plan says is read, what cannot be is refused, and what it answers.

use super::*;
use approx::assert_abs_diff_eq;

const PLAN: &str = r#"
schema = "strandline.plan/1"
[cable]
id = "GS-04"
fibers = "1-3, 7"
ends = ["WEST SLIP", "KILN ROAD"]
length_m = 10000.0
[measure]
wavelengths_nm = [1310, 1550]
directions = "both"
launch_m = 500.0
[[joint]]
name = "C1"
at_m = 2340.0
kind = "splice"
[limits]
splice_db = 0.15
connector_db = 0.50
attenuation_db_per_km = { 1310 = 0.36, 1550 = 0.23 }
link_loss_db = "from parts"
"#;

#[test]
fn a_plan_is_read_and_its_budget_is_the_sum_of_its_parts() {
    let plan = read(PLAN).unwrap();
    assert_eq!(plan.cable.fibers, [1, 2, 3, 7]);
    // by hand: 10 km · 0.23 + 1 · 0.15 + 0.50; without a tail cord the far connector is not seen
    assert_abs_diff_eq!(plan.link_limit_db(1550.0).unwrap(), 2.95, epsilon = 1e-9);
    let both = read(&PLAN.replace("launch_m = 500.0", "launch_m = 500.0\ntail_m = 500.0")).unwrap();
    assert_abs_diff_eq!(both.link_limit_db(1550.0).unwrap(), 3.45, epsilon = 1e-9);
    assert_eq!(plan.planned_wavelength_nm(1546.0), Some(1550));
    assert_eq!(plan.planned_wavelength_nm(1625.0), None);
}

#[test]
fn every_field_of_a_plan_is_read() {
    let text = r#"
schema = "strandline.plan/1"
[job]
name = "hand-over"
[cable]
id = "GS-04"
fibers = "1-24"
fiber_type = "G.652.D"
ends = ["WEST SLIP", "KILN ROAD"]
length_m = 10234.0
fiber_per_sheath = 1.012
[measure]
wavelengths_nm = [1310, 1550]
group_index = 1.4677
pulse_ns = 100
min_averaging_s = 15
directions = "both"
launch_m = 500.0
tail_m = 500.0
file_name = "{cable}_{fiber}_{wavelength}_{direction}"
[[joint]]
name = "S1"
at_m = 2340
kind = "splitter"
ways = 8
[[route]]
name = "pit 7"
sheath_m = 1210.0
slack_m = 12.0
latitude = 0.0
longitude = 0.0
[[waiver]]
fiber = 7
where = "C2"
reason = "in a tray that cannot be opened"
by = "N. Nobody"
[limits]
preset = ["outside-plant-g652d", "pon-b-plus"]
splice_db = 0.15
splice_mean_db = 0.10
splitter_db = 10.8
reflectance_db = -40.0
attenuation_db_per_km = { 1310 = 0.36 }
link_loss_db = { 1550 = 25.0 }
max_length_m = 20000
orl_db = 30.0
confidence = 0.95
"#;
    let plan = read(text).unwrap();
    assert_eq!(plan.measure.group_index, PerWavelength::from([(1310, 1.4677), (1550, 1.4677)]));
    assert_eq!((plan.joints[0].kind, plan.joints[0].ways), (JointKind::Splitter, Some(8)));
    assert_eq!((plan.route[0].slack_m, plan.waivers[0].fiber), (12.0, 7));
    let limits = plan.limits;
    // H1, H3, H5: what the plan does not set comes from its presets, and each figure wins over theirs
    assert_eq!((limits.splice_db, limits.connector_db), (Some(0.15), Some(0.75)));
    assert_eq!(limits.attenuation_db_per_km[&1310], 0.36);
    assert_eq!(limits.attenuation_db_per_km[&1550], 0.30);
    let Some(LinkLimit::PerWavelength(link)) = &limits.link_loss_db else { panic!("a table") };
    assert_eq!((link[&1310], link[&1490], link[&1550]), (28.0, 28.0, 25.0));
    assert_eq!(limits.min_link_loss_db[&1490], 13.0);
    let origin = limits.origin().unwrap();
    assert!(origin.starts_with("the contract's limits come first"), "{origin}");
    assert!(origin.contains("ITU-T G.984.2") && origin.contains("quoted"), "{origin}");
}

#[test]
fn what_cannot_be_is_refused_with_its_line() {
    // change, line, part of the message
    let cases = [
        ("splice_db = 0.15", "splice_db = -0.15", 17, "more than 0"),
        ("splice_db = 0.15", "splice_db = 0,15", 17, "decimal point"),
        ("splice_db = 0.15", "splice_db = inf", 17, "more than 0"),
        ("splice_db = 0.15", "splice_db = nan", 17, "more than 0"),
        ("splice_db = 0.15", "splise_db = 0.15", 17, "splice_db"),
        ("connector_db = 0.50", "confidence = 0.5", 18, "0.5"),
        ("fibers = \"1-3, 7\"", "fibers = \"3-1\"", 5, "3-1"),
        ("at_m = 2340.0", "at_m = 23400", 14, "beyond"),
        ("at_m = 2340.0", "at_m = nan", 14, "beyond"),
        ("name = \"C1\"", "name = \"End A\"", 13, "the name of an end"),
        ("launch_m = 500.0", "launch_m = 1e9", 11, "at most"),
        ("fibers = \"1-3, 7\"", "fibers = \"1-24000\"", 5, "to 6912 at most"),
        ("at_m = 2340.0", "at_m = 2340.0\nways = 4", 15, "no splitter"),
        ("link_loss_db = \"from parts\"", "link_loss_db = 0.15", 20, "from parts"),
        ("splice_db = 0.15", "orl_db = 0", 17, "more than 0"),
        ("splice_db = 0.15", "reflectance_db = 40", 17, "less than 0"),
        ("splice_db = 0.15", "preset = \"b-plus\"", 17, "pon-b-plus"),
        (
            "link_loss_db = \"from parts\"",
            "preset = [\"pon-b-plus\", \"ethernet-10gbase-lr\"]",
            20,
            "not below",
        ),
        ("1310 = 0.36", "1310 = -0.36", 19, "more than 0"),
        ("1310 = 0.36", "131 = 0.36", 19, "wavelength"),
        ("wavelengths_nm = [1310, 1550]", "wavelengths_nm = [1310, 1310]", 9, "once"),
        (
            "[limits]",
            "[[waiver]]\nfiber = 4\nwhere = \"C1\"\nreason = \"r\"\n[limits]",
            17,
            "fibre 4",
        ),
        (
            "[limits]",
            "[[waiver]]\nfiber = 3\nwhere = \"C1\"\nreason = \" \"\n[limits]",
            19,
            "reason",
        ),
        ("[limits]", "[[route]]\nname = \"p\"\nsheath_m = 1\nslack_m = -2\n[limits]", 19, "slack"),
        (
            "[limits]",
            "[[joint]]\nname = \"C1\"\nat_m = 9\nkind = \"splice\"\n[limits]",
            17,
            "second",
        ),
        ("schema = \"strandline.plan/1\"", "schema = \"x\"", 2, "strandline.plan/1"),
        ("launch_m = 500.0", "launch_m = \"long\"", 11, "expected a number"),
        ("launch_m = 500.0", "file_name = \"{cabel}_{fiber}\"", 11, "did you mean {cable}"),
        ("launch_m = 500.0", "file_name = \"{cable\"", 11, "behind each"),
        ("[measure]", "fiber_colors = [\"mauve\"]\n[measure]", 8, "turquoise"),
        ("[measure]", "fibers_per_tube = 0\n[measure]", 8, "expected 1 to"),
        ("ends = [\"WEST SLIP\", \"KILN ROAD\"]", "ends = [\"Q\", \"q\"]", 6, "both ends"),
        ("splice_db = 0.15", "preset = \"pon-bplus\"", 17, "did you mean pon-b-plus"),
    ];
    for (from, to, line, says) in cases {
        let error = read(&PLAN.replace(from, to)).unwrap_err();
        assert_eq!(error.line, line, "{to}: {error}");
        assert!(error.to_string().contains(says), "{to}: {error}");
    }
}

#[test]
fn a_table_that_stands_twice_is_named_at_its_second_place() {
    let error = read(&format!("{PLAN}[limits]\nsplitter_db = 7.0\n")).unwrap_err();
    assert_eq!(error.line, PLAN.lines().count() + 1);
    assert!(error.says.starts_with("limits stands here a second time"), "{}", error.says);
}

#[test]
fn a_fibre_is_multimode_by_its_label_or_its_wavelength() {
    let of = |traces: &[(Option<f64>, Option<i16>)]| usual_preset(traces.iter().copied());
    assert_eq!(of(&[(Some(1310.0), Some(652)), (Some(1550.0), None)]), "outside-plant-g652d");
    assert_eq!(of(&[(None, None)]), "outside-plant-g652d");
    // multimode fibre is measured at 850 and 1300 nm
    assert_eq!(of(&[(Some(850.0), None), (Some(1300.0), None)]), "premises-om3");
    assert_eq!(of(&[(Some(1300.0), Some(651))]), "premises-om3");
}
