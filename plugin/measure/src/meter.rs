//! The meter of a stream: frames in, closed windows out, and windows evaluated into records.

use std::sync::Arc;

use crate::collect::{RegionSums, Scratch};
use crate::error::Error;
use crate::format::{FrameFormat, Scan};
use crate::kernels::steps::CodeSteps;
use crate::record::{Note, VideoRecord};
use crate::region::{Grid, Rect, Region};
use crate::scan::{FrameScan, identify};
use crate::transfer::Transfer;
use crate::view::ComponentView;

pub use crate::window::{Carry, ClosedWindow};

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

/// Measures a stream; cheap per frame, integer-exact.
#[derive(Debug)]
pub struct Meter {
    config: Arc<MeterConfig>,
    steps: Vec<CodeSteps>,
    /// Fingerprint of the newest buffer of each parity.
    last: [Option<u128>; 2],
    window: OpenWindow,
    scratch: Scratch,
}

/// The sums of the window that is being filled.
#[derive(Debug)]
pub(crate) struct OpenWindow {
    pub(crate) scan: FrameScan,
    pub(crate) regions: Vec<Option<RegionSums>>,
    pub(crate) cells: Vec<RegionSums>,
    /// Time of every distinct frame, ns.
    pub(crate) times: Vec<Option<u64>>,
    /// Buffers of each parity (progressive and interleaved: the first alone), and how many of them repeated the one before.
    pub(crate) buffers: [u64; 2],
    pub(crate) repeated: [u64; 2],
    pub(crate) holes: u64,
    pub(crate) corrupted: u64,
}

impl OpenWindow {
    fn new(config: &MeterConfig) -> Self {
        let format = &config.format;
        let frame_area = f64::from(format.width) * f64::from(format.height);
        let mut area = 0.0;
        let regions = config
            .regions
            .iter()
            .map(|region| {
                area += f64::from(region.rect.width) * f64::from(region.rect.height);
                let full = config.full_set_share.is_none_or(|share| area <= share * frame_area);
                region.inside.then(|| RegionSums::new(format, region.rect, full))
            })
            .collect();
        let cells = config
            .grid
            .map(|grid| cells(grid, config.active).map(|cell| RegionSums::new(format, cell, false)).collect())
            .unwrap_or_default();
        Self {
            scan: FrameScan::new(format),
            regions,
            cells,
            times: Vec::new(),
            buffers: [0; 2],
            repeated: [0; 2],
            holes: 0,
            corrupted: 0,
        }
    }
}

/// The cells of `grid` over `active`, row by row; edges at ⌊i·size/n + ½⌋.
pub fn cells(grid: Grid, active: Rect) -> impl Iterator<Item = Rect> {
    let edge = |i: u32, size: u32, n: u32| {
        ((2 * u64::from(i) * u64::from(size) + u64::from(n)) / (2 * u64::from(n.max(1)))) as u32
    };
    (0..grid.rows).flat_map(move |row| {
        (0..grid.cols).map(move |col| {
            let (x0, x1) = (edge(col, active.width, grid.cols), edge(col + 1, active.width, grid.cols));
            let (y0, y1) = (edge(row, active.height, grid.rows), edge(row + 1, active.height, grid.rows));
            Rect { x: active.x + x0, y: active.y + y0, width: x1 - x0, height: y1 - y0 }
        })
    })
}

impl Meter {
    /// A meter for frames of `config.format`.
    #[must_use]
    pub fn new(config: MeterConfig) -> Self {
        Self {
            steps: vec![CodeSteps::default(); config.format.components.len()],
            last: [None; 2],
            window: OpenWindow::new(&config),
            scratch: Scratch::default(),
            config: Arc::new(config),
        }
    }

