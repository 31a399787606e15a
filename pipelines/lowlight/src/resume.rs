//! The state file: what was measured with what, so that nothing unchanged is measured twice.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::files::Files;
use crate::inputs::Stamp;
use crate::settings::Settings;

/// What results depend on; equal for equal results.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Basis {
    /// This program and its version.
    pub program: String,
    /// The version of GStreamer, whose decoders made the samples.
    pub gstreamer: String,
    /// The file name as given.
    pub source: String,
    /// The input.
    pub input: Stamp,
    /// The settings.
    pub settings: Settings,
}

/// `NAME.state.json`; written last, so that its presence says that the other two are whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// Version of the layout of results.
    pub schema: u32,
    /// What the results depend on.
    #[serde(flatten)]
    pub basis: Basis,
    /// Frames that were measured.
    pub frames: u64,
    /// Windows that were written.
    pub windows: u64,
    /// Bytes of `NAME.windows.jsonl`.
    pub windows_bytes: u64,
    /// Bytes of `NAME.summary.json`.
    pub summary_bytes: u64,
    /// What was assumed of the video.
    pub assumed: Option<String>,
    /// What was said beside the results.
    pub warnings: Vec<String>,
    /// When the results were written, UTC.
    pub finished: String,
    /// How long measuring took.
    pub seconds: f64,
}

impl Basis {
    /// What results of `input` with `settings` depend on in this program.
    #[must_use]
    pub fn new(source: String, input: Stamp, settings: &Settings) -> Self {
        Self {
            program: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
            gstreamer: gst::version_string().to_string(),
            source,
            input,
            settings: settings.clone(),
        }
    }
}

impl State {
    /// The state of finished results, where they are still whole and stand on `basis`.
    #[must_use]
    pub fn unchanged(files: &Files, basis: &Basis) -> Option<Self> {
        let state: Self = serde_json::from_slice(&std::fs::read(files.state()).ok()?).ok()?;
        let whole = length(&files.windows()) == Some(state.windows_bytes)
            && length(&files.summary()) == Some(state.summary_bytes);
        (whole && state.schema == noise_measure::record::SCHEMA && state.basis == *basis).then_some(state)
    }
}

fn length(path: &Path) -> Option<u64> {
    std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file).map(|metadata| metadata.len())
}
