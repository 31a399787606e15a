//! What a meter is told: what to measure, and what the caller knows of frames and windows beside their samples.

use crate::frame::format::FrameFormat;
use crate::frame::region::{Grid, Rect, Region};
use crate::record::{Note, VideoRecord};
use crate::transfer::Transfer;

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

impl TransferSource {
    /// The name in results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Caps => "caps",
            Self::User => "user",
            Self::Assumed => "assumed",
        }
    }

    /// The source of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Caps, Self::User, Self::Assumed].into_iter().find(|source| source.name() == name)
    }
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
