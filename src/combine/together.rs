//! One joint from all its traces at once: least squares over both ends and all wavelengths.
//!
//! Seen from end a at a wavelength `λ` it shows `L + k·g(λ) + e(λ) + s + d(λ)`, from end b the same with
//! both steps negative: `L` its loss, `k` the share of a bend with its law `g`, `s` the step that unequal
//! fibres fake, and what `e` and `d` let one wavelength have of its own. What is not known beforehand has
//! a wide prior, so that each reading refines all of them with their covariance.
//! Source: linear least squares with prior, one observation at a time (Kalman 1960; JCGM 102:2011, 6).

use super::{TwoWay, two_way};
use crate::units::Measured;

/// What both ends show of a joint at one wavelength.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Wavelength in nm.
    pub wavelength_nm: u16,
    /// Apparent loss from end a.
    pub from_a_db: Option<Measured>,
    /// Apparent loss from end b.
    pub from_b_db: Option<Measured>,
}

/// A joint from all its readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Joined {
    /// Its loss at each wavelength, in the order of the readings.
    pub losses: Vec<TwoWay>,
    /// The part of it that grows as a bend's does. `None` where one wavelength alone was measured.
    pub bends_db: Vec<Option<Measured>>,
    /// Squared misfit of all readings in units of their variance.
    pub chi_squared: f64,
    /// How many readings there are beyond the unknowns.
    pub degrees: usize,
}

impl Joined {
    /// Whether the readings contradict each other: by more than five standard deviations of chance.
    pub fn contradicts_itself(&self) -> bool {
        self.degrees > 0 && self.chi_squared > chi_squared_quantile(self.degrees, 5.0)
    }
}

/// Wide enough to say nothing, near enough to leave digits for thousandths of a dB.
const ANYTHING_DB: f64 = 10.0;
/// One sigma of the share by which loss and step of a splice differ from wavelength to wavelength: an
/// offset's loss is 1.28 times as large at 1310 nm as at 1550 nm, a tilt's 0.91 times, all between
/// likely, half of it at each. Source: Marcuse 1977 with mode fields of 9.2 and 10.4 µm.
const OWN_SHARE: f64 = 0.07;
/// A bend's loss grows by this per nm: 9.8 times from 1310 to 1550 nm (example D9 of the tests: 8 times),
/// twice from 1550 to 1625 nm (ITU-T G.657: 2 to 4 times) …
const BEND_PER_NM: f64 = 0.0095;
/// … and no law holds for every radius: one sigma of a bend's share.
const BEND_DOUBT: f64 = 0.3;
/// Losses are taken as alike at all wavelengths only where the readings themselves exclude a bend: its
/// share is nothing within 1.645 sigma, and those are less than this. Noise must hide no bend: its loss
/// would be shared out to the wavelengths that do not have it.
const HIDDEN_BEND_DB: f64 = 0.01;
const ALIKE_SIGMAS: f64 = 1.645;

