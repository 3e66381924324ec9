//! Labels that contradict what the trace shows: another fibre's length, the other end's joints,
//! another wavelength's attenuation.

use std::collections::{BTreeMap, BTreeSet};

use super::check::finding;
use super::likeness::{Features, Likeness};
use super::name::Direction;
use super::rows::{Key, key};
use super::settings;
use super::test::Content;
use super::{Finding, Severity, Test};
use crate::event::Role;
use crate::plan::{self, Plan};
use crate::signal::order::{self, MAD_TO_SIGMA};
use crate::units::Measured;

/// A file whose label is wrong: it is graded for nobody.
pub(super) struct Wrong {
    /// Which measurement the label says it is.
    pub key: Key,
    /// Which it seems to be, where that can be told.
    pub seems: Option<Key>,
    /// What a review says of it.
    pub finding: Finding,
}

/// What all files together say of their labels.
pub(super) struct Labels {
    /// Every file whose label contradicts its content, by its place among the tests.
    pub wrong: BTreeMap<usize, Wrong>,
    /// Fibres that are exchanged at one end, as their glass shows.
    pub exchanged: Vec<(u32, u32)>,
    /// Whose glass each file shows.
    pub likeness: Likeness,
    /// Files that show where their fibre begins and ends, and are no copies.
    pub placed: BTreeSet<usize>,
}

/// Reads the labels against what the traces show.
pub(super) fn labels(tests: &[Test], plan: &Plan) -> Labels {
    let labelled = Labelled::of(tests, plan);
    let mut wrongs = BTreeMap::new();
    for one in &labelled.all {
        let told = labelled
            .other_fiber(one)
            .or_else(|| other_end(one, plan))
            .or_else(|| labelled.other_wavelength(one))
            .or_else(|| labelled.other_glass(one));
        if let Some((seems, says)) = told {
            wrongs.insert(one.test, one.wrong(seems, says, &tests[one.test]));
        }
    }
    // Where many labels seem wrong it is the plan that is not believed.
    let is_plans = wrongs.len() * 3 > labelled.all.len();
    let placed = labelled.all.iter().filter(|one| one.length_m.is_some());
    Labels {
        placed: placed.map(|one| one.test).collect(),
        wrong: if is_plans { BTreeMap::new() } else { wrongs },
        exchanged: labelled.exchanged,
        likeness: labelled.likeness,
    }
}

/// A readable file with a full label.
struct One<'a> {
    test: usize,
    key: Key,
    content: &'a Content,
    /// Length, freed of what all traces from its end have in common against the others.
    length_m: Option<Measured>,
    /// Attenuation of its longer sections, in dB/km.
    sections: Vec<Measured>,
    /// Their weighted mean.
    attenuation_db_per_km: Option<Measured>,
}

impl One<'_> {
    fn wrong(&self, seems: Option<Key>, says: String, test: &Test) -> Wrong {
        let mut evidence = BTreeMap::new();
        if let Some((fiber, wavelength, _)) = seems {
            evidence.insert("seems_fiber", f64::from(fiber));
            evidence.insert("seems_wavelength_nm", f64::from(wavelength));
        }
        let next = "correct the label of a copy (relabel), or measure again";
        let finding = Finding {
            files: vec![test.path.clone()],
            evidence,
            ..finding("wrong-label", Severity::Fault, Some(self.key.0), says, next)
        };
        Wrong { key: self.key, seems, finding }
    }
}

type Told = Option<(Option<Key>, String)>;

struct Labelled<'a> {
    all: Vec<One<'a>>,
    /// Of each fibre, where most of its traces agree: its length, and the tests that do not.
    lengths: BTreeMap<u32, (f64, BTreeSet<usize>)>,
    /// Usual attenuation by wavelength, with its spread.
    attenuation: BTreeMap<u16, Measured>,
    /// Tests that show another fibre's glass, with its number.
    other_glass: BTreeMap<usize, u32>,
    /// Fibres whose glass is exchanged at one end.
    exchanged: Vec<(u32, u32)>,
    likeness: Likeness,
}

