//! The per-frame loops, one small function each, with one safe signature.
//!
//! [`oracle`] is the definition: the plainest loop that gives each number. Whatever is made faster here must stay equal
//! to it, bit for bit. All sums are of integers, so that no order, split or thread count changes a result.

pub mod clip;
pub mod count;
pub mod fingerprint;
pub mod full;
pub mod lanes;
pub mod oracle;
pub mod pair;
pub mod row;
pub mod scan;
pub mod steps;

pub use lanes::{Level, levels};

use crate::sums::patch::Patch;

/// A code value: native ones are `u16`; sums of two components, which derived components need, are `u16` where they fit
/// and `u32` of 17 bits where not.
pub trait Sample: Copy + Default + Ord + Send + std::fmt::Debug + 'static {
    /// The value.
    fn wide(self) -> u32;
    /// The exact product with `other`.
    fn times(self, other: Self) -> u64;
    /// The value `narrow`.
    fn from_narrow(narrow: u16) -> Self;
    /// The same samples, where they are of 16 bits.
    fn narrow_slice(samples: &[Self]) -> Option<&[u16]>;
    /// The same samples, where they are of 16 bits.
    fn narrow_mut(samples: &mut [Self]) -> Option<&mut [u16]>;
    /// The same samples, where they are of 16 bits.
    fn narrow(patch: Patch<'_, Self>) -> Option<Patch<'_>>;
}

impl Sample for u16 {
    #[inline(always)]
    fn wide(self) -> u32 {
        u32::from(self)
    }
    #[inline(always)]
    fn times(self, other: Self) -> u64 {
        u64::from(u32::from(self) * u32::from(other))
    }
    #[inline(always)]
    fn from_narrow(narrow: u16) -> Self {
        narrow
    }
    #[inline(always)]
    fn narrow_slice(samples: &[Self]) -> Option<&[u16]> {
        Some(samples)
    }
    #[inline(always)]
    fn narrow_mut(samples: &mut [Self]) -> Option<&mut [u16]> {
        Some(samples)
    }
    #[inline(always)]
    fn narrow(patch: Patch<'_, Self>) -> Option<Patch<'_>> {
        Some(patch)
    }
}

impl Sample for u32 {
    #[inline(always)]
    fn wide(self) -> u32 {
        self
    }
    #[inline(always)]
    fn times(self, other: Self) -> u64 {
        u64::from(self) * u64::from(other)
    }
    #[inline(always)]
    fn from_narrow(narrow: u16) -> Self {
        u32::from(narrow)
    }
    fn narrow_slice(_: &[Self]) -> Option<&[u16]> {
        None
    }
    fn narrow_mut(_: &mut [Self]) -> Option<&mut [u16]> {
        None
    }
    fn narrow(_: Patch<'_, Self>) -> Option<Patch<'_>> {
        None
    }
}
