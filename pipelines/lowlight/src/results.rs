//! A clip's results in the making: written beside their place, renamed when whole.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Write};
use std::path::Path;

use noise_measure::record::WindowRecord;
use serde::Serialize;

use crate::files::{Files, about};
use crate::resume::State;
use crate::text::shown;

/// Results in the making; what is not committed is removed again.
#[derive(Debug)]
pub struct Pending {
    files: Files,
    /// Held to the end, so that two runs never write the same results at once.
    _lock: File,
}

impl Pending {
    /// Makes the empty file that the child fills.
    ///
    /// # Errors
    /// One sentence naming the file: it cannot be made, or another run is at it.
    pub fn begin(files: &Files) -> Result<Self, String> {
        let path = files.windows_part();
        let file =
            OpenOptions::new().create(true).append(true).open(&path).map_err(|error| about(&path, &error))?;
        if let Err(TryLockError::WouldBlock) = file.try_lock() {
            return Err(format!("{} is being written by another run", shown(path.as_os_str())));
        }
        // Some network file systems have no locks; the results are still right where one run is at work.
        let pending = Self { files: files.clone(), _lock: file };
        pending._lock.set_len(0).map_err(|error| about(&path, &error))?;
        Ok(pending)
    }

    /// The windows that the child has written.
    ///
    /// # Errors
    /// One sentence naming the file, and the line where there is one.
    pub fn windows(&self) -> Result<Vec<WindowRecord>, String> {
        let path = self.files.windows_part();
        let file = File::open(&path).map_err(|error| about(&path, &error))?;
        let mut windows = Vec::new();
        for (index, line) in BufReader::new(file).lines().enumerate() {
            let line = line.map_err(|error| about(&path, &error))?;
            let window = serde_json::from_str(&line)
                .map_err(|error| format!("{} line {}: {error}", shown(path.as_os_str()), index + 1))?;
            windows.push(window);
        }
        Ok(windows)
    }

    /// Puts everything in place, the state last.
    ///
    /// # Errors
    /// One sentence naming the file that cannot be written.
    pub fn commit(self, summary: &WindowRecord, mut state: State) -> Result<(), String> {
        let windows = self.files.windows_part();
        state.windows_bytes = std::fs::metadata(&windows).map_err(|error| about(&windows, &error))?.len();
        state.summary_bytes = write_json(&self.files.summary_part(), summary)?;
        write_json(&self.files.state_part(), &state)?;
        // Without its state file no result counts as done, so a stop between these steps costs this clip alone.
        let old = self.files.state();
        match std::fs::remove_file(&old) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(about(&old, &error)),
            _ => {}
        }
        rename(&windows, &self.files.windows())?;
        rename(&self.files.summary_part(), &self.files.summary())?;
        rename(&self.files.state_part(), &self.files.state())
    }
}

impl Drop for Pending {
    fn drop(&mut self) {
        for path in [self.files.windows_part(), self.files.summary_part(), self.files.state_part()] {
            // After a commit there is nothing left to remove.
            let _ = std::fs::remove_file(path);
        }
    }
}

/// Puts a finished file in its place.
///
/// # Errors
/// One sentence naming the file.
pub fn rename(from: &Path, to: &Path) -> Result<(), String> {
    std::fs::rename(from, to).map_err(|error| about(to, &error))
}

/// Writes `value` and waits for the disk; bytes written.
///
/// # Errors
/// One sentence naming the file.
pub fn write_json(path: &Path, value: &impl Serialize) -> Result<u64, String> {
    let mut text = serde_json::to_string_pretty(value)
        .map_err(|error| format!("{}: {error}", shown(path.as_os_str())))?;
    text.push('\n');
    let write = || -> io::Result<()> {
        let mut file = File::create(path)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()
    };
    write().map_err(|error| about(path, &error))?;
    Ok(text.len() as u64)
}

/// Whether `path` may hold results: made if missing, and writable.
///
/// # Errors
/// What the system says.
pub fn prepare_directory(path: &Path) -> io::Result<()> {
    std::fs::create_dir_all(path)?;
    let probe = path.join(format!(".lowlight-{}.part", std::process::id()));
    std::fs::write(&probe, b"")?;
    std::fs::remove_file(&probe)
}
