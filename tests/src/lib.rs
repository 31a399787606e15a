//! Whole-system tests live in `tests/`; this crate has no code of its own.
