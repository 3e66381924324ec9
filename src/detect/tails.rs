//! The slow decay that strong reflections leave in a detector, before anything is fitted.

use super::cells::RECOVERY_POLES;
use super::fit::LONGEST_TAIL;
use super::model::{Joint, Model};
use super::receiver::Receiver;
use super::scan::noise_var;
use super::start::Known;

/// A decay behind one reflection.
#[derive(Clone, Copy, Debug)]
pub(super) struct Decay {
    /// Where it can no longer be told from fibre.
    pub until: f64,
    /// Its power where the edge has settled, over what it decays to.
    pub excess: f64,
    /// That place.
    pub from: f64,
    /// Its decay length in samples.
    pub length: f64,
    /// The decay lengths fit one exponential down to `until`: nothing but decay was seen.
    pub bare: bool,
    /// It was followed to where it might be.
    pub reached: bool,
}

/// Follows the decay behind a joint, no further than `to`. `None` where there is none.
///
/// Windows grow with the distance, so that a slow decay is told from fibre as surely as a fast one:
/// a window pair decays where it falls by more than three times what fibre loses, beyond 4 sigma.
pub(super) fn follow(known: &Known, receiver: &Receiver, joint: &Joint, to: f64) -> Option<Decay> {
    let Known { samples, noise, usual_fall, ceiling, .. } = *known;
    let from = joint.x + receiver.pulse + 10.0 * receiver.pole + 1.0;
    let end = samples.index(to);
    let mut start = samples.index(from);
    // A decay that is itself cut off stays at the receiver's limit for a while.
    while joint.clipped && start < end && samples.power[start] > 0.9 * ceiling {
        start += 1;
    }
    if start > samples.index(from) {
        start = (start + (RECOVERY_POLES * receiver.pole) as usize + 1).min(end);
    }
    let from = samples.place(start);
    let mut at = start;
    let mut falls = Vec::new();
    loop {
        let window = (receiver.pulse as usize).max(2).max((at - start) / 3);
        if at + 2 * window > end {
            break;
        }
        let (near, far) =
            (samples.mean(at, at + window), samples.mean(at + window, at + 2 * window));
        let var = |p: f64| noise_var(samples, noise, p, window as f64);
        // In power, so that a decay into the noise ends where the noise begins.
        let expected = near * (1.0 - 3.0 * usual_fall * window as f64);
        if expected - far < 4.0 * (var(near) + var(far)).sqrt() {
            break;
        }
        if far > (5.0 * var(far).sqrt()).max(2.0 * samples.floor) {
            falls.push((near / far).ln() / window as f64);
        }
        at += window;
    }
    if at == start {
        return None;
    }
    let third = ((at - start) / 3).max(1);
    let base = samples.mean(at, (at + third).min(samples.len()).max(at + 1));
    let (first, second) =
        (samples.mean(start, start + third), samples.mean(start + third, start + 2 * third));
    let excess = first - base;
    let ratio = (excess / (second - base)).max(1.05);
    let length =
        (third as f64 / ratio.ln()).clamp(0.3 * receiver.pulse, LONGEST_TAIL * receiver.pulse);
    // The first pair still holds the edge's own settling.
    let falls = if falls.len() > 2 { &falls[1..] } else { &falls[..] };
    let slowest = falls.iter().copied().fold(f64::INFINITY, f64::min);
    let fastest = falls.iter().copied().fold(0.0, f64::max);
    Some(Decay {
        until: samples.place(at),
        excess: excess.max(0.0),
        from,
        length,
        bare: falls.is_empty() || slowest > 0.4 * fastest,
        reached: at + 2 * (receiver.pulse as usize).max(2).max((at - start) / 3) > end,
    })
}

/// Gives each reflection with a visible decay its slow tail, and the receiver the length of the
/// strongest. Returns to where each joint's decay hides the fibre.
pub(super) fn mark(model: &mut Model, known: &Known) -> Vec<f64> {
    let (samples, noise) = (known.samples, known.noise);
    let mut hidden = Vec::with_capacity(model.joints.len());
    let mut strongest: Option<(f64, f64)> = None;
    let mut decays = Vec::new();
    for i in 0..model.joints.len() {
        let joint = model.joints[i];
        let to = model
            .joints
            .get(i + 1)
            .map_or(samples.place(samples.len() - 1), |next| next.x - model.receiver.lead() - 1.0);
        let decay = joint.height.and_then(|_| follow(known, &model.receiver, &joint, to));
        hidden.push(decay.map_or(f64::NEG_INFINITY, |d| d.until));
        if let Some(d) = decay {
            let base = samples.mean(samples.index(d.until), samples.index(d.until) + 1);
            // The panel's decay may hold light from inside the instrument.
            let clear = d.excess / (base + noise.sigma) * if i == 0 { 1e-3 } else { 1.0 };
            if strongest.is_none_or(|(best, _)| clear > best) {
                strongest = Some((clear, d.length));
            }
        }
        decays.push(decay);
    }
    if let Some((_, length)) = strongest {
        model.receiver.tail = length;
    }
    let receiver = model.receiver;
    for (joint, decay) in model.joints.iter_mut().zip(decays) {
        joint.tail = decay.map(|d| d.excess / receiver.tail_at(d.from - joint.x).max(1e-6));
    }
    hidden
}
