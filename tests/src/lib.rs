//! Whole-system tests live in `tests/`; here is what they share with the programs of this crate.

pub mod accuracy;
pub mod bench;
pub mod book;
pub mod process;
