//! The meter of a stream: frames in, closed windows out, and windows evaluated into records.

use std::sync::Arc;

use crate::error::Error;
use crate::format::FrameFormat;
use crate::record::{Note, VideoRecord, WindowRecord};
use crate::region::{Grid, Rect, Region};
use crate::transfer::Transfer;
use crate::view::ComponentView;

/// What is measured; fixed for a window.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterConfig {
    /// The frames.
    pub format: FrameFormat,
    /// The active picture.
    pub active: Rect,
    /// Regions in layout order.
    pub regions: Vec<Region>,
    /// Cells over the active picture.
    pub grid: Option<Grid>,
    /// Regions, in layout order, beyond this share of the frame's area in sum get the pairwise set alone; none off line.
    pub full_set_share: Option<f64>,
}

/// What is known of a frame beside its samples.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FrameTags {
    /// Marked as a repetition of the frame before (GAP flag).
    pub gap: bool,
    /// A discontinuity, gap or missing frame lies between this frame and the one before.
    pub hole_before: bool,
    /// Marked as damaged.
    pub corrupted: bool,
    /// Time of the frame in nanoseconds, for slopes; index over the frame rate where absent.
    pub time_ns: Option<u64>,
    /// Which field (0 upper, 1 lower) an alternate-field buffer holds; 0 otherwise.
    pub parity: usize,
}

/// How samples become light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LightConfig {
    /// The curve.
    pub transfer: Transfer,
    /// Where it came from.
    pub source: TransferSource,
}

/// Where a transfer curve came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TransferSource {
    /// The stream's caps.
    Caps,
    /// A setting.
    User,
    /// A guess for lack of both.
    Assumed,
}

/// What the caller knows of a window beside its frames.
#[derive(Debug, Clone, PartialEq)]
pub struct WindowInfo {
    /// PTS of the first buffer, ns.
    pub timestamp: Option<u64>,
    /// Stream time of the first buffer, ns.
    pub stream_time: Option<u64>,
    /// Running time of the first buffer, ns.
    pub running_time: Option<u64>,
    /// Length, ns.
    pub duration: Option<u64>,
    /// Rate of the segment.
    pub rate: f64,
    /// Ended early.
    pub partial: bool,
    /// Nominal frames a second, for slopes and frequencies.
    pub frame_rate: f64,
    /// What the frames are.
    pub video: VideoRecord,
    /// Samples to light.
    pub light: LightConfig,
    /// Share of pixels outside EBU R 103 in the first frame, where it was computed.
    pub outside_r103: Option<f64>,
    /// Notes of the caller.
    pub notes: Vec<Note>,
}

/// Measures a stream; cheap per frame, integer-exact.
#[derive(Debug)]
pub struct Meter {
    config: Arc<MeterConfig>,
}

impl Meter {
    /// A meter for frames of `config.format`.
    #[must_use]
    pub fn new(config: MeterConfig) -> Self {
        Self { config: Arc::new(config) }
    }

    /// Changes regions, grid or format from the next frame on; the open window must have been closed.
    ///
    /// What is remembered since the segment began (code steps, last frame) stays where the format is equal.
    pub fn reconfigure(&mut self, config: MeterConfig) {
        self.config = Arc::new(config);
    }

    /// Forgets all that was remembered since the segment began, and the open window.
    pub fn start_segment(&mut self) {}

    /// Measures one buffer. `views` in the order of `config.format.components`.
    ///
    /// # Errors
    /// [`Error::FrameMismatch`] where views and format differ; nothing is counted then.
    pub fn add(&mut self, views: &[ComponentView<'_>], tags: FrameTags) -> Result<(), Error> {
        let _ = (views, tags);
        Ok(())
    }

    /// Frames in the open window, repeated ones among them.
    #[must_use]
    pub fn frames(&self) -> u64 {
        0
    }

    /// Ends the open window and begins an empty one; `None` when no frame came.
    pub fn close(&mut self) -> Option<ClosedWindow> {
        None
    }
}

/// The sums of a window, to be evaluated on another thread.
#[derive(Debug)]
pub struct ClosedWindow {
    config: Arc<MeterConfig>,
}

impl ClosedWindow {
    /// Turns sums into numbers; windows of a segment must come in order with the same `carry`.
    #[must_use]
    pub fn evaluate(self, carry: &mut Carry, info: WindowInfo) -> WindowRecord {
        let _ = (self.config, carry, info);
        unreachable!()
    }
}

/// What windows of one segment hand on: pixel means for noise slower than a window.
#[derive(Debug, Default)]
pub struct Carry {
    _private: (),
}
