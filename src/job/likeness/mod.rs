//! Whose glass a trace shows. Losses seen from one end, reflectances, places and attenuation are alike in all
//! traces of one fibre and differ from fibre to fibre, so that a trace under another's label is known although
//! both are as long as each other.
//!
//! How far traces of one fibre are apart in each feature, and how far fibres are, the cable itself shows:
//! nothing is assumed of its makers and instruments. Each feature then says how much likelier its figure is in
//! one fibre than in any of them; the logarithms of these ratios add up. Source: the weight of evidence, Good
//! 1950 (from memory).

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

mod features;
mod twice;

use features::Feature;
pub(super) use features::Features;

use super::name::Direction;
use crate::findings::LEAST_VALUES;
use crate::signal::order::{self, MAD_TO_SIGMA};
use crate::units::Measured;

/// What a feature's figures are spread by.
struct Spread {
    /// One sigma within a fibre.
    own: f64,
    /// Half of all fibres are nearer to the cable's middle than this.
    cable: f64,
}

/// The share of features that change between two traces of a fibre: a splice was made again, a connector
/// cleaned, a plug put in anew. It bounds what a feature can say against a fibre.
/// Common practice, no source.
const CHANGED: f64 = 0.1;
/// No feature tells fibres finer than this share of the cable's spread: it bounds what one can say for a fibre.
const FINEST: f64 = 0.05;

impl Spread {
    /// The logarithm of how much likelier a figure is in a fibre that usually has `usual` than in any. Fibres
    /// are spread with long tails (Cauchy's), traces of one as normal figures.
    fn weight(&self, figure: Measured, usual: f64) -> f64 {
        let sigma = self.own.max(FINEST * self.cable).hypot(figure.sigma);
        let off = (figure.value - usual) / sigma;
        let of_fiber = (-0.5 * off * off).exp() / (sigma * TAU.sqrt());
        let cable = self.cable.hypot(figure.sigma);
        let far = figure.value / cable;
        let of_any = 1.0 / (PI * cable * (1.0 + far * far));
        ((1.0 - CHANGED) * of_fiber / of_any + CHANGED).ln()
    }
}

/// The features of all labelled traces of a cable.
pub(super) struct Likeness {
    traces: BTreeMap<usize, Features>,
    /// The tests of each fibre.
    fibers: BTreeMap<u32, Vec<usize>>,
    spreads: BTreeMap<Feature, Spread>,
}

impl Likeness {
    /// Of what each test shows.
    pub(super) fn of(mut traces: BTreeMap<usize, Features>) -> Likeness {
        let mut fibers: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        let mut features: BTreeMap<Feature, Vec<Cell>> = BTreeMap::new();
        for (test, shown) in &mut traces {
            let (fiber, nm, end) = shown.key;
            fibers.entry(fiber).or_default().push(*test);
            for (feature, figure) in &mut shown.figures {
                let cell = Cell { fiber, column: (nm, end), figure };
                features.entry(*feature).or_default().push(cell);
            }
        }
        features.into_values().for_each(free_of_common);
        let mut like = Likeness { traces, fibers, spreads: BTreeMap::new() };
        like.spreads = like.spreads();
        like
    }

    /// What is usual of each feature in the traces under a fibre's number that `counts` lets count.
    fn usual(&self, fiber: u32, counts: impl Fn(usize) -> bool) -> BTreeMap<Feature, f64> {
        let mut all: BTreeMap<Feature, Vec<f64>> = BTreeMap::new();
        for test in self.fibers[&fiber].iter().filter(|test| counts(**test)) {
            for (feature, figure) in &self.traces[test].figures {
                all.entry(*feature).or_default().push(figure.value);
            }
        }
        medians(all)
    }

    /// Each fibre as each of its ends shows it, by what the other end shows as well. Returns the tests of each.
    fn of_ends(&self) -> (Likeness, Vec<Vec<usize>>) {
        let (mut ends, mut tests) = (BTreeMap::new(), Vec::new());
        for (fiber, own) in &self.fibers {
            for end in [Direction::AToB, Direction::BToA] {
                let is_from = |test: &usize| self.traces[test].key.2 == end;
                let usual = self.usual(*fiber, |test| is_from(&test)).into_iter();
                let usual = usual.filter(|(feature, _)| !matches!(feature, Feature::Loss(..)));
                let figures = usual.map(|(feature, m)| (feature, Measured::new(m, 0.0))).collect();
                let key = (*fiber, 0, end);
                ends.insert(tests.len(), Features { key, serial: String::new(), figures });
                tests.push(own.iter().copied().filter(is_from).collect());
            }
        }
        (Likeness::of(ends), tests)
    }

