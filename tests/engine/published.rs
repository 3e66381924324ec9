//! Two classic detectors of the literature, kept small, on the same rendered fibres as the engine: what
//! its place in the field is. Written for this page from the ideas of the papers; no code is theirs.
//!
//! - **Two lines**: least-squares lines in dB before and behind each sample, a gap of two pulses
//!   between them, the step at the event over the lines' own scatter: the least-squares loss of ITU-T
//!   G.650.3, Appendix I, used as a detector, and close to the matched subspaces of Liu & Zarowski, IEEE
//!   Trans. Instrum. Meas. 53 (2004) 546 (both from memory).
//! - **Wavelet**: differences of means (Haar) of the level, its slope taken out, over windows that
//!   double; modulus maxima over scales (Mallat & Hwang, IEEE Trans. Inf. Theory 38 (1992) 617; Gabor and
//!   wavelet detectors of OTDR events follow the same idea; from memory). Losses then by two lines.
//!
//! Both are treated kindly: they are told where the fibre ends and its attenuation, and begin 30 pulses behind the front dead zone; their thresholds are set on the same kinds of fibre, emptied, to one false alarm in fifty; their places may be
//! three pulses off. Peaks are cut out of their lines by a threshold on the rise.

use super::fibre::{self, draws, joints, median};
use strandline::simulate::family::{Family, draw};
use strandline::simulate::{Rendered, Scenario, render};

/// Where the comparison begins: 30 pulses behind the front dead zone, for none of the classic two knows
/// the detector's slow decay.
fn front_m(rendered: &Rendered) -> f64 {
    rendered.truth.front_dead_zone_m + 30.0 * rendered.truth.pulse_m
}

/// What a detector says of one place.
#[derive(Clone, Copy, Debug)]
struct Hit {
    at_m: f64,
    loss_db: f64,
    score: f64,
}

/// A trace in dB, as these methods take it.
struct Levels {
    y: Vec<f64>,
    /// Samples that no line may use: peaks and what they hide.
    hidden: Vec<bool>,
    spacing_m: f64,
    pulse: usize,
    from: usize,
    to: usize,
    fall_per_sample: f64,
    /// Scatter of single samples, one figure for every five pulses.
    scatters: Vec<f64>,
}

impl Levels {
    fn of(rendered: &Rendered) -> Levels {
        let trace = &rendered.trace;
        let spacing_m = rendered.truth.spacing_m;
        let mut y = Vec::with_capacity(trace.counts.len());
        let mut counts = trace.counts.iter();
        for scale in &trace.scales {
            let step_db = f64::from(scale.count_micro_db) * 1e-6;
            y.extend(counts.by_ref().take(scale.samples).map(|c| -step_db * f64::from(*c)));
        }
        let pulse = ((rendered.truth.pulse_m / spacing_m).round() as usize).max(1);
        let first_m = trace.position_m(0).0;
        let index = |m: f64| (((m - first_m) / spacing_m).max(0.0) as usize).min(y.len());
        let from = index(front_m(rendered));
        let to = index(rendered.truth.end_m - 2.0 * rendered.truth.pulse_m).max(from);
        let sections = &rendered.truth.sections;
        let fall: f64 = sections.iter().map(|s| s.attenuation_db_per_km).sum::<f64>()
            / sections.len().max(1) as f64;
        let mut levels = Levels {
            hidden: vec![false; y.len()],
            y,
            spacing_m,
            pulse,
            from,
            to,
            fall_per_sample: fall * spacing_m / 1000.0,
            scatters: Vec::new(),
        };
        let blocks = (0..levels.y.len()).step_by(5 * pulse);
        levels.scatters = blocks.map(|k| levels.scatter_about(k)).collect();
        levels.hide_peaks();
        levels
    }

    fn place_m(&self, k: usize, rendered: &Rendered) -> f64 {
        rendered.trace.position_m(0).0 + k as f64 * self.spacing_m
    }

    fn scatter(&self, k: usize) -> f64 {
        self.scatters[k / (5 * self.pulse)]
    }

    /// Scatter of single samples about `k`, from differences over two pulses, farther than noise is alike:
    /// their median over 0.954.
    fn scatter_about(&self, k: usize) -> f64 {
        let lag = 2 * self.pulse;
        let (a, b) = (k.saturating_sub(20 * self.pulse), (k + 20 * self.pulse).min(self.to));
        let fall = self.fall_per_sample * lag as f64;
        let differ = |i: usize| (self.y[i + lag] - self.y[i] + fall).abs();
        let step = (self.pulse / 4).max(1);
        let steps: Vec<f64> = (a..b.saturating_sub(lag)).step_by(step).map(differ).collect();
        median(steps).max(5e-4) / 0.954
    }

