//! The trace cut into cells for the fit: single samples where an edge is, long means where the fibre
//! is straight. A line fitted to 50 means knows as much as one fitted to all their samples.

use super::fit::Given;
use super::model::{Behind, Joint, Model};
use super::noise::Noise;
use super::receiver::Receiver;
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
    /// Variance that its samples share, beside noise.
    pub unsure: f64,
    /// Joints whose edges have not settled here: `lo..hi`.
    pub lo: usize,
    pub hi: usize,
}

/// Means a line needs to lose nothing against all samples.
const CELLS_PER_LINE: f64 = 12.0;

/// Share of the limit from which a receiver is not trusted to be linear.
pub(super) const LIMITED: f64 = 0.93;

/// Poles for which a receiver that was cut off still shows it: what follows the limiter rounds the
/// corner, and eight of three equal poles settle to 1 %.
pub(super) const RECOVERY_POLES: f64 = 8.0;

/// Cells over all of `model`, in order, and a stretch of the dark behind its end.
pub(super) fn cut(given: &Given, model: &Model) -> Vec<Cell> {
    let (samples, receiver) = (given.samples, &model.receiver);
    let mut from = samples.index(-4.0 * receiver.pulse - receiver.lead());
    let mut to = last_sample(samples, model, given.noise);
    if let Some((a, b)) = given.window {
        from = samples.index(a);
        to = to.min(samples.index(b));
    }
    let mut cut = Cut::new(given, model);
    let mut k = from;
    let mut finest = usize::MAX;
    let mut grown: f64 = 1.0; // from the finest cells of the edges before
    let rest = Zone { from: f64::INFINITY, to: f64::INFINITY, step: 1 };
    for zone in zones(model).iter().chain([&rest]) {
        // Fibre up to the zone: longer and longer means.
        let border = samples.first_from(zone.from).min(to);
        let longest = (border.saturating_sub(k) as f64 / CELLS_PER_LINE).max(1.0);
        let tail_to = tail_reaching(model, samples.place(k));
        if k < border {
            finest = usize::MAX;
        }
        while k < border {
            let bends = samples.place(k) < tail_to;
            let bend = if bends { (0.5 * receiver.tail).max(1.0) } else { f64::INFINITY };
            grown = (1.5 * grown).min(longest).min(bend);
            k = cut.push(k, border.min(k + grown as usize));
        }
        let border = samples.first_from(zone.to).min(to);
        while k < border {
            k = cut.push(k, border.min(k + zone.step));
        }
        finest = finest.min(zone.step);
        grown = finest as f64;
    }
    cut.cells
}

/// The cells so far.
struct Cut<'a> {
    given: &'a Given<'a>,
    model: &'a Model,
    cells: Vec<Cell>,
    /// Where nothing is fitted, in order, and the first of these that ends behind the last cell.
    blind: Vec<(f64, f64)>,
    next_blind: usize,
    /// Joints whose edges show in the last cell: `lo..hi`.
    lo: usize,
    hi: usize,
    /// Behind this the receiver has left its limit.
    recovered: f64,
}