    /// Which tests show another fibre's glass, with its number; and which fibres are exchanged at one end.
    pub(super) fn others(&self) -> (BTreeMap<usize, u32>, Vec<(u32, u32)>) {
        let single = self.traces.keys().filter_map(|test| Some((*test, self.other_fiber(*test)?)));
        let mut others: BTreeMap<usize, u32> = single.collect();
        let (ends, tests) = self.of_ends();
        let is_borne_out: Vec<bool> =
            (0..tests.len()).map(|i| self.bears_out(&tests[i], &tests[i ^ 1], &others)).collect();
        let seems = |(i, own): (usize, &Vec<usize>)| {
            let all = || all_alike(own.iter().map(|test| others.get(test)));
            ends.other_fiber(i).or_else(all).filter(|_| !is_borne_out[i])
        };
        let seems: Vec<Option<u32>> = tests.iter().enumerate().map(seems).collect();
        let mut exchanged = Vec::new();
        for (i, own) in tests.iter().enumerate() {
            let (fiber, _, end) = ends.traces[&i].key;
            // Where no trace from an end is its fibre's own, that end as a whole has to tell.
            if own.len() > 1 && !tests[i ^ 1].is_empty() && !is_borne_out[i] {
                others.retain(|test, _| !own.contains(test));
            }
            let Some(other) = seems[i] else { continue };
            let theirs = ends.traces.iter().find(|(_, shown)| shown.key == (other, 0, end));
            if theirs.is_some_and(|(i, _)| !is_borne_out[*i] && ends.is_rather_of(*i, fiber)) {
                exchanged.push((fiber.min(other), fiber.max(other)));
            } else {
                others.extend(own.iter().map(|test| (*test, other)));
            }
        }
        exchanged.sort_unstable();
        exchanged.dedup();
        let is_in = |fiber: u32| exchanged.iter().any(|pair| pair.0 == fiber || pair.1 == fiber);
        others.retain(|test, _| !is_in(self.traces[test].key.0));
        (others, exchanged)
    }

    /// Whether one of a fibre's tests from one end that is not among the `others` is of the same glass as those from
    /// the other end: then the ends are not exchanged.
    fn bears_out(
        &self,
        own: &[usize],
        from_other_end: &[usize],
        others: &BTreeMap<usize, u32>,
    ) -> bool {
        let Some(fiber) = own.first().map(|test| self.traces[test].key.0) else { return false };
        let usual = self.usual(fiber, |test| from_other_end.contains(&test));
        let mut rest = own.iter().filter(|test| !others.contains_key(test));
        rest.any(|test| self.weight(*test, &usual).is_some_and(|weight| weight > 0.0))
    }

    /// Whether a test is likelier of another fibre than of that under whose number it stands.
    fn is_rather_of(&self, test: usize, other: u32) -> bool {
        let own = self.usual(self.traces[&test].key.0, |another| another != test);
        let weights = self.weight_elsewhere(test, other).zip(self.weight(test, &own));
        weights.is_some_and(|(other, own)| other > own)
    }

    /// Whether two tests show different glass: too much of it for a splice made again and plugs cleaned.
    pub(super) fn differ(&self, one: usize, other: usize) -> bool {
        let [Some(own), Some(theirs)] = [one, other].map(|test| self.traces.get(&test)) else {
            return false;
        };
        if self.spreads.is_empty() {
            return own.key == theirs.key && twice::differ(own, theirs);
        }
        let usual = theirs.figures.iter().map(|(feature, figure)| (*feature, figure.value));
        self.weight(one, &usual.collect()).is_some_and(|weight| weight < FALSE_PER_CABLE.ln())
    }

    /// What the cable shows of the features that enough of its fibres have.
    fn spreads(&self) -> BTreeMap<Feature, Spread> {
        let mut own: BTreeMap<Feature, Vec<f64>> = BTreeMap::new();
        let mut cable: BTreeMap<Feature, Vec<f64>> = BTreeMap::new();
        for (test, shown) in &self.traces {
            let usual = self.usual(shown.key.0, |other| other != *test);
            for (feature, figure) in &shown.figures {
                if let Some(usual) = usual.get(feature) {
                    own.entry(*feature).or_default().push((figure.value - usual).abs());
                }
            }
        }
        for fiber in self.fibers.keys() {
            for (feature, usual) in self.usual(*fiber, |_| true) {
                cable.entry(feature).or_default().push(usual.abs());
            }
        }
        let enough = |(_, all): &(Feature, Vec<f64>)| all.len() >= LEAST_VALUES;
        let own = medians(own.into_iter().filter(enough).collect());
        let cable = medians(cable.into_iter().filter(enough).collect());
        let spread = |(feature, cable)| {
            // Of what no fibre shows twice it is not known: the least that is believed then.
            let own = MAD_TO_SIGMA * own.get(&feature).unwrap_or(&0.0);
            // What differs as much within a fibre as between fibres tells nothing.
            (own < cable).then_some((feature, Spread { own, cable }))
        };
        cable.into_iter().filter_map(spread).collect()
    }

