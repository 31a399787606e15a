//! Noise and clipping of video samples: borrowed samples in, measurements out.
//!
//! No files, clock, threads or media framework: a [`meter::Meter`] takes [`view::ComponentView`]s frame by frame,
//! keeps integer sums, and a closed window evaluates into a [`record::WindowRecord`].
#![forbid(unsafe_code)]

pub mod ar1;
pub mod error;
pub mod flicker;
pub mod format;
pub mod light;
pub mod meter;
pub mod quantile;
pub mod r103;
pub mod record;
pub mod region;
pub mod transfer;
pub mod view;

pub use error::Error;