impl Labelled<'_> {
    fn of<'a>(tests: &'a [Test], plan: &Plan) -> Labelled<'a> {
        let usual = settings::usual_index(tests, plan);
        let begins = usual_near(tests);
        // Of a file with an index of its own: its length at the scale of the others. Where the first
        // connector is not where it is in the others, its place was mistaken, and so is the length.
        let at_scale = |(_, nm, end): Key, content: &Content| {
            let factor = usual.get(&nm).map_or(1.0, |n| content.used_index / n);
            let off =
                begins.get(&end).zip(content.near_m).map_or(0.0, |(m, near)| (near - m).abs());
            let length = content.length_m.filter(|_| off < NEAR_M.max(0.2 * content.pulse_m));
            length.map(|length| length.times(factor))
        };
        let mut copies: BTreeMap<u64, usize> = BTreeMap::new();
        for content in tests.iter().filter_map(Test::read) {
            *copies.entry(content.samples_hash).or_default() += 1;
        }
        let mut all: Vec<One> = tests
            .iter()
            .enumerate()
            .filter_map(|(test, file)| {
                let content = file.read()?;
                let key = key(content)?;
                // A copy is named as such.
                (copies[&content.samples_hash] == 1).then(|| {
                    let sections: Vec<Measured> =
                        content.long_sections().map(|section| section.1).collect();
                    let attenuation_db_per_km = Measured::mean(sections.iter().copied());
                    let length_m = at_scale(key, content);
                    One { test, key, content, length_m, sections, attenuation_db_per_km }
                })
            })
            .collect();
        let ratio = end_ratio(&all);
        for one in all.iter_mut().filter(|one| one.key.2 == Direction::BToA) {
            one.length_m = one.length_m.map(|l| l.times(ratio));
        }
        let lengths = usual_lengths(&all);
        let attenuation = usual_attenuation(&all);
        let shown = |one: &One| (one.test, Features::of(one.key, one.content, one.length_m, plan));
        let likeness = Likeness::of(all.iter().map(shown).collect());
        let (other_glass, exchanged) = likeness.others();
        Labelled { all, lengths, attenuation, other_glass, exchanged, likeness }
    }

    /// Its joints, reflections and attenuation are another fibre's.
    fn other_glass(&self, one: &One) -> Told {
        let (own, nm, end) = one.key;
        let fiber = *self.other_glass.get(&one.test)?;
        let says = format!(
            "its losses, reflections, places and attenuation are those of fibre {fiber}, and not those of the other traces of fibre {own}"
        );
        Some((Some((fiber, nm, end)), says))
    }

    /// The length is not that of its fibre's other traces: the fibre that it fits, where one does.
    fn other_fiber(&self, one: &One) -> Told {
        let (usual, off) = self.lengths.get(&one.key.0)?;
        let length = one.length_m.filter(|_| off.contains(&one.test))?;
        let apart = (length.value - usual).abs();
        let fits = self
            .lengths
            .iter()
            .filter(|(f, _)| **f != one.key.0)
            .map(|(f, theirs)| (*f, (theirs.0 - length.value).abs()))
            .filter(|(_, off)| *off < (0.25 * apart).min(LEAST_ODD_M.max(3.0 * length.sigma)))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        let measured = format!(
            "its fibre is {length:.1} m long, in the other traces of fibre {} {usual:.1} m",
            one.key.0
        );
        match fits {
            Some((fiber, _)) => Some((
                Some((fiber, one.key.1, one.key.2)),
                format!("{measured}: it has the length of fibre {fiber}"),
            )),
            None => (apart > SURELY_ODD_SHARE * usual).then_some((None, measured)),
        }
    }

    /// The attenuation is that of another wavelength of the job.
    fn other_wavelength(&self, one: &One) -> Told {
        let own = one.attenuation_db_per_km?;
        let labelled = *self.attenuation.get(&one.key.1)?;
        if sigmas_off(&own, &labelled) <= 8.0 {
            return None;
        }
        let mut others = self.attenuation.iter().filter(|(nm, _)| **nm != one.key.1);
        let fits = others.find(|(_, usual)| are_of(&one.sections, usual))?;
        // Glass can be worse than it should be, from both ends and at every wavelength; it is never that
        // much better.
        let excess = own.value / labelled.value - 1.0;
        let of_fiber = self.all.iter().filter(|o| o.key.0 == one.key.0 && o.test != one.test);
        let others: Vec<f64> = of_fiber
            .filter_map(|o| o.attenuation_db_per_km.zip(self.attenuation.get(&o.key.1)))
            .map(|(theirs, usual)| theirs.value / usual.value - 1.0)
            .collect();
        let alike = others.iter().any(|theirs| (theirs - excess).abs() < 0.5 * excess.abs());
        (excess < 0.0 || !(others.is_empty() || alike)).then(|| {
            let says = format!(
                "it loses {own} dB/km, at {} nm usual here is {labelled} dB/km: it fits {} nm",
                one.key.1, fits.0
            );
            (Some((one.key.0, *fits.0, one.key.2)), says)
        })
    }
}

