//! What becomes of sums at a window's end.
//!
//! `window` goes over regions and cells, and with `derived` over what is not in the frames; `estimate` turns one
//! component's sums into its record, with `moving` and `spatial` (by `transform`, over `lanes`) for what moves, `long` for
//! what an endless window would read, `uneven` for what a codec did to it, `standing` for what stays, `slow` for what
//! outlasts a window, [`flicker`] for levels over time, and the statistics of [`ar1`] and [`quantile`].

pub mod ar1;
mod derived;
pub(crate) mod estimate;
pub mod flicker;
mod lanes;
pub(crate) mod long;
pub(crate) mod moving;
pub(crate) mod notes;
pub mod quantile;
mod slow;
pub(crate) mod spatial;
mod standing;
mod transform;
mod uneven;
pub(crate) mod window;
