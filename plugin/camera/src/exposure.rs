//! From ISO to electrons: the bookkeeping of an exposure.

use crate::camera::Camera;

/// Reflectance of the grey card, and the light that it gives at the right exposure (white = 1).
pub const GREY: f64 = 0.18;

/// Share of the full well that the card fills at a base: exposure index 10/H against saturation speed 78/H (ISO 12232).
pub const GREY_SHARE: f64 = 10.0 / 78.0;

/// Steps of the converter between black and clipping: 14 bits.
pub const CONVERTER_STEPS: f64 = 16_383.0;

/// Steps of the converter below black.
pub const PEDESTAL_STEPS: f64 = 1024.0;

/// What a sensor does at one ISO.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exposure {
    /// Conversion stage, 0 or 1.
    pub stage: usize,
    /// Electrons of light 1.
    pub electrons: f64,
    /// Light at which the stage clips.
    pub clip: f64,
    /// Read noise of the stage in electrons.
    pub read_noise_e: f64,
}

impl Exposure {
    /// The exposure of `camera` at `iso`: shutter or iris hold the card at its level, so electrons fall as ISO rises.
    #[must_use]
    pub fn new(camera: &Camera, iso: f64) -> Self {
        let at_base = camera.full_well_e[0] * GREY_SHARE / GREY;
        let electrons = at_base * camera.base[0] / iso;
        let stage = camera.base.iter().rposition(|&base| iso >= base).unwrap_or(0);
        // Above its base a stage is read with more gain, and the converter clips before the well is full.
        let held = camera.full_well_e[stage] * (camera.base[stage] / iso).min(1.0);
        Self { stage, electrons, clip: held / electrons, read_noise_e: camera.read_noise_e[stage] }
    }

    /// Light of one step of the converter.
    #[must_use]
    pub fn step(&self) -> f64 {
        self.clip / CONVERTER_STEPS
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn electrons_halve_with_every_stop_and_stages_change_at_their_bases() {
        let camera = Camera::preset("juniper").expect("a preset");
        let base = Exposure::new(&camera, 640.0);
        assert!((base.electrons * GREY - camera.full_well_e[0] * 10.0 / 78.0).abs() < 1e-9);
        assert!((base.clip - GREY * 7.8).abs() < 1e-12);
        assert!((Exposure::new(&camera, 1280.0).electrons - base.electrons / 2.0).abs() < 1e-9);
        assert_eq!(Exposure::new(&camera, 3999.0).stage, 0);
        assert_eq!(Exposure::new(&camera, 4000.0).stage, 1);
        // Above a base the clip stays where it was in light, below it the full well comes first.
        assert!((Exposure::new(&camera, 2000.0).clip - base.clip).abs() < 1e-12);
        assert!((Exposure::new(&camera, 320.0).clip - base.clip / 2.0).abs() < 1e-12);
    }
}