/// Fits all readings of one joint together. `one_way_db`: one sigma of the step where no wavelength was
/// read from both ends.
pub fn together(readings: &[Reading], one_way_db: f64) -> Joined {
    let measured = readings.iter().filter(|r| r.from_a_db.or(r.from_b_db).is_some()).count();
    if measured < 2 {
        let alone = |r: &Reading| two_way(r.from_a_db, r.from_b_db, one_way_db);
        return Joined {
            losses: readings.iter().map(alone).collect(),
            bends_db: vec![None; readings.len()],
            chi_squared: 0.0,
            degrees: 0,
        };
    }
    let both_ends = readings.iter().any(|r| r.from_a_db.and(r.from_b_db).is_some());
    let step_db = if both_ends { ANYTHING_DB } else { one_way_db };
    let rough = Fit::of(readings, &Prior { bend_db: 0.0, step_db, own: [0.0; 2], bend_share: 0.0 });
    let own = [LOSS, STEP].map(|i| OWN_SHARE * rough.state[i].abs());
    let alike = Fit::of(readings, &Prior { bend_db: 0.0, step_db, own, bend_share: 0.0 });
    let free = Prior { bend_db: ANYTHING_DB, step_db, own, bend_share: 0.0 };
    let share = Fit::of(readings, &free).state[BEND].abs();
    let bent = Fit::of(readings, &Prior { bend_share: BEND_DOUBT * share, ..free });
    let ends = readings.iter().map(|r| [r.from_a_db, r.from_b_db].iter().flatten().count());
    let degrees = ends.sum::<usize>() - 1 - usize::from(both_ends);
    let reach_db = |bend: Measured| ALIKE_SIGMAS * bend.sigma;
    let bend_db = bent.figure(&[(BEND, 1.0)]);
    let is_alike = reach_db(bend_db) < HIDDEN_BEND_DB
        && bend_db.value.abs() <= reach_db(bend_db)
        && alike.chi_squared <= chi_squared_quantile(degrees, ALIKE_SIGMAS);
    let (fit, degrees) = if is_alike { (&alike, degrees) } else { (&bent, degrees - 1) };
    let bend = |i: usize, r: &Reading| {
        r.from_a_db.or(r.from_b_db)?;
        Some(bent.figure(&[(BEND, growth(r.wavelength_nm)), (EACH * (i + 1) + BEND, 1.0)]))
    };
    Joined {
        losses: (0..readings.len()).map(|i| fit.two_way(i, &readings[i], both_ends)).collect(),
        bends_db: readings.iter().enumerate().map(|(i, r)| bend(i, r)).collect(),
        chi_squared: fit.chi_squared,
        degrees,
    }
}

/// A bend's loss against that at 1550 nm.
fn growth(wavelength_nm: u16) -> f64 {
    (BEND_PER_NM * (f64::from(wavelength_nm) - 1550.0)).exp()
}

/// Places in the state: the joint's own three, then for each wavelength what each has of its own there.
const LOSS: usize = 0;
const BEND: usize = 1;
const STEP: usize = 2;
const EACH: usize = 3;

/// One sigma of each unknown beforehand, in dB.
struct Prior {
    bend_db: f64,
    step_db: f64,
    /// Of loss and step at one wavelength.
    own: [f64; 2],
    /// Of a bend at one wavelength, given at 1550 nm.
    bend_share: f64,
}

struct Fit {
    state: Vec<f64>,
    /// Row after row.
    covariance: Vec<f64>,
    chi_squared: f64,
}

impl Fit {
    fn of(readings: &[Reading], prior: &Prior) -> Fit {
        let mut sigmas = vec![ANYTHING_DB, prior.bend_db, prior.step_db];
        for reading in readings {
            let law = prior.bend_share * growth(reading.wavelength_nm);
            sigmas.extend([prior.own[0], law, prior.own[1]]);
        }
        let len = sigmas.len();
        let mut covariance = vec![0.0; len * len];
        for (i, sigma) in sigmas.iter().enumerate() {
            covariance[i * len + i] = sigma * sigma;
        }
        let mut fit = Fit { state: vec![0.0; len], covariance, chi_squared: 0.0 };
        for (i, reading) in readings.iter().enumerate() {
            for (reading_db, sign) in [(reading.from_a_db, 1.0), (reading.from_b_db, -1.0)] {
                if let Some(db) = reading_db {
                    let [loss, bend, own_loss, own_bend] = loss_at(i, reading);
                    let [step, own_step] = [STEP, EACH * (i + 1) + STEP].map(|at| (at, sign));
                    fit.observe(&[loss, bend, own_loss, own_bend, step, own_step], db);
                }
            }
        }
        fit
    }

    /// Refines the state by one reading of the sum of `terms` (place in the state, factor).
    fn observe(&mut self, terms: &[(usize, f64)], reading: Measured) {
        let expected: f64 = terms.iter().map(|(i, factor)| factor * self.state[*i]).sum();
        let len = self.state.len();
        let with: Vec<f64> = self
            .covariance
            .chunks_exact(len)
            .map(|row| terms.iter().map(|(i, factor)| factor * row[*i]).sum())
            .collect();
        let variance = terms.iter().map(|(i, factor)| factor * with[*i]).sum::<f64>()
            + reading.sigma * reading.sigma;
        if variance <= 0.0 {
            return; // known exactly already
        }
        let off = reading.value - expected;
        self.chi_squared += off * off / variance;
        for (i, row) in self.covariance.chunks_exact_mut(len).enumerate() {
            self.state[i] += with[i] * off / variance;
            for (covariance, other) in row.iter_mut().zip(&with) {
                *covariance -= with[i] * other / variance;
            }
        }
    }

