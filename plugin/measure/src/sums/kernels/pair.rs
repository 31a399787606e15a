//! The vector loops of the pairwise set: one read of the samples and of those of the frame before.

use fearless_simd::prelude::*;

use super::lanes::{Products, Simd, WIDEST, first_lanes, load, padded};
use crate::sums::patch::Patch;

/// Every how many rows the correlations of differences are taken.
pub const ROW_STEP: usize = 4;

/// Sums of one frame while its rows come in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct PairFrame {
    /// Σx.
    pub sum: u64,
    /// Σx².
    pub square: u64,
    /// Σ of products with the frame before.
    pub previous: u64,
    /// Σ of products of differences with their right neighbour in every fourth row, and Σ of both factors.
    pub right: (i64, i64),
    /// The same of those rows with the row below.
    pub below: (i64, i64),
    /// Σ of the differences of the newest of those rows.
    pub(super) level: i64,
}

/// Where the samples of the frame before are.
pub enum Before<'a> {
    /// There is none, and this frame need not be kept.
    None,
    /// There is none; this frame is written there, [`padded`] samples a row.
    Fill(&'a mut [u16]),
    /// In a copy of our own, [`padded`] samples a row, that this frame replaces.
    Kept(&'a mut [u16]),
    /// In the frame itself, which is lent: as many rows as the new ones.
    Lent(Patch<'a>),
}

/// What rows do with the differences.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Differences {
    None,
    Across,
    Down,
}

impl Differences {
    /// Of row `y` of the region.
    const fn of(y: usize) -> Self {
        match y % ROW_STEP {
            0 => Self::Across,
            1 => Self::Down,
            _ => Self::None,
        }
    }
}

/// Length of the memory for a row's differences: a vector may begin at the last one.
#[must_use]
pub const fn room(width: usize) -> usize {
    padded(width) + WIDEST
}

/// Accumulators over some rows.
struct Sums<S: Simd> {
    one: S::i16s,
    sum: Products<S>,
    square: Products<S>,
    previous: Products<S>,
    across: Products<S>,
    down: Products<S>,
    low: S::u16s,
    high: S::u16s,
    /// Products that can be added to every lane before it may overflow, and how many were.
    budget: usize,
    used: usize,
}

impl<S: Simd> Sums<S> {
    #[inline(always)]
    fn new(simd: S, budget: usize) -> Self {
        let none = Products::new(simd);
        Self {
            budget,
            used: 0,
            one: S::i16s::simd_from(simd, 1),
            sum: none,
            square: none,
            previous: none,
            across: none,
            down: none,
            low: S::u16s::simd_from(simd, u16::MAX),
            high: S::u16s::simd_from(simd, 0),
        }
    }

    /// Sees to it that `vectors` more products fit, which must not be more than the budget.
    #[inline(always)]
    fn reserve(&mut self, simd: S, vectors: usize) {
        self.used += vectors;
        if self.used > self.budget {
            for products in
                [&mut self.sum, &mut self.square, &mut self.previous, &mut self.across, &mut self.down]
            {
                products.widen(simd);
            }
            self.used = vectors;
        }
    }

    /// Extremes of the lanes of `x` that `mask` has.
    #[inline(always)]
    fn extremes(&mut self, x: S::u16s, mask: S::u16s) {
        self.low = self.low.min(x | !mask);
        self.high = self.high.max(x & mask);
    }

    /// Sums of the samples alone; `x` is 0 where there is none.
    #[inline(always)]
    fn alone(&mut self, x: S::u16s) {
        let x: S::i16s = x.bitcast();
        self.sum.add(x, self.one);
        self.square.add(x, x);
    }
}

/// The vectors of a row: those that are whole, and what is left.
struct Split {
    whole: usize,
    rest: usize,
}

impl Split {
    #[inline(always)]
    fn new<S: Simd>(width: usize) -> Self {
        let rest = width % S::u16s::LEN;
        Self { whole: width - rest, rest }
    }
}

/// Takes in rows `y..` of a region; gives their lowest and highest value.
///
/// `budget` is [`super::lanes::budget`] of the largest value; `difference` has [`room`] for the differences of a row and
/// must be the same for all rows of a region.
#[inline(always)]
pub fn rows<S: Simd>(
    simd: S,
    frame: &mut PairFrame,
    y: usize,
    patch: Patch<'_>,
    before: Before<'_>,
    difference: &mut [i16],
    budget: usize,
) -> (u16, u16) {
    if patch.width == 0 || difference.len() < room(patch.width) {
        return (u16::MAX, 0);
    }
    let mut sums = Sums::new(simd, budget);
    let stride = padded(patch.width);
    match before {
        Before::None => {
            for i in 0..patch.rows {
                product_row(simd, &mut sums, patch.from_row(i), Nothing, patch.width);
            }
        }
        Before::Fill(kept) => {
            for (i, kept) in kept.chunks_exact_mut(stride).take(patch.rows).enumerate() {
                kept[..patch.width].copy_from_slice(patch.row(i));
                product_row(simd, &mut sums, patch.from_row(i), Nothing, patch.width);
            }
        }
        Before::Kept(kept) => {
            for (i, kept) in kept.chunks_exact_mut(stride).take(patch.rows).enumerate() {
                let pair = (patch.from_row(i), &*kept, patch.width);
                difference_row(simd, &mut sums, frame, Differences::of(y + i), pair, difference);
                product_row(simd, &mut sums, patch.from_row(i), Own(kept), patch.width);
            }
        }
        Before::Lent(lent) => {
            for i in 0..patch.rows.min(lent.rows) {
                let pair = (patch.from_row(i), lent.from_row(i), patch.width);
                difference_row(simd, &mut sums, frame, Differences::of(y + i), pair, difference);
                product_row(simd, &mut sums, patch.from_row(i), Other(lent.from_row(i)), patch.width);
            }
        }
    }
    frame.sum += sums.sum.take(simd) as u64;
    frame.square += sums.square.take(simd) as u64;
    frame.previous += sums.previous.take(simd) as u64;
    frame.right.0 += sums.across.take(simd);
    frame.below.0 += sums.down.take(simd);
    (sums.low.reduce_min(), sums.high.reduce_max())
}

/// The samples of a row of the frame before.
trait Row {
    /// Calls `with` for each whole vector of `row` and the one before it.
    fn vectors<S: Simd>(&mut self, simd: S, row: &[u16], at: usize, with: impl FnMut(S::u16s, S::u16s));
    /// The vector before the rest, `x`, that begins at `at`.
    fn rest<S: Simd>(&mut self, simd: S, at: usize, x: S::u16s) -> S::u16s;
}

/// No frame before: products with it are zero.
struct Nothing;
/// A copy of our own that the new row replaces.
struct Own<'a>(&'a mut [u16]);
/// Another frame's memory.
struct Other<'a>(&'a [u16]);

