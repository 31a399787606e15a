//! The streaming thread's side: from buffers to frames in a meter, and from windows to jobs.

use std::collections::HashSet;
use std::sync::Arc;

use gst_video::VideoBufferFlags;
use gst_video::video_frame::VideoBufferExt;
use noise_measure::format::{FrameFormat, Scan};
use noise_measure::meter::{FrameTags, Meter, MeterConfig, Spare};
use noise_measure::record::VideoRecord;
use noise_measure::region::{self, Rect, Region};
use noise_measure::view::ComponentView;

use super::open::Open;
use super::settings::Plan;
use super::timing::{Ending, Stamp, Step, Timing};
use super::worker::{FirstFrame, Job};
use crate::colorimetry::{Colorimetry, range_name, transfer_name};
use crate::frames::{Kept, Layout, Picture, Scratch};
use crate::meta::{self, Geometry};

/// Share of the frame's area that gets the full set of numbers in a live pipeline.
const LIVE_FULL_SET_SHARE: f64 = 0.25;

/// What a buffer or event leads to, to be done without any lock held.
#[derive(Debug, Default)]
pub struct Outcome {
    /// For the worker.
    pub jobs: Vec<Job>,
    /// For the bus.
    pub warnings: Vec<String>,
}

/// What a buffer comes with.
#[derive(Debug, Clone)]
pub struct Circumstances<'a> {
    /// Settings in force from the next window on.
    pub plan: &'a Arc<Plan>,
    /// The segment, where its format is time.
    pub segment: Option<&'a gst::FormattedSegment<gst::ClockTime>>,
    /// Whether the pipeline is live.
    pub live: bool,
    /// The worker has no room for a window, so the open one must go on.
    pub hold: bool,
}

/// One run of the element from READY to READY.
#[derive(Debug, Default)]
pub struct Session {
    stream: Option<Stream>,
    scratch: Scratch,
    /// Number of the newest window.
    windows: u64,
    /// A gap event or an unreadable frame lies before the next buffer.
    gap: bool,
    /// Causes that have been warned of.
    warned: HashSet<String>,
}

/// Frames of one set of caps.
#[derive(Debug)]
struct Stream {
    caps: gst::Caps,
    layout: Arc<Layout>,
    rate: (u32, u32),
    timing: Timing,
    meter: Option<Meter>,
    config: Option<MeterConfig>,
    plan: Option<Arc<Plan>>,
    shape: Option<(u32, u32, u32, u32)>,
    open: Option<Open>,
    /// The next window must not lean on earlier ones.
    fresh: bool,
    geometry: Option<Arc<Geometry>>,
    last_parity: Option<usize>,
    /// The frame before of each parity, while there is a grid.
    kept: [Kept; 2],
    /// What the newest buffer holds and of which parity, where it is to be kept.
    keep: Option<(Picture, usize)>,
}

impl Session {
    /// Takes new caps; the open window of the old ones ends.
    pub fn set_caps(&mut self, caps: &gst::Caps) -> Outcome {
        let mut outcome = Outcome::default();
        if self.stream.as_ref().is_some_and(|stream| stream.caps == *caps) {
            return outcome;
        }
        self.end(&mut outcome);
        self.stream = match Layout::from_caps(caps) {
            Ok(layout) => Some(Stream::new(caps, layout)),
            Err(error) => {
                self.warn(&mut outcome, "caps", format!("the video is passed on unmeasured: {error}"));
                None
            }
        };
        outcome
    }

    /// Ends the open window: end of stream, of segment, or a new stream.
    pub fn finish(&mut self) -> Outcome {
        let mut outcome = Outcome::default();
        self.end(&mut outcome);
        outcome
    }

    /// A new segment: what was known of the old one does not hold any longer.
    pub fn new_segment(&mut self) -> Outcome {
        let outcome = self.finish();
        if let Some(stream) = &mut self.stream {
            stream.restart();
        }
        self.gap = false;
        outcome
    }

    /// Throws the open window away.
    pub fn flush(&mut self) {
        if let Some(stream) = &mut self.stream {
            stream.open = None;
            if let Some(meter) = &mut stream.meter {
                meter.close();
            }
            stream.restart();
        }
        self.gap = false;
    }

    /// Nothing came for a while.
    pub fn gap(&mut self) {
        self.gap = true;
    }

    /// The newest window's regions, for metas.
    pub fn geometry(&self) -> Option<Arc<Geometry>> {
        self.stream.as_ref()?.geometry.clone()
    }

