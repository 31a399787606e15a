//! Windows from the bus to the file.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::PathBuf;

use noise_measure::record::{ComponentRecord, Note, NoteCode, VideoRecord, WindowRecord};

use crate::files::about;
use crate::protocol::{Input, Job};

/// Writes each window as one line of JSON.
#[derive(Debug)]
pub struct Recorder {
    path: PathBuf,
    file: File,
    source: String,
    every: Option<u32>,
    /// The frame rate of an image sequence that nobody gave.
    rate_assumed: bool,
    windows: u64,
}

impl Recorder {
    /// Appends to the file that the parent made for `job`.
    ///
    /// # Errors
    /// One sentence naming the file.
    pub fn open(job: &Job) -> Result<Self, String> {
        let path = PathBuf::from(&job.windows);
        let file = OpenOptions::new().append(true).open(&path).map_err(|error| about(&path, &error))?;
        let rate_assumed = job.input == Input::Images && job.settings.rate.is_none();
        let every = job.settings.pairs_only().then_some(job.settings.every);
        Ok(Self { path, file, source: job.source.clone(), every, rate_assumed, windows: 0 })
    }

    /// Windows so far.
    #[must_use]
    pub fn windows(&self) -> u64 {
        self.windows
    }

    /// Takes a window as the element posts it; for the first one, what had to be assumed.
    ///
    /// # Errors
    /// One sentence: the JSON does not hold a window, or the disk does not take it.
    pub fn add(&mut self, json: &str) -> Result<Option<String>, String> {
        let mut window: WindowRecord =
            serde_json::from_str(json).map_err(|error| format!("a window that cannot be read: {error}"))?;
        window.source = Some(self.source.clone());
        if self.rate_assumed && !window.video.assumed.iter().any(|part| part == "framerate") {
            window.video.assumed.push("framerate".to_owned());
        }
        if let Some(every) = self.every {
            keep_pairs(&mut window, every);
        }
        let mut line = serde_json::to_vec(&window).map_err(|error| error.to_string())?;
        line.push(b'\n');
        self.file.write_all(&line).map_err(|error| about(&self.path, &error))?;
        self.windows += 1;
        Ok((self.windows == 1).then(|| assumed(&window.video)).flatten())
    }

    /// Waits until all is on disk.
    ///
    /// # Errors
    /// One sentence naming the file.
    pub fn finish(&self) -> Result<(), String> {
        self.file.sync_all().map_err(|error| about(&self.path, &error))
    }
}

/// What the file does not say, in words.
fn assumed(video: &VideoRecord) -> Option<String> {
    let parts: Vec<String> = video
        .assumed
        .iter()
        .map(|part| match part.as_str() {
            "range" => format!("range {}", video.range),
            "matrix" => format!("matrix {}", video.matrix.as_deref().unwrap_or("none")),
            "transfer" => format!("transfer {}", video.transfer),
            "framerate" => format!("{} frames a second", video.framerate),
            other => other.to_owned(),
        })
        .collect();
    (!parts.is_empty()).then(|| format!("{}, which the file does not say", parts.join(", ")))
}

/// Takes out what pairs of frames, far from one another, cannot tell: everything but the pairwise set.
fn keep_pairs(window: &mut WindowRecord, every: u32) {
    let text = format!("of every {every} frames the first two were measured, as a pair");
    for region in &mut window.regions {
        for (_, component) in &mut region.components.0 {
            *component = ComponentRecord {
                samples: component.samples,
                mean: component.mean,
                mean_codes: component.mean_codes,
                codes: component.codes.take(),
                temporal_pair: component.temporal_pair,
                corr_x: component.corr_x,
                corr_y: component.corr_y,
                frame_means: std::mem::take(&mut component.frame_means),
                ..ComponentRecord::default()
            };
        }
        region.chroma_ratio = None;
        if let Some(light) = &mut region.light {
            light.snr_temporal_db = None;
            light.snr_temporal_ci_db = None;
            light.snr_lower_db = None;
            light.snr_fixed_db = None;
            light.snr_total_db = None;
            light.snr_chroma_db = None;
        }
        let pairwise = NoteCode::PairwiseOnly;
        region.notes.retain(|note| {
            matches!(note.code, NoteCode::Clipped | NoteCode::FewPixels | NoteCode::OutsidePicture)
        });
        region.notes.push(Note::new(pairwise, text.clone()));
    }
    // The breaks between pairs are of our own making: nothing is amiss with the clip. What could not be read stays said.
    let breaks = Note::breaks(window.holes);
    window.notes.retain(|note| *note != breaks);
    window.notes.push(Note::new(NoteCode::Subsampled, text));
}
