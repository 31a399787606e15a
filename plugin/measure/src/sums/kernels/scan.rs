//! One read of whole rows of a frame: which bits differ, the fingerprint, and what the picture's own counts need.

use fearless_simd::prelude::{Bytes as _, *};
use fearless_simd::{i16x32, i32x16, u8x32, u8x64, u16x32};

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
    fn step<const JUDGED: bool, const BITS: bool>(&mut self, simd: S, x: u16x32<S>, keys: &[i16; STEP]) {
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
pub fn row<S: Simd, V: Values, const JUDGED: bool, const BITS: bool>(simd: S, row: V) -> (Row, [i32; LANES]) {
    simd.vectorize(
        #[inline(always)]
        || read::<S, V, JUDGED, BITS>(simd, row),
    )
}

#[inline(always)]
fn read<S: Simd, V: Values, const JUDGED: bool, const BITS: bool>(simd: S, row: V) -> (Row, [i32; LANES]) {
    let mut reading = Reading::new(simd);
    let whole = row.whole();
    for (i, keys) in KEYS.as_chunks::<STEP>().0.iter().enumerate().take(whole) {
        reading.step::<JUDGED, BITS>(simd, row.load(simd, i * STEP), keys);
    }
    let (length, done) = (row.len(), whole * STEP);
    let first = if length == 0 { 0 } else { row.get(0) };
    // The end of a row may hold a whole step that cannot be read as one.
    let mut padding = 0;
    for start in (done..length).step_by(STEP) {
        // Filled up with a value of the row, which changes no extreme and no bit; it has no key.
        let (mut values, mut keys) = ([first; STEP], [0; STEP]);
        let count = STEP.min(length - start);
        for (i, value) in values.iter_mut().enumerate().take(count) {
            *value = row.get(start + i);
        }
        keys[..count].copy_from_slice(&KEYS[start..start + count]);
        reading.step::<JUDGED, BITS>(simd, u16x32::from_slice(simd, &values), &keys);
        padding += STEP - count;
    }
    let mut found = Row::EMPTY;
    if length > 0 {
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
                (0..length).filter(|&i| row.get(i) > i16::MAX as u16).count() as i64
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

/// Values of a row as they lie in memory.
pub trait Values: Copy {
    /// How many there are.
    fn len(self) -> usize;
    /// Values `start..end`.
    fn part(self, start: usize, end: usize) -> Self;
    /// Value `i`.
    fn get(self, i: usize) -> u16;
    /// How many steps from the first value on can be loaded.
    fn whole(self) -> usize;
    /// The step of values that begins at value `at`.
    fn load<S: Simd>(self, simd: S, at: usize) -> u16x32<S>;
    /// Whether there are none.
    fn is_empty(self) -> bool {
        self.len() == 0
    }
}

impl Values for &[u16] {
    #[inline(always)]
    fn len(self) -> usize {
        <[u16]>::len(self)
    }
    #[inline(always)]
    fn part(self, start: usize, end: usize) -> Self {
        &self[start..end]
    }
    #[inline(always)]
    fn get(self, i: usize) -> u16 {
        self[i]
    }
    #[inline(always)]
    fn whole(self) -> usize {
        <[u16]>::len(self) / STEP
    }
    #[inline(always)]
    fn load<S: Simd>(self, simd: S, at: usize) -> u16x32<S> {
        u16x32::from_slice(simd, &self[at..at + STEP])
    }
}

/// 16-bit words that hold their values `1` bits up.
#[derive(Debug, Clone, Copy)]
pub struct Raised<'a>(pub &'a [u16], pub u32);

impl Values for Raised<'_> {
    #[inline(always)]
    fn len(self) -> usize {
        self.0.len()
    }
    #[inline(always)]
    fn part(self, start: usize, end: usize) -> Self {
        Self(&self.0[start..end], self.1)
    }
    #[inline(always)]
    fn get(self, i: usize) -> u16 {
        self.0[i] >> self.1
    }
    #[inline(always)]
    fn whole(self) -> usize {
        self.0.len() / STEP
    }
    #[inline(always)]
    fn load<S: Simd>(self, simd: S, at: usize) -> u16x32<S> {
        u16x32::from_slice(simd, &self.0[at..at + STEP]) >> self.1
    }
}

/// Bytes, one a value.
#[derive(Debug, Clone, Copy)]
pub struct Bytes<'a>(pub &'a [u8]);

impl Values for Bytes<'_> {
    #[inline(always)]
    fn len(self) -> usize {
        self.0.len()
    }
    #[inline(always)]
    fn part(self, start: usize, end: usize) -> Self {
        Self(&self.0[start..end])
    }
    #[inline(always)]
    fn get(self, i: usize) -> u16 {
        u16::from(self.0[i])
    }
    #[inline(always)]
    fn whole(self) -> usize {
        self.0.len() / STEP
    }
    #[inline(always)]
    fn load<S: Simd>(self, simd: S, at: usize) -> u16x32<S> {
        let (low, high) = u8x32::from_slice(simd, &self.0[at..at + STEP]).widen();
        low.combine(high)
    }
}

/// Every other byte, from the first on.
#[derive(Debug, Clone, Copy)]
pub struct EveryOther<'a>(pub &'a [u8]);

impl Values for EveryOther<'_> {
    #[inline(always)]
    fn len(self) -> usize {
        self.0.len().div_ceil(2)
    }
    #[inline(always)]
    fn part(self, start: usize, end: usize) -> Self {
        Self(&self.0[2 * start..(2 * end).min(self.0.len())])
    }
    #[inline(always)]
    fn get(self, i: usize) -> u16 {
        u16::from(self.0[2 * i])
    }
    #[inline(always)]
    fn whole(self) -> usize {
        self.0.len() / (2 * STEP)
    }
    #[inline(always)]
    fn load<S: Simd>(self, simd: S, at: usize) -> u16x32<S> {
        let words: u16x32<S> = u8x64::from_slice(simd, &self.0[2 * at..2 * (at + STEP)]).bitcast();
        words & 0xff
    }
}

const _: () = assert!(PERIOD * (1 << 15) <= i32::MAX as usize, "sums of a row fit 31 bits");
