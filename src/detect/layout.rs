//! The unknowns of a fit, and which of them meet.

use super::cells::Cell;
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
}

/// Of each joint, the index of the joint that owns the line before it.
pub(super) fn line_before(layout: &Layout) -> Vec<Option<usize>> {
    let mut last = None;
    let mut before = Vec::with_capacity(layout.line.len());
    for (i, line) in layout.line.iter().enumerate() {
        before.push(last);
        if line.is_some() {
            last = Some(i);
        }
    }
    before
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

/// First column of each row: the first unknown that any cell ties it to.
pub(super) fn first_columns(
    model: &Model,
    cells: &[Cell],
    layout: &Layout,
    line_before: &[Option<usize>],
    reach: &[f64],
) -> Vec<usize> {
    let mut first: Vec<usize> = (0..layout.len).collect();
    for global in [layout.pole, layout.tail_length].into_iter().flatten() {
        first[global] = 0;
    }
    let mut tie = |low: usize, rows: &[usize]| {
        for row in rows {
            first[*row] = first[*row].min(low);
        }
    };
    let mut rows = Vec::new();
    let any_tail = model.joints.iter().any(|j| j.tail.is_some());
    let mut last = (usize::MAX, 0);
    for cell in cells {
        if (cell.lo, cell.hi) == last && !any_tail {
            continue;
        }
        last = (cell.lo, cell.hi);
        rows.clear();
        let own = |i: usize| layout.line[i].map(|c| [c, c + 1]).into_iter().flatten();
        if let Some(base) = base_line(cell, line_before, layout) {
            rows.extend(own(base));
        }
        for i in cell.lo..cell.hi {
            rows.push(layout.place[i]);
            rows.extend(layout.height[i]);
            rows.extend(own(i));
        }
        for (i, joint) in model.joints.iter().enumerate() {
            if joint.tail.is_some()
                && joint.x - 1.0 < cell.x + cell.n
                && joint.x + reach[i] > cell.x - cell.n
            {
                rows.extend(layout.tail[i]);
                rows.push(layout.place[i]);
            }
        }
        if let Some(low) = rows.iter().min().copied() {
            tie(low, &rows);
        }
    }
    first
}

/// The joint that owns the line on which a cell stands before its first unsettled joint.
pub(super) fn base_line(
    cell: &Cell,
    line_before: &[Option<usize>],
    layout: &Layout,
) -> Option<usize> {
    if cell.lo < line_before.len() {
        line_before[cell.lo]
    } else {
        // behind all joints: the last joint's own line, if it has one or shows the one before
        (0..layout.line.len()).rev().find(|i| layout.line[*i].is_some())
    }
}