/// The length that one test shows.
struct Shown {
    test: usize,
    end: Direction,
    length_m: Measured,
}

/// The usual length of each fibre, if most of its traces agree on one, and who does not.
fn usual_lengths(all: &[One]) -> BTreeMap<u32, (f64, BTreeSet<usize>)> {
    let mut by_fiber: BTreeMap<u32, Vec<Shown>> = BTreeMap::new();
    for one in all {
        if let Some(length_m) = one.length_m {
            let shown = Shown { test: one.test, end: one.key.2, length_m };
            by_fiber.entry(one.key.0).or_default().push(shown);
        }
    }
    by_fiber.into_iter().filter_map(|(fiber, own)| Some((fiber, usual_length(&own)?))).collect()
}

fn usual_length(own: &[Shown]) -> Option<(f64, BTreeSet<usize>)> {
    let middle = middle_length(own.iter())?;
    let is_off = |shown: &&Shown| is_odd(&shown.length_m, &middle);
    let off: BTreeSet<usize> = own.iter().filter(is_off).map(|shown| shown.test).collect();
    let agree = own.len() - off.len();
    let is_exchanged = [Direction::AToB, Direction::BToA].into_iter().any(|end| {
        let of_end: Vec<&Shown> = own.iter().filter(|shown| shown.end == end).collect();
        is_end_off(&of_end, &off)
    });
    (agree >= 2 && agree > off.len() && !is_exchanged).then_some((middle.value, off))
}

/// Whether all that one end shows is against the other: two lengths that are `off`, and none that could not be
/// that of the same fibre. The fibres may be exchanged then, not the labels.
fn is_end_off(of_end: &[&Shown], off: &BTreeSet<usize>) -> bool {
    let (off, others): (Vec<&Shown>, Vec<&Shown>) =
        of_end.iter().partition(|shown| off.contains(&shown.test));
    let is_one_fiber = |middle| !others.iter().any(|shown| is_odd(&shown.length_m, &middle));
    off.len() > 1 && middle_length(off.into_iter()).is_some_and(is_one_fiber)
}

/// The length in the middle of several, as unsure as one of them usually is: what makes one unsure, an end in noise,
/// makes the others so.
fn middle_length<'a>(all: impl Iterator<Item = &'a Shown>) -> Option<Measured> {
    let (mut values, mut sigmas): (Vec<f64>, Vec<f64>) =
        all.map(|shown| (shown.length_m.value, shown.length_m.sigma)).unzip();
    Some(Measured::new(order::median(&mut values)?, order::median(&mut sigmas)?))
}

/// Whether a length is not the fibre's of which `middle` is known.
fn is_odd(length: &Measured, middle: &Measured) -> bool {
    let reach_m = 6.0 * length.sigma.hypot(middle.sigma);
    (length.value - middle.value).abs() > LEAST_ODD_M.max(reach_m)
}

