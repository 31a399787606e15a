//! What parent and child of `measure` say to each other: one JSON value a line.

use std::ffi::OsString;

use serde::{Deserialize, Serialize};

use crate::fragment::Fragment;
use crate::settings::Settings;

/// What the child is told, on the first line of its stdin. That stdin then stays open; its end ends the child.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Job {
    /// Its file or pattern.
    pub path: OsString,
    /// The part to measure.
    pub fragment: Option<Fragment>,
    /// What its path leads to.
    pub input: Input,
    /// What the windows say they are of.
    pub source: String,
    /// What is measured and how.
    pub settings: Settings,
    /// The layout file, as the element takes it.
    pub layout: Option<String>,
    /// Where the windows go; the file is there.
    pub windows: OsString,
    /// Threads for each decoder.
    pub threads: u32,
}

/// How a clip is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Input {
    /// By GStreamer's decoders.
    Media,
    /// By the image readers of this program.
    Images,
}

/// What the child says, line by line on its stdout.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum Event {
    /// The clip goes on; said only when it does.
    Progress {
        /// Frames measured so far.
        frames: u64,
        /// Nanoseconds of the clip that are done.
        position: Option<u64>,
        /// Nanoseconds of the whole.
        duration: Option<u64>,
    },
    /// What the file does not say and was assumed; once.
    Assumed {
        /// One line.
        text: String,
    },
    /// Something to know that stops nothing.
    Warning {
        /// One line.
        text: String,
    },
    /// Why the clip cannot be measured; the last event.
    Error {
        /// One line.
        text: String,
    },
    /// All windows are on disk; the last event.
    Done {
        /// Frames measured.
        frames: u64,
        /// Windows written.
        windows: u64,
    },
}
