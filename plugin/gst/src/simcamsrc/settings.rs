//! Properties as the user wrote them, and the camera, light and filters that they stand for.

use std::path::Path;

use noise_measure::transfer::Transfer;
use simulated_camera::camera::PRESETS;
use simulated_camera::lamp::Lamp;
use simulated_camera::shot::Reduction;
use simulated_camera::{Camera, Scene, Shot};

use crate::noisemeter::settings::{GAMMA, TransferSetting};

/// Default camera, the first of the presets.
pub const DEFAULT_CAMERA: &str = "juniper";
/// Default exposure time.
pub const DEFAULT_EXPOSURE_TIME: &str = "1/50";
/// Default ISO.
pub const DEFAULT_ISO: f64 = 800.0;
/// Default strength of noise reduction.
pub const DEFAULT_STRENGTH: f64 = 0.5;
/// Default frequency of the lamp, in Hz: twice 50 Hz mains.
pub const DEFAULT_FREQUENCY: f64 = 100.0;
/// Shortest and longest exposure, in seconds.
const EXPOSURE_TIMES: (f64, f64) = (1e-6, 3600.0);
/// Largest camera file; they have a dozen numbers.
const MAX_CAMERA_BYTES: u64 = 1 << 20;

/// What stands before the lens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, glib::Enum)]
#[enum_type(name = "GstSimCamSrcScene")]
pub enum SceneSetting {
    /// The chart.
    #[default]
    #[enum_value(name = "Chart: a grey card, two rings of greys, edges, texture, ruling", nick = "rings")]
    Rings,
    /// The grey card alone.
    #[enum_value(name = "Grey card that fills the picture", nick = "flat")]
    Flat,
    /// No light.
    #[enum_value(name = "Lens cap on", nick = "dark")]
    Dark,
}

impl From<SceneSetting> for Scene {
    fn from(scene: SceneSetting) -> Self {
        match scene {
            SceneSetting::Rings => Self::Rings,
            SceneSetting::Flat => Self::Flat,
            SceneSetting::Dark => Self::Dark,
        }
    }
}

/// Flags of noise reduction.
mod reduction {
    #![expect(missing_docs, reason = "the macro does not hand on the comments of type and values")]

    /// Which noise reduction works.
    #[glib::flags(name = "GstSimCamSrcNoiseReduction")]
    pub enum NoiseReduction {
        /// None at all; GStreamer's parser needs a name for it.
        #[flags_value(name = "None", nick = "none")]
        NONE = 0,
        /// A Gaussian over neighbouring pixels.
        #[flags_value(name = "Gaussian over neighbouring pixels", nick = "spatial")]
        SPATIAL = 1,
        /// A recursive mean of frames.
        #[flags_value(name = "Recursive mean of frames", nick = "temporal")]
        TEMPORAL = 2,
    }
}
pub use reduction::NoiseReduction;

/// The properties.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Name of a preset, or a camera file.
    pub camera: String,
    /// ISO.
    pub iso_speed: f64,
    /// Exposure time as a fraction of a second.
    pub exposure_time: String,
    /// Stops from the right exposure.
    pub exposure: f64,
    /// Scene.
    pub scene: SceneSetting,
    /// Filters in use.
    pub noise_reduction: NoiseReduction,
    /// Their strength, 0..=1.
    pub noise_reduction_strength: f64,
    /// Share of light that the corners lose.
    pub vignetting: f64,
    /// Swings of the lamp a second.
    pub flicker_frequency: f64,
    /// (max − min)/(max + min) of the lamp.
    pub flicker_depth: f64,
    /// Nanoseconds from the first row's exposure to the last one's.
    pub readout_time: u64,
    /// Decides every random number.
    pub seed: u64,
    /// Curve.
    pub transfer: TransferSetting,
    /// Exponent for `transfer=gamma`.
    pub gamma: f64,
    /// Whether frames come by the clock.
    pub is_live: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            camera: DEFAULT_CAMERA.into(),
            iso_speed: DEFAULT_ISO,
            exposure_time: DEFAULT_EXPOSURE_TIME.into(),
            exposure: 0.0,
            scene: SceneSetting::Rings,
            noise_reduction: NoiseReduction::NONE,
            noise_reduction_strength: DEFAULT_STRENGTH,
            vignetting: 0.0,
            flicker_frequency: DEFAULT_FREQUENCY,
            flicker_depth: 0.0,
            readout_time: 0,
            seed: 0,
            transfer: TransferSetting::Auto,
            gamma: GAMMA.1,
            is_live: false,
        }
    }
}

/// Settings with every text and file read.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Name of the camera: the preset's, or the file's without its folder.
    pub camera: String,
    /// The curve that is asked for; `None` for auto.
    pub transfer: Option<Transfer>,
    shot: Shot,
}

impl Plan {
    /// The same with another curve.
    #[must_use]
    pub fn with_transfer(&self, transfer: Option<Transfer>) -> Self {
        Self { transfer, ..self.clone() }
    }

    /// The shot at `rate` frames a second with `transfer`.
    #[must_use]
    pub fn shot(&self, rate: f64, transfer: Transfer) -> Shot {
        Shot { rate, transfer, ..self.shot.clone() }
    }
}

