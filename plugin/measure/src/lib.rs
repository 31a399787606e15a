//! Noise and clipping of video samples: borrowed samples in, measurements out.
//!
//! No files, clock, threads or media framework: a [`meter::Meter`] takes [`view::ComponentView`]s frame by frame,
//! keeps integer sums, and a closed window evaluates into a [`record::WindowRecord`].
//!
//! The way of the data, each step in files of its own:
//!
//! 1. samples: [`mod@format`], [`view`], [`region`], `place` (where a region lies in a component)
//! 2. sums while frames come in: `scan` (the whole picture), `collect` (a region), in which [`stack`] holds the full
//!    set (with [`blocks`] for lines and `bands`) and `pairwise` the small one; the loops are in [`kernels`], the
//!    algebra of exact sums in `exact`
//! 3. numbers at a window's end: `window`, which has `estimate` turn a component's sums into its record with `moving`,
//!    `spatial`, `standing`, `slow`, [`flicker`], [`ar1`] and [`quantile`]; then [`light`] and, from the first frame,
//!    [`r103`]
//! 4. a clip: [`summary`], from records alone
#![forbid(unsafe_code)]

pub mod ar1;
mod bands;
pub mod blocks;
mod collect;
pub mod config;
pub mod error;
mod estimate;
mod exact;
pub mod flicker;
pub mod format;
pub mod kernels;
pub mod light;
pub mod meter;
mod moving;
mod notes;
mod open;
mod pairwise;
mod place;
pub mod quantile;
pub mod r103;
pub mod record;
pub mod region;
mod scan;
mod slow;
mod spatial;
pub mod stack;
mod standing;
pub mod summary;
pub mod transfer;
pub mod view;
mod window;

pub use error::Error;
