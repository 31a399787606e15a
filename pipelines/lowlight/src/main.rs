//! The `lowlight` program.
fn main() {}
