//! A receiver that rings: what its resonance adds to every change of light is measured behind strong
//! reflections and taken out of all samples before anything is looked for in them.

mod drive;
mod stretch;

use std::cmp::Ordering;
use std::slice;

use num_complex::Complex64;

use super::model::Model;
use super::noise::Noise;
use super::start::Known;
use drive::{Free, Ring, undone};
use stretch::{Shares, Stretch};

/// Samples without what the receiver's resonance adds to them.
pub(super) struct Still {
    pub power: Vec<f64>,
    /// Variance of each by what is left of the resonance; neighbours share it.
    pub unsure: Vec<f64>,
    pub resonance: Resonance,
}

/// Period and decay length of a resonance, in samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Resonance {
    pub period: f64,
    pub length: f64,
}

/// χ² per mean from which what is seen behind a reflection is no straight fibre with tails.
const ODD: f64 = 5.0;

/// Share of χ² that a resonance may leave.
const RINGS: f64 = 0.15;

/// Share of χ² that the nearest resonance of a coarse grid may leave behind the strongest reflection.
const HINTS: f64 = 0.35;

/// Least part of a resonance that is left when it is taken out: so well its period and decay are known where light is
/// sampled a few times in a period. Common practice, no source.
const LEFT: f64 = 0.01;

/// χ² that an oscillation of its own behind one reflection must explain: by chance, with two unknowns, one in
/// twenty thousand.
const OWN: f64 = 20.0;

/// The samples of `known` without what the receiver's resonance adds. `None` where it shows none.
pub(super) fn without(model: &Model, known: &Known) -> Option<Still> {
    let references = references(model, known.noise);
    let height = |i: &usize| model.joints[*i].height.unwrap_or(0.0);
    let strongest = references.iter().max_by(|a, b| height(a).total_cmp(&height(b)))?;
    let pulse = model.receiver.pulse;
    if !may_ring(&Stretch::behind(model, *strongest, known)?, pulse) {
        return None;
    }
    let stretches: Vec<Stretch> =
        references.into_iter().filter_map(|i| Stretch::behind(model, i, known)).collect();
    let plain: f64 = stretches.iter().map(|stretch| stretch.plain).sum();
    // What a connector behind each reflection explains as well is none.
    let connectors: f64 = stretches.iter().map(Stretch::with_connector).sum();
    let most = (RINGS * plain).min(connectors);
    let rings = |(chi2, ring): &(f64, Ring)| *chi2 < most && oscillates(ring, pulse);
    // Where a few samples are all of a period nobody can tell its phase from the light that drives it.
    let driven = best(&stretches, pulse, false).filter(rings);
    let (chi2, ring) = driven.or_else(|| best(&stretches, pulse, true).filter(rings))?;
    let undone = undone(ring, known, &oscillations(ring, &stretches, known));
    let left = (chi2 / plain).sqrt().max(LEFT);
    // The mean square of an oscillation is half that of its height.
    let unsure = undone.swing.iter().map(|swing| 0.5 * (left * swing).powi(2)).collect();
    let resonance = Resonance { period: ring.period(), length: ring.length() };
    Some(Still { power: undone.light, unsure, resonance })
}

/// Whether what is behind the strongest reflection is odd, and a resonance explains most of that: what decays before
/// it turns is none.
fn may_ring(strongest: &Stretch, pulse: f64) -> bool {
    strongest.plain_per_cell() > ODD
        && on_grid(slice::from_ref(strongest), pulse, true).is_some_and(|(chi2, ring)| {
            chi2 < HINTS * strongest.plain && ring.length() > 1.2 * TURNS * ring.period()
        })
}

/// How high another reflection may be beside one that counts as alone.
const NEARLY_ALONE: f64 = 0.2;

/// Most reflections by which a resonance is measured.
const REFERENCES: usize = 6;

/// The reflections by which a resonance is measured, in order: strong, and nearly alone.
fn references(model: &Model, noise: &Noise) -> Vec<usize> {
    let pulse = model.receiver.pulse;
    let height = |i: usize| model.joints[i].height.unwrap_or(0.0);
    let alone = |i: usize| {
        let near = |j: &usize| {
            let off = (model.joints[*j].x - model.joints[i].x) / pulse;
            *j != i && (-6.0..4.0).contains(&off)
        };
        let mut others = (0..model.joints.len()).filter(near);
        others.all(|j| height(j) < NEARLY_ALONE * height(i))
    };
    let strong = |i: &usize| {
        let joint = &model.joints[*i];
        let line = model.before(*i).or(model.behind(*i)).map_or(0.0, |line| line.power(joint.x));
        let least = (30.0 * noise.sigma).max(3.0 * line);
        joint.places == 1 && height(*i) > least && alone(*i)
    };
    let mut all: Vec<usize> = (0..model.joints.len()).filter(strong).collect();
    all.sort_by(|a, b| height(*b).total_cmp(&height(*a)));
    all.truncate(REFERENCES);
    all.sort_unstable();
    all
}