    /// How much likelier a test is of the fibre that usually has these figures than of any, as a logarithm.
    /// `None` where nothing tells.
    fn weight(&self, test: usize, usual: &BTreeMap<Feature, f64>) -> Option<f64> {
        let weights = self.traces[&test].figures.iter().filter_map(|(feature, figure)| {
            Some(self.spreads.get(feature)?.weight(*figure, *usual.get(feature)?))
        });
        weights.reduce(|sum, weight| sum + weight)
    }

    /// How likely it is of another fibre: the same measurement under that one's number may be of that fibre too, or
    /// exchanged with this.
    fn weight_elsewhere(&self, test: usize, fiber: u32) -> Option<f64> {
        let (_, nm, end) = self.traces[&test].key;
        let with = self.usual(fiber, |_| true);
        let without = self.usual(fiber, |other| self.traces[&other].key != (fiber, nm, end));
        let weights = [with, without].map(|usual| self.weight(test, &usual));
        weights.into_iter().flatten().max_by(f64::total_cmp)
    }

    /// The fibre whose glass a test shows although it stands under another number.
    fn other_fiber(&self, test: usize) -> Option<u32> {
        let own = self.traces.get(&test)?.key.0;
        // What its own fibre's traces bear out is not asked for.
        let usual = self.usual(own, |other| other != test);
        let against = self.weight(test, &usual).filter(|weight| *weight < 0.0)?;
        let others = self.fibers.keys().filter(|fiber| **fiber != own);
        let (fiber, weight) = others
            .filter_map(|fiber| Some((*fiber, self.weight_elsewhere(test, *fiber)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let chances = (self.fibers.len() * self.traces.len()) as f64;
        let least = -FALSE_PER_CABLE.ln();
        (weight > least && weight - against > least + chances.ln()).then_some(fiber)
    }
}

/// So many cables in which no label is wrong may have one said to be: a ratio of likelihoods exceeds its inverse
/// no oftener (Markov's inequality), and each trace may by chance be any fibre's.
const FALSE_PER_CABLE: f64 = 1e-3;

/// What all of them are, if there is any.
fn all_alike<'a>(mut all: impl Iterator<Item = Option<&'a u32>>) -> Option<u32> {
    let first = all.next()??;
    all.all(|other| other == Some(first)).then_some(*first)
}

fn medians<K: Ord>(all: BTreeMap<K, Vec<f64>>) -> BTreeMap<K, f64> {
    let median = |(key, mut values): (K, Vec<f64>)| Some((key, order::median(&mut values)?));
    all.into_iter().filter_map(median).collect()
}

/// One feature in one trace.
struct Cell<'a> {
    fiber: u32,
    column: (u16, Direction),
    figure: &'a mut Measured,
}

/// Rounds after which rows and columns hardly move any more.
const ROUNDS: usize = 4;

/// Frees one feature's figures of what those of a wavelength and an end have in common, and all of them: losses
/// and reflections differ a little with wavelength, indices and time bases are not alike. Source: the median
/// polish of a table of fibres and columns, Tukey 1977 (from memory).
fn free_of_common(mut cells: Vec<Cell>) {
    let mut fibers: BTreeMap<u32, f64> = BTreeMap::new();
    for _ in 0..ROUNDS {
        let over = |cell: &Cell| cell.figure.value - fibers.get(&cell.fiber).unwrap_or(&0.0);
        let usual = by(&cells, |cell| cell.column, over);
        for cell in &mut cells {
            cell.figure.value -= usual[&cell.column];
        }
        fibers = by(&cells, |cell| cell.fiber, |cell| cell.figure.value);
    }
    let middle = order::median(&mut fibers.into_values().collect::<Vec<f64>>()).unwrap_or(0.0);
    for cell in &mut cells {
        cell.figure.value -= middle;
    }
}

/// The median of a value over the cells that share a key.
fn by<K: Ord + Copy>(
    cells: &[Cell],
    key: impl Fn(&Cell) -> K,
    value: impl Fn(&Cell) -> f64,
) -> BTreeMap<K, f64> {
    let mut all: BTreeMap<K, Vec<f64>> = BTreeMap::new();
    for cell in cells {
        all.entry(key(cell)).or_default().push(value(cell));
    }
    medians(all)
}

#[cfg(test)]
mod tests {
    use super::super::rows::Key;
    use super::*;

