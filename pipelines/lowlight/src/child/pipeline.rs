//! The pipeline: a decoder or an image reader, the meter, and nothing after it.

use std::cell::Cell;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use gst::prelude::*;

use super::gate::{Frames, watch_frames};
use super::parts::{decoder, element, images, link_first_video, meter};
use super::record::Recorder;
use super::tuning::{self, Seen};
use super::{feed, say, trouble};
use crate::fragment::{Fragment, seconds};
use crate::protocol::{Event, Input, Job};
use crate::text::one_line;

/// How often the parent hears of progress.
const TICK: gst::ClockTime = gst::ClockTime::from_mseconds(200);
/// Frames between decoder and meter.
const QUEUED: u32 = 3;
/// How far before a fragment decoding begins, so that no decoder cuts its first frame short.
const LEAD: u64 = 500_000_000;
/// A stream that ends so much before its container says is cut short, nanoseconds: more than the second by which
/// containers round, and than the part of a frame by which streams differ.
const MISSING: u64 = 1_000_000_000;

/// Measures the clip of `job`.
///
/// # Errors
/// One sentence on why it cannot be measured.
pub fn measure(job: &Job) -> Result<Event, String> {
    let mut recorder = Recorder::open(job)?;
    let goes_there = job.fragment.is_some() && job.input == Input::Media;
    let run = Run::build(job, goes_there)?;
    let played = run.play(job, &mut recorder);
    // Some formats take it amiss to be told to go to a time; then all frames before it are decoded and left out.
    if played.is_err() && run.sought.get() && recorder.windows() == 0 {
        run.stop();
        let patient = Run::build(job, false)?;
        let played = patient.play(job, &mut recorder);
        let result = played.and_then(|()| patient.finish(job, &recorder));
        patient.stop();
        return result;
    }
    let result = played.and_then(|()| run.finish(job, &recorder));
    run.stop();
    result
}

struct Run {
    pipeline: gst::Pipeline,
    seen: Arc<Seen>,
    frames: Arc<Frames>,
    /// Where to go before measuring begins.
    target: Option<Fragment>,
    /// Whether the pipeline was told to go there.
    sought: Cell<bool>,
}

impl Run {
    fn build(job: &Job, goes_there: bool) -> Result<Self, String> {
        let pipeline = gst::Pipeline::new();
        let seen = Arc::new(Seen::default());
        let frames = Arc::new(Frames::default());
        tuning::watch(&pipeline, job.threads, &seen);
        let queue = element("queue")?;
        queue.set_property("max-size-buffers", QUEUED);
        queue.set_property("max-size-bytes", 0_u32);
        queue.set_property("max-size-time", 0_u64);
        let meter = meter(job)?;
        let sink = element("fakesink")?;
        sink.set_property("sync", false);
        sink.set_property("enable-last-sample", false);
        pipeline.add_many([&queue, &meter, &sink]).map_err(|error| error.to_string())?;
        gst::Element::link_many([&queue, &meter, &sink]).map_err(|error| error.to_string())?;
        let fragment = match job.input {
            Input::Media => {
                let decoder = decoder(Path::new(&job.path))?;
                pipeline.add(&decoder).map_err(|error| error.to_string())?;
                link_first_video(&decoder, &pipeline, &queue, &meter);
                job.fragment
            }
            Input::Images => {
                let source = feed::start(images(job)?, job.threads)?.upcast::<gst::Element>();
                pipeline.add(&source).map_err(|error| error.to_string())?;
                source.link(&queue).map_err(|error| error.to_string())?;
                // Files outside the fragment are not even read.
                None
            }
        };
        watch_frames(&meter, fragment, &job.settings, &frames)?;
        let target = fragment.filter(|_| goes_there);
        Ok(Self { pipeline, seen, frames, target, sought: Cell::new(false) })
    }

    fn stop(&self) {
        // Whatever the state change says, the process ends soon.
        let _ = self.pipeline.set_state(gst::State::Null);
    }

    /// Runs to the end of the stream.
    fn play(&self, job: &Job, recorder: &mut Recorder) -> Result<(), String> {
        let bus = self.pipeline.bus().ok_or("a pipeline without a bus")?;
        self.frames.armed.store(self.target.is_none(), Ordering::Relaxed);
        let first = if self.target.is_some() { gst::State::Paused } else { gst::State::Playing };
        // A failure comes with a message that says more.
        let failed = self.pipeline.set_state(first).is_err();
        let mut told = (0, 0);
        let mut duration = None;
        let mut warned = Vec::new();
        loop {
            let message = bus.timed_pop(TICK);
            let now = (self.frames.belong.load(Ordering::Relaxed), self.seen.coded.load(Ordering::Relaxed));
            if now != told {
                duration = duration.or_else(|| self.duration(job.fragment));
                self.tell(job.fragment, duration);
                told = now;
            }
            match message {
                Some(message) if matches!(message.view(), gst::MessageView::Eos(_)) => return Ok(()),
                Some(message) => self.take(&message, job, recorder, &mut warned)?,
                None if failed => return Err("the pipeline did not start".to_owned()),
                None => {}
            }
        }
    }

