//! D: both directions, unequal fibres, bends.

use strandline::combine::{grows_like_a_bend, mode_field_loss_db, mode_field_ratio, two_way};
use strandline::units::Measured;

use super::near;

#[test]
fn the_true_loss_of_unequal_mode_fields_is_that_of_published_examples() {
    // ratio, loss, tolerance, source
    let cases = [
        (9.2 / 8.6, 0.0197, 5e-5, "D3: course review (G.652.D to G.657.A2); Marcuse 1977"),
        (9.8 / 8.8, 0.05, 0.005, "D5: Mynbaev & Scheiner, example 8.1.1"),
        (1.2, 0.14, 0.006, "D6: Gaussian overlap"),
        (1.5, 0.70, 0.006, "D6"),
        (1.65, 1.05, 0.006, "D6"),
        (2.0, 1.94, 0.006, "D6"),
    ];
    for (ratio, loss_db, tolerance, source) in cases {
        near(mode_field_loss_db(ratio), loss_db, tolerance, source);
        near(mode_field_loss_db(1.0 / ratio), loss_db, tolerance, "the same from the other side");
    }
}

#[test]
fn each_end_shows_what_the_law_of_capture_says_and_the_mean_is_true() {
    // D4: capture falls with the square of the field (a fibre maker's application note on gainers, 2001):
    // from the larger field -0.2732 dB, from the smaller +0.3126, mean 0.0197
    let m = |value| Some(Measured::new(value, 0.002));
    let joint = two_way(m(-0.2732), m(0.3126), 0.05);
    near(joint.loss_db.expect("both ends").value, 0.0197, 1e-4, "D4");
    let ratio = mode_field_ratio(joint.step_db.expect("both ends").value);
    near(ratio, 9.2 / 8.6, 1e-3, "D4: the field at end a is the larger one");
    near(mode_field_loss_db(ratio), 0.0197, 1e-4, "D4: and its mismatch explains the loss");
}

#[test]
fn unequal_fibres_are_told_from_noise() {
    // D1 (shopfiberoptic.com, bidirectional testing) with D7: half the difference of +0.12 and -0.04 dB is
    // 0.08 dB, 5.66 sigma of readings with 0.02 dB each
    let m = |value| Some(Measured::new(value, 0.02));
    let step = two_way(m(0.12), m(-0.04), 0.05).step_db.expect("both ends");
    near(step.value / step.sigma, 5.66, 0.01, "D7");
}

#[test]
fn a_bend_is_told_by_its_growth_with_wavelength() {
    // D10: ITU-T G.657 (2016), from memory: limits at 1550 and 1625 nm that a clear bend shows
    let m = |value| Measured::new(value, 0.01);
    for (at_1550, at_1625) in [(0.25, 1.0), (0.15, 0.45)] {
        assert!(grows_like_a_bend(m(at_1550), m(at_1625)), "{at_1550} to {at_1625}");
        assert!(!grows_like_a_bend(m(at_1625), m(at_1550)), "a loss that falls is no bend");
    }
}