    /// A plain generator's figure, about normal with a sigma of 1: the sum of twelve (from memory).
    pub(super) fn normal(state: &mut u64) -> f64 {
        let mut uniform = || {
            *state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (*state >> 33) as f64 / 2_147_483_648.0
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    }

    const WAVELENGTHS: [u16; 2] = [1310, 1550];

    /// Which test stands for a fibre's number at a wavelength and an end.
    fn test_of((fiber, nm, end): Key) -> usize {
        let at = WAVELENGTHS.iter().position(|own| *own == nm).expect("a wavelength of the cable");
        4 * (fiber as usize - 1) + 2 * at + usize::from(end == Direction::BToA)
    }

    /// A cable whose fibres differ by ten times what traces of one differ by; `whose` says whose glass stands
    /// under a label.
    fn drawn(fibers: u32, state: &mut u64, whose: impl Fn(Key) -> u32) -> Likeness {
        use Direction::{AToB, BToA};
        let mut features: Vec<Feature> = (0..4).map(Feature::Reflectance).collect();
        features.extend(
            [AToB, BToA].into_iter().flat_map(|end| (0..4).map(move |i| Feature::Loss(i, end))),
        );
        features.extend([Feature::Attenuation(0), Feature::Attenuation(1), Feature::Length]);
        let glass: Vec<BTreeMap<Feature, f64>> =
            (0..fibers).map(|_| features.iter().map(|f| (*f, normal(state))).collect()).collect();
        let mut traces = BTreeMap::new();
        for fiber in 1..=fibers {
            for key in WAVELENGTHS.into_iter().flat_map(|nm| [(fiber, nm, AToB), (fiber, nm, BToA)])
            {
                let shown = glass[whose(key) as usize - 1].iter();
                let seen =
                    shown.filter(|(f, _)| !matches!(f, Feature::Loss(_, end) if *end != key.2));
                let figures =
                    seen.map(|(f, m)| (*f, Measured::new(m + 0.1 * normal(state), 0.1))).collect();
                traces.insert(test_of(key), Features { key, serial: String::new(), figures });
            }
        }
        Likeness::of(traces)
    }

    #[test]
    fn where_no_label_is_wrong_none_is_said_to_be() {
        let mut state = 3;
        for fibers in [6, 12, 24].into_iter().cycle().take(150) {
            // promised: one such cable in a thousand
            assert_eq!(drawn(fibers, &mut state, |key| key.0).others(), (BTreeMap::new(), vec![]));
        }
    }

    #[test]
    fn a_file_under_anothers_number_is_told_and_an_exchange_is_no_wrong_label() {
        use Direction::{AToB, BToA};
        let (mut state, mut differ) = (5, 0);
        for _ in 0..20 {
            let one = (2, 1550, AToB);
            let like = drawn(8, &mut state, |key| if key == one { 5 } else { key.0 });
            assert_eq!(like.others(), (BTreeMap::from([(test_of(one), 5)]), vec![]));
            differ += usize::from(like.differ(test_of(one), test_of((2, 1310, AToB))));
            assert!(!like.differ(test_of((2, 1310, BToA)), test_of((2, 1550, BToA))));
            // Two files bear each other's number.
            let other = (5, 1550, AToB);
            let like = drawn(8, &mut state, |key| match key {
                key if key == one => 5,
                key if key == other => 2,
                key => key.0,
            });
            let both = BTreeMap::from([(test_of(one), 5), (test_of(other), 2)]);
            assert_eq!(like.others(), (both, vec![]));
            // Seen from end b, fibre 3 is fibre 6.
            let like = drawn(8, &mut state, |key| match key {
                (3, _, BToA) => 6,
                (6, _, BToA) => 3,
                key => key.0,
            });
            assert_eq!(like.others(), (BTreeMap::new(), vec![(3, 6)]));
        }
        // Two fibres are alike by chance now and then in so few features.
        assert!(differ >= 16, "{differ} of 20");
    }

    #[test]
    fn a_splice_made_again_and_plugs_cleaned_are_no_other_glass() {
        let mut state = 7;
        let sound = drawn(8, &mut state, |key| key.0);
        let test = test_of((4, 1550, Direction::AToB));
        let mut traces = sound.traces;
        let figures = &mut traces.get_mut(&test).expect("a test").figures;
        // by hand: three of eleven features are far from what they were
        for feature in
            [Feature::Loss(1, Direction::AToB), Feature::Reflectance(0), Feature::Reflectance(3)]
        {
            figures.get_mut(&feature).expect("a feature").value += 20.0;
        }
        let like = Likeness::of(traces);
        assert_eq!(like.others(), (BTreeMap::new(), vec![]));
        assert!(!like.differ(test, test_of((4, 1310, Direction::AToB))));
    }
}
