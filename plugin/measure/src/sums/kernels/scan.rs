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

/// What is gathered along a row.
struct Reading<S: Simd> {
    keyed: i32x16<S>,
    sum: i32x16<S>,
    bits: (u16x32<S>, u16x32<S>),
    low: u16x32<S>,
    high: u16x32<S>,
}

impl<S: Simd> Reading<S> {
    #[inline(always)]
    fn new(simd: S) -> Self {
        let (zero, none) = (i32x16::simd_from(simd, 0), u16x32::simd_from(simd, 0));
        let all = u16x32::simd_from(simd, u16::MAX);
        Self { keyed: zero, sum: zero, bits: (none, all), low: all, high: none }
    }

    #[inline(always)]
    fn step<const JUDGED: bool, const BITS: bool>(&mut self, simd: S, values: &[u16; STEP], keys: &[i16; STEP]) {
        let x = u16x32::from_slice(simd, values);
        let key = i16x32::from_slice(simd, keys);
        self.keyed += x.bitcast::<i16x32<S>>().pairwise_dot_product(key);
        if BITS || !JUDGED {
            self.bits.0 |= x;
        }
        if BITS {
            self.bits.1 &= x;
        }
        if JUDGED {
            self.low = self.low.min(x);
            self.high = self.high.max(x);
            let one = i16x32::simd_from(simd, 1);
            self.sum += x.bitcast::<i16x32<S>>().pairwise_dot_product(one);
        }
    }
}

/// Reads up to [`PERIOD`] values; gives their keyed sums and, if `JUDGED`, extremes and sum.
///
/// Without `BITS` the OR is only known to be over 2ⁿ − 1 where a value is, and the AND is not known at all.
// Apart from its callers, whose own values would take registers from its sums.
#[inline(never)]
pub fn row<S: Simd, const JUDGED: bool, const BITS: bool>(simd: S, row: &[u16]) -> (Row, [i32; LANES]) {
    simd.vectorize(
        #[inline(always)]
        || read::<S, JUDGED, BITS>(simd, row),
    )
}

#[inline(always)]
fn read<S: Simd, const JUDGED: bool, const BITS: bool>(simd: S, row: &[u16]) -> (Row, [i32; LANES]) {
    let mut reading = Reading::new(simd);
    let (whole, rest) = row.as_chunks::<STEP>();
    for (values, keys) in whole.iter().zip(KEYS.as_chunks::<STEP>().0) {
        reading.step::<JUDGED, BITS>(simd, values, keys);
    }
    let first = row.first().copied().unwrap_or(0);
    let mut padding = 0;
    if !rest.is_empty() {
        // Filled up with a value of the row, which changes no extreme and no bit; it has no key.
        let (mut values, mut keys) = ([first; STEP], [0; STEP]);
        values[..rest.len()].copy_from_slice(rest);
        keys[..rest.len()].copy_from_slice(&KEYS[whole.len() * STEP..][..rest.len()]);
        reading.step::<JUDGED, BITS>(simd, &values, &keys);
        padding = STEP - rest.len();
    }
    let mut found = Row::EMPTY;
    if !row.is_empty() {
        let (or, and) = reading.bits;
        if BITS {
            for (or, and) in or.as_slice().iter().zip(and.as_slice()) {
                found.bits = (found.bits.0 | or, found.bits.1 & and);
            }
        } else if !JUDGED {
            // The largest of ORs reaches over 2ⁿ − 1 where any of them does.
            found.bits.0 = or.reduce_max();
        }
        if JUDGED {
            (found.low, found.high) = (reading.low.reduce_min(), reading.high.reduce_max());
            found.bits.0 |= found.high;
            let padded = padding as i64 * i64::from(first.cast_signed());
            let signed = i64::from(reading.sum.reduce_sum()) - padded;
            // Products are signed: values with the highest of 16 bits were taken 2¹⁶ lower.
            let wrapped = if found.high > i16::MAX as u16 {
                row.iter().filter(|&&x| x > i16::MAX as u16).count() as i64
            } else {
                0
            };
            found.sum = (signed + (wrapped << 16)) as u64;
        }
    }
    let mut keyed = [0; LANES];
    reading.keyed.store_slice(&mut keyed);
    (found, keyed)
}

const _: () = assert!(PERIOD * (1 << 15) <= i32::MAX as usize, "sums of a row fit 31 bits");
