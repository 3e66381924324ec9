//! Runs of cells that hang on the same unknowns: for each its normal equations are small and dense.

use std::ops::Range;

use super::cells::Cell;
use super::layout::Layout;
use super::model::{Behind, Joint, Model};
use crate::signal::lanes::{LANES, Lanes};

/// Neighbouring cells and the unknowns that they hang on. Slots are places in `unknowns`.
pub(super) struct Block {
    pub cells: Range<usize>,
    /// Where they stand among all blocks' [`Row`]s.
    pub rows: Range<usize>,
    /// Where its equations begin among all blocks'.
    pub start: usize,
    /// In ascending order.
    pub unknowns: Vec<usize>,
    /// The line on which the first of the joints stands; `None` where it is dark.
    pub base: Option<Owner>,
    /// The joints whose edges show here.
    pub joints: Vec<Seat>,
    /// The joints whose slow tails may show here, and the slot of each tail.
    pub tails: Vec<(usize, usize)>,
    pub pole: Option<usize>,
    pub tail_length: Option<usize>,
}

impl Block {
    /// Numbers that its equations take: a square matrix and one column.
    pub fn equations(&self) -> usize {
        self.unknowns.len() * (self.unknowns.len() + 1)
    }
}

/// Some neighbouring cells of one block, that are worked on together.
pub(super) struct Row {
    pub x: Lanes,
    pub n: Lanes,
    pub mean: Lanes,
    pub unsure: Lanes,
    /// 1 for a cell, 0 for what fills up a block's last row.
    pub full: Lanes,
}

/// The cells of `blocks` in rows, in order.
pub(super) fn rows(blocks: &[Block], cells: &[Cell]) -> Vec<Row> {
    let last = blocks.last().map_or(0, |block| block.rows.end);
    let mut rows = Vec::with_capacity(last);
    for block in blocks {
        rows.extend(cells[block.cells.clone()].chunks(LANES).map(|some| {
            let of = |get: fn(&Cell) -> f64| {
                Lanes::from(std::array::from_fn(|i| get(&some[i.min(some.len() - 1)])))
            };
            let full = Lanes::from(std::array::from_fn(|i| f64::from(u8::from(i < some.len()))));
            Row {
                x: of(|cell| cell.x),
                n: of(|cell| cell.n),
                mean: of(|cell| cell.mean),
                unsure: of(|cell| cell.unsure),
                full,
            }
        }));
    }
    rows
}

/// A line: the joint that it begins at, and the slot of its level; its slope is the next.
#[derive(Clone, Copy)]
pub(super) struct Owner {
    pub joint: usize,
    pub level: usize,
}

/// A joint and its slots.
pub(super) struct Seat {
    pub joint: usize,
    pub place: usize,
    pub height: Option<usize>,
    pub line: Option<Owner>,
}

/// The blocks of `cells`, in order; `reach` is how far behind it each joint's tail is followed.
pub(super) fn cut(model: &Model, cells: &[Cell], layout: &Layout, reach: &[f64]) -> Vec<Block> {
    let tailed: Vec<usize> =
        (0..model.joints.len()).filter(|i| model.joints[*i].tail.is_some()).collect();
    // A joint moves while its tail's cells stay.
    let shows = |i: usize, cell: &Cell| {
        let x = model.joints[i].x;
        x - 1.0 < cell.x + cell.n && x + reach[i] > cell.x - cell.n
    };
    let mut blocks: Vec<Block> = Vec::with_capacity(4 * model.joints.len());
    let mut from = 0;
    let mut tails: Vec<usize> = Vec::new();
    let alike = |a: &Cell, b: &Cell, tails: &[usize]| {
        (a.lo, a.hi) == (b.lo, b.hi) && tailed.iter().all(|i| shows(*i, b) == tails.contains(i))
    };
    while from < cells.len() {
        let first = &cells[from];
        tails.clear();
        tails.extend(tailed.iter().filter(|i| shows(**i, first)));
        let more = cells[from + 1..].iter().take_while(|cell| alike(first, cell, &tails)).count();
        let to = from + 1 + more;
        let mut next = block(model, layout, (first.lo, first.hi), &tails, from..to);
        if let Some(before) = blocks.last() {
            next.rows = before.rows.end..before.rows.end + next.rows.end;
            next.start = before.start + before.equations();
        }
        blocks.push(next);
        from = to;
    }
    blocks
}

/// The block of `cells`, all between joints `lo..hi` that have not settled and with the same tails.
fn block(
    model: &Model,
    layout: &Layout,
    (lo, hi): (usize, usize),
    tails: &[usize],
    cells: Range<usize>,
) -> Block {
    let dark = lo == model.joints.len() && model.ends_dark();
    let base = (0..lo).rev().find(|i| layout.line[*i].is_some()).filter(|_| !dark);
    let lines = |i: usize| layout.line[i].into_iter().flat_map(|level| [level, level + 1]);
    let edges: &[Joint] = &model.joints[lo..hi];
    let pole = layout.pole.filter(|_| edges.iter().any(shows_poles));
    let tail_length = layout.tail_length.filter(|_| !tails.is_empty());
    let mut unknowns: Vec<usize> = Vec::with_capacity(12);
    unknowns.extend(base.into_iter().flat_map(lines));
    for i in lo..hi {
        unknowns.push(layout.place[i]);
        unknowns.extend(layout.height[i]);
        unknowns.extend(lines(i));
    }
    unknowns.extend(tails.iter().filter_map(|i| layout.tail[*i]));
    unknowns.extend(pole);
    unknowns.extend(tail_length);
    unknowns.sort_unstable();
    let slot = |unknown: usize| unknowns.partition_point(|u| *u < unknown);
    let owner = |i: usize| layout.line[i].map(|level| Owner { joint: i, level: slot(level) });
    let seat = |i: usize| Seat {
        joint: i,
        place: slot(layout.place[i]),
        height: layout.height[i].map(slot),
        line: owner(i),
    };
    Block {
        rows: 0..cells.len().div_ceil(LANES),
        start: 0,
        cells,
        base: base.and_then(owner),
        joints: (lo..hi).map(seat).collect(),
        tails: tails.iter().filter_map(|i| Some((*i, slot(layout.tail[*i]?)))).collect(),
        pole: pole.map(slot),
        tail_length: tail_length.map(slot),
        unknowns,
    }
}

/// Whether a joint's edges tell of the receiver's poles.
fn shows_poles(joint: &Joint) -> bool {
    let step = !matches!(joint.behind, Behind::Same);
    step || (joint.height.is_some() && joint.places == 1)
}

/// First column of each row of the normal equations: the first unknown that any block ties it to.
pub(super) fn first_columns(blocks: &[Block], layout: &Layout) -> Vec<usize> {
    let mut first: Vec<usize> = (0..layout.len).collect();
    for global in [layout.pole, layout.tail_length].into_iter().flatten() {
        first[global] = 0;
    }
    for block in blocks {
        for unknown in &block.unknowns {
            first[*unknown] = first[*unknown].min(block.unknowns[0]);
        }
    }
    first
}
