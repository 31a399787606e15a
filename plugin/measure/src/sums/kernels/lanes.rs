//! What the vector kernels share: exact sums of products, loads that end inside a row, and the levels of the machine.

use fearless_simd::prelude::*;
pub use fearless_simd::{Level, Simd};

/// Samples of the widest vector; rows of our own are padded to a multiple of it.
pub const WIDEST: usize = 32;

/// Values of one code more than this do not fit the signed halves of [`Products`].
pub const NARROW_MAX: u32 = i16::MAX as u32;

/// Whether the vector loops can hold rows of `width` samples up to `max`: 16 signed bits each, 31 the sum of a row.
#[must_use]
pub fn is_narrow<T: super::Sample>(width: usize, max: u32) -> bool {
    T::narrow_slice(&[]).is_some() && max <= NARROW_MAX && width as u64 * u64::from(max) <= i32::MAX as u64
}

/// All instruction sets of this machine that kernels are made for, the best last.
#[must_use]
pub fn levels() -> Vec<Level> {
    let best = Level::new();
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    let mut found: Vec<Level> = [
        best.as_sse2().map(Level::Sse2),
        best.as_sse4_2().map(Level::Sse4_2),
        best.as_avx2().map(Level::Avx2),
        best.as_avx512().map(Level::Avx512),
    ]
    .into_iter()
    .flatten()
    .collect();
    #[cfg(not(any(target_arch = "x86", target_arch = "x86_64")))]
    let mut found = Vec::new();
    if found.is_empty() {
        found.push(best);
    }
    found
}

/// Samples from a row of our own to the next: `width` rounded up, so that vectors may run over its end.
#[must_use]
pub const fn padded(width: usize) -> usize {
    width.next_multiple_of(WIDEST)
}

/// Σ of products of values up to [`NARROW_MAX`]: lanes of 32 bits, widened before they can overflow.
#[derive(Clone, Copy)]
pub struct Products<S: Simd> {
    lanes: S::i32s,
    wide: S::i64s,
}

impl<S: Simd> Products<S> {
    /// Nothing yet.
    #[inline(always)]
    pub fn new(simd: S) -> Self {
        Self { lanes: S::i32s::simd_from(simd, 0), wide: S::i64s::simd_from(simd, 0) }
    }

    /// Adds Σaᵢ·bᵢ. At most [`budget`] times between two of [`Self::widen`].
    #[inline(always)]
    pub fn add(&mut self, a: S::i16s, b: S::i16s) {
        self.lanes += a.pairwise_dot_product(b);
    }

    /// Empties the 32-bit lanes.
    #[inline(always)]
    pub fn widen(&mut self, simd: S) {
        self.wide += self.lanes.pairwise_widening_add();
        self.lanes = S::i32s::simd_from(simd, 0);
    }

    /// The sum where all lanes together fit 32 bits; begins anew.
    #[inline(always)]
    pub fn take_short(&mut self, simd: S) -> i32 {
        let sum = self.lanes.reduce_sum();
        self.lanes = S::i32s::simd_from(simd, 0);
        sum
    }

    /// The sum; begins anew.
    #[inline(always)]
    pub fn take(&mut self, simd: S) -> i64 {
        self.widen(simd);
        let sum = self.wide.reduce_sum();
        self.wide = S::i64s::simd_from(simd, 0);
        sum
    }
}

/// How often products of values up to `max` can be added before 32 bits overflow: each adds two of them to a lane.
#[must_use]
pub const fn budget(max: u32) -> usize {
    let pair = 2 * max as u64 * max as u64;
    match (i32::MAX as u64).checked_div(pair) {
        Some(most) if most < 1 << 16 => most as usize,
        // Plenty for any line; a limit keeps what is counted with it small.
        _ => 1 << 16,
    }
}

/// Ones and zeros that the mask of a row's rest is cut from.
static MASK: [u16; 2 * WIDEST] = {
    let mut mask = [0; 2 * WIDEST];
    let mut i = 0;
    while i < WIDEST {
        mask[i] = u16::MAX;
        i += 1;
    }
    mask
};

/// All bits set in the first `count` lanes, at most as many as a vector has.
#[inline(always)]
pub fn first_lanes<S: Simd>(simd: S, count: usize) -> S::u16s {
    let from = WIDEST - count.min(S::u16s::LEN);
    S::u16s::from_slice(simd, &MASK[from..from + S::u16s::LEN])
}

/// A vector from the start of `row`; zeros where `row` ends.
#[inline(always)]
pub fn load<S: Simd>(simd: S, row: &[u16]) -> S::u16s {
    match row.get(..S::u16s::LEN) {
        Some(whole) => S::u16s::from_slice(simd, whole),
        None => {
            // A vector that a function apart gave back would come by way of memory in either case.
            let mut copy = [0; WIDEST];
            copy_end(row, &mut copy);
            S::u16s::from_slice(simd, &copy[..S::u16s::LEN])
        }
    }
}

/// The very end of memory, seldom asked for.
#[cold]
#[inline(never)]
fn copy_end(row: &[u16], copy: &mut [u16; WIDEST]) {
    copy[..row.len()].copy_from_slice(row);
}

#[cfg(test)]
mod tests {
    use super::*;
    use fearless_simd::dispatch;

    #[test]
    fn products_are_exact_at_their_budget() {
        for max in [1, 255, 1023, 4095, 16_383, NARROW_MAX] {
            for level in levels() {
                let sum = dispatch!(level, simd => full(simd, max));
                let lanes = dispatch!(level, simd => lanes(simd)) as i64;
                let times = budget(max).min(5000) as i64;
                assert_eq!(sum, lanes * times * i64::from(max) * i64::from(max), "{max} {level:?}");
            }
        }
        // One more would not fit.
        assert!((budget(1023) as u64 + 1) * 2 * 1023 * 1023 > i32::MAX as u64);
    }

    #[inline(always)]
    fn full<S: Simd>(simd: S, max: u32) -> i64 {
        let x = S::i16s::simd_from(simd, max as i16);
        let mut products = Products::<S>::new(simd);
        (0..budget(max).min(5000)).for_each(|_| products.add(x, x));
        products.take(simd)
    }

    #[inline(always)]
    fn lanes<S: Simd>(_: S) -> usize {
        S::u16s::LEN
    }
}
