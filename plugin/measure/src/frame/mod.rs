//! What frames are: formats, samples in place, regions, and where a region lies in a component.

pub mod format;
pub(crate) mod place;
pub mod region;
pub mod view;
