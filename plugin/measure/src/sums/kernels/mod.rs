//! The per-frame loops, one small function each, with one safe signature.
//!
//! [`oracle`] is the definition: the plainest loop that gives each number. Whatever is made faster here must stay equal
//! to it, bit for bit. All sums are of integers, so that no order, split or thread count changes a result.

pub mod clip;
pub mod fingerprint;
pub mod oracle;
pub mod row;
pub mod steps;

/// A code value: native ones are `u16`; sums of two components, which derived components need, are `u32` of 17 bits.
pub trait Sample: Copy + Default + Ord + Send + std::fmt::Debug + 'static {
    /// Largest value that occurs.
    const MAX: u32;
    /// The value.
    fn wide(self) -> u32;
    /// The exact product with `other`.
    fn times(self, other: Self) -> u64;
}

impl Sample for u16 {
    const MAX: u32 = u16::MAX as u32;
    #[inline(always)]
    fn wide(self) -> u32 {
        u32::from(self)
    }
    #[inline(always)]
    fn times(self, other: Self) -> u64 {
        u64::from(u32::from(self) * u32::from(other))
    }
}

impl Sample for u32 {
    const MAX: u32 = 2 * u16::MAX as u32;
    #[inline(always)]
    fn wide(self) -> u32 {
        self
    }
    #[inline(always)]
    fn times(self, other: Self) -> u64 {
        u64::from(self) * u64::from(other)
    }
}
