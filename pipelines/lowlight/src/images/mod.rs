//! Image sequences and stills, read without GStreamer's image decoders, which refuse 16-bit colour.

pub mod decode;
pub mod pattern;
