//! The camera at work: which frame comes next, and its way into a buffer.

use std::sync::Arc;

use simulated_camera::truth::{Truth, truth};
use simulated_camera::{Frame, Recorder};

use super::caps::Stream;
use super::message;
use super::settings::Plan;
use super::timing::Rate;

/// Most threads that make a frame: more would take the processor from those who use it.
const MAX_THREADS: usize = 2;

/// Frames from the one that lasts at a start to the one that is made first.
///
/// There is more than one frame's time to make it. A first frame that comes late would hold back all others for as long,
/// since the base class takes its delay for the latency of the source.
const AHEAD: u64 = 2;

/// What is kept from frame to frame.
#[derive(Debug, Default)]
pub(super) struct Stage {
    work: Option<Work>,
    frame: Frame,
    /// Number of the next frame.
    next: u64,
    /// Where a seek leads, until the rate is known.
    target: Option<gst::ClockTime>,
    /// Whether the clock may have run ahead for a good reason: a start, or settings that took time to apply.
    excused: bool,
    /// Whether late frames have been reported.
    reported: bool,
}

/// What caps and settings make.
#[derive(Debug)]
struct Work {
    caps: gst::Caps,
    stream: Stream,
    recorder: Recorder,
    plan: Arc<Plan>,
    /// Whether the truth of the next frame has not been told yet.
    untold: bool,
}

/// What is to be said before a frame leaves.
#[derive(Debug, Default)]
pub(super) struct Outcome {
    pub truth: Option<gst::Structure>,
    pub warning: Option<String>,
}

/// Why there is no frame.
#[derive(Debug)]
pub(super) enum Failure {
    /// Time is over.
    End,
    /// Something is wrong, in one line.
    Wrong(String),
}

fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from).min(MAX_THREADS)
}

impl Stage {
    /// Takes new caps; time goes on where it was.
    ///
    /// # Errors
    /// One line saying what of them cannot be made.
    pub fn set_caps(&mut self, caps: &gst::Caps, plan: Arc<Plan>) -> Result<Rate, String> {
        let stream = Stream::new(caps, plan.transfer)?;
        let shot = plan.shot(stream.rate.per_second(), stream.transfer);
        let before = self.work.take();
        if let Some(before) = &before
            && before.stream.rate != stream.rate
            && let Some(time) = before.stream.rate.start(self.next)
        {
            let lasting = stream.rate.at(time);
            let behind = stream.rate.start(lasting).is_some_and(|start| start < time);
            self.next = lasting + u64::from(behind);
        }
        let kept = before.map(|before| before.recorder).filter(|kept| *kept.format() == stream.format);
        let recorder = match kept {
            Some(mut recorder) => recorder.change(shot).map(|()| recorder),
            None => Recorder::new(shot, stream.format.clone(), threads()),
        };
        let recorder = recorder.map_err(|error| error.to_string())?;
        let rate = stream.rate;
        self.work = Some(Work { caps: caps.clone(), stream, recorder, plan, untold: true });
        self.excused = true;
        Ok(rate)
    }

    /// The next frame is the one that lasts at `time`.
    pub fn seek(&mut self, time: gst::ClockTime) {
        self.target = Some(time);
    }

    /// Makes the next frame into `buffer`; of a live camera, whose running time `clock` tells, the one that is due.
    ///
    /// What takes long, new settings and their truth, comes before the clock is asked; the frame after it is one that
    /// there is time to make.
    ///
    /// # Errors
    /// [`Failure`] where there is none.
    pub fn make(
        &mut self,
        buffer: &mut gst::BufferRef,
        plan: &Arc<Plan>,
        clock: impl Fn() -> Option<gst::ClockTime>,
    ) -> Result<Outcome, Failure> {
        let work = self.work.as_mut().ok_or_else(|| Failure::Wrong("no caps have been agreed on".into()))?;
        self.excused |= work.apply(plan).map_err(Failure::Wrong)?;
        let rate = work.stream.rate;
        if let Some(time) = self.target.take() {
            self.next = rate.at(time);
        }
        let mut outcome = Outcome::default();
        let told =
            std::mem::take(&mut work.untold).then(|| truth(work.recorder.shot(), work.recorder.format()));
        let due = clock().map_or(self.next, |now| {
            let lasting = rate.at(now);
            let begun = rate.start(lasting).is_some_and(|start| start < now);
            if self.excused && begun { lasting + AHEAD } else { lasting }
        });
        let skipped = due.saturating_sub(self.next);
        if skipped > 0 {
            if !self.excused && !self.reported {
                self.reported = true;
                outcome.warning = Some(format!(
                    "frames cannot be made as fast as the clock asks: {skipped} skipped before frame {due}, and more may follow unreported; a smaller picture or none of the noise reductions is faster"
                ));
            }
            self.next = due;
        }
        self.excused = false;
        let n = self.next;
        let (start, end) = (rate.start(n), rate.start(n + 1));
        let (Some(start), Some(end)) = (start, end) else { return Err(Failure::End) };
        work.record(n, &mut self.frame, buffer).map_err(Failure::Wrong)?;
        buffer.set_pts(start);
        buffer.set_dts(None);
        buffer.set_duration(end - start);
        buffer.set_offset(n);
        buffer.set_offset_end(n + 1);
        if skipped > 0 {
            buffer.set_flags(gst::BufferFlags::DISCONT);
        }
        if let Some(truth) = told {
            outcome.truth = Some(work.message(&truth, n, start).map_err(Failure::Wrong)?);
        }
        self.next = n + 1;
        Ok(outcome)
    }
}

impl Work {
    /// Applies settings that have changed; whether they had.
    fn apply(&mut self, plan: &Arc<Plan>) -> Result<bool, String> {
        if Arc::ptr_eq(plan, &self.plan) {
            return Ok(false);
        }
        // A curve that contradicts the caps waits for the new ones that it has asked for.
        let Ok(stream) = Stream::new(&self.caps, plan.transfer) else { return Ok(false) };
        let shot = plan.shot(stream.rate.per_second(), stream.transfer);
        self.plan = plan.clone();
        if shot == *self.recorder.shot() {
            return Ok(false);
        }
        self.recorder.change(shot).map_err(|error| error.to_string())?;
        self.stream = stream;
        self.untold = true;
        Ok(true)
    }

    fn record(&mut self, n: u64, frame: &mut Frame, buffer: &mut gst::BufferRef) -> Result<(), String> {
        self.recorder.record(n, frame);
        let layout = &self.stream.layout;
        let picture = layout.locate(buffer).map_err(|error| error.to_string())?;
        let drawn = layout.with_canvas(&picture, 0, buffer, |canvas| {
            canvas.clear();
            for (index, plane) in frame.planes.iter().enumerate() {
                for (y, row) in plane.codes.chunks_exact(plane.width.max(1)).enumerate() {
                    canvas.write(index, 0, y, row);
                }
            }
        });
        drawn.map_err(|error| error.to_string())
    }

    fn message(&self, truth: &Truth, n: u64, start: gst::ClockTime) -> Result<gst::Structure, String> {
        let shot = self.recorder.shot();
        let structure = message::to_structure(&self.plan.camera, shot, truth, n, Some(start));
        structure.map_err(|error| error.to_string())
    }
}