/// What of `ring` is seen behind each reflection beyond what the samples' light drives: light above the receiver's
/// limit, and edges between two samples.
fn oscillations(ring: Ring, stretches: &[Stretch], known: &Known) -> Vec<Free> {
    let power = &known.samples.power;
    let mut free: Vec<Free> = Vec::new();
    for stretch in stretches {
        let light = undone(ring, known, &free).light;
        let (_, own) = stretch.of_light(&light, &stretch.left_alone(ring));
        let Some((gained, amplitude)) = own.solved() else {
            continue;
        };
        if gained > OWN {
            // As far back as to the pulse's end, or to where the receiver's limit hides it.
            let shown = power[..stretch.first].iter().rev().take_while(|p| **p <= known.ceiling);
            let back = shown.count().min(stretch.first - stretch.over);
            let amplitude = amplitude * (-ring.rate * back as f64).exp();
            free.push(Free { from: stretch.first - back, amplitude });
        }
    }
    free
}

/// Periods and decay lengths that are looked at, in pulse lengths: a faster resonance lies beyond what the
/// receiver follows, a slower one is a tail.
const PERIODS: [f64; 2] = [0.5, 4.0];
const LENGTHS: [f64; 2] = [0.2, 3.0];

/// Shares of the light that are looked at.
const SHARES: [f64; 2] = [0.001, 0.2];

/// Least periods in which an oscillation decays: it turns by a radian and more.
const TURNS: f64 = 0.18;

/// Whether `ring` is an oscillation, and not a shape at the border of what is looked at: while it decays it turns
/// by more than a radian, or by two where nothing ties what is seen behind one reflection to another's.
fn oscillates(ring: &Ring, pulse: f64) -> bool {
    let (period, length, share) = (ring.period(), ring.length(), ring.share.norm());
    let untied = share == 0.0;
    let turns = length / period > if untied { 0.3 } else { TURNS };
    turns
        && period < 0.9 * PERIODS[1] * pulse
        && length > 1.75 * LENGTHS[0] * pulse
        && length < 0.9 * LENGTHS[1] * pulse
        && (untied || share > SHARES[0] && share < 0.95 * SHARES[1])
}

/// The resonance that leaves least of χ², and that; `free` where it is not driven by the samples' light.
fn best(stretches: &[Stretch], pulse: f64, free: bool) -> Option<(f64, Ring)> {
    let mut best = on_grid(stretches, pulse, free)?;
    let (mut by_period, mut by_length) = (1.04_f64, 1.3_f64);
    for _ in 0..14 {
        let (period, length) = (best.1.period(), best.1.length());
        let around =
            [(by_period, 1.0), (1.0 / by_period, 1.0), (1.0, by_length), (1.0, 1.0 / by_length)];
        let look = |(p, l): (f64, f64)| look(stretches, pulse, free, [period * p, length * l]);
        let tried = around.into_iter().filter_map(look).min_by(less);
        if let Some(found) = tried.filter(|found| found.0 < best.0) {
            best = found;
        } else {
            (by_period, by_length) = (by_period.sqrt(), by_length.sqrt());
        }
    }
    Some(best)
}

/// The best of a coarse grid: frequencies half a radian per pulse apart, so that within a usual decay the phases of
/// two differ by less.
fn on_grid(stretches: &[Stretch], pulse: f64, free: bool) -> Option<(f64, Ring)> {
    let coarse = (1..23).flat_map(|f| (0..5).map(move |l| (f64::from(f), l)));
    let grid = coarse.filter_map(|(f, l)| {
        let period = std::f64::consts::TAU / (1.2 + 0.5 * f) * pulse;
        look(stretches, pulse, free, [period, 0.3 * 1.7_f64.powi(l) * pulse])
    });
    grid.min_by(less)
}

fn less(a: &(f64, Ring), b: &(f64, Ring)) -> Ordering {
    a.0.total_cmp(&b.0)
}

/// χ² with this period and decay length, and the resonance. `None` where that is none.
fn look(
    stretches: &[Stretch],
    pulse: f64,
    free: bool,
    [period, length]: [f64; 2],
) -> Option<(f64, Ring)> {
    let inside = |x: f64, [from, to]: [f64; 2]| (from..to).contains(&(x / pulse));
    let turns = length > 0.9 * TURNS * period;
    let possible = turns && inside(period, PERIODS) && inside(length, LENGTHS);
    let (chi2, ring) = possible.then(|| with(stretches, Ring::of(period, length), free))??;
    (ring.share.norm() < SHARES[1]).then_some((chi2, ring))
}

/// χ² with a resonance like `unit`, and the resonance with the share that leaves least of it; 0 where no
/// reflection tells what drives it.
fn with(stretches: &[Stretch], unit: Ring, free: bool) -> Option<(f64, Ring)> {
    let mut driven = Shares::default();
    let mut chi2 = 0.0;
    for stretch in stretches {
        let alone = free || stretch.blind;
        let answers = if alone { stretch.left_alone(unit) } else { stretch.driven(unit) };
        let (own, shares) = stretch.without(&answers);
        chi2 += own;
        if alone {
            chi2 -= shares.solved()?.0;
        } else {
            driven.add(&shares);
        }
    }
    let (gained, share) = driven.solved().unwrap_or((0.0, Complex64::ZERO));
    Some((chi2 - gained, Ring { share, ..unit }))
}
