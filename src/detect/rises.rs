//! Strong reflections, as they stand out of the samples without any fit.

use super::model::MOST_JOINTS;
use super::noise::Noise;
use super::samples::Samples;
use crate::signal::lanes::{self, LANES, Lanes};

/// A reflection that stands out of the samples without any fit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rise {
    pub x: f64,
    pub before: f64,
    pub top: f64,
}

/// Strong reflections in order of place: where the power over most of a pulse stands well over what
/// comes just before it.
pub(super) fn rises(samples: &Samples, noise: &Noise) -> Vec<Rise> {
    let pulse = samples.pulse;
    let up = ((0.7 * pulse) as usize).max(1);
    let short = ((0.4 * pulse) as usize).max(1);
    let long = ((2.0 * pulse) as usize).max(3);
    let away = ((0.35 * pulse).ceil() as usize).max(1);
    let n = samples.len();
    let mut strong: Vec<(usize, f64)> = Vec::new();
    let white = noise.kappa * noise.sigma.powi(2);
    let rough = noise.speckle.powi(2);
    // As sums and four at a time: nearly every place is turned down.
    let sums = &samples.sums;
    let (up_n, short_n) = (up as f64, short as f64);
    let least = 7.0 * (white / up_n + white / short_n).sqrt() * up_n * short_n;
    let first = long + away;
    if first + up > n {
        return Vec::new();
    }
    let count = n - up - first;
    let [ahead_to, ahead, behind, behind_from] =
        [first + up, first, first - away, first - away - short].map(|from| &sums[from..][..count]);
    let four = |sums| lanes::blocks(sums);
    let rise_and_base = (four(ahead_to).zip(four(ahead)))
        .zip(four(behind).zip(four(behind_from)))
        .map(|((a, b), (c, d))| ((a - b) * short_n, (c - d) * up_n));
    let mut suspects: Vec<usize> = Vec::new();
    for (i, (rise, base)) in rise_and_base.enumerate() {
        let rises = (rise - base).simd_ge(Lanes::splat(least)) & rise.simd_ge(base * 1.1);
        if rises.any() {
            suspects.extend((first + i * LANES..).take(LANES));
        }
    }
    suspects.extend(first + count / LANES * LANES..first + count);
    for k in suspects {
        let (after, near) = (samples.mean(k, k + up), samples.mean(k - away - short, k - away));
        if after < 1.1 * near {
            continue;
        }
        let far = samples.mean(k - away - long, k - away);
        // Against both: the short window keeps a decay from hiding a rise, the long one is calm.
        let unsure = samples.unsure(k - away - short, k + up);
        let sd_near =
            (white / up as f64 + white / short as f64 + rough * 2.0 * near * near + unsure).sqrt();
        let sd_far =
            (white / up as f64 + white / long as f64 + rough * 1.5 * far * far + unsure).sqrt();
        if after > near + 7.0 * sd_near && (after > far + 7.0 * sd_far || after > 1.3 * near) {
            strong.push((k, after - near));
        }
    }
    strong.sort_by(|a, b| b.1.total_cmp(&a.1));
    let apart = (0.9 * pulse).max(2.0);
    let mut kept: Vec<usize> = Vec::new();
    for (k, _) in strong {
        if kept.len() == MOST_JOINTS {
            break;
        }
        if kept.iter().all(|j| (*j as f64 - k as f64).abs() > apart) {
            kept.push(k);
        }
    }
    kept.sort_unstable();
    let mut rises: Vec<Rise> = kept.iter().map(|k| rise_at(samples, *k, up, away, short)).collect();
    // Two neighbourhoods may lead to one edge.
    rises.sort_by(|a, b| a.x.total_cmp(&b.x));
    rises.dedup_by(|b, a| {
        let same = b.x - a.x < 0.7 * pulse;
        if same && b.top - b.before > a.top - a.before {
            *a = *b;
        }
        same
    });
    rises
}

fn rise_at(samples: &Samples, k: usize, up: usize, away: usize, short: usize) -> Rise {
    let before = samples.mean(k - away - short, k - away);
    let end = (k + up).min(samples.len());
    let top = samples.power[k..end].iter().copied().fold(0.0, f64::max);
    let half = before + 0.5 * (top - before);
    let from = k.saturating_sub(away + 1);
    let place = (from..end).find(|i| samples.power[*i] > half).map_or(samples.place(k), |i| {
        let low = if i > 0 { samples.power[i - 1] } else { 0.0 };
        let share = (half - low) / (samples.power[i] - low).max(1e-300);
        samples.place(i) - 1.0 + share.clamp(0.0, 1.0)
    });
    Rise { x: place, before, top }
}
