//! What is summed while frames come in: exact integers, cheap a frame.
//!
//! `open` is the window that is being filled. It has a `scan` of the whole picture and a `collect` for each region and
//! cell, which holds a [`stack`] (the full set, with [`blocks`], `bands` and `energies`) or a `pairwise` one. The loops are in
//! [`kernels`], the algebra by which sums become those of residuals in `exact`.

mod bands;
pub mod blocks;
pub(crate) mod collect;
pub(crate) mod energies;
mod exact;
pub mod kernels;
pub(crate) mod open;
pub(crate) mod pairwise;
pub(crate) mod scan;
pub mod stack;
