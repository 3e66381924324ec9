//! What a trace is made of: lines of fibre, and joints between them.

use super::receiver::Receiver;
use crate::signal::lanes::Lanes;

/// A straight line of backscatter: `power = exp(level - fall·(x - at))`, x in samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    pub at: f64,
    pub level: f64,
    pub fall: f64,
}

impl Line {
    /// Natural logarithm of the power at `x`.
    pub fn log(&self, x: f64) -> f64 {
        self.level - self.fall * (x - self.at)
    }

    /// Power at `x`.
    pub fn power(&self, x: f64) -> f64 {
        self.log(x).exp()
    }

    /// The same line about another reference place.
    pub fn about(&self, at: f64) -> Line {
        Line { at, level: self.log(at), fall: self.fall }
    }
}

/// What lies behind a joint.
#[derive(Clone, Copy, Debug)]
pub(super) enum Behind {
    /// Fibre with a line of its own.
    Fibre(Line),
    /// The same line as before: only a reflection stands here.
    Same,
    /// No light.
    Dark,
}

/// Share of the light that is left behind a drop from which what the detector forgets late is reckoned
/// with: 3 dB. Behind lesser ones it is a few hundredths of a dB at most, and not to be told from slope.
const DEEP_DROP: f64 = 0.25;

/// One event of the model.
#[expect(clippy::struct_excessive_bools, reason = "four independent facts about one event")]
#[derive(Clone, Copy, Debug)]
pub(super) struct Joint {
    /// Place in samples from the panel.
    pub x: f64,
    /// Height of its reflection in power; `None` for none.
    pub height: Option<f64>,
    /// Height of its slow tail in power; `None` for none.
    pub tail: Option<f64>,
    /// The receiver was at its limit.
    pub clipped: bool,
    /// It was so far over its limit that the edges tell nothing.
    pub hidden: bool,
    /// Places so near to each other that they share this one's loss.
    pub places: usize,
    /// Light that bounced more than once.
    pub echo: bool,
    /// Stands out too little to be reported, and too much to be left out of the lines.
    pub faint: bool,
    /// Where it is known to be beforehand and the standard deviation of that, in samples; `None` where
    /// the fit alone tells.
    pub held: Option<(f64, f64)>,
    /// Standard deviation of the place in samples by its profile, where that was looked at.
    pub spread: Option<f64>,
    /// What lies behind.
    pub behind: Behind,
}

impl Joint {
    /// A new joint with nothing but its place, its reflection and what lies behind.
    pub fn new(x: f64, height: Option<f64>, behind: Behind) -> Joint {
        Joint {
            x,
            height,
            tail: None,
            clipped: false,
            hidden: false,
            places: 1,
            echo: false,
            faint: false,
            held: None,
            spread: None,
            behind,
        }
    }
}

/// Most joints that are looked for: twice what the longest links have (200 km of fibre joined every 2 km, common
/// practice, no source). Of samples that are no trace of fibre the strongest are enough.
pub(super) const MOST_JOINTS: usize = 200;

/// The whole trace. The first joint is the panel, before which it is dark.
#[derive(Clone, Debug)]
pub(super) struct Model {
    pub joints: Vec<Joint>,
    pub receiver: Receiver,
}

impl Model {
    /// The line before joint `i`. `None` at the panel.
    pub fn before(&self, i: usize) -> Option<&Line> {
        self.joints[..i].iter().rev().find_map(|joint| match &joint.behind {
            Behind::Fibre(line) => Some(Some(line)),
            Behind::Dark => Some(None),
            Behind::Same => None,
        })?
    }

    /// The line behind joint `i`. `None` where it is dark.
    pub fn behind(&self, i: usize) -> Option<&Line> {
        match &self.joints[i].behind {
            Behind::Fibre(line) => Some(line),
            Behind::Same => self.before(i),
            Behind::Dark => None,
        }
    }

    /// The joint that ends the line behind joint `i`: the next that is not `Same`.
    pub fn next_change(&self, i: usize) -> Option<usize> {
        (i + 1..self.joints.len()).find(|j| !matches!(self.joints[*j].behind, Behind::Same))
    }

    /// Where joint `i` may begin to show.
    pub fn onset(&self, i: usize) -> f64 {
        let joint = &self.joints[i];
        let peak = joint.height.is_some();
        joint.x - if peak { self.receiver.toe() } else { self.receiver.lead() }
    }

