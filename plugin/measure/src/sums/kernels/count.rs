//! Counting codes: equal to one, or outside bounds. Each count is a function apart: callers' values would take registers
//! from the counters.

use fearless_simd::prelude::*;

use super::lanes::{Simd, first_lanes, load};
use crate::sums::patch::Patch;

/// Vectors between two readings of 16-bit counters.
const VECTORS: usize = u16::MAX as usize;
/// Samples of a row that are counted together: no more vectors than that, however short they are.
const PIECE: usize = 8 * (VECTORS - 1);

/// Counters of 16 bits a lane.
#[derive(Clone, Copy)]
struct Count<S: Simd> {
    lanes: S::u16s,
    total: u64,
}

impl<S: Simd> Count<S> {
    #[inline(always)]
    fn new(simd: S) -> Self {
        Self { lanes: S::u16s::simd_from(simd, 0), total: 0 }
    }

    /// Counts the lanes of `found` that `mask` has; a lane that is set is −1 in two's complement.
    #[inline(always)]
    fn add(&mut self, found: S::mask16s, mask: S::u16s) {
        self.lanes -= found.to_vector().bitcast::<S::u16s>() & mask;
    }

    /// Empties the lanes.
    #[inline(always)]
    fn widen(&mut self, simd: S) {
        self.total += u64::from(self.lanes.pairwise_widening_add().reduce_sum());
        self.lanes = S::u16s::simd_from(simd, 0);
    }
}

/// What is its own nearest value inside is inside.
#[inline(always)]
fn inside<S: Simd>(simd: S, x: S::u16s, (low, high): (u16, u16)) -> S::mask16s {
    x.max(S::u16s::simd_from(simd, low)).min(S::u16s::simd_from(simd, high)).simd_eq(x)
}

/// Places where any of the patches is outside its `low..=high`; the smallest patch ends the count.
#[inline(never)]
pub fn any_outside<S: Simd, const N: usize>(
    simd: S,
    patches: [Patch<'_>; N],
    bounds: [(u16, u16); N],
) -> u64 {
    let width = patches.iter().map(|patch| patch.width).min().unwrap_or(0);
    let mut total = 0;
    for x in (0..width).step_by(PIECE) {
        let pieces = patches.map(|patch| patch.part(x, 0, PIECE, patch.rows));
        total += simd.vectorize(
            #[inline(always)]
            || count_outside(simd, pieces, bounds),
        );
    }
    total
}

#[inline(always)]
fn count_outside<S: Simd, const N: usize>(simd: S, patches: [Patch<'_>; N], bounds: [(u16, u16); N]) -> u64 {
    let (mut width, mut rows) = (usize::MAX, usize::MAX);
    for patch in &patches {
        (width, rows) = (width.min(patch.width), rows.min(patch.rows));
    }
    let (length, rest) = (S::u16s::LEN, width % S::u16s::LEN);
    let all = S::u16s::simd_from(simd, u16::MAX);
    let mut found = Count::<S>::new(simd);
    for y in 0..rows {
        for at in (0..width - rest).step_by(length) {
            let mut every = S::mask16s::splat(simd, true);
            for (i, patch) in patches.iter().enumerate() {
                let x = S::u16s::from_slice(simd, &patch.from_row(y)[at..at + length]);
                every &= inside(simd, x, bounds[i]);
            }
            found.add(!every, all);
        }
        if rest > 0 {
            let mut every = S::mask16s::splat(simd, true);
            for (i, patch) in patches.iter().enumerate() {
                every &= inside(simd, load(simd, &patch.from_row(y)[width - rest..]), bounds[i]);
            }
            found.add(!every, first_lanes(simd, rest));
        }
        found.widen(simd);
    }
    found.total
}

/// Samples under `limit`.
#[inline(always)]
pub fn below<S: Simd>(simd: S, patch: Patch<'_>, limit: u16) -> u64 {
    any_outside(simd, [patch], [(limit, u16::MAX)])
}

/// Samples over `limit`.
#[inline(always)]
pub fn above<S: Simd>(simd: S, patch: Patch<'_>, limit: u16) -> u64 {
    any_outside(simd, [patch], [(0, limit)])
}

/// Counters of the two outermost codes on the low side, or on the high one.
struct Tail<S: Simd, const HIGH: bool> {
    codes: (S::u16s, S::u16s),
    outer: Count<S>,
    inner: Count<S>,
    reach: Count<S>,
}

impl<S: Simd, const HIGH: bool> Tail<S, HIGH> {
    #[inline(always)]
    fn add(&mut self, x: S::u16s, mask: S::u16s) {
        let (outer, inner) = self.codes;
        self.outer.add(x.simd_eq(outer), mask);
        self.inner.add(x.simd_eq(inner), mask);
        let reach = if HIGH { x.max(inner) } else { x.min(inner) };
        self.reach.add(reach.simd_eq(x), mask);
    }
}

/// Samples equal to `outer`, equal to `inner`, and as far out as `inner` or further: down, or up if `HIGH`.
#[inline(never)]
pub fn tail<S: Simd, const HIGH: bool>(simd: S, patch: Patch<'_>, codes: (u16, u16)) -> [u64; 3] {
    let mut total = [0; 3];
    for x in (0..patch.width).step_by(PIECE) {
        let piece = patch.part(x, 0, PIECE, patch.rows);
        let counts = simd.vectorize(
            #[inline(always)]
            || count_tail::<S, HIGH>(simd, piece, codes),
        );
        total.iter_mut().zip(counts).for_each(|(total, count)| *total += count);
    }
    total
}

#[inline(always)]
fn count_tail<S: Simd, const HIGH: bool>(simd: S, patch: Patch<'_>, (outer, inner): (u16, u16)) -> [u64; 3] {
    let none = Count::new(simd);
    let codes = (S::u16s::simd_from(simd, outer), S::u16s::simd_from(simd, inner));
    let mut tail = Tail::<S, HIGH> { codes, outer: none, inner: none, reach: none };
    let (length, rest) = (S::u16s::LEN, patch.width % S::u16s::LEN);
    let (all, ends) = (S::u16s::simd_from(simd, u16::MAX), first_lanes(simd, rest));
    let (vectors, mut used) = (patch.width.div_ceil(length), 0);
    for y in 0..patch.rows {
        let row = patch.from_row(y);
        for x in row[..patch.width - rest].chunks_exact(length) {
            tail.add(S::u16s::from_slice(simd, x), all);
        }
        if rest > 0 {
            tail.add(load(simd, &row[patch.width - rest..]), ends);
        }
        used += vectors;
        if used + vectors > VECTORS {
            tail.outer.widen(simd);
            tail.inner.widen(simd);
            tail.reach.widen(simd);
            used = 0;
        }
    }
    tail.outer.widen(simd);
    tail.inner.widen(simd);
    tail.reach.widen(simd);
    [tail.outer.total, tail.inner.total, tail.reach.total]
}
