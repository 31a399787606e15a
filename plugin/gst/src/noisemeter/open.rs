//! What is known of the open window beside the sums of its frames.

use noise_measure::meter::WindowInfo;
use noise_measure::record::{Note, NoteCode, VideoRecord};

use super::timing::{Ending, FALLBACK_RATE};
use crate::colorimetry::Colorimetry;

/// The open window.
#[derive(Debug)]
pub struct Open {
    /// Counts windows of the session.
    pub number: u64,
    /// PTS of the first buffer, ns.
    pub timestamp: Option<u64>,
    /// Stream time of the first buffer, ns.
    pub stream_time: Option<u64>,
    /// Running time of the first buffer, ns.
    pub running_time: Option<u64>,
    /// Rate of the segment.
    pub rate: f64,
    /// What the frames are.
    pub video: VideoRecord,
    /// What the codes mean.
    pub colorimetry: Colorimetry,
    /// A buffer had no time stamp.
    pub counted: bool,
    /// Windows taken in since nobody could take them.
    pub merged: u64,
    /// Frames that could not be read.
    pub unreadable: u64,
    /// The first frame was not handed to the worker.
    pub first_skipped: bool,
    /// The crop was cut to the picture.
    pub crop_note: bool,
}

impl Open {
    /// Completes it with its `ending`; `caps_rate` is the fraction in the caps, `frame_rate` what the clock found.
    #[must_use]
    pub fn into_info(self, ending: Ending, caps_rate: (u32, u32), frame_rate: f64) -> WindowInfo {
        let mut notes = Vec::new();
        if self.counted {
            let text = if caps_rate.0 == 0 {
                format!("buffers without time stamps were counted at {FALLBACK_RATE} a second")
            } else {
                "buffers without time stamps were counted at the rate of the caps".into()
            };
            notes.push(Note::new(NoteCode::NoTimestamps, text));
        }
        if self.merged > 0 {
            let text =
                format!("{} more windows are merged into this one: the machine is too slow", self.merged);
            notes.push(Note::new(NoteCode::Merged, text));
        }
        if self.first_skipped {
            notes.push(Note::new(NoteCode::Merged, "outside_r103 was left out: the machine is too slow"));
        }
        if self.unreadable > 0 {
            let text = format!("{} frames could not be read and are in no number", self.unreadable);
            notes.push(Note::new(NoteCode::Dropped, text));
        }
        if self.crop_note {
            notes.push(Note::new(NoteCode::OutsidePicture, "crop leaves the picture and was cut to it"));
        }
        WindowInfo {
            timestamp: self.timestamp,
            stream_time: self.stream_time,
            running_time: self.running_time,
            duration: Some(ending.duration),
            rate: self.rate,
            partial: ending.partial,
            frame_rate,
            video: self.video,
            light: self.colorimetry.light,
            outside_r103: None,
            notes,
        }
    }
}
