//! The trace cut into cells for the fit: single samples where an edge is, long means where the fibre
//! is straight. A line fitted to 50 means knows as much as one fitted to all their samples.

use super::fit::Given;
use super::model::{Behind, Model};
use super::noise::Noise;
use super::samples::Samples;

/// The mean of some neighbouring samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    /// Middle of the samples.
    pub x: f64,
    /// Number of samples.
    pub n: f64,
    /// Mean power.
    pub mean: f64,
    /// Joints whose edges have not settled here: `lo..hi`.
    pub lo: usize,
    pub hi: usize,
}

/// Means a line needs to lose nothing against all samples.
const CELLS_PER_LINE: f64 = 12.0;

/// Poles for which a receiver that was cut off still shows it: what follows the limiter rounds the
/// corner, and eight of three equal poles settle to 1 %.
pub(super) const RECOVERY_POLES: f64 = 8.0;

/// Cells over all of `model`, in order, and a stretch of the dark behind its end.
pub(super) fn cut(given: &Given, model: &Model) -> Vec<Cell> {
    let (samples, noise, ceiling) = (given.samples, given.noise, given.ceiling);
    let receiver = &model.receiver;
    let zones = zones(model);
    let mut from = samples.index(-4.0 * receiver.pulse - receiver.lead());
    let mut to = last_sample(samples, model, noise);
    if let Some((a, b)) = given.window {
        from = samples.index(a);
        to = to.min(samples.index(b));
    }
    let mut cells = Vec::with_capacity(1024);
    let mut k = from;
    let mut next = 0; // first zone that ends behind k
    let mut ahead = 0; // first zone that begins behind k
    let mut border = 0; // its first sample
    let mut grown = 1.0;
    let mut cap = 1.0;
    let mut tail_to = f64::NEG_INFINITY; // to here a slow tail bends the line
    let (mut lo, mut hi) = (0, 0);
    let mut recovered = f64::NEG_INFINITY; // behind this the receiver has left its limit
    while k < to {
        let x = samples.place(k);
        while next < zones.len() && zones[next].to <= x {
            grown = zones[next].step;
            let end = zones.get(next + 1).map_or(samples.place(to), |z| z.from);
            cap = ((end - x) / CELLS_PER_LINE).max(1.0);
            tail_to = tail_reaching(model, x);
            next += 1;
        }
        if border <= k {
            ahead += zones[ahead..].iter().take_while(|z| z.from <= x).count();
            let sample = |zone: &Zone| (zone.from - samples.first).max(0.0).ceil() as usize;
            border = zones.get(ahead).map_or(to, |zone| sample(zone).clamp(k + 1, to));
        }
        let here = zones[next.min(ahead)..ahead].iter().filter(|z| z.to > x).map(|z| z.step);
        let step = match here.fold(f64::INFINITY, f64::min) {
            step if step.is_finite() => step,
            _ => {
                let bend = if x < tail_to { 0.5 * receiver.tail } else { f64::INFINITY };
                grown = (grown * 1.5).min(cap).min(bend.max(1.0));
                grown
            }
        };
        let b = (k + (step as usize).max(1)).min(border).min(to);
        let (start, end) = (samples.place(k), samples.place(b - 1));
        while lo < model.joints.len() && model.joints[lo].x + receiver.settled() <= start {
            lo += 1;
        }
        hi = hi.max(lo);
        while hi < model.joints.len() && model.joints[hi].x - receiver.lead() < end {
            hi += 1;
        }
        let mean = samples.mean(k, b);
        if mean > 0.93 * ceiling {
            recovered = end + RECOVERY_POLES * receiver.pole;
        }
        // The panel's reflection is light inside the instrument: only what it leaves behind counts.
        let inside = start < model.joints[0].x + receiver.pulse + 8.0 * receiver.pole;
        let hidden = !noise.seen && samples.floor > 0.0 && mean < 1.5 * samples.floor;
        // What was cut off by the receiver or by the file's floor says nothing.
        let blind = start < recovered
            || hidden
            || inside
            || in_toe(model, lo, start, end)
            || in_merged(model, lo, start, end);
        if !blind {
            cells.push(Cell { x: 0.5 * (start + end), n: (b - k) as f64, mean, lo, hi });
        }
        k = b;
    }
    cells
}

