//! Two files of one measurement: whether they show different glass, where too few fibres are there to show how
//! fibres differ. Each figure's own sigma has to tell then.

use std::collections::BTreeMap;

use super::features::{Feature, Features, Figures};
use crate::combine;
use crate::units::Measured;

/// So rarely as a normal figure is so many sigmas off two files of one fibre are said to differ.
const SIGMAS: f64 = 5.0;

/// One sigma of what two instruments' scales differ by, as a share: 0.03 dB per dB each (from memory of IEC 61746-1).
const SCALES: f64 = 0.03 * std::f64::consts::SQRT_2;

/// The same of one instrument's: it repeats attenuations to a hundredth. Common practice, no source.
const REPEATS: f64 = 0.01;

/// Whether more differs inside the fibre than one joint that was made again. What was cleaned or plugged in anew at
/// the ends tells nothing, and lengths are looked at elsewhere.
///
/// Source: chi-squared of the differences in units of their sigmas. Without the joint that differs most it is smaller
/// than its distribution has it, so that false alarms are rarer than promised.
pub(super) fn differ(one: &Features, other: &Features) -> bool {
    let (joints, attenuations) = differences(&one.figures, &other.figures);
    let of = |squares: &[f64]| squares.iter().sum::<f64>();
    let made_again =
        joints.values().map(|own| (of(own), own.len())).max_by(|a, b| a.0.total_cmp(&b.0));
    let (made_again, its_figures) = made_again.unwrap_or((0.0, 0));
    let mut squares: Vec<f64> = joints.into_values().flatten().collect();
    let mut degrees = squares.len() - its_figures;
    // A share that all attenuations have in common may be two instruments' scales.
    let is_one_instrument = !one.serial.is_empty() && one.serial == other.serial;
    let scales = if is_one_instrument { REPEATS } else { SCALES };
    if let Some(common) = Measured::mean(attenuations.iter().copied()) {
        degrees += attenuations.len();
        squares.push(square(common.widened(scales)));
        let freed =
            attenuations.iter().map(|off| Measured::new(off.value - common.value, off.sigma));
        squares.extend(freed.map(square));
    }
    let left = of(&squares) - made_again;
    degrees > 0 && left > combine::chi_squared_quantile(degrees, SIGMAS)
}

/// The differences inside the fibre: those of each joint as squares, and those of attenuations.
fn differences(one: &Figures, other: &Figures) -> (BTreeMap<usize, Vec<f64>>, Vec<Measured>) {
    let last = one.keys().chain(other.keys()).filter_map(|feature| feature.place()).max();
    let mut joints: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    let mut attenuations = Vec::new();
    for (feature, own) in one {
        let Some(off) = other.get(feature).map(|theirs| own.minus(*theirs)) else { continue };
        match feature {
            Feature::Attenuation(_) => attenuations.push(off),
            Feature::Length => {}
            Feature::Loss(place, _) | Feature::Reflectance(place) | Feature::Place(place) => {
                if *place > 0 && Some(*place) < last {
                    joints.entry(*place).or_default().push(square(off));
                }
            }
        }
    }
    (joints, attenuations)
}

/// In units of its variance; nothing where it has none, as a bound.
fn square(off: Measured) -> f64 {
    if off.sigma > 0.0 { (off.value / off.sigma).powi(2) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::super::tests::normal;
    use super::*;
    use crate::job::Direction;

    /// Of every figure.
    const SIGMA: f64 = 0.004;

    /// What a trace shows of a fibre of three joints between connectors: each figure with its noise, and what `glass`
    /// shifts it by in sigmas.
    fn shown(state: &mut u64, glass: impl Fn(Feature) -> f64) -> Features {
        let mut features = vec![Feature::Length];
        features.extend((0..5).map(|place| Feature::Loss(place, Direction::AToB)));
        features.extend([0, 4].map(Feature::Reflectance));
        features.extend((1..4).map(Feature::Place));
        features.extend((0..4).map(Feature::Attenuation));
        let figure =
            |feature| (feature, Measured::new(SIGMA * (glass(feature) + normal(state)), SIGMA));
        let figures = features.into_iter().map(figure).collect();
        Features { key: (1, 1550, Direction::AToB), serial: String::new(), figures }
    }

    #[test]
    fn one_fibre_measured_twice_is_never_said_to_be_two() {
        let mut state = 11;
        for _ in 0..2000 {
            let first = shown(&mut state, |_| 0.0);
            assert!(!differ(&first, &shown(&mut state, |_| 0.0)));
            // C2 was spliced again, both ends were plugged in anew, by another instrument of another scale.
            let again = shown(&mut state, |feature| match feature {
                Feature::Loss(2, _) | Feature::Place(2) => 300.0,
                Feature::Loss(0 | 4, _) | Feature::Reflectance(_) => 50.0,
                Feature::Attenuation(_) => SCALES / SIGMA,
                _ => 0.0,
            });
            assert!(!differ(&first, &again));
        }
    }

    #[test]
    fn two_fibres_are_told_by_several_figures_none_of_which_tells_alone() {
        let (mut state, mut told) = (13, 0);
        for _ in 0..200 {
            let glass: Vec<f64> = (0..20).map(|_| 6.0 * normal(&mut state)).collect();
            let shift = |feature| match feature {
                Feature::Loss(place, _) => glass[place],
                Feature::Attenuation(place) => glass[5 + place],
                _ => 0.0,
            };
            let first = shown(&mut state, |_| 0.0);
            told += usize::from(differ(&first, &shown(&mut state, shift)));
        }
        // By hand: a square is (36 + 2)/2 = 19 on average; two joints' losses and what three of four attenuations do
        // not share are left, the lower two of three losses being 22 together: 80 and more, where 48 of eight degrees
        // are beyond chance.
        assert!(told > 120, "{told} of 200");
    }
}
