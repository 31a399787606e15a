//! stub
#![allow(missing_docs)]
pub fn fill(_: &mut [crate::record::RegionRecord], _: &crate::meter::LightConfig, _: f64) {}
