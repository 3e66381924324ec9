//! What the best straight lines over clean samples know of a rendered trace, told where everything
//! is. None of it looks at the trace before the truth does.

use std::ops::Range;

use super::light::Grid;
use super::path::{Flash, Path, PlaceKind};
use super::scenario::Kind;
use crate::units::{DB_PER_NEPER, level_db};

/// A level counts as back on the line within this many dB (the usual bound of a dead zone; IEC
/// 61746-1 lets the user choose and has 0.5 dB as its example, from memory).
const BACK_DB: f64 = 0.05;
/// The lines of the best measurement start where tails are below this, if their section allows it.
const CLEAN_DB: f64 = 0.003;

/// The trace before it is written down, and its noise.
pub(super) struct Scene<'a> {
    pub path: &'a Path,
    pub grid: &'a Grid,
    /// Without noise and limits.
    pub quiet: &'a [f64],
    /// With noise and limits.
    pub noisy: &'a [f64],
    /// Noise per sample, as power. 0: none.
    pub sigma: f64,
    /// This many samples count as one independent value.
    pub kappa: f64,
    /// Relative ripple of the backscatter after averaging over a pulse.
    pub speckle: f64,
    /// What the receiver can show, as power.
    pub limit: f64,
    /// The receiver's length: nothing shows earlier than this before its place.
    pub receiver_m: f64,
    /// `1/∫h²` of the receiver's answer to an impulse: how steep its edges are. 0: endlessly.
    pub edge_m: f64,
    pub echoes: &'a [Flash],
}

/// A straight line through clean samples: levels at places, with their weights.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    mean_m: f64,
    level_db: f64,
    quiet_db: f64,
    slope_db: f64,
    quiet_slope_db: f64,
    level_variance: f64,
    slope_variance: f64,
}

impl Line {
    fn at(&self, z_m: f64) -> f64 {
        self.level_db + self.slope_db * (z_m - self.mean_m)
    }

    fn quiet_at(&self, z_m: f64) -> f64 {
        self.quiet_db + self.quiet_slope_db * (z_m - self.mean_m)
    }

    fn variance_at(&self, z_m: f64) -> f64 {
        self.level_variance + self.slope_variance * (z_m - self.mean_m).powi(2)
    }

    pub(super) fn slope_sigma_db_per_km(&self) -> f64 {
        1000.0 * self.slope_variance.sqrt()
    }
}

/// What is known of each section: how far its beginning is hidden, and its line.
pub(super) struct Ground {
    /// From the section's start to where the level is back.
    pub dead_zone_m: f64,
    /// `None` where no clean fibre is left.
    pub line: Option<Line>,
    /// Length of the clean fibre.
    pub clean_m: f64,
}

