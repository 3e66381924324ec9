//! What would decide a joint's loss where its readings do not.

use super::fiber::JointReview;
use crate::grade;
use crate::plan::{Limits, Plan};
use crate::units::Measured;

/// What would decide a loss.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Remedy {
    /// Averaging so many times as long from end a and from end b; `None`: as long as it was.
    Longer([Option<f64>; 2]),
    /// The other end: what unequal fibres fake is more than the noise.
    OtherEnd,
    /// Nothing: it lies nearer to its limit than an OTDR's scale, or anybody's patience, can tell.
    Nothing,
}

/// Beyond this, nobody waits: common practice, no source.
const MOST_TIMES: f64 = 50.0;

/// How many times longer both ends would have to be averaged to decide a joint against its limit.
/// `None`: none is short enough.
pub(super) fn times_longer(own: &JointReview, limit_db: f64, limits: &Limits) -> Option<f64> {
    let noise_db = match (own.loss.from_a_db, own.loss.from_b_db) {
        (Some(a), Some(b)) => 0.5 * a.sigma.hypot(b.sigma),
        (one, other) => one.or(other).map_or(0.0, |m| m.sigma),
    };
    times(own.loss.loss_db?, limit_db, noise_db, limits)
}

/// The same of any loss, of whose sigma `noise_db` falls with averaging.
fn times(loss: Measured, limit_db: f64, noise_db: f64, limits: &Limits) -> Option<f64> {
    let rest = (loss.sigma * loss.sigma - noise_db * noise_db).max(0.0).sqrt();
    let fixed = rest.hypot(limits.linearity_db_per_db * loss.value);
    grade::averaging_to_decide(loss.value, limit_db, noise_db, fixed, limits.confidence)
        .filter(|times| *times > 1.0 && *times < MOST_TIMES)
}

/// Whether noise is the smaller part of a one-way reading's uncertainty, so that averaging is no help.
pub(super) fn unequal_rules(own: &JointReview) -> bool {
    let noise = own.loss.from_a_db.or(own.loss.from_b_db).map_or(0.0, |m| m.sigma);
    own.loss.loss_db.is_some_and(|m| noise < 0.7 * m.sigma)
}

/// Of a joint whose loss was measured and is undecided.
pub(super) fn of_joint(own: &JointReview, limit_db: f64, plan: &Plan) -> Remedy {
    let (a, b) = (own.loss.from_a_db, own.loss.from_b_db);
    if a.and(b).is_none() && own.loss.step_db.is_none() && unequal_rules(own) {
        return Remedy::OtherEnd;
    }
    let Some(times) = times_longer(own, limit_db, &plan.limits) else {
        return if a.and(b).is_none() { Remedy::OtherEnd } else { Remedy::Nothing };
    };
    match a.zip(b) {
        Some((a, b)) => Remedy::Longer(at_one_end(a, b, times).unwrap_or([Some(times); 2])),
        None => Remedy::Longer([a.map(|_| times), b.map(|_| times)]),
    }
}

/// Averaging at the duller end alone, where that takes less time than `times` at both: one walk less.
/// Both end with the same variance of the mean, `(a² + b²)/(4·times)`.
fn at_one_end(a: Measured, b: Measured, times: f64) -> Option<[Option<f64>; 2]> {
    let (dull, clear) = (a.sigma.max(b.sigma).powi(2), a.sigma.min(b.sigma).powi(2));
    let left = (dull + clear) / times - clear;
    let alone = (left > 0.0).then(|| dull / left).filter(|alone| *alone <= 2.0 * times)?;
    Some(if a.sigma >= b.sigma { [Some(alone), None] } else { [None, Some(alone)] })
}

/// Of a loss of the whole link, or of fibre per km, that is undecided. `ends`: from how many it was
/// measured.
pub(super) fn of_loss(loss: Measured, limit_db: f64, ends: usize, limits: &Limits) -> Remedy {
    let unequal_db = if ends < 2 { limits.one_way_db.min(loss.sigma) } else { 0.0 };
    let noise_db = (loss.sigma.powi(2) - unequal_db.powi(2)).sqrt();
    match times(loss, limit_db, noise_db, limits) {
        Some(times) => Remedy::Longer([Some(times); 2]),
        None if ends < 2 => Remedy::OtherEnd,
        None => Remedy::Nothing,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::combine;
    use approx::assert_abs_diff_eq;

    fn joint(from_a: Option<(f64, f64)>, from_b: Option<(f64, f64)>) -> JointReview {
        let m = |reading: Option<(f64, f64)>| reading.map(|(db, s)| Measured::new(db, s));
        JointReview {
            name: "C1".into(),
            at_m: 1000.0,
            at_sigma_m: 0.1,
            wavelength_nm: 1550,
            loss: combine::two_way(m(from_a), m(from_b), 0.05),
            bend_db: None,
            reflectance_db: None,
            verdict: Some(grade::Verdict::Undecided),
            waived: None,
        }
    }

    fn plan() -> Plan {
        let text = "schema = \"strandline.plan/1\"\n[cable]\nid = \"X\"\nfibers = \"1\"\n\
                    ends = [\"A\", \"B\"]\n[measure]\nwavelengths_nm = [1550]\n[limits]\nsplice_db = 0.15\n";
        let mut plan = crate::plan::read(text).expect("a plan");
        plan.limits.linearity_db_per_db = 0.0;
        plan
    }

    #[test]
    fn the_duller_end_alone_is_averaged_where_that_is_quicker() {
        // by hand: 0.05 dB from the limit at 95 % allows a sigma of 0.05/1.645 = 0.0304, a variance of
        // 9.24e-4. Readings of 0.08 and 0.01 dB: 16.25e-4; both 1.76 times as long, or the dull one
        // until (0.0064/t + 0.0001)/4 = 9.24e-4: t = 1.78.
        let own = joint(Some((0.10, 0.08)), Some((0.10, 0.01)));
        let Remedy::Longer([Some(from_a), None]) = of_joint(&own, 0.15, &plan()) else {
            panic!("{:?}", of_joint(&own, 0.15, &plan()));
        };
        assert_abs_diff_eq!(from_a, 1.78, epsilon = 0.01);
        // Equally dull: the one alone could never halve the variance that both have.
        let own = joint(Some((0.10, 0.0608)), Some((0.10, 0.0608)));
        let Remedy::Longer([Some(from_a), Some(from_b)]) = of_joint(&own, 0.15, &plan()) else {
            panic!("{:?}", of_joint(&own, 0.15, &plan()));
        };
        // by hand: a mean of 0.0608/√2 = 0.0430, where 0.0304 is wanted: twice as long
        assert_abs_diff_eq!(from_a, 2.0, epsilon = 0.01);
        assert_abs_diff_eq!(from_b, 2.0, epsilon = 0.01);
    }

    #[test]
    fn what_unequal_fibres_hide_the_other_end_shows_and_no_averaging() {
        let own = joint(Some((0.12, 0.005)), None);
        assert_eq!(of_joint(&own, 0.15, &plan()), Remedy::OtherEnd);
        let own = joint(None, Some((0.12, 0.005)));
        assert_eq!(of_joint(&own, 0.15, &plan()), Remedy::OtherEnd);
    }

    #[test]
    fn at_its_limit_nothing_decides() {
        let own = joint(Some((0.1499, 0.01)), Some((0.1499, 0.01)));
        assert_eq!(of_joint(&own, 0.15, &plan()), Remedy::Nothing);
    }
}