    fn take(
        &self,
        message: &gst::Message,
        job: &Job,
        recorder: &mut Recorder,
        warned: &mut Vec<String>,
    ) -> Result<(), String> {
        let waits = self.target.filter(|_| !self.sought.get());
        match message.view() {
            gst::MessageView::Element(element) if waits.is_none() => {
                if let Some(said) = element.structure().filter(|said| said.has_name("noisemeter")) {
                    let json: &str = said.get("json").map_err(|error| error.to_string())?;
                    if let Some(text) = recorder.add(json)? {
                        say(&Event::Assumed { text });
                    }
                }
            }
            gst::MessageView::AsyncDone(_) => {
                if let Some(fragment) = waits {
                    self.go_to(fragment)?;
                    // A failure comes with a message that says more.
                    let _ = self.pipeline.set_state(gst::State::Playing);
                }
            }
            gst::MessageView::Warning(warning) if !trouble::expected(warning) => {
                let text = one_line(&trouble::warning(warning));
                // Broken data makes decoders say the same of every frame.
                if !warned.contains(&text) {
                    say(&Event::Warning { text: text.clone() });
                    warned.push(text);
                }
            }
            gst::MessageView::Error(error) => return Err(self.with_place(job, trouble::cause(error))),
            _ => {}
        }
        Ok(())
    }

    fn finish(&self, job: &Job, recorder: &Recorder) -> Result<Event, String> {
        if self.frames.belong.load(Ordering::Relaxed) == 0 {
            return Err(match job.fragment {
                Some(fragment) => {
                    let end = fragment.end.map_or("the end".to_owned(), |end| format!("{} s", seconds(end)));
                    format!("no frame from {} s to {end}", seconds(fragment.start))
                }
                None => "no frame of video could be decoded".to_owned(),
            });
        }
        self.check_length(job.fragment)?;
        recorder.finish()?;
        let frames = self.frames.measured.load(Ordering::Relaxed);
        Ok(Event::Done { frames, windows: recorder.windows() })
    }

    /// Whether the streams of the container went on as long as it says.
    fn check_length(&self, fragment: Option<Fragment>) -> Result<(), String> {
        let Some(stated) = self.pipeline.query_duration::<gst::ClockTime>().map(gst::ClockTime::nseconds)
        else {
            return Ok(());
        };
        let wanted = fragment.and_then(|fragment| fragment.end).map_or(stated, |end| end.min(stated));
        let came = self.seen.end.load(Ordering::Relaxed);
        let picture = self.frames.end.load(Ordering::Relaxed);
        if came == 0 || came.max(picture) + MISSING >= wanted {
            return Ok(());
        }
        let advice = format!("what is there can be measured as FILE#t=0,{}", seconds(picture));
        Err(format!(
            "is cut short: the picture ends at {} s of {} s; {advice}",
            seconds(picture),
            seconds(stated)
        ))
    }

    /// How far it went; for image files the text names the file.
    fn with_place(&self, job: &Job, text: String) -> String {
        match (self.frames.end.load(Ordering::Relaxed), job.input) {
            (0, _) | (_, Input::Images) => text,
            (end, Input::Media) => format!("after {} s: {text}", seconds(end)),
        }
    }

    fn go_to(&self, fragment: Fragment) -> Result<(), String> {
        self.sought.set(true);
        let start = gst::ClockTime::from_nseconds(fragment.start.saturating_sub(LEAD));
        let flags = gst::SeekFlags::FLUSH | gst::SeekFlags::ACCURATE;
        self.frames.armed.store(true, Ordering::Relaxed);
        let (kind, end) = match fragment.end {
            Some(end) => (gst::SeekType::Set, Some(gst::ClockTime::from_nseconds(end))),
            None => (gst::SeekType::None, gst::ClockTime::NONE),
        };
        self.pipeline.seek(1.0, flags, gst::SeekType::Set, start, kind, end).map_err(|_| {
            "its format has no way to go to a time; cut the part out, or measure it whole".to_owned()
        })
    }

    fn duration(&self, fragment: Option<Fragment>) -> Option<u64> {
        let whole = self.pipeline.query_duration::<gst::ClockTime>()?.nseconds();
        let (start, end) = fragment.map_or((0, None), |fragment| (fragment.start, fragment.end));
        Some(end.unwrap_or(whole).min(whole).saturating_sub(start))
    }

    fn tell(&self, fragment: Option<Fragment>, duration: Option<u64>) {
        let start = fragment.map_or(0, |fragment| fragment.start);
        let end = self.frames.end.load(Ordering::Relaxed);
        say(&Event::Progress {
            frames: self.frames.measured.load(Ordering::Relaxed),
            position: Some(end.saturating_sub(start)),
            duration,
        });
    }
}