impl Row for Nothing {
    #[inline(always)]
    fn vectors<S: Simd>(&mut self, simd: S, row: &[u16], _: usize, mut with: impl FnMut(S::u16s, S::u16s)) {
        let zero = S::u16s::simd_from(simd, 0);
        row.chunks_exact(S::u16s::LEN).for_each(|x| with(S::u16s::from_slice(simd, x), zero));
    }

    #[inline(always)]
    fn rest<S: Simd>(&mut self, simd: S, _: usize, _: S::u16s) -> S::u16s {
        S::u16s::simd_from(simd, 0)
    }
}

impl Row for Own<'_> {
    #[inline(always)]
    fn vectors<S: Simd>(&mut self, simd: S, row: &[u16], at: usize, mut with: impl FnMut(S::u16s, S::u16s)) {
        let length = S::u16s::LEN;
        for (x, kept) in row.chunks_exact(length).zip(self.0[at..].chunks_exact_mut(length)) {
            let x = S::u16s::from_slice(simd, x);
            with(x, S::u16s::from_slice(simd, kept));
            x.store_slice(kept);
        }
    }

    #[inline(always)]
    fn rest<S: Simd>(&mut self, simd: S, at: usize, x: S::u16s) -> S::u16s {
        let kept = &mut self.0[at..at + S::u16s::LEN];
        let before = S::u16s::from_slice(simd, kept);
        x.store_slice(kept);
        before
    }
}

