//! Whole-system tests live in `tests/`; here is what they share.

pub mod process;
