//! What holds for every value.

use proptest::prelude::*;
use strandline::grade::{Limit, Verdict, judge};
use strandline::plan;
use strandline::units::{GroupIndex, LengthUnit, Measured, level_db, power};

const UNITS: [LengthUnit; 5] =
    [LengthUnit::M, LengthUnit::Km, LengthUnit::Ft, LengthUnit::Kft, LengthUnit::Mi];

proptest! {
    #[test]
    fn units_convert_there_and_back(
        metres in 1e-3..1e6_f64, level in -60.0..0.0_f64, index in 1.0..2.0_f64, unit in 0..5_usize,
    ) {
        let unit = UNITS[unit];
        let back = metres / unit.metres() * unit.metres();
        prop_assert!((back - metres).abs() <= 1e-12 * metres);
        prop_assert!((level_db(power(level)) - level).abs() < 1e-9);
        let index = GroupIndex::new(index).expect("within 1 to 2");
        prop_assert!((index.metres(index.seconds(metres)) - metres).abs() <= 1e-12 * metres);
    }

    #[test]
    fn both_sides_of_a_limit_are_judged_alike(
        value in -5.0..5.0_f64, sigma in 1e-6..2.0_f64, limit in -5.0..5.0_f64,
        confidence in 0.501..0.999_f64,
    ) {
        let most = judge(Measured::new(value, sigma), Limit::AtMost(limit), confidence);
        let least = judge(Measured::new(-value, sigma), Limit::AtLeast(-limit), confidence);
        prop_assert_eq!(most.verdict, least.verdict);
        prop_assert!((0.0..=1.0).contains(&most.probability));
    }

    #[test]
    fn more_confidence_only_moves_a_verdict_towards_undecided(
        value in -1.0..1.0_f64, sigma in 1e-6..0.5_f64, limit in -1.0..1.0_f64,
        confidence in 0.501..0.99_f64, share in 0.0..1.0_f64,
    ) {
        let at = |c| judge(Measured::new(value, sigma), Limit::AtMost(limit), c).verdict;
        let (before, after) = (at(confidence), at(confidence + share * (0.9999 - confidence)));
        prop_assert!(after == before || after == Verdict::Undecided);
    }

    #[test]
    fn a_confidence_lies_between_a_half_and_one(confidence in -1.0..2.0_f64) {
        let read = plan::read(&a_plan(&format!("confidence = {confidence:?}")));
        prop_assert_eq!(read.is_ok(), confidence > 0.5 && confidence < 1.0);
    }
}

fn a_plan(limits: &str) -> String {
    format!(
        "schema = \"strandline.plan/1\"\n[cable]\nid = \"X\"\nfibers = \"1\"\nends = [\"A\", \"B\"]\n\
         [measure]\nwavelengths_nm = [1550]\n[limits]\n{limits}\n"
    )
}

#[test]
fn no_limit_is_zero_infinite_negative_or_no_number() {
    let losses = [
        "splice_db",
        "splice_mean_db",
        "connector_db",
        "splitter_db",
        "orl_db",
        "max_length_m",
        "one_way_db",
        "linearity_db_per_db",
        "backscatter_sigma_db",
    ];
    let tables = ["attenuation_db_per_km", "link_loss_db", "min_link_loss_db"];
    let mut cases = Vec::new();
    for bad in ["0", "0.0", "-0.1", "inf", "-inf", "nan"] {
        cases.extend(losses.map(|key| (key, format!("{key} = {bad}"))));
        cases.extend(tables.map(|key| (key, format!("{key} = {{ 1550 = {bad} }}"))));
    }
    for bad in ["0", "0.1", "inf", "-inf", "nan"] {
        cases.push(("reflectance_db", format!("reflectance_db = {bad}")));
    }
    for bad in ["0.5", "1", "1.0", "0", "-0.95", "95", "inf", "nan"] {
        cases.push(("confidence", format!("confidence = {bad}")));
    }
    for (key, line) in cases {
        let error = plan::read(&a_plan(&line)).expect_err(&line);
        assert!(error.to_string().contains(key) && error.line == 9, "{line}: {error}");
        assert!(error.to_string().contains("expected"), "{line}: {error}");
    }
}
