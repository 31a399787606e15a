//! Noise and clipping of video samples: borrowed samples in, measurements out.
//!
//! No files, clock, threads or media framework: a [`meter::Meter`] takes [`view::ComponentView`]s frame by frame,
//! keeps integer sums, and a closed window evaluates into a [`record::WindowRecord`].
//!
//! The way of the data, a folder each: `frame` (what is measured, and where), `sums` (while frames come in), `numbers`
//! (at a window's end), `summary` (a clip, from its windows' records). [`meter`] joins the first three.
#![forbid(unsafe_code)]

pub mod config;
pub mod error;
mod frame;
pub mod light;
pub mod meter;
mod numbers;
pub mod r103;
pub mod record;
pub mod summary;
mod sums;
pub mod transfer;

pub use error::Error;
pub use frame::{format, region, view};
pub use numbers::{ar1, flicker, quantile};
pub use sums::{blocks, finished, kernels, patch, stack};
