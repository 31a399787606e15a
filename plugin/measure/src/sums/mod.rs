//! What is summed while frames come in: exact integers, cheap a frame.
//!
//! `open` is the window that is being filled, `pass` takes a frame through it, one `strip` after the other. The window has
//! a `scan` of the whole picture and a `collect` for each region and cell, which holds a [`stack`] (the full set, with
//! [`blocks`], `bands`, `energies`, `pixels` with `forms` over them and the newest frames in a `ring`) or a `pairwise` one.
//! The loops are in [`kernels`], the algebra by which sums become those of residuals in `exact`, and what comes out in
//! [`finished`].

mod bands;
pub mod blocks;
pub(crate) mod collect;
pub(crate) mod energies;
mod exact;
pub mod finished;
mod forms;
pub mod kernels;
pub(crate) mod open;
pub(crate) mod pairwise;
pub(crate) mod pass;
pub mod patch;
mod pixels;
mod ring;
pub(crate) mod scan;
pub mod stack;
mod strip;
