//! A clip on disk: how it was made, the truth of it, and whether it is there already.

use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use serde_json::Value;
use simulated_camera::Camera;

use super::scenario::{self, Mode, Take};
use super::settings::Settings;
use crate::files::about;
use crate::results::{rename, write_json};
use crate::text::shown;
use crate::truth;

/// Everything that a clip's bytes depend on; equal for equal clips.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Made {
    /// This program and its version.
    pub program: String,
    /// The version of GStreamer, whose encoders wrote the clip.
    pub gstreamer: String,
    /// Name of the camera.
    pub camera: String,
    /// The camera's body.
    pub body: Camera,
    /// Name of the mode.
    pub mode: String,
    /// Strength of the noise reduction, 0..=1; 0 is none.
    pub noise_reduction_strength: f64,
    /// ISO speed.
    pub iso_speed: u32,
    /// Exposure time as `1/50`.
    pub exposure_time: String,
    /// Stops off the right exposure.
    pub exposure: f64,
    /// Swings of the lamp a second; 0 is a steady one.
    pub flicker_frequency: f64,
    /// (max − min)/(max + min) of the lamp's light.
    pub flicker_depth: f64,
    /// Nanoseconds from the first row's exposure to the last one's.
    pub readout_time: u64,
    /// Columns.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Frames.
    pub frames: u32,
    /// Frames a second.
    pub rate: u32,
    /// Name of the codec.
    pub codec: String,
    /// The codec's rate, where it has one.
    pub bitrate_kbit: Option<u32>,
    /// Decides every random number.
    pub seed: u64,
}

/// `NAME.truth.json`; written last, so that its presence says that the clip is whole.
#[derive(Debug, Serialize, Deserialize)]
struct TruthFile {
    made: Made,
    /// Bytes of the clip.
    clip_bytes: u64,
    /// The message `simcam-truth`, field by field.
    #[serde(flatten)]
    truth: serde_json::Map<String, Value>,
}

impl Made {
    /// How `take` is made.
    ///
    /// # Errors
    /// Names a camera that is not known.
    pub fn new(take: &Take, settings: &Settings) -> Result<Self, String> {
        Ok(Self {
            program: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
            gstreamer: gst::version_string().to_string(),
            camera: take.camera.to_owned(),
            body: scenario::body(take.camera)?,
            mode: take.mode.name().to_owned(),
            noise_reduction_strength: if take.mode == Mode::Filtered { scenario::STRENGTH } else { 0.0 },
            iso_speed: take.iso,
            exposure_time: take.shutter(),
            exposure: take.exposure,
            flicker_frequency: take.lamp.frequency,
            flicker_depth: take.lamp.depth,
            readout_time: scenario::READOUT,
            width: settings.width,
            height: settings.height,
            frames: settings.frames,
            rate: scenario::RATE,
            codec: settings.codec.name().to_owned(),
            bitrate_kbit: settings.bitrate(),
            seed: take.seed,
        })
    }
}

/// A clip in the making; what is not committed is removed again.
#[derive(Debug)]
pub struct Pending {
    clip: PathBuf,
    /// Held to the end, so that two runs never write the same clip at once.
    _lock: File,
}

/// Bytes of the clip at `path`, where it is whole and was made so.
#[must_use]
pub fn unchanged(path: &Path, made: &Made) -> Option<u64> {
    let file: TruthFile = serde_json::from_slice(&std::fs::read(truth::beside(path)).ok()?).ok()?;
    let bytes = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?.len();
    (file.made == *made && file.clip_bytes == bytes).then_some(bytes)
}

impl Pending {
    /// Makes the empty file that the pipeline fills.
    ///
    /// # Errors
    /// One sentence naming the file: it cannot be made, or another run is at it.
    pub fn begin(clip: &Path) -> Result<Self, String> {
        let path = part(clip);
        let file =
            OpenOptions::new().create(true).append(true).open(&path).map_err(|error| about(&path, &error))?;
        // Some network file systems have no locks; one run at work is right without.
        if let Err(TryLockError::WouldBlock) = file.try_lock() {
            return Err(format!("{} is being written by another run", shown(path.as_os_str())));
        }
        Ok(Self { clip: clip.to_path_buf(), _lock: file })
    }

    /// Where the pipeline writes.
    #[must_use]
    pub fn part(&self) -> PathBuf {
        part(&self.clip)
    }

    /// Puts clip and truth in place, the truth last; bytes of the clip.
    ///
    /// # Errors
    /// One sentence naming the file that cannot be written.
    pub fn commit(self, made: &Made, truth: serde_json::Map<String, Value>) -> Result<u64, String> {
        let (part, beside) = (self.part(), truth::beside(&self.clip));
        let told = |error| about(&part, &error);
        let file = File::open(&part).map_err(told)?;
        file.sync_all().map_err(told)?;
        let clip_bytes = file.metadata().map_err(told)?.len();
        let beside_part = self::part(&beside);
        write_json(&beside_part, &TruthFile { made: made.clone(), clip_bytes, truth })?;
        // Without its truth no clip counts as done, so a stop between these steps costs this clip alone.
        match std::fs::remove_file(&beside) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(about(&beside, &error)),
            _ => {}
        }
        rename(&part, &self.clip)?;
        rename(&beside_part, &beside)?;
        Ok(clip_bytes)
    }
}

impl Drop for Pending {
    fn drop(&mut self) {
        for path in [self.part(), part(&truth::beside(&self.clip))] {
            // After a commit there is nothing left to remove.
            let _ = std::fs::remove_file(path);
        }
    }
}

/// Where a file stands while it is written.
#[must_use]
pub fn part(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".part");
    PathBuf::from(name)
}
