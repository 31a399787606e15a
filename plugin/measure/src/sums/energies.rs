//! How the change from frame to frame spreads over the blocks of a region's central piece, for what codecs do to it.

use fearless_simd::prelude::*;
use fearless_simd::{Simd, i16x8, i32x4, i64x2, u16x8};

use crate::sums::kernels::Sample;
use crate::sums::stack::piece_rect;

/// Edge of a block: the smallest that codecs decide on.
pub const EDGE: usize = 8;

/// Blocks below which nothing is kept: too few to judge.
pub const FEWEST: usize = 16;

/// Running sums of the blocks' shares in each change; constant in memory.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Energies {
    /// Changes taken in.
    pub changes: u64,
    /// Frames whose piece equals that of the frame before, to the last sample.
    pub still: u64,
    /// Σ over changes of a block's share u, in units of the mean share.
    pub first: Vec<f64>,
    /// Σ u².
    pub second: Vec<f64>,
    /// Energies of the newest change.
    newest: Vec<f64>,
}

impl Energies {
    /// Takes in the change between two frames of `width` × `height` samples whose means differ by `level`.
    ///
    /// A block's energy is Σ(d − level)² over its differences d; only its share in the piece is kept, so that a strength
    /// that changes from frame to frame does not count. A piece that did not change at all has no shares; it is counted.
    ///
    /// Rows are `stride` samples apart; `narrow` says that differences fit 16 bits.
    #[inline(always)]
    #[expect(clippy::too_many_arguments, reason = "two frames, their layout and their levels")]
    pub fn add<S: Simd, T: Sample>(
        &mut self,
        simd: S,
        narrow: bool,
        this: &[T],
        before: &[T],
        stride: usize,
        (width, height): (usize, usize),
        level: f64,
    ) {
        let (x0, y0, w, h) = piece_rect(width, height);
        let (across, down) = (w / EDGE, h / EDGE);
        let blocks = across * down;
        self.newest.clear();
        for top in (y0..).step_by(EDGE).take(down) {
            for left in (x0..).step_by(EDGE).take(across) {
                let start = top * stride + left;
                let pair = (&this[start..], &before[start..]);
                let sums = match (T::narrow_slice(pair.0), T::narrow_slice(pair.1)) {
                    (Some(this), Some(before)) if narrow => narrow_block(simd, this, before, stride),
                    _ => plain_block(pair.0, pair.1, stride),
                };
                // Exact sums of 64 samples; the level is the one number that is not whole.
                let (sum, square) = (sums.0 as f64, sums.1 as f64);
                let samples = (EDGE * EDGE) as f64;
                self.newest.push(square - 2.0 * level * sum + samples * level * level);
            }
        }
        let mean = self.newest.iter().sum::<f64>() / blocks as f64;
        if blocks < FEWEST {
            return;
        }
        if mean <= 0.0 {
            self.still += 1;
            return;
        }
        self.first.resize(blocks, 0.0);
        self.second.resize(blocks, 0.0);
        for ((first, second), energy) in self.first.iter_mut().zip(&mut self.second).zip(&self.newest) {
            let share = energy / mean;
            *first += share;
            *second += share * share;
        }
        self.changes += 1;
    }
}

impl Energies {
    /// Forgets all changes.
    pub fn reset(&mut self) {
        let Self { changes, still, first, second, newest } = self;
        (*changes, *still) = (0, 0);
        for sums in [first, second, newest] {
            sums.clear();
        }
    }
}

/// Σd and Σd² over the block at the start of both.
#[inline(always)]
fn narrow_block<S: Simd>(simd: S, this: &[u16], before: &[u16], stride: usize) -> (i64, i64) {
    let one = i16x8::simd_from(simd, 1);
    let zero = i32x4::simd_from(simd, 0);
    let (mut sum, mut square) = (zero, i64x2::simd_from(simd, 0));
    for row in 0..EDGE {
        let at = row * stride..row * stride + EDGE;
        let (a, b) = (u16x8::from_slice(simd, &this[at.clone()]), u16x8::from_slice(simd, &before[at]));
        let d: i16x8<S> = (a - b).bitcast();
        sum += d.pairwise_dot_product(one);
        square += d.pairwise_dot_product(d).pairwise_widening_add();
    }
    (i64::from(sum.reduce_sum()), square.reduce_sum())
}

/// The same by plain loops.
fn plain_block<T: Sample>(this: &[T], before: &[T], stride: usize) -> (i64, i64) {
    let (mut sum, mut square) = (0_i64, 0_i64);
    for row in 0..EDGE {
        let at = row * stride..row * stride + EDGE;
        for (&a, &b) in this[at.clone()].iter().zip(&before[at]) {
            let d = i64::from(a.wide()) - i64::from(b.wide());
            sum += d;
            square += d * d;
        }
    }
    (sum, square)
}
