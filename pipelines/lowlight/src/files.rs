//! The names of a clip's results.

use std::io;
use std::path::{Path, PathBuf};

use noise_measure::record::WindowRecord;

use crate::inputs::in_words;
use crate::text::shown;

/// Names of the results of one clip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Files {
    directory: PathBuf,
    name: String,
}

impl Files {
    /// Results named `name` in `directory`.
    #[must_use]
    pub fn new(directory: &Path, name: &str) -> Self {
        Self { directory: directory.to_path_buf(), name: name.to_owned() }
    }

    /// One JSON line a window.
    #[must_use]
    pub fn windows(&self) -> PathBuf {
        self.with("windows.jsonl")
    }

    /// Where the child writes windows.
    #[must_use]
    pub fn windows_part(&self) -> PathBuf {
        self.with("windows.jsonl.part")
    }

    /// The clip as a whole.
    #[must_use]
    pub fn summary(&self) -> PathBuf {
        self.with("summary.json")
    }

    /// What was measured with what.
    #[must_use]
    pub fn state(&self) -> PathBuf {
        self.with("state.json")
    }

    /// The summary while it is written.
    #[must_use]
    pub fn summary_part(&self) -> PathBuf {
        self.with("summary.json.part")
    }

    /// The state while it is written.
    #[must_use]
    pub fn state_part(&self) -> PathBuf {
        self.with("state.json.part")
    }

    fn with(&self, ending: &str) -> PathBuf {
        self.directory.join(format!("{}.{ending}", self.name))
    }

    /// The summary of finished results.
    ///
    /// # Errors
    /// One sentence naming the file.
    pub fn read_summary(&self) -> Result<WindowRecord, String> {
        let path = self.summary();
        let bytes = std::fs::read(&path).map_err(|error| about(&path, &error))?;
        serde_json::from_slice(&bytes).map_err(|error| format!("{}: {error}", shown(path.as_os_str())))
    }
}

/// What the system says about a file of the results.
#[must_use]
pub fn about(path: &Path, error: &io::Error) -> String {
    format!("cannot write {}: {}", shown(path.as_os_str()), in_words(error))
}