    /// Measures one buffer.
    pub fn frame(&mut self, buffer: &gst::BufferRef, with: &Circumstances<'_>) -> Outcome {
        let mut outcome = Outcome::default();
        let Some(stream) = &mut self.stream else { return outcome };
        stream.keep = None;
        let layout = Arc::clone(&stream.layout);
        let parity = parity(&layout, buffer);
        let mut scratch = std::mem::take(&mut self.scratch);
        let result = layout.locate(buffer).and_then(|picture| {
            layout
                .with_views(&picture, parity, buffer, &mut scratch, |views| {
                    self.measure(buffer, views, &picture, parity, with, &mut outcome)
                })
                .and_then(|measured| Ok(measured?))
        });
        self.scratch = scratch;
        if let Err(error) = result {
            self.gap = true;
            if let Some(open) = self.stream.as_mut().and_then(|stream| stream.open.as_mut()) {
                open.unreadable += 1;
            }
            self.warn(&mut outcome, "frame", format!("a frame was not measured: {error}"));
        }
        outcome
    }

    fn measure(
        &mut self,
        buffer: &gst::BufferRef,
        views: &[ComponentView<'_>],
        picture: &Picture,
        parity: usize,
        with: &Circumstances<'_>,
        outcome: &mut Outcome,
    ) -> Result<(), noise_measure::Error> {
        if self
            .stream
            .as_ref()
            .is_some_and(|stream| stream.shape.is_some_and(|shape| shape != picture.shape()))
        {
            // A crop of another size is another picture, as new caps would be.
            self.end(outcome);
            if let Some(stream) = &mut self.stream {
                stream.restart();
            }
        }
        let Some(stream) = &mut self.stream else { return Ok(()) };
        stream.shape = Some(picture.shape());

        let pts = buffer.pts();
        let signed = |pts| with.segment.and_then(|segment| segment.to_stream_time_full(pts).map(nanoseconds));
        let stamp = Stamp {
            stream: pts.and_then(signed),
            duration: buffer.duration().map(gst::ClockTime::nseconds).filter(|&duration| duration > 0),
            discont: buffer.flags().contains(gst::BufferFlags::DISCONT) || self.gap,
        };
        self.gap = false;
        stream.timing.set_scale(with.segment.map_or(1.0, |segment| segment.applied_rate()));
        if stream.open.is_none() {
            stream.timing.set_interval(with.plan.interval);
        }
        let mut step = stream.timing.advance(stamp, with.hold);
        if let Some(ending) = step.close {
            outcome.jobs.extend(stream.close(ending));
            if stream.plan.as_ref().is_some_and(|plan| plan.interval != with.plan.interval) {
                stream.timing.set_interval(with.plan.interval);
                let again = stream.timing.advance(stamp, false);
                step = Step { hole: step.hole, close: None, ..again };
            }
        }
        let same_field = stream.layout.scan() == Scan::Alternate
            && !step.first
            && buffer.video_flags().contains(VideoBufferFlags::ONEFIELD)
            && stream.last_parity == Some(parity);
        stream.last_parity = Some(parity);
        if step.first || stream.open.is_none() {
            self.windows += 1;
            let warnings = stream.begin(self.windows, buffer, picture, parity, with, &mut outcome.jobs);
            for (cause, text) in warnings {
                warn(&mut self.warned, outcome, cause, text);
            }
        }
        let Some(stream) = &mut self.stream else { return Ok(()) };
        if let Some(open) = &mut stream.open {
            open.counted |= step.counted;
            open.merged += u64::from(step.merged);
        }
        let tags = FrameTags {
            gap: buffer.flags().contains(gst::BufferFlags::GAP),
            hole_before: step.hole || same_field,
            corrupted: buffer.flags().contains(gst::BufferFlags::CORRUPTED),
            time_ns: step.time.and_then(|time| u64::try_from(time).ok()),
            parity,
        };
        let Some(meter) = &mut stream.meter else { return Ok(()) };
        let Some(kept) = stream.kept.get_mut(parity) else { return Ok(()) };
        kept.lend(&stream.layout, |before| meter.add(views, before, tags))?;
        // A gap is not read, so the frame before it stays the one that was added last.
        let grid = stream.config.as_ref().is_some_and(|config| config.grid.is_some());
        stream.keep = (grid && !tags.gap).then_some((*picture, parity));
        Ok(())
    }

    /// Keeps the buffer that was just measured, if the next one is to be held against it; call it when nobody writes
    /// to the buffer any more.
    pub fn keep(&mut self, buffer: &gst::BufferRef) {
        let Some(stream) = &mut self.stream else { return };
        if let Some((picture, parity)) = stream.keep.take()
            && let Some(kept) = stream.kept.get_mut(parity)
        {
            kept.keep(&stream.layout, &picture, parity, buffer, &mut self.scratch);
        }
    }

    /// Whether [`Self::recycle`] has a use for room.
    pub fn wants_room(&self) -> bool {
        self.stream.as_ref().and_then(|stream| stream.meter.as_ref()).is_some_and(Meter::wants_room)
    }

    /// Gives the window after the open one the room of one that was evaluated.
    pub fn recycle(&mut self, spare: Spare) {
        if let Some(meter) = self.stream.as_mut().and_then(|stream| stream.meter.as_mut()) {
            meter.recycle(spare);
        }
    }

    /// Starts a new window with the next buffer.
    pub fn reset(&mut self) -> Outcome {
        let outcome = self.finish();
        if let Some(stream) = &mut self.stream {
            stream.timing.restart();
        }
        outcome
    }

    fn end(&mut self, outcome: &mut Outcome) {
        if let Some(stream) = &mut self.stream {
            if let Some(ending) = stream.timing.end() {
                outcome.jobs.extend(stream.close(ending));
            }
            stream.open = None;
            stream.timing.restart();
            stream.let_go();
        }
    }

    fn warn(&mut self, outcome: &mut Outcome, cause: &str, text: String) {
        warn(&mut self.warned, outcome, cause.to_owned(), text);
    }
}

/// One warning a cause.
fn warn(warned: &mut HashSet<String>, outcome: &mut Outcome, cause: String, text: String) {
    if warned.insert(cause) {
        outcome.warnings.push(text);
    }
}

impl Stream {
    fn new(caps: &gst::Caps, layout: Layout) -> Self {
        let rate = caps
            .structure(0)
            .and_then(|structure| structure.get::<gst::Fraction>("framerate").ok())
            .and_then(|rate| Some((u32::try_from(rate.numer()).ok()?, u32::try_from(rate.denom()).ok()?)))
            .unwrap_or((0, 1));
        let fields = layout.scan() == Scan::Alternate;
        Self {
            caps: caps.clone(),
            layout: Arc::new(layout),
            rate,
            timing: Timing::new(super::settings::DEFAULT_INTERVAL, rate, fields),
            meter: None,
            config: None,
            plan: None,
            shape: None,
            open: None,
            fresh: true,
            geometry: None,
            last_parity: None,
            kept: Default::default(),
            keep: None,
        }
    }