impl Scene<'_> {
    /// Variance of one sample as power where the backscatter is `level`, correlation included.
    fn variance(&self, level: f64) -> f64 {
        let ripple = self.speckle * level;
        // Speckle has the length of the pulse, whatever the spacing.
        let alike = (self.path.pulse_m / self.grid.spacing_m).max(1.0);
        self.kappa * self.sigma * self.sigma + alike * ripple * ripple
    }

    /// What noise and ripple leave uncertain in the mean over one pulse.
    pub(super) fn pulse_sigma(&self, level: f64) -> f64 {
        let samples = (self.path.pulse_m / self.grid.spacing_m).max(1.0);
        (self.variance(level) / samples).sqrt()
    }

    pub(super) fn grounds(&self) -> Vec<Ground> {
        (0..self.path.glass.len()).map(|number| self.ground(number)).collect()
    }

    fn ground(&self, number: usize) -> Ground {
        let glass = &self.path.glass[number];
        let range = self.grid.at_or_behind(glass.from_m)..self.grid.at_or_behind(glass.to_m);
        let off_db = |k: usize| {
            let line = glass.line(self.grid.position_m(k), self.path.pulse_m);
            (level_db(self.quiet[k].max(f64::MIN_POSITIVE)) - level_db(line)).abs()
        };
        let off: Vec<f64> = range.clone().map(off_db).collect();
        let hold = (0.5 * self.path.pulse_m / self.grid.spacing_m).ceil() as usize;
        let place = |i: usize| self.grid.position_m(range.start + i) - glass.from_m;
        let limited = |m: f64| m.clamp(0.0, glass.length_m());
        let back = settled(&off, BACK_DB, hold);
        let dead_zone_m = back.map_or(glass.length_m(), |i| limited(place(i)));
        let Some(back) = back else {
            return Ground { dead_zone_m, line: None, clean_m: 0.0 };
        };
        // A pulse and the receiver's own length at least, tails as far as the section allows.
        let last_m = glass.to_m - self.receiver_m;
        let least_m = self.path.pulse_m + 2.0 * self.receiver_m;
        let half_m = place(back) + 0.4 * (last_m - glass.from_m - place(back));
        let calm_m = settled(&off, CLEAN_DB, hold).map_or(f64::INFINITY, place);
        let start_m = glass.from_m + calm_m.min(half_m).max(place(back)).max(least_m);
        let start = self.grid.at_or_behind(start_m);
        let clean = start..self.grid.at_or_behind(last_m).max(start);
        let clean_m = (last_m - start_m).max(0.0);
        let line = if clean_m < 0.5 * self.path.pulse_m { None } else { self.line(clean) };
        Ground { dead_zone_m, line, clean_m }
    }

    /// A weighted line in dB, linear in power about the quiet trace: no logarithm of noise, so no
    /// bias. Samples under an echo do not count.
    fn line(&self, range: Range<usize>) -> Option<Line> {
        let floor = if self.sigma > 0.0 { 0.2 * self.sigma } else { 0.0 };
        let (mut w, mut wx, mut wxx) = (0.0, 0.0, 0.0);
        let (mut wy, mut wxy, mut wq, mut wxq) = (0.0, 0.0, 0.0, 0.0);
        let mut samples = 0;
        let origin_m = self.grid.position_m(range.start);
        for k in range {
            let (z_m, quiet) = (self.grid.position_m(k), self.quiet[k]);
            if quiet <= floor || self.noisy[k] >= self.limit || self.under_echo(z_m, quiet) {
                continue;
            }
            samples += 1;
            // Without noise all samples count alike.
            let variance = (self.variance(quiet) / (quiet * quiet)).max(1e-24);
            let weight = 1.0 / (DB_PER_NEPER * DB_PER_NEPER * variance);
            let x = z_m - origin_m;
            let quiet_db = level_db(quiet);
            let y = quiet_db + DB_PER_NEPER * (self.noisy[k] / quiet - 1.0);
            w += weight;
            wx += weight * x;
            wxx += weight * x * x;
            wy += weight * y;
            wxy += weight * x * y;
            wq += weight * quiet_db;
            wxq += weight * x * quiet_db;
        }
        let spread = wxx - wx * wx / w;
        if samples < 3 || spread <= 0.0 {
            return None;
        }
        Some(Line {
            mean_m: origin_m + wx / w,
            level_db: wy / w,
            quiet_db: wq / w,
            slope_db: (wxy - wx * wy / w) / spread,
            quiet_slope_db: (wxq - wx * wq / w) / spread,
            level_variance: 1.0 / w,
            slope_variance: 1.0 / spread,
        })
    }

    fn under_echo(&self, z_m: f64, level: f64) -> bool {
        let reach = -self.receiver_m..self.path.pulse_m + 3.0 * self.receiver_m;
        let shows = |echo: &Flash| echo.height > 4e-4 * level; // 0.001 dB
        let from = self.echoes.partition_point(|echo| echo.position_m < z_m - reach.end);
        (self.echoes[from..].iter())
            .take_while(|echo| echo.position_m <= z_m + self.receiver_m)
            .any(|echo| shows(echo) && reach.contains(&(z_m - echo.position_m)))
    }

    /// Standard deviation of the loss between two lines at an event at `z_m`, with the quiet lines'
    /// own bias in it, and the loss that the lines of this noise give.
    pub(super) fn loss(&self, left: &Line, right: &Line, z_m: f64, true_db: f64) -> (f64, f64) {
        // The trace at z shows the fibre half a pulse before.
        let z_m = z_m + 0.5 * self.path.pulse_m;
        let bias = left.quiet_at(z_m) - right.quiet_at(z_m) - true_db;
        let variance = left.variance_at(z_m) + right.variance_at(z_m);
        ((variance + bias * bias).sqrt(), left.at(z_m) - right.at(z_m))
    }

    /// The same for the sum of a group from `from_m` to `to_m`; `fall_db` is all that lies between.
    pub(super) fn group_sigma(
        &self,
        left: &Line,
        right: &Line,
        from_m: f64,
        to_m: f64,
        fall_db: f64,
    ) -> f64 {
        let half_m = 0.5 * self.path.pulse_m;
        let (from_m, to_m) = (from_m + half_m, to_m + half_m);
        let bias = left.quiet_at(from_m) - right.quiet_at(to_m) - fall_db;
        (left.variance_at(from_m) + right.variance_at(to_m) + bias * bias).sqrt()
    }

    /// Where the light behind the end is lost in the noise; without noise, 40 dB below the fibre.
    pub(super) fn end_dead_zone_m(&self) -> f64 {
        let end_m = self.path.end_m();
        let last = self.path.glass.last().map_or(0.0, |glass| glass.line(end_m, self.path.pulse_m));
        let gone = if self.sigma > 0.0 { self.sigma } else { 1e-8 * last };
        let from = self.grid.at_or_behind(end_m);
        let lit = self.quiet[from..].iter().take_while(|level| **level > gone).count();
        lit as f64 * self.grid.spacing_m
    }

    /// Cramér–Rao bound of a place: a step of power shows over a pulse, a reflection at its edges.
    /// `clean_m`: the shorter of the lines beside it.
    pub(super) fn position_bound_m(
        &self,
        step: f64,
        level: f64,
        height: Option<f64>,
        clean_m: f64,
    ) -> Option<f64> {
        let least_m = 0.02 * self.grid.spacing_m;
        if self.sigma == 0.0 && self.speckle == 0.0 {
            return Some(least_m);
        }
        let (spacing_m, pulse_m) = (self.grid.spacing_m, self.path.pulse_m);
        let lines = 1.0 + 1.2 / (clean_m / pulse_m).max(1.0);
        let step_variance = self.variance(level) * pulse_m * spacing_m * lines * lines;
        let mut known = step * step / step_variance;
        if let Some(height) = height
            && self.sigma > 0.0
            && self.edge_m > 0.0
        {
            // Both edges, each as steep as the receiver allows; independent noise every 1/∫h².
            let variance = self.sigma * self.sigma * spacing_m.max(self.edge_m) * self.edge_m / 2.0;
            known += height * height / variance;
        } else if height.is_some() {
            return Some(least_m);
        }
        (known > 0.0).then(|| (1.0 / known.sqrt()).max(least_m))
    }
}

/// The first place from which `off` stays below `bound` for `hold` values.
fn settled(off: &[f64], bound: f64, hold: usize) -> Option<usize> {
    let mut calm = 0;
    for (i, off) in off.iter().enumerate() {
        calm = if *off < bound { calm + 1 } else { 0 };
        if calm > hold {
            return Some(i + 1 - calm);
        }
    }
    None
}

/// The word the truth has for it.
pub(super) fn word(kind: PlaceKind) -> &'static str {
    match kind {
        PlaceKind::Joint(Kind::Splice | Kind::Knot) => "splice",
        PlaceKind::Joint(Kind::Connector) => "connector",
        PlaceKind::Joint(Kind::Bend) => "bend",
        PlaceKind::Joint(Kind::Splitter) => "splitter",
        PlaceKind::Joint(Kind::Break) | PlaceKind::End => "end",
    }
}
