//! A camera whose truth is known: a scene's light becomes electrons, noise, codes; and what a meter should find there.
//!
//! The way of the light, a module each: [`scene`] (what stands before the lens), [`exposure`] (how many electrons it
//! gives at an ISO), [`lamp`] (how it flickers), `sensor` (noise, clipping, quantising), `reduction` (noise reduction),
//! `develop` (curve, matrix, codes). [`recorder`] joins them into frames; [`truth`] states what they hold.
//!
//! Every random number is a function of seed, frame and place (`random`), so that any frame can be made on its own.
#![forbid(unsafe_code)]

pub mod camera;
mod develop;
pub mod error;
pub mod exposure;
pub mod lamp;
mod random;
pub mod recorder;
mod reduction;
pub mod scene;
mod sensor;
pub mod shot;
pub mod truth;

pub use camera::Camera;
pub use error::Error;
pub use recorder::{Frame, Recorder};
pub use scene::Scene;
pub use shot::Shot;