    /// Gives back what was kept of earlier frames.
    fn let_go(&mut self) {
        self.kept.iter_mut().for_each(Kept::clear);
        self.keep = None;
    }

    fn restart(&mut self) {
        self.timing.restart();
        self.fresh = true;
        self.shape = None;
        self.last_parity = None;
        self.let_go();
        if let Some(meter) = &mut self.meter {
            meter.start_segment();
        }
    }

    /// Opens window `number` with `buffer` as its first; returns warnings by cause.
    fn begin(
        &mut self,
        number: u64,
        buffer: &gst::BufferRef,
        picture: &Picture,
        parity: usize,
        with: &Circumstances<'_>,
        jobs: &mut Vec<Job>,
    ) -> Vec<(String, String)> {
        let mut warnings = Vec::new();
        let structure = self.caps.structure(0);
        let text = |field| structure.and_then(|structure| structure.get::<&str>(field).ok());
        let fixed_point = structure.and_then(|s| s.get::<bool>("noisemeter-fixed-point").ok()) == Some(true)
            && self.layout.depth() == 16;
        let colorimetry =
            Colorimetry::resolve(text("colorimetry"), fixed_point, self.layout.model(), with.plan.overrides);
        let format = self.layout.frame_format(picture, colorimetry.range, colorimetry.matrix);
        let video = self.video(picture, &colorimetry, &format, text("interlace-mode"));

        let whole = Rect { x: 0, y: 0, width: picture.width, height: picture.height };
        let active = with.plan.crop.map_or(whole, |crop| cut(crop, whole));
        let crop_note = with.plan.crop.is_some_and(|crop| crop != active);
        if crop_note {
            let (w, h) = (picture.width, picture.height);
            warnings.push((
                "crop".into(),
                format!("crop leaves the picture of {w}x{h}; its part inside is taken as active, or all if there is none"),
            ));
        }
        let mut regions = region::resolve(&with.plan.specs, picture.width, picture.height, active);
        if with.plan.use_roi {
            meta::add_upstream_regions(&mut regions, buffer, whole);
        }
        for region in regions.iter().filter(|region| !region.inside) {
            let Region { name, rect, .. } = region;
            warnings.push((
                format!("region {name}"),
                format!(
                    "region {name} ({},{},{},{}) does not lie inside the picture of {}x{}; its numbers are null",
                    rect.x, rect.y, rect.width, rect.height, picture.width, picture.height
                ),
            ));
        }
        let config = MeterConfig {
            format,
            active,
            regions,
            grid: with.plan.grid,
            full_set_share: with.live.then_some(LIVE_FULL_SET_SHARE),
        };
        if self.config.as_ref() != Some(&config) {
            self.fresh = true;
            // The meter forgets frames of another format, and without a grid nobody asks for any.
            if config.grid.is_none() || self.config.as_ref().is_none_or(|old| old.format != config.format) {
                self.let_go();
            }
            self.geometry = Some(Arc::new(Geometry::new(&config)));
            match &mut self.meter {
                Some(meter) => meter.reconfigure(config.clone()),
                None => self.meter = Some(Meter::new(config.clone())),
            }
        }
        self.plan = Some(Arc::clone(with.plan));

        // Live, a busy worker gets no frame to read on top; the window says that its number is missing.
        let first_skipped = with.live && with.hold;
        if !first_skipped {
            let frame = FirstFrame {
                // A shallow copy keeps the stream's own buffer writable; the memory is shared.
                buffer: buffer.copy(),
                layout: Arc::clone(&self.layout),
                picture: *picture,
                format: config.format.clone(),
                active,
                parity,
            };
            jobs.push(Job::First { window: number, frame: Box::new(frame) });
        }
        self.config = Some(config);
        let pts = buffer.pts();
        let segment = with.segment;
        self.open = Some(Open {
            number,
            timestamp: pts.map(gst::ClockTime::nseconds),
            stream_time: segment.and_then(|s| s.to_stream_time(pts)).map(gst::ClockTime::nseconds),
            running_time: segment.and_then(|s| s.to_running_time(pts)).map(gst::ClockTime::nseconds),
            rate: segment.map_or(1.0, |segment| segment.rate()),
            video,
            colorimetry,
            counted: false,
            merged: 0,
            unreadable: 0,
            first_skipped,
            crop_note,
        });
        warnings
    }

