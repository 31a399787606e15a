//! `lowlight simulate` as a user runs it, and what `lowlight measure --truth` says of its clips.

mod bad_input;
mod files;
mod life;
mod pictures;
mod support;
mod truth;