/// Whether the attenuations of these sections are a wavelength's, whose usual one is given: their mean is, and
/// none of them alone is another, for one bad section can bring the mean anywhere.
fn are_of(sections: &[Measured], usual: &Measured) -> bool {
    let mean = Measured::mean(sections.iter().copied());
    mean.is_some_and(|mean| sigmas_off(&mean, usual) < 4.0)
        && sections.iter().all(|section| sigmas_off(section, usual) < 8.0)
}

fn sigmas_off(own: &Measured, usual: &Measured) -> f64 {
    (own.value - usual.value).abs() / own.sigma.hypot(usual.sigma)
}

/// The usual attenuation at each wavelength of which there are at least five traces.
fn usual_attenuation(all: &[One]) -> BTreeMap<u16, Measured> {
    let mut by_nm: BTreeMap<u16, Vec<f64>> = BTreeMap::new();
    for one in all {
        if let Some(attenuation) = one.attenuation_db_per_km {
            by_nm.entry(one.key.1).or_default().push(attenuation.value);
        }
    }
    let usual = |mut values: Vec<f64>| {
        if values.len() < 5 {
            return None;
        }
        let middle = order::median(&mut values)?;
        let mut off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
        let scale = (MAD_TO_SIGMA * order::median(&mut off)?).max(0.01 * middle);
        Some(Measured::new(middle, scale))
    };
    by_nm.into_iter().filter_map(|(nm, values)| Some((nm, usual(values)?))).collect()
}

/// Lengths of one fibre agree within this, or six sigma. Its traces' places do within a centimetre
/// or two; time bases add their share.
pub(super) const LEAST_ODD_M: f64 = 0.3;
/// Without a fibre that it fits, a length has to be off by this share. Time bases of handsets agree
/// within 0.01 % or so (common practice, no source).
pub(super) const SURELY_ODD_SHARE: f64 = 1e-3;

/// Launch cords' connectors lie as near to their usual place as this, or a fifth of a pulse.
const NEAR_M: f64 = 2.0;

/// From each end, where the launch cord's connector usually is.
fn usual_near(tests: &[Test]) -> BTreeMap<Direction, f64> {
    let mut by_end: BTreeMap<Direction, Vec<f64>> = BTreeMap::new();
    for content in tests.iter().filter_map(Test::read) {
        if let Some((end, near)) = content.direction.zip(content.near_m) {
            by_end.entry(end).or_default().push(near);
        }
    }
    let usual = |(end, mut near): (Direction, Vec<f64>)| Some((end, order::median(&mut near)?));
    by_end.into_iter().filter_map(usual).collect()
}

/// Usual ratio of lengths from end a to lengths from end b: two handsets' time bases differ.
fn end_ratio(all: &[One]) -> f64 {
    let mut by_fiber: BTreeMap<u32, [Vec<f64>; 2]> = BTreeMap::new();
    for one in all {
        if let Some(length) = one.length_m {
            let from_b = usize::from(one.key.2 == Direction::BToA);
            by_fiber.entry(one.key.0).or_default()[from_b].push(length.value);
        }
    }
    let ratio = |[mut from_a, mut from_b]: [Vec<f64>; 2]| {
        Some(order::median(&mut from_a)? / order::median(&mut from_b)?)
    };
    let mut ratios: Vec<f64> = by_fiber.into_values().filter_map(ratio).collect();
    // Of few fibres the odd one might be the usual one.
    if ratios.len() < 4 { 1.0 } else { order::median(&mut ratios).unwrap_or(1.0) }
}