    /// Changes regions, grid or format from the next frame on; what the open window held is lost, so close it first.
    ///
    /// What is remembered since the segment began (code steps, last frame) stays where the format is equal.
    pub fn reconfigure(&mut self, config: MeterConfig) {
        if config == *self.config {
            return;
        }
        let same_format = config.format == self.config.format;
        self.config = Arc::new(config);
        self.window = OpenWindow::new(&self.config);
        if !same_format {
            self.start_segment();
        }
    }

    /// Forgets all that was remembered since the segment began, and the open window.
    pub fn start_segment(&mut self) {
        self.steps = vec![CodeSteps::default(); self.config.format.components.len()];
        self.last = [None; 2];
        self.window = OpenWindow::new(&self.config);
    }

    /// Measures one buffer. `views` in the order of `config.format.components`.
    ///
    /// # Errors
    /// [`Error::FrameMismatch`] where views and format differ; nothing is counted then.
    pub fn add(&mut self, views: &[ComponentView<'_>], tags: FrameTags) -> Result<(), Error> {
        let config = Arc::clone(&self.config);
        check(&config.format, views)?;
        let parity = if config.format.scan == Scan::Alternate { tags.parity & 1 } else { 0 };
        let window = &mut self.window;
        if tags.hole_before {
            window.holes += 1;
            window.regions.iter_mut().flatten().chain(&mut window.cells).for_each(RegionSums::break_run);
        }
        window.corrupted += u64::from(tags.corrupted);
        window.buffers[parity] += 1;
        if tags.gap {
            window.repeated[parity] += 1;
            return Ok(());
        }
        let print = identify(views, &mut self.steps);
        if self.last[parity].replace(print) == Some(print) {
            window.repeated[parity] += 1;
            return Ok(());
        }
        window.scan.add(&config.format, views, config.active, parity);
        for sums in window.regions.iter_mut().flatten().chain(&mut window.cells) {
            sums.add(&config.format, views, parity, &mut self.scratch);
        }
        // Both fields of a frame share one time.
        if parity == 0 || config.format.scan != Scan::Alternate || window.buffers[0] == 0 {
            window.times.push(tags.time_ns);
        }
        Ok(())
    }

    /// Frames in the open window, repeated ones among them.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.window.buffers[0].max(self.window.buffers[1])
    }

    /// Ends the open window and begins an empty one; `None` when no frame came.
    pub fn close(&mut self) -> Option<ClosedWindow> {
        if self.frames() == 0 {
            return None;
        }
        let window = std::mem::replace(&mut self.window, OpenWindow::new(&self.config));
        let steps = self.steps.iter().map(CodeSteps::step).collect();
        Some(ClosedWindow::new(Arc::clone(&self.config), window, steps))
    }
}

/// Refuses views that do not belong to `format`.
fn check(format: &FrameFormat, views: &[ComponentView<'_>]) -> Result<(), Error> {
    if views.len() != format.components.len() {
        return Err(Error::FrameMismatch {
            found: format!("{} components", views.len()),
            expected: format!("{}", format.components.len()),
        });
    }
    for (component, view) in format.components.iter().zip(views) {
        let width = component.horizontal.count(format.width);
        let rows = |parity| component.vertical.count(format.lines(parity));
        let (height, enough) = match format.scan {
            Scan::Progressive => (rows(0), view.height() >= rows(0) as usize),
            // Each field must have the lines that the format gives it.
            Scan::Interleaved => {
                (rows(0) + rows(1), [0, 1].iter().all(|&p| view.field(p).height() >= rows(p) as usize))
            }
            // The lower field of an alternate stream may be one line shorter than the upper one.
            Scan::Alternate => (rows(1), view.height() >= rows(1) as usize),
        };
        if view.depth() != component.depth || view.width() < width as usize || !enough {
            return Err(Error::FrameMismatch {
                found: format!(
                    "{} of {}x{} samples and {} bits",
                    component.channel.name(),
                    view.width(),
                    view.height(),
                    view.depth()
                ),
                expected: format!("{width}x{height} and {} bits", component.depth),
            });
        }
    }
    Ok(())
}
