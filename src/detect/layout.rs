//! The unknowns of a fit, and which of them meet.

use super::fit::Given;
use super::model::{Behind, Joint, Model};
use super::noise::Noise;

/// Where each unknown stands in the system.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    /// Of each joint: its place.
    pub place: Vec<usize>,
    pub height: Vec<Option<usize>>,
    pub tail: Vec<Option<usize>>,
    /// Level of the line behind each joint that has one; its slope is the next.
    pub line: Vec<Option<usize>>,
    pub pole: Option<usize>,
    /// Logarithm of the tail's length.
    pub tail_length: Option<usize>,
    pub len: usize,
}

impl Layout {
    pub fn new(model: &Model, given: &Given) -> Layout {
        let mut len = 0;
        let mut take = |count: usize| {
            len += count;
            len - count
        };
        let (mut place, mut height, mut tail, mut line) = (vec![], vec![], vec![], vec![]);
        for joint in &model.joints {
            place.push(take(1));
            height.push(joint.height.map(|_| take(1)));
            tail.push(joint.tail.map(|_| take(1)));
            line.push(matches!(joint.behind, Behind::Fibre(_)).then(|| take(2)));
        }
        let pole = given.free_pole.map(|_| take(1));
        let any_tail = tail.iter().any(Option::is_some);
        let tail_length = (given.free_tail && any_tail).then(|| take(1));
        Layout { place, height, tail, line, pole, tail_length, len }
    }

    /// The level of the line before joint `i`. `None` where there is none.
    pub fn line_before(&self, i: usize) -> Option<usize> {
        self.line[..i].iter().rev().find_map(|line| *line)
    }

    /// The unknowns of `model`, to `values`.
    pub fn set_values(&self, model: &Model, values: &mut [f64]) {
        let mut set = |unknown: Option<usize>, value: f64| {
            if let Some(unknown) = unknown {
                values[unknown] = value;
            }
        };
        for (i, joint) in model.joints.iter().enumerate() {
            set(Some(self.place[i]), joint.x);
            set(self.height[i], joint.height.unwrap_or(0.0));
            set(self.tail[i], joint.tail.unwrap_or(0.0));
            if let Behind::Fibre(line) = &joint.behind {
                set(self.line[i], line.level);
                set(self.line[i].map(|level| level + 1), line.fall);
            }
        }
        set(self.pole, model.receiver.pole);
        set(self.tail_length, model.receiver.tail.ln());
    }
}

/// How far each joint's tail is followed: to where it is a twentieth of what a mean over one pulse
/// can show.
pub(super) fn tail_reaches(model: &Model, noise: &Noise) -> Vec<f64> {
    let receiver = &model.receiver;
    let least = 0.05 * noise.of_mean(receiver.pulse);
    let of = |joint: &Joint| {
        let lengths = (joint.tail.unwrap_or(0.0).abs() / least).max(1.0).ln() + 2.0;
        receiver.pulse + receiver.tail * lengths.min(14.0)
    };
    model.joints.iter().map(of).collect()
}