/// Its events lie where the plan's joints are seen from the other end.
fn other_end(one: &One, plan: &Plan) -> Told {
    let content = one.content;
    let near = content.near_m?;
    let length = content.length_m?.value;
    let planned = plan.cable.length_m.unwrap_or(length);
    let seen: Vec<(f64, f64)> = content
        .analysis
        .events
        .iter()
        .filter(|e| e.role == Role::Joint)
        .map(|e| {
            let reach = plan::joint_reach_m(planned, content.pulse_m, e.position_sigma_m);
            (e.position_m.0 - near, reach)
        })
        .filter(|(m, reach)| *m > *reach && *m < length - reach)
        .collect();
    let places_m = |from_b: bool| -> Vec<f64> {
        let places = plan.joints.iter().map(|joint| joint.at_m * length / planned);
        places.map(|m| if from_b { length - m } else { m }).collect()
    };
    let is_at = |(at_m, reach): &(f64, f64), place_m: f64| (at_m - place_m).abs() < *reach;
    // What lies at a joint either way tells nothing.
    let only = |from_b: bool| {
        let other = places_m(!from_b);
        let tells = |s: &&(f64, f64)| !other.iter().any(|m| is_at(s, *m));
        let telling: Vec<&(f64, f64)> = seen.iter().filter(tells).collect();
        places_m(from_b).iter().filter(|m| telling.iter().any(|s| is_at(s, **m))).count()
    };
    let from_b = one.key.2 == Direction::BToA;
    let (as_labelled, turned) = (only(from_b), only(!from_b));
    let end = if from_b { Direction::AToB } else { Direction::BToA };
    (turned >= 2 && turned > 3 * as_labelled).then(|| {
        let says = format!(
            "{turned} of its joints lie where they are seen {} alone, {as_labelled} where its label says",
            end.word()
        );
        (Some((one.key.0, one.key.1, end)), says)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a fibre: from which end, its length in metres, and the sigma of that.
    fn off(lengths: &[(Direction, f64, f64)]) -> Option<BTreeSet<usize>> {
        let shown = |(test, (end, value, sigma)): (usize, &(Direction, f64, f64))| Shown {
            test,
            end: *end,
            length_m: Measured::new(*value, *sigma),
        };
        let own: Vec<Shown> = lengths.iter().enumerate().map(shown).collect();
        usual_length(&own).map(|(_, off)| off)
    }

    #[test]
    fn one_end_against_the_other_is_no_wrong_label_though_one_of_its_traces_is_dull() {
        use Direction::{AToB, BToA};
        let from_a = [53_054.8, 53_052.6, 53_053.6, 53_054.3].map(|m| (AToB, m, 1.0));
        let from_b = [53_040.9, 53_041.3, 53_040.7].map(|m| (BToA, m, 1.0));
        // In the middle of both it tells neither from the other.
        let dull = [from_a.as_slice(), &from_b, &[(BToA, 53_049.6, 7.0)]].concat();
        assert_eq!(off(&dull), None);
        // A clear one from end b that is as long as those from end a: three labels are wrong.
        let clear = [from_a.as_slice(), &from_b, &[(BToA, 53_053.5, 1.0)]].concat();
        assert_eq!(off(&clear), Some(BTreeSet::from([4, 5, 6])));
    }

    #[test]
    fn a_clear_end_is_no_other_fibres_where_the_others_do_not_know_theirs() {
        use Direction::{AToB, BToA};
        // By hand: 12 m are twelve sigma of the clear one, and two of each other.
        let unsure = [(AToB, 52_127.0, 6.0), (BToA, 52_127.5, 6.0), (BToA, 52_128.0, 6.0)];
        let with_clear = |sigma| {
            [unsure.map(|(end, m, _)| (end, m, sigma)).as_slice(), &[(AToB, 52_115.0, 1.0)]]
                .concat()
        };
        assert_eq!(off(&with_clear(6.0)), Some(BTreeSet::new()));
        assert_eq!(off(&with_clear(1.0)), Some(BTreeSet::from([3])));
    }

    #[test]
    fn one_bad_section_is_no_other_wavelength() {
        let section = |value| Measured::new(value, 0.001);
        let usual = Measured::new(0.213, 0.003);
        // both have a mean of 0.213 dB/km
        assert!(are_of(&[0.212, 0.215, 0.212].map(section), &usual));
        assert!(!are_of(&[0.192, 0.192, 0.255].map(section), &usual));
    }
}