impl Row for Other<'_> {
    #[inline(always)]
    fn vectors<S: Simd>(&mut self, simd: S, row: &[u16], at: usize, mut with: impl FnMut(S::u16s, S::u16s)) {
        let length = S::u16s::LEN;
        for (x, before) in row.chunks_exact(length).zip(self.0[at..].chunks_exact(length)) {
            with(S::u16s::from_slice(simd, x), S::u16s::from_slice(simd, before));
        }
    }

    #[inline(always)]
    fn rest<S: Simd>(&mut self, simd: S, at: usize, _: S::u16s) -> S::u16s {
        load(simd, &self.0[at..])
    }
}

/// Sums, squares and extremes of a row, and its products with the one before it.
#[inline(always)]
fn product_row<S: Simd>(simd: S, sums: &mut Sums<S>, row: &[u16], mut before: impl Row, width: usize) {
    let split = Split::new::<S>(width);
    let piece = S::u16s::LEN * sums.budget;
    for (i, part) in row[..split.whole].chunks(piece).enumerate() {
        sums.reserve(simd, part.len() / S::u16s::LEN);
        before.vectors(
            simd,
            part,
            i * piece,
            #[inline(always)]
            |x: S::u16s, p: S::u16s| {
                sums.alone(x);
                sums.previous.add(x.bitcast(), p.bitcast());
                sums.low = sums.low.min(x);
                sums.high = sums.high.max(x);
            },
        );
    }
    if split.rest > 0 {
        sums.reserve(simd, 1);
        let (x, mask) = (load(simd, &row[split.whole..]), first_lanes(simd, split.rest));
        let p: S::u16s = before.rest(simd, split.whole, x);
        sums.alone(x & mask);
        sums.previous.add((x & mask).bitcast(), p.bitcast());
        sums.extremes(x, mask);
    }
}

/// Products of neighbouring differences in this row, or with those of the row above, which `difference` holds.
#[inline(always)]
fn difference_row<S: Simd>(
    simd: S,
    sums: &mut Sums<S>,
    frame: &mut PairFrame,
    differences: Differences,
    (row, before, width): (&[u16], &[u16], usize),
    difference: &mut [i16],
) {
    let (split, length) = (Split::new::<S>(width), S::u16s::LEN);
    let mut level = Products::<S>::new(simd);
    let mut step = |sums: &mut Sums<S>, x: S::u16s, p: S::u16s, mask: S::u16s, kept: &mut [i16]| {
        sums.reserve(simd, 1);
        let d: S::i16s = ((x - p) & mask).bitcast();
        if differences == Differences::Down {
            sums.down.add(d, S::i16s::from_slice(simd, kept));
        } else {
            d.store_slice(kept);
        }
        // Lines are far shorter than the 2¹⁵ vectors that sums of differences would need to overflow.
        level.add(d, sums.one);
    };
    if differences == Differences::None {
        return;
    }
    let all = S::u16s::simd_from(simd, u16::MAX);
    let (whole, rest) = difference.split_at_mut(split.whole);
    for ((x, p), kept) in
        row.chunks_exact(length).zip(before.chunks_exact(length)).zip(whole.chunks_exact_mut(length))
    {
        step(sums, S::u16s::from_slice(simd, x), S::u16s::from_slice(simd, p), all, kept);
    }
    if split.rest > 0 {
        let (x, p) = (load(simd, &row[split.whole..]), load(simd, &before[split.whole..]));
        step(sums, x, p, first_lanes(simd, split.rest), &mut rest[..length]);
    }
    let level = level.take(simd);
    if differences == Differences::Down {
        frame.below.1 += level + frame.level;
        return;
    }
    frame.level = level;
    let last = width - 1;
    let neighbours = Split::new::<S>(last);
    for (a, b) in difference[..neighbours.whole].chunks_exact(length).zip(difference[1..].chunks_exact(length)) {
        sums.reserve(simd, 1);
        sums.across.add(S::i16s::from_slice(simd, a), S::i16s::from_slice(simd, b));
    }
    if neighbours.rest > 0 {
        sums.reserve(simd, 1);
        let mask: S::i16s = first_lanes::<S>(simd, neighbours.rest).bitcast();
        let at = neighbours.whole;
        let (a, b) = (&difference[at..at + length], &difference[at + 1..at + 1 + length]);
        sums.across.add(S::i16s::from_slice(simd, a) & mask, S::i16s::from_slice(simd, b));
    }
    frame.right.1 += 2 * level - i64::from(difference[0]) - i64::from(difference[last]);
}