    /// The sum of `terms` with its sigma.
    fn figure(&self, terms: &[(usize, f64)]) -> Measured {
        let value = terms.iter().map(|(i, factor)| factor * self.state[*i]).sum();
        let between = |i: usize, j: usize| self.covariance[i * self.state.len() + j];
        let variance: f64 = terms
            .iter()
            .flat_map(|(i, a)| terms.iter().map(move |(j, b)| a * b * between(*i, *j)))
            .sum();
        Measured::new(value, variance.max(0.0).sqrt())
    }

    fn two_way(&self, i: usize, reading: &Reading, both_ends: bool) -> TwoWay {
        let Reading { from_a_db, from_b_db, .. } = *reading;
        let any = from_a_db.or(from_b_db);
        let loss_db = any.map(|_| self.figure(&loss_at(i, reading)));
        let step_db = any.map(|_| self.figure(&[(STEP, 1.0), (EACH * (i + 1) + STEP, 1.0)]));
        TwoWay { from_a_db, from_b_db, loss_db, step_db: step_db.filter(|_| both_ends) }
    }
}

/// The loss at the wavelength of reading `i`, as terms of the state.
fn loss_at(i: usize, reading: &Reading) -> [(usize, f64); 4] {
    let own = EACH * (i + 1);
    [(LOSS, 1.0), (BEND, growth(reading.wavelength_nm)), (own + LOSS, 1.0), (own + BEND, 1.0)]
}

