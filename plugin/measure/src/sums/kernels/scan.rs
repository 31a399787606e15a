//! One read of whole rows of a frame: which bits differ, the fingerprint, and what the picture's own counts need.

use fearless_simd::prelude::*;
use fearless_simd::{i16x32, i32x16, u16x32};

use super::fingerprint::{KEYS, LANES, PERIOD, STEP};
use super::lanes::Simd;

/// What is found in a row of code values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// OR and AND of all values.
    pub bits: (u16, u16),
    /// Lowest and highest value, and their sum; only where asked for.
    pub low: u16,
    /// The highest.
    pub high: u16,
    /// The sum.
    pub sum: u64,
}

impl Row {
    /// Of no values.
    pub const EMPTY: Self = Self { bits: (0, u16::MAX), low: u16::MAX, high: 0, sum: 0 };

    /// Adds what another part of the row has.
    #[inline(always)]
    pub fn join(&mut self, other: &Self) {
        self.bits = (self.bits.0 | other.bits.0, self.bits.1 & other.bits.1);
        (self.low, self.high) = (self.low.min(other.low), self.high.max(other.high));
        self.sum += other.sum;
    }
}

/// Reads up to [`PERIOD`] values; gives their keyed sums and, if `JUDGED`, extremes and sum.
#[inline(always)]
pub fn row<S: Simd, const JUDGED: bool>(simd: S, row: &[u16]) -> (Row, [i32; LANES]) {
    let zero = i32x16::simd_from(simd, 0);
    let first = row.first().copied().unwrap_or(0);
    let (mut lanes, mut sums) = (zero, zero);
    let (mut or, mut and) = (u16x32::simd_from(simd, 0), u16x32::simd_from(simd, u16::MAX));
    let (mut low, mut high) = (u16x32::simd_from(simd, u16::MAX), u16x32::simd_from(simd, 0));
    // Signed products: every value is taken 2¹⁵ lower for its sum.
    let (bias, one) = (u16x32::simd_from(simd, 1 << 15), i16x32::simd_from(simd, 1));
    let mut step = |x: u16x32<S>, key: i16x32<S>| {
        lanes += x.bitcast::<i16x32<S>>().pairwise_dot_product(key);
        or |= x;
        and &= x;
        if JUDGED {
            low = low.min(x);
            high = high.max(x);
            sums += (x ^ bias).bitcast::<i16x32<S>>().pairwise_dot_product(one);
        }
    };
    let (whole, rest) = row.as_chunks::<STEP>();
    for (x, key) in whole.iter().zip(KEYS.as_chunks::<STEP>().0) {
        step(u16x32::from_slice(simd, x), i16x32::from_slice(simd, key));
    }
    let mut padding = 0;
    if !rest.is_empty() {
        // Filled up with a value of the row, which changes no extreme and no bit; it has no key.
        let (mut values, mut keys) = ([first; STEP], [0; STEP]);
        values[..rest.len()].copy_from_slice(rest);
        keys[..rest.len()].copy_from_slice(&KEYS[whole.len() * STEP..][..rest.len()]);
        step(u16x32::from_slice(simd, &values), i16x32::from_slice(simd, &keys));
        padding = STEP - rest.len();
    }
    let mut found = Row::EMPTY;
    if !row.is_empty() {
        found.bits = (
            or.as_slice().iter().fold(0, |bits, x| bits | x),
            and.as_slice().iter().fold(u16::MAX, |bits, x| bits & x),
        );
        if JUDGED {
            (found.low, found.high) = (low.reduce_min(), high.reduce_max());
            let biased = i64::from(sums.reduce_sum()) + (1 << 15) * (row.len() + padding) as i64;
            found.sum = (biased - padding as i64 * i64::from(first)) as u64;
        }
    }
    let mut keyed = [0; LANES];
    lanes.store_slice(&mut keyed);
    (found, keyed)
}

const _: () = assert!(PERIOD * (1 << 15) <= i32::MAX as usize, "biased sums of a row fit 31 bits");
