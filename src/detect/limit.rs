//! The receiver's limit: whether it shows, and what a reflection was that it cut off.

use super::fit::TOP_RIPPLE;
use super::noise::Noise;
use super::receiver::Receiver;
use super::rises::Rise;
use super::samples::Samples;
use crate::signal::lanes;

/// Power at which the receiver cuts off; infinite where nothing shows that it does.
///
/// Tops of one level: two or more reflections whose highest samples agree within noise and counts, or one whose flat
/// top is wider than the pulse can make it, or that falls later than it rose.
pub(super) fn ceiling(samples: &Samples, noise: &Noise, rises: &[Rise]) -> f64 {
    let (top, flat_from) = highest(samples, noise);
    let panel = Rise { x: 0.0, before: 0.0, top: 0.0 };
    let seen: Vec<&Rise> = rises.iter().filter(|r| r.x > samples.pulse).chain([&panel]).collect();
    let reach = |near: f64| -> Vec<usize> {
        let at_top = |rise: &&Rise| {
            let k = samples.index(rise.x);
            let end = (k + (1.5 * samples.pulse) as usize + 3).min(samples.len());
            let start = k.saturating_sub(2);
            samples.power[start..end].iter().filter(|p| **p > top - near).count()
        };
        seen.iter().map(at_top).filter(|n| *n > 0).collect()
    };
    // Tops of a few samples do not settle: three within a twentieth are one level still. By chance
    // two more of a few reflections, spread over 15 dB, do so in one trace of some hundreds.
    let uneven = 0.05 * top;
    if samples.pulse < 6.0 && reach(uneven).len() >= 3 {
        return top - uneven;
    }
    let level = reach(top - flat_from);
    // What lasts from the first to the last of so many samples.
    let widest = level.iter().copied().max().unwrap_or(0) as f64 - 1.0;
    let wide = widest > (1.0 + PULSE_OFF) * samples.pulse;
    let flat = |rise: &Rise| is_cut_flat(samples, rise, flat_from);
    let late = |rise: &Rise| falls_late(samples, noise, rise, flat_from);
    let long = |rise: &Rise| lasts_too_long(samples, noise, rise, flat_from);
    let cut =
        level.len() >= 2 || wide || seen.iter().any(|rise| flat(rise) || late(rise) || long(rise));
    if cut { flat_from } else { f64::INFINITY }
}

/// The highest power of a trace, and from where on samples are at one level with it, within noise, counts and ripple.
pub(super) fn highest(samples: &Samples, noise: &Noise) -> (f64, f64) {
    let top = lanes::highest(&samples.power).max(0.0);
    (top, top - 4.0 * noise.sigma - top * (2.5 * samples.quantum + TOP_RIPPLE))
}

/// How far off the stated length of a pulse is: 3 % and less (common practice, no source).
const PULSE_OFF: f64 = 0.03;

/// Whether the highest reflection is cut off: its flat top is as long as the pulse, though its edges are
/// slow. A whole one is within 0.2 % of its top for the pulse less 1.2 to 1.4 times what it then takes to
/// fall to a hundredth (receivers of one to five poles); one that is cut at half and lower for the pulse
/// and more. Where the fall holds too few samples it is not asked.
fn is_cut_flat(samples: &Samples, rise: &Rise, flat_from: f64) -> bool {
    let power = around(samples, rise);
    let flat = power.iter().filter(|p| **p > flat_from).count() as f64;
    let Some(last) = power.iter().rposition(|p| *p > flat_from) else { return false };
    let low = rise.before + 0.01 * (flat_from - rise.before);
    let fall = power[last..].iter().take_while(|p| **p > low).count() as f64;
    // A count of samples is one off at most.
    samples.pulse >= 4.0 && fall >= 2.0 && flat > samples.pulse - 1.0
}

/// The samples from a pulse before a rise to two behind its own.
fn around<'a>(samples: &'a Samples, rise: &Rise) -> &'a [f64] {
    let from = samples.index(rise.x - samples.pulse);
    let to = samples.index(rise.x + 3.0 * samples.pulse) + 1;
    &samples.power[from..to]
}

/// The first and the last of `power` over `flat_from`. `None` at the panel.
fn top(samples: &Samples, rise: &Rise, power: &[f64], flat_from: f64) -> Option<(usize, usize)> {
    let flat = |p: &f64| *p > flat_from;
    let ends = power.iter().position(flat).zip(power.iter().rposition(flat));
    ends.filter(|_| rise.x > samples.pulse)
}

/// Share of its height by which a whole reflection may still stand where its rise has it gone: amplifiers are linear
/// to a hundredth, and twice that is beyond doubt (common practice, no source).
const LATE: f64 = 0.02;