impl<'a> Cut<'a> {
    fn new(given: &'a Given<'a>, model: &'a Model) -> Cut<'a> {
        let cells = Vec::with_capacity(512);
        let (blind, recovered) = (blind(model), f64::NEG_INFINITY);
        Cut { given, model, cells, blind, next_blind: 0, lo: 0, hi: 0, recovered }
    }

    /// Adds the cell of samples `a..b`, where it is fitted; returns `b`.
    fn push(&mut self, a: usize, b: usize) -> usize {
        let (samples, receiver) = (self.given.samples, &self.model.receiver);
        let joints = &self.model.joints;
        let (start, end) = (samples.place(a), samples.place(b - 1));
        while self.lo < joints.len() && joints[self.lo].x + receiver.settled() <= start {
            self.lo += 1;
        }
        self.hi = self.hi.max(self.lo);
        while self.hi < joints.len() && joints[self.hi].x - receiver.lead() < end {
            self.hi += 1;
        }
        while self.blind.get(self.next_blind).is_some_and(|(_, to)| *to <= start) {
            self.next_blind += 1;
        }
        let blind = self.blind.get(self.next_blind).is_some_and(|(from, _)| *from < end);
        let mean = samples.mean(a, b);
        if mean > LIMITED * self.given.ceiling {
            self.recovered = end + RECOVERY_POLES * receiver.pole;
        }
        let floor = samples.floor;
        let hidden = !self.given.noise.seen && floor > 0.0 && mean < 1.5 * floor;
        // What was cut off by the receiver or by the file's floor says nothing.
        if !(blind || hidden || start < self.recovered) {
            let (x, n) = (0.5 * (start + end), (b - a) as f64);
            let unsure = samples.unsure(a, b);
            self.cells.push(Cell { x, n, mean, unsure, lo: self.lo, hi: self.hi });
        }
        b
    }
}

/// Where nothing is fitted: from and to, in order and apart.
fn blind(model: &Model) -> Vec<(f64, f64)> {
    let receiver = &model.receiver;
    // The panel's reflection is light inside the instrument: only what it leaves behind counts.
    let panel = model.joints[0].x + receiver.pulse + 8.0 * receiver.pole;
    let mut all = vec![(f64::NEG_INFINITY, panel)];
    for joint in model.joints.iter().filter(|joint| joint.height.is_some()) {
        if joint.height.is_some_and(|height| height > 0.0) {
            all.push(toe(receiver, joint));
        }
        // Where the later of several reflections in one end, no more than a pulse apart: one rectangle
        // cannot follow them.
        if joint.places > 1 {
            let end = (2.0 * receiver.pulse + 10.0 * receiver.pole).min(receiver.settled());
            all.push((joint.x + 0.4 * receiver.pulse, joint.x + end));
        }
    }
    all.sort_by(|p, q| p.0.total_cmp(&q.0));
    all.dedup_by(|next, last| {
        let meet = next.0 <= last.1;
        if meet {
            last.1 = last.1.max(next.1);
        }
        meet
    });
    all
}

/// Where a strong reflection begins to show: receivers of other poles begin there earlier or later, by more
/// than the fibre's own light.
fn toe(receiver: &Receiver, joint: &Joint) -> (f64, f64) {
    // Of a sample in which it may have begun nothing tells how much of it is the fibre's.
    let begun = receiver.toe().max(receiver.lead() + 1.0);
    let (before, until) = match (joint.clipped && joint.hidden, joint.clipped) {
        (true, _) => (begun + receiver.toe(), receiver.pulse),
        (_, true) => (begun, -0.67 * receiver.lead()),
        _ => (begun, -receiver.lead()),
    };
    (joint.x - before, joint.x + until)
}

/// How finely to look at a stretch.
#[derive(Clone, Copy)]
struct Zone {
    from: f64,
    to: f64,
    /// Samples in a cell.
    step: usize,
}

/// Where edges are, and how finely to look there, in order and apart: within ten poles of each edge of a
/// reflection at a third of a pole, along ramps at a sixth of the pulse.
fn zones(model: &Model) -> Vec<Zone> {
    let receiver = &model.receiver;
    let mut zones = Vec::with_capacity(3 * model.joints.len());
    for (i, joint) in model.joints.iter().enumerate() {
        let peak = joint.height.is_some() || matches!(joint.behind, Behind::Dark) || i == 0;
        let from = joint.x - receiver.lead() - 1.0;
        let ramp = ((receiver.pulse / 6.0) as usize).max(1);
        let settled = if peak { receiver.settled() } else { receiver.clear_of_step() };
        zones.push(Zone { from, to: joint.x + settled + 1.0, step: ramp });
        if peak {
            let step = ((receiver.pole / 3.0).min(receiver.pulse / 12.0) as usize).max(1);
            let settle = 10.0 * receiver.pole + 1.0;
            zones.push(Zone { from, to: joint.x + settle, step });
            let back = joint.x + receiver.pulse;
            zones.push(Zone { from: back - receiver.lead() - 1.0, to: back + settle, step });
        }
    }
    zones.sort_by(|a, b| a.from.total_cmp(&b.from));
    apart(&zones)
}

/// The finest of `zones`, which are in order of where they begin, at each place.
fn apart(zones: &[Zone]) -> Vec<Zone> {
    let mut borders: Vec<f64> = zones.iter().flat_map(|zone| [zone.from, zone.to]).collect();
    borders.sort_by(f64::total_cmp);
    let mut out: Vec<Zone> = Vec::with_capacity(borders.len());
    let mut first = 0;
    for border in borders.windows(2) {
        let (from, to) = (border[0], border[1]);
        while zones.get(first).is_some_and(|zone| zone.to <= from) {
            first += 1;
        }
        let here = zones[first..].iter().take_while(|zone| zone.from <= from);
        let finest = here.filter(|zone| zone.to > from).map(|zone| zone.step).min();
        let Some(step) = finest.filter(|_| to > from) else { continue };
        match out.last_mut() {
            Some(last) if last.step == step && last.to >= from => last.to = to,
            _ => out.push(Zone { from, to, step }),
        }
    }
    out
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
