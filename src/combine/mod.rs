//! One joint from all its traces: both ends, several wavelengths.
//!
//! Seen from end a, a joint shows its loss plus a step that two fibres of unequal backscatter fake;
//! seen from end b, its loss minus that step. Source: the manufacturers' bidirectional average,
//! docs/theory.md; sigma by JCGM 100:2008, 5.1.2.

mod together;

pub use together::{Joined, Reading, chi_squared_quantile, together};

use crate::units::Measured;

/// A joint's loss at one wavelength, from what was measured of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwoWay {
    /// Apparent loss from end a.
    pub from_a_db: Option<Measured>,
    /// Apparent loss from end b.
    pub from_b_db: Option<Measured>,
    /// The loss: the mean of both, or the one there is with `one_way_db` on its sigma. `None` where
    /// neither could be measured.
    pub loss_db: Option<Measured>,
    /// Half the difference: what unequal fibres fake. `None` where no wavelength shows both ends.
    pub step_db: Option<Measured>,
}

/// Joins both readings. `one_way_db`: one sigma of what unequal fibres do to a single reading.
pub fn two_way(
    from_a_db: Option<Measured>,
    from_b_db: Option<Measured>,
    one_way_db: f64,
) -> TwoWay {
    let both = from_a_db.zip(from_b_db);
    let loss_db = match both {
        Some((a, b)) => Some(a.plus(b).times(0.5)),
        None => from_a_db.or(from_b_db).map(|one| one.widened(one_way_db)),
    };
    let step_db = both.map(|(a, b)| a.minus(b).times(0.5));
    TwoWay { from_a_db, from_b_db, loss_db, step_db }
}

/// True loss in dB of a joint of two fibres whose mode fields have the ratio `ratio` (greater than 0)
/// and that are joined without offset or tilt: `20·log10((r + 1/r)/2)`.
/// Source: Gaussian overlap, Marcuse 1977.
pub fn mode_field_loss_db(ratio: f64) -> f64 {
    20.0 * ((ratio + 1.0 / ratio) / 2.0).log10()
}

/// How much larger the mode field at end a is than that at end b, where a difference of both alone
/// makes the step: capture of backscatter falls with the square of the field.
/// Source: a fibre maker's application note on gainers, 2001; docs/theory.md.
pub fn mode_field_ratio(step_db: f64) -> f64 {
    10.0_f64.powf(-step_db / 10.0)
}

/// Whether a joint's loss grows with wavelength as a bend's does: by more than 3 sigma and 0.1 dB,
/// and to more than one and a half times. `short`, `long`: its loss at the shorter and the longer
/// wavelength.
///
/// Source: worked example D9 of the tests (0.06 dB at 1310 nm, 0.48 dB at 1550 nm: bend; 0.08 and
/// 0.09 dB: none); ITU-T G.657 has limits that grow twice to four times from 1550 to 1625 nm, beside
/// which the splice in the same tray stays as it is. No splice's loss grows by more than a tenth: that of
/// an offset falls, that of a tilt is 1.1 times as large (Marcuse 1977).
pub fn grows_like_a_bend(short: Measured, long: Measured) -> bool {
    let more = long.minus(short);
    more.value > 3.0 * more.sigma && more.value > 0.1 && long.value > 1.5 * short.value
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_gainer_averaged_over_both_ends_gives_the_true_loss() {
        // from a, from b, loss; D1: OTDR bidirectional testing best practice (published example);
        // D2: two open course texts
        for (a, b, loss) in [(0.12, -0.04, 0.04), (0.15, -0.03, 0.06), (0.20, 0.10, 0.15)] {
            let m = |value| Some(Measured::new(value, 0.02));
            let joint = two_way(m(a), m(b), 0.05);
            let got = joint.loss_db.unwrap();
            assert_abs_diff_eq!(got.value, loss, epsilon = 1e-9);
            // D7: σ 0.02 each gives 0.0141
            assert_abs_diff_eq!(got.sigma, 0.0141, epsilon = 1e-4);
        }
    }

    #[test]
    fn one_end_alone_carries_the_doubt_about_unequal_fibres() {
        let joint = two_way(Some(Measured::new(0.1, 0.02)), None, 0.05);
        assert_abs_diff_eq!(joint.loss_db.unwrap().sigma, 0.05385, epsilon = 1e-5);
        assert_eq!(joint.step_db, None);
    }

    #[test]
    fn a_bend_grows_with_wavelength_and_a_splice_does_not() {
        // D9: course review, lesson on bends
        let m = |value| Measured::new(value, 0.01);
        assert!(grows_like_a_bend(m(0.06), m(0.48)));
        assert!(!grows_like_a_bend(m(0.08), m(0.09)));
        // by hand: a bend of 0.40 dB at 1550 nm and 0.80 dB at 1625 nm on a splice of 0.10 dB
        assert!(grows_like_a_bend(m(0.50), m(0.90)));
        // Marcuse 1977: a tilt's loss, 1.1 times as large at 1550 nm
        assert!(!grows_like_a_bend(m(1.50), m(1.65)));
    }
}
