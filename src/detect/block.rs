//! Runs of cells that hang on the same unknowns: for each its normal equations are small and dense.

use std::ops::Range;

use super::cells::Cell;
use super::layout::Layout;
use super::model::{Behind, Joint, Model};
use crate::signal::lanes::{LANES, Lanes};

/// All blocks of a fit, in order, with what each has of its own in ranges of one list.
pub(super) struct Blocks {
    pub all: Vec<Block>,
    unknowns: Vec<usize>,
    seats: Vec<Seat>,
    tails: Vec<Tail>,
}

/// Neighbouring cells and the unknowns that they hang on. Slots are places among its unknowns.
pub(super) struct Block {
    pub cells: Range<usize>,
    /// Where they stand among all blocks' [`Row`]s.
    pub rows: Range<usize>,
    /// Where its equations begin among all blocks'.
    pub start: usize,
    unknowns: Range<usize>,
    /// The line on which the first of the joints stands; `None` where it is dark.
    pub base: Option<Owner>,
    seats: Range<usize>,
    tails: Range<usize>,
    pub pole: Option<usize>,
    pub tail_length: Option<usize>,
}

impl Block {
    /// Number of its unknowns.
    pub fn len(&self) -> usize {
        self.unknowns.len()
    }

    /// Numbers that its equations take: a square matrix and one column.
    pub fn equations(&self) -> usize {
        self.unknowns.len() * (self.unknowns.len() + 1)
    }
}

impl Blocks {
    /// Numbers that all blocks' equations take.
    pub fn equations(&self) -> usize {
        self.all.last().map_or(0, |block| block.start + block.equations())
    }

    /// The unknowns of `block`, in ascending order.
    pub fn unknowns(&self, block: &Block) -> &[usize] {
        &self.unknowns[block.unknowns.clone()]
    }

    /// The joints whose edges show in `block`.
    pub fn seats(&self, block: &Block) -> &[Seat] {
        &self.seats[block.seats.clone()]
    }

    /// The slow tails that may show in `block`.
    pub fn tails(&self, block: &Block) -> &[Tail] {
        &self.tails[block.tails.clone()]
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
pub(super) fn rows(blocks: &Blocks, cells: &[Cell]) -> Vec<Row> {
    let last = blocks.all.last().map_or(0, |block| block.rows.end);
    let mut rows = Vec::with_capacity(last);
    for block in &blocks.all {
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

/// A joint's slow tail and its slot.
pub(super) struct Tail {
    pub joint: usize,
    pub slot: usize,
}

/// The blocks of `cells`, in order; `reach` is how far behind it each joint's tail is followed.
pub(super) fn cut(model: &Model, cells: &[Cell], layout: &Layout, reach: &[f64]) -> Blocks {
    let tailed: Vec<usize> =
        (0..model.joints.len()).filter(|i| model.joints[*i].tail.is_some()).collect();
    // A joint moves while its tail's cells stay.
    let shows = |i: usize, cell: &Cell| {
        let x = model.joints[i].x;
        x - 1.0 < cell.x + cell.n && x + reach[i] > cell.x - cell.n
    };
    let most = 4 * model.joints.len();
    let mut blocks = Blocks {
        all: Vec::with_capacity(most),
        unknowns: Vec::with_capacity(8 * most),
        seats: Vec::with_capacity(most),
        tails: Vec::with_capacity(most),
    };
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
        blocks.add(model, layout, (first.lo, first.hi), &tails, from..to);
        from = to;
    }
    blocks
}

impl Blocks {
    /// Adds the block of `cells`, all between joints `lo..hi` that have not settled and with the same tails.
    fn add(
        &mut self,
        model: &Model,
        layout: &Layout,
        (lo, hi): (usize, usize),
        tails: &[usize],
        cells: Range<usize>,
    ) {
        let dark = lo == model.joints.len() && model.ends_dark();
        let base = (0..lo).rev().find(|i| layout.line[*i].is_some()).filter(|_| !dark);
        let lines = |i: usize| layout.line[i].into_iter().flat_map(|level| [level, level + 1]);
        let pole = layout.pole.filter(|_| model.joints[lo..hi].iter().any(shows_poles));
        let tail_length = layout.tail_length.filter(|_| !tails.is_empty());
        let [unknowns_from, seats_from, tails_from] =
            [self.unknowns.len(), self.seats.len(), self.tails.len()];
        self.unknowns.extend(base.into_iter().flat_map(lines));
        for i in lo..hi {
            self.unknowns.push(layout.place[i]);
            self.unknowns.extend(layout.height[i]);
            self.unknowns.extend(lines(i));
        }
        self.unknowns.extend(tails.iter().filter_map(|i| layout.tail[*i]));
        self.unknowns.extend(pole);
        self.unknowns.extend(tail_length);
        self.unknowns[unknowns_from..].sort_unstable();
        let unknowns = &self.unknowns[unknowns_from..];
        let slot = |unknown: usize| unknowns.partition_point(|u| *u < unknown);
        let owner = |i: usize| layout.line[i].map(|level| Owner { joint: i, level: slot(level) });
        self.seats.extend((lo..hi).map(|i| Seat {
            joint: i,
            place: slot(layout.place[i]),
            height: layout.height[i].map(slot),
            line: owner(i),
        }));
        let tail = |i: &usize| Some(Tail { joint: *i, slot: slot(layout.tail[*i]?) });
        self.tails.extend(tails.iter().filter_map(tail));
        let before = self.all.last();
        let rows_from = before.map_or(0, |before| before.rows.end);
        self.all.push(Block {
            rows: rows_from..rows_from + cells.len().div_ceil(LANES),
            start: self.equations(),
            cells,
            base: base.and_then(owner),
            pole: pole.map(slot),
            tail_length: tail_length.map(slot),
            unknowns: unknowns_from..self.unknowns.len(),
            seats: seats_from..self.seats.len(),
            tails: tails_from..self.tails.len(),
        });
    }
}

/// Whether a joint's edges tell of the receiver's poles.
fn shows_poles(joint: &Joint) -> bool {
    let step = !matches!(joint.behind, Behind::Same);
    step || (joint.height.is_some() && joint.places == 1)
}

/// First column of each row of the normal equations: the first unknown that any block ties it to.
pub(super) fn first_columns(blocks: &Blocks, layout: &Layout) -> Vec<usize> {
    let mut first: Vec<usize> = (0..layout.len).collect();
    for global in [layout.pole, layout.tail_length].into_iter().flatten() {
        first[global] = 0;
    }
    for block in &blocks.all {
        let unknowns = blocks.unknowns(block);
        for unknown in unknowns {
            first[*unknown] = first[*unknown].min(unknowns[0]);
        }
    }
    first
}