    /// A peak: the level rises within a pulse by more than six scatters and 0.2 dB. It is hidden to
    /// where the level is back within 0.05 dB of what follows, at least two pulses.
    fn hide_peaks(&mut self) {
        let mut k = self.from;
        while k + self.pulse < self.to {
            let rise = self.y[k + self.pulse.div_ceil(2)] - self.y[k];
            if rise > 0.2 && rise > 6.0 * self.scatter(k) {
                let mut end = (k + 2 * self.pulse).min(self.to);
                while end + 10 * self.pulse < self.to {
                    let mean = |a: usize, n: usize| self.y[a..a + n].iter().sum::<f64>() / n as f64;
                    let ahead = mean(end + 5 * self.pulse, 5 * self.pulse);
                    if mean(end, self.pulse.max(2)) - ahead
                        < 0.05 + self.fall_per_sample * 7.0 * self.pulse as f64
                    {
                        break;
                    }
                    end += self.pulse;
                }
                self.hidden[k..end].fill(true);
                k = end;
            } else {
                k += 1;
            }
        }
    }

    /// Least-squares line over the samples `a..b` that are not hidden, at `at`: level and its variance.
    fn line(&self, a: usize, b: usize, at: f64) -> Option<(f64, f64)> {
        let (mut n, mut sx, mut sxx, mut sy, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for k in (a..b).filter(|k| !self.hidden[*k]) {
            let (x, y) = (k as f64 - at, self.y[k] - self.y[a]);
            n += 1.0;
            sx += x;
            sxx += x * x;
            sy += y;
            sxy += x * y;
            syy += y * y;
        }
        let d = n * sxx - sx * sx;
        if n < 8.0 || n < 2.0 * self.pulse as f64 || d <= 0.0 {
            return None;
        }
        let (level, slope) = ((sxx * sy - sx * sxy) / d, (n * sxy - sx * sy) / d);
        let rest = (syy - level * sy - slope * sxy).max(n * 8e-8) / (n - 2.0);
        Some((self.y[a] + level, rest * sxx / d))
    }

    /// Step between both lines about `k`, over its scatter.
    fn step(&self, k: usize, reach: usize) -> Option<(f64, f64)> {
        let at = k as f64 + 0.5 * self.pulse as f64;
        let gap = 2 * self.pulse;
        let (before, var) = self.line(k.saturating_sub(reach).max(self.from), k, at)?;
        let (behind, more) =
            self.line((k + gap).min(self.to), (k + gap + reach).min(self.to), at)?;
        Some((before - behind, (before - behind) / (var + more).sqrt()))
    }

    /// The strongest of each neighbourhood above the threshold.
    fn peaks(
        &self,
        mut scored: Vec<(usize, f64)>,
        threshold: f64,
        apart: usize,
    ) -> Vec<(usize, f64)> {
        scored.retain(|(_, t)| t.abs() > threshold);
        scored.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
        let mut kept: Vec<(usize, f64)> = Vec::new();
        for (k, t) in scored {
            if kept.iter().all(|(other, _)| other.abs_diff(k) > apart) {
                kept.push((k, t));
            }
        }
        kept
    }

    fn step_size(&self) -> usize {
        (self.pulse / 4).max(1)
    }
}

fn two_lines(rendered: &Rendered, threshold: f64) -> Vec<Hit> {
    let levels = Levels::of(rendered);
    let reach = 15 * levels.pulse.max(4);
    let scan = (levels.from..levels.to).step_by(levels.step_size());
    let scored = scan.filter_map(|k| levels.step(k, reach).map(|(_, t)| (k, t))).collect();
    let hits = levels.peaks(scored, threshold, 6 * levels.pulse);
    hits.into_iter().map(|(k, score)| hit(&levels, rendered, k, score, reach)).collect()
}

fn hit(levels: &Levels, rendered: &Rendered, k: usize, score: f64, reach: usize) -> Hit {
    let loss_db = levels.step(k, reach).map_or(0.0, |(loss, _)| loss);
    Hit { at_m: levels.place_m(k, rendered), loss_db, score }
}

fn wavelet(rendered: &Rendered, threshold: f64) -> Vec<Hit> {
    let levels = Levels::of(rendered);
    // Hidden samples carry on the level before them, so that a peak leaves only its step.
    let mut sums = vec![0.0; levels.y.len() + 1];
    let mut last = levels.y.get(levels.from).copied().unwrap_or(0.0);
    for k in 0..levels.y.len() {
        if k >= levels.from && !levels.hidden[k] {
            last = levels.y[k] + levels.fall_per_sample * k as f64;
        }
        sums[k + 1] = sums[k] + last;
    }
    let mut scored = Vec::new();
    for doubling in 2..6 {
        let n = levels.pulse << doubling;
        for k in (levels.from + n..levels.to.saturating_sub(n + levels.pulse))
            .step_by(levels.step_size())
        {
            let mean = |a: usize, len: usize| (sums[a + len] - sums[a]) / len as f64;
            let (right, half) = (k + levels.pulse, n / 2);
            // What is left of the slope, from the halves of both windows.
            let slope = 0.5
                * (mean(k - half, half) - mean(k - n, half) + mean(right + half, half)
                    - mean(right, half))
                / half as f64;
            let step = mean(k - n, n) - mean(right, n) + slope * (n + levels.pulse) as f64;
            // noise of a mean of n samples that are alike over half a pulse
            let sigma = levels.scatter(k) * (levels.pulse as f64 / n as f64).sqrt();
            scored.push((k, step / sigma));
        }
    }
    let reach = 15 * levels.pulse.max(4);
    let hits = levels.peaks(scored, threshold, 8 * levels.pulse);
    hits.into_iter().map(|(k, score)| hit(&levels, rendered, k, score, reach)).collect()
}

type Detector = fn(&Rendered, f64) -> Vec<Hit>;

/// The same fibre with the same receiver and noise, and nothing on it.
fn emptied(scenario: &Scenario) -> Scenario {
    let mut empty = scenario.clone();
    let length_m = empty.sections.iter().map(|s| s.length_m).sum();
    empty.sections.truncate(1);
    empty.sections[0].length_m = length_m;
    (empty.sections[0].then, empty.sections[0].cord) = (None, false);
    empty
}

/// The threshold that one of these event-free fibres in fifty passes.
fn threshold(detector: Detector, empty: &[Rendered]) -> f64 {
    let top = |r: &Rendered| detector(r, 0.0).iter().map(|h| h.score.abs()).fold(0.0, f64::max);
    let mut highest: Vec<f64> = empty.iter().map(top).collect();
    highest.sort_by(f64::total_cmp);
    highest[((0.98 * empty.len() as f64) as usize).min(empty.len() - 1)]
}

#[derive(Default)]
struct Score {
    wanted: usize,
    found: usize,
    false_events: usize,
    over_bound: Vec<f64>,
}

impl Score {
    /// `hits` without the end, against the truth; a place may be three pulses off.
    fn add(&mut self, rendered: &Rendered, hits: &[Hit]) {
        let truth = &rendered.truth;
        let mut left: Vec<Hit> = hits.to_vec();
        let reach = |bound: Option<f64>| (3.0 * truth.pulse_m).max(3.0 * bound.unwrap_or(0.0));
        for event in truth.events.iter().filter(|e| e.kind != "end") {
            let wanted = event.required && event.position_m > front_m(rendered);
            self.wanted += usize::from(wanted);
            let off = |h: &Hit| (h.at_m - event.position_m).abs();
            let nearest = (0..left.len()).min_by(|a, b| off(&left[*a]).total_cmp(&off(&left[*b])));
            let Some(i) = nearest.filter(|i| off(&left[*i]) < reach(event.position_bound_m)) else {
                continue;
            };
            let hit = left.remove(i);
            self.found += usize::from(wanted);
            if let (true, Some(loss), Some(bound)) = (wanted, event.loss_db, event.sigma_db) {
                self.over_bound.push((hit.loss_db - loss).abs() / bound);
            }
        }
        let clear =
            |h: &&Hit| h.at_m > truth.front_dead_zone_m && h.at_m < truth.end_m - truth.pulse_m;
        self.false_events += left.iter().filter(clear).count();
    }

