//! Noise and clipping of video samples: borrowed samples in, measurements out.
//!
//! No files, clock, threads or media framework: a [`meter::Meter`] takes [`view::ComponentView`]s frame by frame,
//! keeps integer sums, and a closed window evaluates into a [`record::WindowRecord`].
#![forbid(unsafe_code)]

pub mod ar1;
pub mod collect;
pub mod error;
pub mod estimate;
pub mod exact;
pub mod flicker;
pub mod format;
pub mod kernels;
pub mod light;
pub mod meter;
pub mod moving;
pub mod notes;
pub mod pairwise;
pub mod place;
pub mod quantile;
pub mod r103;
pub mod record;
pub mod region;
pub mod scan;
pub mod slow;
pub mod spatial;
pub mod stack;
pub mod standing;
pub mod summary;
pub mod transfer;
pub mod view;
pub mod window;

pub use error::Error;
