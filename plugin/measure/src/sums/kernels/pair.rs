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
    right: i64,
    below: i64,
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
            right: 0,
            below: 0,
            low: S::u16s::simd_from(simd, u16::MAX),
            high: S::u16s::simd_from(simd, 0),
        }
    }

    /// Sees to it that `vectors` more products fit, which must not be more than the budget.
    #[inline(always)]
    fn reserve(&mut self, simd: S, vectors: usize) {
        self.used += vectors;
        if self.used > self.budget {
            self.sum.widen(simd);
            self.square.widen(simd);
            self.previous.widen(simd);
            self.used = vectors;
        }
    }

    /// Sums of samples and of their products with those before; `x` is 0 where there is none.
    #[inline(always)]
    fn add(&mut self, x: S::u16s, before: S::u16s) {
        let x: S::i16s = x.bitcast();
        self.sum.add(x, self.one);
        self.square.add(x, x);
        self.previous.add(x, before.bitcast());
    }
}

/// The samples of a row of the frame before.
trait Row {
    /// The whole vector that begins at sample `at`, before `x` takes its place.
    fn replace<S: Simd>(&mut self, simd: S, at: usize, x: S::u16s) -> S::u16s;
    /// The same of the last vector, which need not be whole.
    #[inline(always)]
    fn replace_rest<S: Simd>(&mut self, simd: S, at: usize, x: S::u16s) -> S::u16s {
        self.replace(simd, at, x)
    }
}

/// No frame before: products with it are zero.
struct Nothing;
/// A padded copy of our own that the new row replaces.
struct Own<'a>(&'a mut [u16]);
/// Another frame's memory.
struct Other<'a>(&'a [u16]);

impl Row for Nothing {
    #[inline(always)]
    fn replace<S: Simd>(&mut self, simd: S, _: usize, _: S::u16s) -> S::u16s {
        S::u16s::simd_from(simd, 0)
    }
}

impl Row for Own<'_> {
    #[inline(always)]
    fn replace<S: Simd>(&mut self, simd: S, at: usize, x: S::u16s) -> S::u16s {
        let kept = &mut self.0[at..at + S::u16s::LEN];
        let before = S::u16s::from_slice(simd, kept);
        x.store_slice(kept);
        before
    }
}

impl Row for Other<'_> {
    #[inline(always)]
    fn replace<S: Simd>(&mut self, simd: S, at: usize, _: S::u16s) -> S::u16s {
        S::u16s::from_slice(simd, &self.0[at..at + S::u16s::LEN])
    }

    #[inline(always)]
    fn replace_rest<S: Simd>(&mut self, simd: S, at: usize, _: S::u16s) -> S::u16s {
        load(simd, &self.0[at..])
    }
}

/// Width of a region in vectors, the same for all its rows.
#[derive(Clone, Copy)]
struct Width<S: Simd> {
    samples: usize,
    /// Samples in whole vectors.
    whole: usize,
    /// The rest, and its lanes.
    rest: usize,
    mask: S::u16s,
}

impl<S: Simd> Width<S> {
    #[inline(always)]
    fn new(simd: S, samples: usize) -> Self {
        let rest = samples % S::u16s::LEN;
        Self { samples, whole: samples - rest, rest, mask: first_lanes(simd, rest) }
    }
}

/// Takes in rows `y..` of a region; gives their lowest and highest value.
///
/// `budget` is [`super::lanes::budget`] of the largest value; `difference` has [`room`] for the differences of a row and
/// must be the same for all rows of a region.
// Apart from its callers, whose own values would take registers from its sums.
#[inline(never)]
pub fn rows<S: Simd>(
    simd: S,
    frame: &mut PairFrame,
    y: usize,
    patch: Patch<'_>,
    before: Before<'_>,
    difference: &mut [i16],
    budget: usize,
) -> (u16, u16) {
    simd.vectorize(
        #[inline(always)]
        || take_rows(simd, frame, y, patch, before, difference, budget),
    )
}

#[inline(always)]
fn take_rows<S: Simd>(
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
    let (stride, width) = (padded(patch.width), Width::new(simd, patch.width));
    match before {
        Before::None => {
            for i in 0..patch.rows {
                row::<S, ALONE>(simd, &mut sums, patch.from_row(i), Nothing, width, difference);
            }
        }
        Before::Fill(kept) => {
            for (i, kept) in kept.chunks_exact_mut(stride).take(patch.rows).enumerate() {
                kept[..patch.width].copy_from_slice(patch.row(i));
                row::<S, ALONE>(simd, &mut sums, patch.from_row(i), Nothing, width, difference);
            }
        }
        Before::Kept(kept) => {
            for (i, kept) in kept.chunks_exact_mut(stride).take(patch.rows).enumerate() {
                pair_row(simd, &mut sums, frame, y + i, (patch.from_row(i), Own(kept)), width, difference);
            }
        }
        Before::Lent(lent) => {
            for i in 0..patch.rows.min(lent.rows) {
                let pair = (patch.from_row(i), Other(lent.from_row(i)));
                pair_row(simd, &mut sums, frame, y + i, pair, width, difference);
            }
        }
    }
    frame.sum += sums.sum.take(simd) as u64;
    frame.square += sums.square.take(simd) as u64;
    frame.previous += sums.previous.take(simd) as u64;
    frame.right.0 += sums.right;
    frame.below.0 += sums.below;
    (sums.low.reduce_min(), sums.high.reduce_max())
}