    fn video(
        &self,
        picture: &Picture,
        colorimetry: &Colorimetry,
        format: &FrameFormat,
        interlace: Option<&str>,
    ) -> VideoRecord {
        use noise_measure::format::Model;
        let mut assumed: Vec<String> = colorimetry.assumed.iter().map(|&part| part.to_owned()).collect();
        if self.rate.0 == 0 {
            assumed.push("framerate".into());
        }
        VideoRecord {
            width: picture.width,
            height: picture.height,
            format: self.layout.name().to_owned(),
            depth: self.layout.depth(),
            range: range_name(colorimetry.range).into(),
            matrix: matches!(format.model, Model::Yuv | Model::Rgb).then(|| colorimetry.matrix.name().into()),
            transfer: transfer_name(colorimetry.light.transfer),
            interlace: interlace.unwrap_or("progressive").into(),
            framerate: format!("{}/{}", self.rate.0, self.rate.1),
            assumed,
        }
    }

    /// Ends the open window.
    fn close(&mut self, ending: Ending) -> Option<Job> {
        let open = self.open.take()?;
        let closed = self.meter.as_mut()?.close()?;
        let number = open.number;
        let info = open.into_info(ending, self.rate, self.timing.rate());
        let fresh = std::mem::take(&mut self.fresh);
        Some(Job::Window { window: number, closed: Box::new(closed), info: Box::new(info), fresh })
    }
}

/// The part of `crop` inside `whole`; all of it where there is none.
fn cut(crop: Rect, whole: Rect) -> Rect {
    let end = |start: u32, size: u32, limit: u32| start.saturating_add(size).min(limit);
    let (right, bottom) = (end(crop.x, crop.width, whole.width), end(crop.y, crop.height, whole.height));
    if right <= crop.x || bottom <= crop.y {
        return whole;
    }
    Rect { x: crop.x, y: crop.y, width: right - crop.x, height: bottom - crop.y }
}

/// Which field a buffer holds: 1 where it is marked as a lower field alone.
fn parity(layout: &Layout, buffer: &gst::BufferRef) -> usize {
    if layout.scan() != Scan::Alternate {
        return 0;
    }
    let flags = buffer.video_flags();
    usize::from(flags.contains(VideoBufferFlags::ONEFIELD) && !flags.contains(VideoBufferFlags::TOP_FIELD))
}

fn nanoseconds(time: gst::Signed<gst::ClockTime>) -> i128 {
    match time {
        gst::Signed::Positive(time) => i128::from(time.nseconds()),
        gst::Signed::Negative(time) => -i128::from(time.nseconds()),
    }
}
