//! The meter of a stream: frames in, closed windows out.

use std::sync::Arc;

use fearless_simd::dispatch;

use crate::error::Error;
use crate::frame::format::{FrameFormat, Scan};
use crate::frame::view::ComponentView;
use crate::sums::collect::RegionSums;
use crate::sums::kernels::Level;
use crate::sums::kernels::steps::CodeSteps;
use crate::sums::open::OpenWindow;
use crate::sums::pass::{self, Memory};
use crate::sums::scan::fields;

pub use crate::config::{FrameTags, LightConfig, MeterConfig, TransferSource, WindowInfo};
pub use crate::numbers::window::{Carry, ClosedWindow};
pub use crate::sums::open::Spare;

/// Measures a stream; cheap per frame, integer-exact.
#[derive(Debug)]
pub struct Meter {
    config: Arc<MeterConfig>,
    level: Level,
    memory: Memory,
    /// Fingerprint of the newest buffer of each parity.
    last: [Option<u128>; 2],
    window: OpenWindow,
    /// Room for the next window.
    spare: Option<OpenWindow>,
}

impl Meter {
    /// A meter for frames of `config.format`.
    #[must_use]
    pub fn new(config: MeterConfig) -> Self {
        Self::at_level(config, Level::new())
    }

    /// [`Self::new`] with the instructions of `level`, one of [`crate::kernels::levels`]; results are the same at each.
    #[must_use]
    pub fn at_level(config: MeterConfig, level: Level) -> Self {
        Self {
            level,
            memory: Memory::new(config.format.components.len()),
            last: [None; 2],
            window: OpenWindow::new(&config),
            spare: None,
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
        self.spare = None;
        if !same_format {
            self.start_segment();
        }
    }

    /// Forgets all that was remembered since the segment began, and the open window.
    pub fn start_segment(&mut self) {
        self.memory = Memory::new(self.config.format.components.len());
        self.last = [None; 2];
        self.window.reset(&self.config);
    }

    /// Measures one buffer. `views` in the order of `config.format.components`.
    ///
    /// `before` lends the buffer that was added last (of the same field), as the same views of unchanged samples: the
    /// cells of a grid cover the whole picture and keep no copy of it. Empty where there is no grid, where nothing was
    /// added since the segment began, or where that buffer cannot be had any more: cells then count no pair.
    ///
    /// # Errors
    /// [`Error::FrameMismatch`] where views and format differ; nothing is counted then.
    pub fn add(
        &mut self,
        views: &[ComponentView<'_>],
        before: &[ComponentView<'_>],
        tags: FrameTags,
    ) -> Result<(), Error> {
        let config = Arc::clone(&self.config);
        let parity = if config.format.scan == Scan::Alternate { tags.parity & 1 } else { 0 };
        check(&config.format, views, parity)?;
        if !before.is_empty() {
            check(&config.format, before, parity)?;
        }
        let window = &mut self.window;
        if tags.hole_before {
            window.holes += 1;
            window.sums_mut().for_each(RegionSums::break_run);
        }
        window.corrupted += u64::from(tags.corrupted);
        window.buffers[parity] += 1;
        if tags.gap {
            window.repeated[parity] += 1;
            return Ok(());
        }
        // Whether a frame repeats the one before is known once all of it was read; it is taken back then.
        let repeated = dispatch!(self.level, simd => {
            let print = pass::frame(simd, &config, window, &mut self.memory, (views, before), parity);
            let repeated = self.last[parity].replace(print) == Some(print);
            window.end_frame(simd, fields(config.format.scan, parity), repeated);
            repeated
        });
        if repeated {
            window.repeated[parity] += 1;
            return Ok(());
        }
        // Both fields of a frame share one time, that of whichever comes first.
        if window.buffers[parity] - window.repeated[parity] > window.times.len() as u64 {
            window.times.push(tags.time_ns);
        }
        Ok(())
    }

    /// Frames in the open window, repeated ones among them.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.window.buffers[0].max(self.window.buffers[1])
    }

    /// Lends room to the window after the open one, so that its frames need not wait for fresh memory.
    ///
    /// Whoever evaluates windows has it from [`Carry::take_spare`]; room of another configuration is let go. Ask
    /// [`Self::wants_room`] first where letting go must not take time.
    pub fn recycle(&mut self, spare: Spare) {
        if let Some(room) = spare.into_room(&self.config) {
            self.spare = Some(room);
        }
    }

    /// Whether the window after the open one has no room yet.
    #[must_use]
    pub fn wants_room(&self) -> bool {
        self.spare.is_none()
    }

    /// Ends the open window and begins an empty one; `None` when no frame came.
    pub fn close(&mut self) -> Option<ClosedWindow> {
        if self.frames() == 0 {
            return None;
        }
        let next = self.spare.take().unwrap_or_else(|| OpenWindow::new(&self.config));
        let window = std::mem::replace(&mut self.window, next);
        let steps = self.memory.steps.iter().map(CodeSteps::step).collect();
        Some(ClosedWindow::new(Arc::clone(&self.config), window, steps))
    }
}

/// Refuses views that do not belong to `format`; of alternate fields, to that of `parity`.
fn check(format: &FrameFormat, views: &[ComponentView<'_>], parity: usize) -> Result<(), Error> {
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
            // The lower field may be one line shorter than the upper one.
            Scan::Alternate => (rows(parity), view.height() >= rows(parity) as usize),
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