    fn found_percent(&self) -> f64 {
        100.0 * self.found as f64 / self.wanted.max(1) as f64
    }
}

#[test]
fn the_engine_finds_more_and_invents_less_than_two_classic_detectors() {
    let per_family = draws(10);
    let families = [Family::Access, Family::Metro, Family::Longhaul];
    let empty: Vec<Rendered> = families
        .iter()
        .flat_map(|family| (0..per_family as u64).map(|seed| draw(*family, 900_000 + seed)))
        .map(|scenario| render(&emptied(&scenario)).remove(0))
        .collect();
    let (lines_at, wavelet_at) = (threshold(two_lines, &empty), threshold(wavelet, &empty));
    println!("thresholds on emptied fibres: two lines {lines_at:.1}, wavelet {wavelet_at:.1}");
    let mut scores = [Score::default(), Score::default(), Score::default()];
    for family in families {
        for seed in 0..per_family as u64 {
            let rendered = render(&draw(family, 700_000 + seed)).remove(0);
            let found = fibre::analysis(&rendered);
            let ours: Vec<Hit> = joints(&found)
                .into_iter()
                .map(|e| Hit {
                    at_m: e.position_m.0,
                    loss_db: e.loss_db.map_or(0.0, |l| l.value),
                    score: 0.0,
                })
                .collect();
            scores[0].add(&rendered, &ours);
            scores[1].add(&rendered, &two_lines(&rendered, lines_at));
            scores[2].add(&rendered, &wavelet(&rendered, wavelet_at));
        }
    }
    let traces = families.len() * per_family;
    for (name, score) in ["this engine", "two lines", "wavelet"].iter().zip(&scores) {
        println!(
            "{name}: found {:.1} % of {}, false {:.0} per 100 traces, loss error over bound {:.2} (median)",
            score.found_percent(),
            score.wanted,
            100.0 * score.false_events as f64 / traces as f64,
            median(score.over_bound.clone())
        );
    }
    let [ours, others @ ..] = &scores;
    for other in others {
        assert!(ours.found_percent() > other.found_percent());
        assert!(ours.false_events < other.false_events);
        assert!(median(ours.over_bound.clone()) < median(other.over_bound.clone()));
    }
}
