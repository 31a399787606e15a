//! The vector loop of the full set: every sum of a region's row from one read of it, of the row above and of two frames
//! before, with sums of every pixel and of pieces of every column.

use fearless_simd::prelude::*;

use super::lanes::{Products, Simd, first_lanes, load};
use crate::sums::patch::Patch;

/// Sums of one frame while its rows come in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FullFrame {
    /// Σx.
    pub sum: u64,
    /// Σx².
    pub square: u64,
    /// Σ of products with the sample to the right.
    pub right: u64,
    /// Σ of products with the sample below.
    pub below: u64,
    /// Σ of products with the frame before.
    pub previous: u64,
    /// Σ of products with the frame before that.
    pub before_previous: u64,
}

/// What the rows of a frame meet; all from the first of the rows on and [`super::lanes::padded`] samples a row.
pub struct Memory<'a> {
    /// Where the samples go; begins with the row above.
    pub this: &'a mut [u16],
    /// Of the frame before.
    pub previous: &'a [u16],
    /// Of the frame before that.
    pub before_previous: &'a [u16],
    /// Sums of every pixel, which the caller keeps from overflow.
    pub pixels: &'a mut [u16],
    /// Sums down the columns, one row of them.
    pub columns: &'a mut [u16],
}

/// Accumulators over some rows.
struct Sums<S: Simd> {
    one: S::i16s,
    sum: Products<S>,
    square: Products<S>,
    right: Products<S>,
    below: Products<S>,
    previous: Products<S>,
    before_previous: Products<S>,
    low: S::u16s,
    high: S::u16s,
}

impl<S: Simd> Sums<S> {
    #[inline(always)]
    fn new(simd: S) -> Self {
        let none = Products::new(simd);
        Self {
            one: S::i16s::simd_from(simd, 1),
            sum: none,
            square: none,
            right: none,
            below: none,
            previous: none,
            before_previous: none,
            low: S::u16s::simd_from(simd, u16::MAX),
            high: S::u16s::simd_from(simd, 0),
        }
    }

    #[inline(always)]
    fn widen(&mut self, simd: S) {
        for products in [
            &mut self.square,
            &mut self.right,
            &mut self.below,
            &mut self.previous,
            &mut self.before_previous,
        ] {
            products.widen(simd);
        }
    }

    /// Takes in the samples `x`; `other` are those to the right, above, and of both frames before.
    #[inline(always)]
    fn add(&mut self, x: S::u16s, with_right: S::u16s, other: [S::u16s; 4]) {
        let [right, above, previous, before_previous] = other;
        let y: S::i16s = x.bitcast();
        self.sum.add(y, self.one);
        self.square.add(y, y);
        self.right.add(with_right.bitcast(), right.bitcast());
        self.below.add(y, above.bitcast());
        self.previous.add(y, previous.bitcast());
        self.before_previous.add(y, before_previous.bitcast());
    }
}

/// Takes in the rows of `patch`, whose sums each fit 31 bits; gives their lowest and highest value. `each` hears Σx of
/// every row once the row is in `memory`, and may empty the column sums.
#[inline(always)]
pub fn rows<S: Simd>(
    simd: S,
    frame: &mut FullFrame,
    patch: Patch<'_>,
    memory: Memory<'_>,
    budget: usize,
    mut each: impl FnMut(usize, u64, &mut [u16]),
) -> (u16, u16) {
    let (width, length) = (patch.width, S::u16s::LEN);
    if width == 0 {
        return (u16::MAX, 0);
    }
    let stride = super::lanes::padded(width);
    // The last vector is masked even where it is whole, since the last sample has none to its right.
    let whole = (width - 1) / length * length;
    let rest = width - whole;
    let (mask, mask_right) = (first_lanes(simd, rest), first_lanes(simd, rest - 1));
    let vectors = whole / length + 1;
    let mut sums = Sums::new(simd);
    let mut used = 0;
    for y in 0..patch.rows {
        let row = patch.from_row(y);
        let (above, this) = memory.this[y * stride..(y + 2) * stride].split_at_mut(stride);
        let previous = &memory.previous[y * stride..][..stride];
        let before_previous = &memory.before_previous[y * stride..][..stride];
        let pixels = &mut memory.pixels[y * stride..][..stride];
        let columns = &mut memory.columns[..stride];
        let piece = budget.min(vectors) * length;
        let mut start = 0;
        while start < whole {
            let end = whole.min(start + piece);
            used += (end - start) / length;
            if used > budget {
                sums.widen(simd);
                used = (end - start) / length;
            }
            let reads = row[start..end]
                .chunks_exact(length)
                .zip(row[start + 1..=end].chunks_exact(length))
                .zip(above[start..end].chunks_exact(length))
                .zip(previous[start..end].chunks_exact(length))
                .zip(before_previous[start..end].chunks_exact(length));
            let writes = this[start..end]
                .chunks_exact_mut(length)
                .zip(pixels[start..end].chunks_exact_mut(length))
                .zip(columns[start..end].chunks_exact_mut(length));
            for (((((x, right), above), previous), before_previous), ((this, pixel), column)) in
                reads.zip(writes)
            {
                let x = S::u16s::from_slice(simd, x);
                let other = [
                    S::u16s::from_slice(simd, right),
                    S::u16s::from_slice(simd, above),
                    S::u16s::from_slice(simd, previous),
                    S::u16s::from_slice(simd, before_previous),
                ];
                sums.add(x, x, other);
                sums.low = sums.low.min(x);
                sums.high = sums.high.max(x);
                x.store_slice(this);
                (S::u16s::from_slice(simd, pixel) + x).store_slice(pixel);
                (S::u16s::from_slice(simd, column) + x).store_slice(column);
            }
            start = end;
        }
        used += 1;
        if used > budget {
            sums.widen(simd);
            used = 1;
        }
        let at = whole..whole + length;
        let x = load(simd, &row[whole..]);
        let other = [
            load(simd, row.get(whole + 1..).unwrap_or_default()),
            S::u16s::from_slice(simd, &above[at.clone()]),
            S::u16s::from_slice(simd, &previous[at.clone()]),
            S::u16s::from_slice(simd, &before_previous[at.clone()]),
        ];
        let inside = x & mask;
        sums.add(inside, x & mask_right, other);
        sums.low = sums.low.min(x | !mask);
        sums.high = sums.high.max(inside);
        inside.store_slice(&mut this[at.clone()]);
        let pixel = &mut pixels[at.clone()];
        (S::u16s::from_slice(simd, pixel) + inside).store_slice(pixel);
        let column = &mut columns[at];
        (S::u16s::from_slice(simd, column) + inside).store_slice(column);
        let sum = sums.sum.take_short(simd) as u64;
        frame.sum += sum;
        each(y, sum, columns);
    }
    frame.square += sums.square.take(simd) as u64;
    frame.right += sums.right.take(simd) as u64;
    frame.below += sums.below.take(simd) as u64;
    frame.previous += sums.previous.take(simd) as u64;
    frame.before_previous += sums.before_previous.take(simd) as u64;
    (sums.low.reduce_min(), sums.high.reduce_max())
}