impl Settings {
    /// Reads texts and the camera file.
    ///
    /// # Errors
    /// One line naming the property, the file and its field where there is one, and what would be right.
    pub fn plan(&self) -> Result<Plan, String> {
        let (name, camera) = read_camera(&self.camera)?;
        let flags = self.noise_reduction;
        let shot = Shot {
            exposure_time: exposure_time(&self.exposure_time)?,
            exposure: self.exposure,
            reduction: Reduction::of_strength(
                self.noise_reduction_strength,
                flags.contains(NoiseReduction::SPATIAL),
                flags.contains(NoiseReduction::TEMPORAL),
            ),
            vignetting: self.vignetting,
            lamp: Lamp { frequency: self.flicker_frequency, depth: self.flicker_depth },
            readout_time: self.readout_time as f64 / 1e9,
            seed: self.seed,
            ..Shot::new(camera, self.iso_speed, self.scene.into())
        };
        shot.check().map_err(|error| error.to_string())?;
        Ok(Plan { camera: name, transfer: self.transfer.curve(self.gamma), shot })
    }
}

/// The camera that `text` names, and the name it has in results.
fn read_camera(text: &str) -> Result<(String, Camera), String> {
    if let Some(camera) = Camera::preset(text) {
        return Ok((text.to_owned(), camera));
    }
    let path = Path::new(text);
    let presets = PRESETS.map(|(name, _)| name).join(", ");
    let unreadable = |problem: String| {
        format!("camera {text:?} is none of {presets}, and no camera file can be read there: {problem}")
    };
    let metadata = std::fs::metadata(path).map_err(|error| unreadable(error.to_string()))?;
    // A pipe would keep the state change waiting.
    if !metadata.is_file() {
        return Err(unreadable("it is not a regular file".into()));
    }
    if metadata.len() > MAX_CAMERA_BYTES {
        let size = metadata.len();
        return Err(unreadable(format!("it has {size} bytes, at most {MAX_CAMERA_BYTES} are read")));
    }
    let json = std::fs::read_to_string(path).map_err(|error| unreadable(error.to_string()))?;
    let camera =
        Camera::from_json(&json).map_err(|error| format!("camera file {text:?}: {}", field(&error)))?;
    let name = path.file_name().unwrap_or(path.as_os_str());
    Ok((name.to_string_lossy().into_owned(), camera))
}

/// The camera's error without a second mention of the file.
fn field(error: &simulated_camera::Error) -> String {
    if error.what == "camera file" { error.problem.clone() } else { error.to_string() }
}

/// Seconds of a text such as `1/50`.
fn exposure_time(text: &str) -> Result<f64, String> {
    let wrong = |problem: &str| format!("exposure-time {text:?} {problem}");
    let (upper, lower) = text.split_once('/').unwrap_or((text, "1"));
    let whole = |part: &str| part.trim().parse::<u32>().ok().filter(|&number| number > 0);
    let (Some(upper), Some(lower)) = (whole(upper), whole(lower)) else {
        let decimal = text.trim().parse::<f64>().ok().filter(|seconds| seconds.is_finite());
        return Err(match decimal.and_then(fraction) {
            Some(hint) => wrong(&format!("is a decimal number; write it as a fraction of a second: {hint}")),
            None => wrong("is no fraction of a second; write for instance 1/50"),
        });
    };
    let seconds = f64::from(upper) / f64::from(lower);
    let (least, most) = EXPOSURE_TIMES;
    if !(least..=most).contains(&seconds) {
        return Err(wrong(&format!("is {seconds} s; 1/1000000 to {most} s would be right")));
    }
    Ok(seconds)
}

/// The simplest fraction that is `seconds` to six digits; `None` outside the range of exposures.
fn fraction(seconds: f64) -> Option<String> {
    let (least, most) = EXPOSURE_TIMES;
    if !(least..=most).contains(&seconds) {
        return None;
    }
    (1..=1_000_000_u32).find_map(|lower| {
        let upper = (seconds * f64::from(lower)).round();
        let near = (upper / f64::from(lower) - seconds).abs() <= 1e-6 * seconds;
        (upper >= 1.0 && near).then(|| format!("{upper}/{lower}"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposure_times_are_fractions_and_decimals_get_a_hint() {
        assert_eq!(exposure_time("1/50"), Ok(0.02));
        assert_eq!(exposure_time(" 3 / 2 "), Ok(1.5));
        assert_eq!(exposure_time("2"), Ok(2.0));
        let hint = |text: &str| exposure_time(text).expect_err("no fraction");
        assert!(hint("0.5").ends_with("write it as a fraction of a second: 1/2"), "{}", hint("0.5"));
        assert!(hint("0.02").ends_with(" 1/50"), "{}", hint("0.02"));
        assert!(hint("0.3333333").ends_with(" 1/3"), "{}", hint("0.3333333"));
        assert!(hint("1.5").ends_with(" 3/2"), "{}", hint("1.5"));
        for text in ["", "fast", "1/0", "0/5", "-1/50", "1/50/2", "nan", "-0.5", "1e9"] {
            assert!(hint(text).ends_with("write for instance 1/50"), "{}", hint(text));
        }
        for text in ["4000/1", "1/2000000"] {
            assert!(hint(text).contains("1/1000000 to 3600 s would be right"), "{}", hint(text));
        }
    }

    #[test]
    fn a_preset_is_read_and_an_unknown_name_lists_them() {
        let plan = Settings::default().plan().expect("the defaults are right");
        assert_eq!(plan.camera, "juniper");
        let other = Settings { camera: "/nowhere/oak".into(), ..Settings::default() };
        let error = other.plan().expect_err("no such camera");
        assert!(error.starts_with("camera \"/nowhere/oak\" is none of juniper, larch, rowan, "), "{error}");
    }
}
