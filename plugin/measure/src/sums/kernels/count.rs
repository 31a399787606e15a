//! Counting codes: equal to one, or outside bounds.

use fearless_simd::prelude::*;

use super::lanes::{Simd, first_lanes, load};
use crate::sums::patch::Patch;

/// Vectors between two readings of 16-bit counters.
const VECTORS: usize = u16::MAX as usize;

/// Counters of 16 bits a lane.
struct Count<S: Simd> {
    lanes: S::u16s,
    used: usize,
    total: u64,
}

impl<S: Simd> Count<S> {
    #[inline(always)]
    fn new(simd: S) -> Self {
        Self { lanes: S::u16s::simd_from(simd, 0), used: 0, total: 0 }
    }

    /// Counts the lanes where `ones` is 1.
    #[inline(always)]
    fn add(&mut self, simd: S, ones: S::u16s) {
        self.lanes += ones;
        self.used += 1;
        if self.used == VECTORS {
            self.total = self.total(simd);
            (self.lanes, self.used) = (S::u16s::simd_from(simd, 0), 0);
        }
    }

    #[inline(always)]
    fn total(&self, _: S) -> u64 {
        self.total + self.lanes.as_slice().iter().map(|&count| u64::from(count)).sum::<u64>()
    }
}

/// Counts places of rows by `test`, which gives 1 in the lanes of the vectors it is given that count.
#[inline(always)]
fn count<S: Simd, const N: usize>(simd: S, patches: [Patch<'_>; N], test: impl Fn([S::u16s; N]) -> S::u16s) -> u64 {
    let width = patches.iter().map(|patch| patch.width).min().unwrap_or(0);
    let rows = patches.iter().map(|patch| patch.rows).min().unwrap_or(0);
    let (length, mut found) = (S::u16s::LEN, Count::new(simd));
    let rest = width % length;
    for y in 0..rows {
        let rows = patches.map(
            #[inline(always)]
            |patch| patch.from_row(y),
        );
        for at in (0..width - rest).step_by(length) {
            let x = rows.map(
                #[inline(always)]
                |row| S::u16s::from_slice(simd, &row[at..at + length]),
            );
            found.add(simd, test(x));
        }
        if rest > 0 {
            let x = rows.map(
                #[inline(always)]
                |row| load(simd, &row[width - rest..]),
            );
            found.add(simd, test(x) & first_lanes(simd, rest));
        }
    }
    found.total(simd)
}

/// Samples equal to `code`.
#[inline(always)]
pub fn equal<S: Simd>(simd: S, patch: Patch<'_>, code: u16) -> u64 {
    let (code, one, none) = constants(simd, code);
    count(
        simd,
        [patch],
        #[inline(always)]
        |[x]| x.simd_eq(code).select(one, none),
    )
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

/// Places where any of the patches is outside its `low..=high`; the smallest patch ends the count.
#[inline(always)]
pub fn any_outside<S: Simd, const N: usize>(simd: S, patches: [Patch<'_>; N], bounds: [(u16, u16); N]) -> u64 {
    let (_, one, none) = constants(simd, 0);
    let bounds = bounds.map(
        #[inline(always)]
        |(low, high)| (S::u16s::simd_from(simd, low), S::u16s::simd_from(simd, high)),
    );
    count(
        simd,
        patches,
        #[inline(always)]
        |x| {
            let mut outside = none;
            for (x, (low, high)) in x.into_iter().zip(bounds) {
                // What is not its own nearest value inside is outside.
                outside |= x.max(low).min(high) ^ x;
            }
            outside.simd_eq(none).select(none, one)
        },
    )
}

/// `code`, 1 and 0 in all lanes.
#[inline(always)]
fn constants<S: Simd>(simd: S, code: u16) -> (S::u16s, S::u16s, S::u16s) {
    [code, 1, 0].map(|value| S::u16s::simd_from(simd, value)).into()
}