/// Whether samples `start..=end` lie where a strong reflection begins to show: receivers of other
/// poles begin there earlier or later, by more than the fibre's own light.
fn in_toe(model: &Model, from: usize, start: f64, end: f64) -> bool {
    let receiver = &model.receiver;
    model.joints[from..].iter().take_while(|joint| joint.x - receiver.pulse < end).any(|joint| {
        let (before, until) = match (joint.clipped && joint.hidden, joint.clipped) {
            (true, _) => (2.0 * receiver.toe(), receiver.pulse),
            (_, true) => (receiver.toe(), -0.67 * receiver.lead()),
            _ => (receiver.toe(), -receiver.lead()),
        };
        let (from, to) = (joint.x - before, joint.x + until);
        joint.height.is_some_and(|h| h > 0.0) && start < to && end > from
    })
}

/// Whether samples `start..=end` lie where the later of several reflections in one end, which one
/// rectangle cannot follow: they are no more than a pulse apart.
fn in_merged(model: &Model, from: usize, start: f64, end: f64) -> bool {
    let receiver = &model.receiver;
    model.joints[from..].iter().take_while(|joint| joint.x < end).any(|joint| {
        let (a, b) = (0.4 * receiver.pulse, 2.0 * receiver.pulse + 10.0 * receiver.pole);
        joint.places > 1 && joint.height.is_some() && start < joint.x + b && end > joint.x + a
    })
}

struct Zone {
    from: f64,
    to: f64,
    step: f64,
}

/// Where edges are, and how finely to look there: within ten poles of each edge of a reflection at a
/// third of a pole, along ramps at a sixth of the pulse.
fn zones(model: &Model) -> Vec<Zone> {
    let receiver = &model.receiver;
    let mut zones = Vec::with_capacity(2 * model.joints.len());
    for (i, joint) in model.joints.iter().enumerate() {
        let peak = joint.height.is_some() || matches!(joint.behind, Behind::Dark) || i == 0;
        let from = joint.x - receiver.lead() - 1.0;
        let ramp = (receiver.pulse / 6.0).floor().max(1.0);
        let settled = if peak { receiver.settled() } else { receiver.clear_of_step() };
        zones.push(Zone { from, to: joint.x + settled + 1.0, step: ramp });
        if peak {
            let step = (receiver.pole / 3.0).min(receiver.pulse / 12.0).floor().max(1.0);
            let settle = 10.0 * receiver.pole + 1.0;
            zones.push(Zone { from, to: joint.x + settle, step });
            let back = joint.x + receiver.pulse;
            zones.push(Zone { from: back - receiver.lead() - 1.0, to: back + settle, step });
        }
    }
    zones.sort_by(|a, b| a.from.total_cmp(&b.from));
    zones
}

/// To where the slow tails of the joints before `x` are followed.
fn tail_reaching(model: &Model, x: f64) -> f64 {
    let reach = model.receiver.tail_reach();
    let tails = model.joints.iter().filter(|j| j.tail.is_some() && j.x < x);
    tails.map(|j| j.x + reach).fold(f64::NEG_INFINITY, f64::max)
}

/// One behind the last sample worth fitting: a few pulses of dark behind the end, as far as its own
/// tail reaches.
fn last_sample(samples: &Samples, model: &Model, noise: &Noise) -> usize {
    let Some(end) = model.joints.last().filter(|_| model.ends_dark()) else {
        return noise.dark_from.min(samples.len());
    };
    let receiver = &model.receiver;
    let reach = if end.tail.is_some() { receiver.tail_reach() } else { receiver.settled() };
    let stop = end.x + reach.max(receiver.settled()) + 8.0 * receiver.pulse;
    (samples.index(stop) + 1).min(samples.len())
}