/// The value that chi-squared of `degrees` exceeds as rarely as a normal figure exceeds `sigmas`.
/// Source: Wilson & Hilferty 1931.
pub fn chi_squared_quantile(degrees: usize, sigmas: f64) -> f64 {
    if degrees == 0 {
        return f64::INFINITY;
    }
    let ninth = 2.0 / (9.0 * degrees as f64);
    degrees as f64 * (1.0 - ninth + sigmas * ninth.sqrt()).powi(3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn reading(wavelength_nm: u16, from_a: f64, from_b: f64, sigma: f64) -> Reading {
        let m = |value| Some(Measured::new(value, sigma));
        Reading { wavelength_nm, from_a_db: m(from_a), from_b_db: m(from_b) }
    }

    #[test]
    fn one_wavelength_from_both_ends_is_their_mean() {
        // D1: OTDR bidirectional testing best practice (published example); D7: 0.02 each, 0.0141
        let joint = together(&[reading(1550, 0.12, -0.04, 0.02)], 0.05);
        let loss = joint.losses[0].loss_db.expect("both ends");
        assert_abs_diff_eq!(loss.value, 0.04, epsilon = 1e-9);
        assert_abs_diff_eq!(loss.sigma, 0.0141, epsilon = 1e-4);
    }

    #[test]
    fn a_second_wavelength_makes_a_small_loss_surer_and_leaves_a_large_one_alone() {
        let sigma = |loss: f64, wavelengths: &[u16]| {
            let all: Vec<Reading> = wavelengths
                .iter()
                .map(|nm| reading(*nm, loss + 0.02, loss - 0.02, 0.004))
                .collect();
            together(&all, 0.05).losses[0].loss_db.expect("both ends").sigma
        };
        let one = 0.004 / 2.0_f64.sqrt();
        // Without loss nothing differs between wavelengths: means of two, four and six readings.
        for (wavelengths, readings) in
            [(&[1310][..], 2.0), (&[1310, 1550][..], 4.0), (&[1310, 1550, 1625][..], 6.0)]
        {
            let expected = 0.004 / f64::sqrt(readings);
            assert_abs_diff_eq!(sigma(0.0, wavelengths), expected, epsilon = 1e-6);
        }
        // A loss of 0.5 dB may differ by 0.035 dB at each wavelength: the other says nothing of it.
        let two = sigma(0.5, &[1310, 1550]);
        assert!(two > 0.98 * one && two < one, "{two}");
    }

    #[test]
    fn a_step_known_at_one_wavelength_frees_another_that_was_read_from_one_end() {
        let whole = reading(1310, 0.14, -0.02, 0.003);
        let half = Reading { from_b_db: None, ..reading(1550, 0.15, 0.0, 0.003) };
        let joint = together(&[whole, half], 0.05);
        let loss = joint.losses[1].loss_db.expect("one end");
        // by hand: the step is (0.14 + 0.02)/2 = 0.08, the loss 0.15 - 0.08 = 0.07 dB
        assert_abs_diff_eq!(loss.value, 0.07, epsilon = 0.001);
        assert!(loss.sigma < 0.01, "{loss:?}: 0.05 dB for unequal fibres no longer counts");
        assert!(joint.losses[1].step_db.is_some());
    }

    #[test]
    fn a_wavelength_that_was_not_measured_has_no_loss() {
        let none = Reading { wavelength_nm: 1625, from_a_db: None, from_b_db: None };
        let joint =
            together(&[reading(1310, 0.1, 0.1, 0.01), reading(1550, 0.1, 0.1, 0.01), none], 0.05);
        assert_eq!(joint.losses[2].loss_db, None);
        assert_eq!((joint.losses[2].step_db, joint.bends_db[2]), (None, None));
    }

    #[test]
    fn a_bend_is_parted_from_the_splice_and_neither_end_loses_its_own_loss() {
        // D9: 0.06 dB at 1310 nm, 0.48 dB at 1550 nm (course review, lesson on bends): a bend that
        // grows eightfold holds 7/8 of it at the least
        let joint =
            together(&[reading(1310, 0.06, 0.06, 0.004), reading(1550, 0.48, 0.48, 0.004)], 0.05);
        let [short, long] = [0, 1].map(|i| joint.losses[i].loss_db.expect("both ends").value);
        assert_abs_diff_eq!(short, 0.06, epsilon = 0.003);
        assert_abs_diff_eq!(long, 0.48, epsilon = 0.003);
        let bend = joint.bends_db[1].expect("two wavelengths");
        assert!((bend.value - 0.47).abs() < 2.0 * bend.sigma, "{bend:?}");
        assert!(bend.value > 5.0 * bend.sigma, "{bend:?}");
        // 0.08 and 0.09 dB: none
        let none =
            together(&[reading(1310, 0.08, 0.08, 0.004), reading(1550, 0.09, 0.09, 0.004)], 0.05);
        let bend = none.bends_db[1].expect("two wavelengths");
        assert!(bend.value < 3.0 * bend.sigma, "{bend:?}");
    }

    #[test]
    fn noise_hides_no_bend_behind_a_wavelength_without_it() {
        // 0.25 dB at 1550 nm alone, each two-way mean known to 0.08 dB: too noisy to tell the bend, and
        // the loss at 1550 nm must not be lent to 1310 nm.
        let noisy = [reading(1310, 0.0, 0.0, 0.113), reading(1550, 0.25, 0.25, 0.113)];
        let joint = together(&noisy, 0.05);
        let [short, long] = [0, 1].map(|i| joint.losses[i].loss_db.expect("both ends"));
        assert_abs_diff_eq!(long.value, 0.25, epsilon = 0.01);
        assert!(long.sigma > 0.07 && short.sigma > 0.07, "{short:?} {long:?}");
    }

    #[test]
    fn readings_that_no_splice_can_show_contradict_each_other() {
        let sound = [reading(1310, 0.10, 0.02, 0.004), reading(1550, 0.11, 0.03, 0.004)];
        assert!(!together(&sound, 0.05).contradicts_itself());
        let odd = [reading(1310, 0.10, 0.02, 0.004), reading(1550, 0.02, 0.25, 0.004)];
        assert!(together(&odd, 0.05).contradicts_itself());
    }

    #[test]
    fn quantiles_of_chi_squared_are_those_of_the_tables() {
        // Tables of chi-squared, 95 %: 3.841, 5.991, 7.815, 9.488 (from memory); Wilson & Hilferty is
        // within 3 % there
        for (degrees, value) in [(1, 3.841), (2, 5.991), (3, 7.815), (4, 9.488)] {
            let own = chi_squared_quantile(degrees, 1.645);
            assert!((own / value - 1.0).abs() < 0.03, "{degrees}: {own}");
        }
    }
}