/// What a row does with its differences from the frame before: nothing, products with its own, or with those of the row
/// above, which are kept.
const ALONE: u8 = 0;
const ACROSS: u8 = 1;
const DOWN: u8 = 2;

/// Row `y` of a region and the one before it.
#[inline(always)]
fn pair_row<S: Simd>(
    simd: S,
    sums: &mut Sums<S>,
    frame: &mut PairFrame,
    y: usize,
    (samples, before): (&[u16], impl Row),
    width: Width<S>,
    difference: &mut [i16],
) {
    match y % ROW_STEP {
        0 => {
            let level = row::<S, ACROSS>(simd, sums, samples, before, width, difference);
            across(simd, sums, width.samples, difference);
            frame.level = level;
            let ends = i64::from(difference[0]) + i64::from(difference[width.samples - 1]);
            frame.right.1 += 2 * level - ends;
        }
        1 => {
            let level = row::<S, DOWN>(simd, sums, samples, before, width, difference);
            frame.below.1 += level + frame.level;
        }
        _ => {
            row::<S, ALONE>(simd, sums, samples, before, width, difference);
        }
    }
}

/// Sums, squares and extremes of a row, and its products with the one before; gives Σ of its differences if it has any.
#[inline(always)]
fn row<S: Simd, const DIFFERENCES: u8>(
    simd: S,
    sums: &mut Sums<S>,
    row: &[u16],
    mut before: impl Row,
    width: Width<S>,
    difference: &mut [i16],
) -> i64 {
    let length = S::u16s::LEN;
    // Differences are no larger than the samples, whose sum over a row fits 31 bits (`lanes::is_narrow`).
    let mut level = Products::<S>::new(simd);
    // What belongs to few rows is summed apart: there are not enough registers for all sums at once.
    let mut down = Products::<S>::new(simd);
    let piece = length * sums.budget;
    let mut start = 0;
    while start < width.whole {
        let end = width.whole.min(start + piece);
        sums.reserve(simd, (end - start) / length);
        for (i, x) in row[start..end].chunks_exact(length).enumerate() {
            let (x, at) = (S::u16s::from_slice(simd, x), start + i * length);
            let p: S::u16s = before.replace(simd, at, x);
            sums.add(x, p);
            sums.low = sums.low.min(x);
            sums.high = sums.high.max(x);
            if DIFFERENCES != ALONE {
                let d: S::i16s = (x - p).bitcast();
                keep::<S, DIFFERENCES>(simd, &mut down, d, &mut difference[at..at + length]);
                level.add(d, sums.one);
            }
        }
        if DIFFERENCES == DOWN && width.whole >= piece {
            down.widen(simd);
        }
        start = end;
    }
    if width.rest > 0 {
        sums.reserve(simd, 1);
        let at = width.whole;
        let x = load(simd, &row[at..]);
        let p: S::u16s = before.replace_rest(simd, at, x);
        let inside = x & width.mask;
        sums.add(inside, p);
        sums.low = sums.low.min(x | !width.mask);
        sums.high = sums.high.max(inside);
        if DIFFERENCES != ALONE {
            let d: S::i16s = ((x - p) & width.mask).bitcast();
            keep::<S, DIFFERENCES>(simd, &mut down, d, &mut difference[at..at + length]);
            level.add(d, sums.one);
        }
    }
    if DIFFERENCES == DOWN {
        sums.below += down.take(simd);
    }
    if DIFFERENCES == ALONE { 0 } else { i64::from(level.take_short(simd)) }
}

/// Keeps the differences `d`, or multiplies them with those that the row above kept.
#[inline(always)]
fn keep<S: Simd, const DIFFERENCES: u8>(simd: S, down: &mut Products<S>, d: S::i16s, kept: &mut [i16]) {
    if DIFFERENCES == DOWN {
        down.add(d, S::i16s::from_slice(simd, kept));
    } else {
        d.store_slice(kept);
    }
}

/// Products of neighbouring differences of a row.
#[inline(always)]
fn across<S: Simd>(simd: S, sums: &mut Sums<S>, width: usize, difference: &[i16]) {
    let length = S::u16s::LEN;
    // The last one has no neighbour. Behind it are zeros up to the end of its vector, and then whatever is in the room.
    let mut left = width - 1;
    // Summed apart, as in `row`.
    let (mut products, mut budget) = (Products::<S>::new(simd), sums.budget);
    for (a, b) in difference.chunks_exact(length).zip(difference[1..].chunks_exact(length)) {
        if left == 0 {
            break;
        }
        if budget == 0 {
            products.widen(simd);
            budget = sums.budget;
        }
        budget -= 1;
        let (a, b) = (S::i16s::from_slice(simd, a), S::i16s::from_slice(simd, b));
        if left >= length {
            products.add(a, b);
            left -= length;
        } else {
            let mask: S::i16s = first_lanes::<S>(simd, left).bitcast();
            products.add(a & mask, b);
            left = 0;
        }
    }
    sums.right += products.take(simd);
}
