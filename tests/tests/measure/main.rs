//! `lowlight measure` as a user runs it: a process with arguments, files, output and an exit code.

mod bad_input;
mod images;
mod life;
mod names;
mod results;
mod support;
