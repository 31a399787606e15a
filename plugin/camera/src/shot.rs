//! Everything that one recording is made with.

use noise_measure::transfer::Transfer;

use crate::camera::{Camera, ISO};
use crate::error::{Error, within};
use crate::exposure::Exposure;
use crate::lamp::Lamp;
use crate::random::{Line, Normals, Purpose};
use crate::scene::Scene;

/// Settings of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    /// The body.
    pub camera: Camera,
    /// ISO speed.
    pub iso: f64,
    /// Seconds that a row gathers light; it decides what a lamp's flicker does, not the level.
    pub exposure_time: f64,
    /// Stops of light above the exposure that puts the card on its level.
    pub exposure: f64,
    /// What stands before the lens.
    pub scene: Scene,
    /// Noise reduction.
    pub reduction: Reduction,
    /// Light that the corners lose, as a share; falls off by the cos⁴ law.
    pub vignetting: f64,
    /// The lamp.
    pub lamp: Lamp,
    /// Seconds from the first row's exposure to the last one's; 0 is a global shutter.
    pub readout_time: f64,
    /// Frames a second.
    pub rate: f64,
    /// From light to signal.
    pub transfer: Transfer,
    /// Noise that swells and fades, as behind a codec's groups of pictures.
    pub pulse: Option<Pulse>,
    /// Decides every random number.
    pub seed: u64,
}

/// Noise reduction, on light.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reduction {
    /// Sd of a Gaussian in pixels, 0 is none.
    pub spatial: f64,
    /// Share of the frame before that stays, yₙ = a·yₙ₋₁ + (1−a)·xₙ; 0 is none.
    pub temporal: f64,
}

impl Reduction {
    /// What one setting of 0..=1 stands for in the parts that are switched on: a Gaussian of 3 · `strength` pixels and a
    /// share of 0.95 · `strength` of the frame before. Values outside are taken as the nearer end.
    #[must_use]
    pub fn of_strength(strength: f64, spatial: bool, temporal: bool) -> Self {
        let strength = strength.clamp(0.0, 1.0);
        let part = |on: bool, most: f64| if on { most * strength } else { 0.0 };
        Self { spatial: part(spatial, STRONGEST_SPATIAL), temporal: part(temporal, MAX_TEMPORAL) }
    }
}

/// Noise times 1 + depth·cos(2π·frame/frames).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pulse {
    /// Frames from swell to swell.
    pub frames: f64,
    /// Largest change, as a share of the spread.
    pub depth: f64,
}

/// Largest sd of the spatial filter, in pixels.
pub const MAX_SPATIAL: f64 = 8.0;

/// Sd of the spatial filter at full strength, in pixels.
const STRONGEST_SPATIAL: f64 = 3.0;

/// Largest coefficient of the temporal filter.
pub const MAX_TEMPORAL: f64 = 0.95;

impl Shot {
    /// `camera` at `iso` before `scene`: 25 frames a second of 1/50 s, steady light, BT.709, no noise reduction, seed 0.
    #[must_use]
    pub fn new(camera: Camera, iso: f64, scene: Scene) -> Self {
        Self {
            camera,
            iso,
            exposure_time: 0.02,
            exposure: 0.0,
            scene,
            reduction: Reduction::default(),
            vignetting: 0.0,
            lamp: Lamp::default(),
            readout_time: 0.0,
            rate: 25.0,
            transfer: Transfer::Bt709,
            pulse: None,
            seed: 0,
        }
    }

    /// Whether every setting is in its range.
    ///
    /// # Errors
    /// Names the first one that is not.
    pub fn check(&self) -> Result<(), Error> {
        self.camera.check()?;
        within("iso-speed", self.iso, ISO, "")?;
        within("exposure-time", self.exposure_time, 1e-6..=3600.0, " s")?;
        within("exposure", self.exposure, -20.0..=20.0, " stops")?;
        within("spatial noise reduction", self.reduction.spatial, 0.0..=MAX_SPATIAL, " pixels")?;
        within("temporal noise reduction", self.reduction.temporal, 0.0..=MAX_TEMPORAL, "")?;
        within("vignetting", self.vignetting, 0.0..=0.9, "")?;
        within("flicker-frequency", self.lamp.frequency, 0.0..=100_000.0, " Hz")?;
        within("flicker-depth", self.lamp.depth, 0.0..=1.0, "")?;
        within("readout-time", self.readout_time, 0.0..=1.0, " s")?;
        within("frame rate", self.rate, 1e-3..=10_000.0, " frames a second")?;
        Ok(())
    }

    /// Electrons and clipping at this ISO.
    #[must_use]
    pub fn level(&self) -> Exposure {
        Exposure::new(&self.camera, self.iso)
    }

    /// Light of a place with `reflectance` under the steady lamp; the card gives 0.18 at `exposure` 0.
    #[must_use]
    pub fn light(&self, reflectance: f64) -> f64 {
        reflectance * self.exposure.exp2()
    }

    /// What all moving noise of frame `n` is multiplied by: the camera's change from frame to frame, and the pulse.
    #[must_use]
    pub fn noise_gain(&self, n: u64) -> f64 {
        let mut gain = 1.0;
        if self.camera.gain_change > 0.0 {
            let bits = Line::new(self.seed, Purpose::Gain, n, 0).bits(0);
            gain += self.camera.gain_change * f64::from(Normals::shared().get(bits));
        }
        if let Some(pulse) = self.pulse {
            gain *= 1.0 + pulse.depth * (std::f64::consts::TAU * n as f64 / pulse.frames).cos();
        }
        gain.max(0.0)
    }

    /// Light of row `row` of `rows` in frame `n`, over that of the steady lamp.
    #[must_use]
    pub fn lamp_factor(&self, n: u64, row: usize, rows: usize) -> f64 {
        if !self.lamp.flickers() {
            return 1.0;
        }
        let readout = self.readout_time * row as f64 / rows.max(1) as f64;
        self.lamp.over(n as f64 / self.rate + readout, self.exposure_time)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strength_is_shared_out_to_the_filters_that_are_on() {
        assert_eq!(Reduction::of_strength(1.0, true, true), Reduction { spatial: 3.0, temporal: 0.95 });
        assert_eq!(Reduction::of_strength(0.5, true, false), Reduction { spatial: 1.5, temporal: 0.0 });
        assert_eq!(Reduction::of_strength(0.5, false, true), Reduction { spatial: 0.0, temporal: 0.475 });
        assert_eq!(Reduction::of_strength(7.0, true, true), Reduction::of_strength(1.0, true, true));
        assert_eq!(Reduction::of_strength(1.0, false, false), Reduction::default());
    }
}