/// Whether the highest reflection is cut off: it falls later than it rose. What a linear receiver makes of a pulse is
/// one edge less the same edge a pulse later, so that the way down is the way up, mirrored: where it rose from a share
/// `s` to its top in `m` samples, it falls from `1-s` to nothing in as many. Of a higher one that is cut off only the
/// first part of the rise is seen, and all of the fall. Both hold where the top is settled, as where it lasts longer than
/// `m` samples. `flat_from` is the power at which it begins.
fn falls_late(samples: &Samples, noise: &Noise, rise: &Rise, flat_from: f64) -> bool {
    let power = around(samples, rise);
    let Some((first, last)) = top(samples, rise, power, flat_from) else { return false };
    let height = flat_from - rise.before;
    let blur = 4.0 * noise.sigma / height + TOP_RIPPLE;
    let share = |p: &f64| (p - rise.before) / height;
    let up = flank(power[..first].iter().rev().map(share), blur);
    let down = flank(power[last + 1..].iter().map(share), blur);
    let flat = last + 1 - first;
    // Two reflections that overlap have no top as long as the pulse less its rise.
    let whole = (up.len() + flat) as f64 > samples.pulse - 1.0;
    let late = |(before, share): (usize, &f64)| {
        let begun = down.iter().position(|p| *p <= 1.0 - share.max(0.0));
        begun.and_then(|k| down.get(k + before + 1)).is_some_and(|left| *left > LATE + 2.0 * blur)
    };
    whole && up.iter().take(flat - 1).enumerate().any(late)
}

/// Whether the highest reflection is cut off: from its top on it takes longer than its pulse to fall to a small share.
/// A whole one comes to its top a good while after its pulse began, and has fallen so far no later behind its pulse's end:
/// what is left of an edge of one to five poles is less at its top than the share. Between two samples a fall is a
/// straight line in dB at least: poles bend it outwards. It is asked of a top that is settled: that lasts as long as its rise.
fn lasts_too_long(samples: &Samples, noise: &Noise, rise: &Rise, flat_from: f64) -> bool {
    let power = around(samples, rise);
    let Some((first, last)) = top(samples, rise, power, flat_from) else { return false };
    let height = flat_from - rise.before;
    let low = rise.before + (LATE + 8.0 * noise.sigma / height) * height;
    let up = power[..first].iter().rev().take_while(|p| **p > low).count() + 1;
    if up > last + 1 - first {
        return false; // it has not settled
    }
    let Some(k) = (last + 1..power.len()).find(|k| power[*k] < low) else { return false };
    let (above, below) = (power[k - 1], power[k].max(0.5 * low));
    let fallen = (k - 1) as f64 + (above / low).ln() / (above / below).ln();
    fallen - first as f64 > (1.0 + PULSE_OFF) * samples.pulse
}

/// The first of `shares`, from a top outwards, as long as they fall, and to the first of nothing.
fn flank(shares: impl Iterator<Item = f64>, blur: f64) -> Vec<f64> {
    let mut before = 1.0;
    let mut flank = Vec::new();
    for share in shares {
        if share > before + blur {
            break;
        }
        flank.push(share);
        before = share;
        if share < blur {
            break;
        }
    }
    flank
}

/// Place and height of a reflection of which only the part under the receiver's limit is seen: the
/// higher it is, the wider it stands at half the limit.
pub(super) fn before_cut(samples: &Samples, receiver: &Receiver, rise: &Rise) -> (f64, f64) {
    let half = rise.before + 0.5 * (rise.top - rise.before);
    let k = samples.index(rise.x + 0.5 * receiver.pulse).max(1);
    let fall = (k..samples.len()).find(|i| samples.power[*i] < half).map_or(
        rise.x + receiver.pulse,
        |i| {
            let (high, low) = (samples.power[i - 1], samples.power[i]);
            samples.place(i - 1) + ((high - half) / (high - low).max(1e-300)).clamp(0.0, 1.0)
        },
    );
    let wider = (fall - rise.x - receiver.pulse).max(0.0) / receiver.pole;
    // Edge of three poles, y poles behind its beginning, and the rest of the falling one.
    let edge = |y: f64| 1.0 - (-y).exp() * (1.0 + y + 0.5 * y * y);
    let crossing = |share: f64| bisect(0.0, 24.0, |y| edge(y) < share);
    let width = |share: f64| crossing(1.0 - share) - crossing(share);
    // Not beyond 7 dB over the limit: what makes it wider still is its slow tail.
    let share =
        bisect((0.5_f64 / 25.0).ln(), 0.5_f64.ln(), |log_share| width(log_share.exp()) > wider)
            .exp();
    let x = rise.x - receiver.pole * (crossing(share) - 3.0);
    (x, 0.5 * (rise.top - rise.before) / share)
}

/// Where `low` ceases to hold between `a`, where it does, and `b`.
fn bisect(mut a: f64, mut b: f64, low: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..24 {
        let middle = 0.5 * (a + b);
        if low(middle) { a = middle } else { b = middle }
    }
    0.5 * (a + b)
}