    /// Light that joint `i` leaves a slow detector to forget, in the height of a reflection that would
    /// leave as much: its own reflection, and what falls away behind it. A detector that follows a
    /// share of the light with a decay of `tail` lags behind a drop by `tail/pulse` times what it lags
    /// behind a pulse of the same height, in the same shape: docs/theory.md.
    pub fn afterglow(&self, i: usize) -> f64 {
        let joint = &self.joints[i];
        let (before, behind) = self.powers(i);
        let lag = self.receiver.tail / self.receiver.pulse;
        let drop = if self.is_deep(i) { (before - behind) * lag } else { 0.0 };
        joint.height.unwrap_or(0.0).max(0.0) + drop
    }

    /// Whether so much light is lost at joint `i` that what the detector still remembers of it shows.
    pub fn is_deep(&self, i: usize) -> bool {
        let (before, behind) = self.powers(i);
        behind < DEEP_DROP * before
    }

    /// Power of the lines before and behind joint `i`, 0 where it is dark.
    fn powers(&self, i: usize) -> (f64, f64) {
        let power = |line: Option<&Line>| line.map_or(0.0, |line| line.power(self.joints[i].x));
        (power(self.before(i)), power(self.behind(i)))
    }

    /// Where the edges of `joint` have settled so far that what an edge's misfit leaves is no event.
    pub fn clear_behind(&self, joint: &Joint) -> f64 {
        let poles = if joint.height.is_some() { 15.0 } else { 6.0 };
        joint.x + self.receiver.pulse + poles * self.receiver.pole + 1.0
    }

    /// Whether the last joint is an end in the dark.
    pub fn ends_dark(&self) -> bool {
        self.joints.last().is_some_and(|joint| matches!(joint.behind, Behind::Dark))
    }

    /// Puts joints that a fit has led past each other to one place: behind each lies what lay there before.
    pub fn uncross(&mut self) {
        for i in 1..self.joints.len() {
            self.joints[i].x = self.joints[i].x.max(self.joints[i - 1].x);
        }
    }

    /// Keeps the joints in order of place.
    pub fn sort(&mut self) {
        self.joints.sort_by(|a, b| a.x.total_cmp(&b.x));
    }
}

/// The slow tails that show over some stretch.
pub(super) struct Tails {
    from_and_height: Vec<(f64, f64)>,
    receiver: Receiver,
}

impl Tails {
    /// Those of `model` that reach into `from..to`.
    pub fn between(model: &Model, from: f64, to: f64) -> Tails {
        let reach = model.receiver.tail_reach();
        let from_and_height = model
            .joints
            .iter()
            .filter(|joint| joint.x < to && joint.x + reach > from)
            .filter_map(|joint| joint.tail.map(|tail| (joint.x, tail)))
            .collect();
        Tails { from_and_height, receiver: model.receiver }
    }

    /// Their power at each `x`.
    pub fn at(&self, x: Lanes) -> Lanes {
        let reach = Lanes::splat(self.receiver.tail_reach());
        let mut sum = Lanes::ZERO;
        for (from, height) in &self.from_and_height {
            let behind = x - *from;
            let shown = behind.simd_gt(Lanes::ZERO) & behind.simd_lt(reach);
            sum += shown.select(self.receiver.tail(behind).0 * *height, Lanes::ZERO);
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn joints_led_past_each_other_keep_what_lies_behind_each() {
        let line = |level: f64| Behind::Fibre(Line { at: 0.0, level, fall: 0.0 });
        let joint = |x: f64, level: f64| Joint::new(x, None, line(level));
        let receiver = Receiver { pulse: 10.0, poles: 3, pole: 0.5, tail: 30.0 };
        let joints = vec![joint(0.0, 0.0), joint(50.2, -1.0), joint(50.0, -3.0), joint(90.0, -4.0)];
        let mut model = Model { joints, receiver };
        model.uncross();
        model.sort();
        let last_before_90 = model.before(3).expect("a line").level;
        assert!((last_before_90 + 3.0).abs() < 1e-12, "the deeper line goes on: {model:?}");
        assert!(model.joints[1].x <= model.joints[2].x && model.joints[2].x < 51.0);
    }
}
