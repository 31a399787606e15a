//! The pipeline: a decoder or an image reader, the meter, and nothing after it.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use gst::prelude::*;

use super::feed::{self, Plan};
use super::record::Recorder;
use super::tuning::{self, Seen, stream_end, stream_time};
use super::{say, trouble};
use crate::fragment::{Fragment, seconds};
use crate::images::pattern::{Numbered, Pattern};
use crate::inputs::in_words;
use crate::protocol::{Event, Input, Job};
use crate::settings::Settings;
use crate::text::one_line;

/// What uridecodebin may end with; anything raw, in whatever memory.
const RAW: &str = "video/x-raw(ANY); video/x-bayer";
/// How often the parent hears of progress.
const TICK: gst::ClockTime = gst::ClockTime::from_mseconds(200);
/// Frames between decoder and meter.
const QUEUED: u32 = 3;
/// How far before a fragment decoding begins, so that no decoder cuts its first frame short.
const LEAD: u64 = 500_000_000;
/// A stream that ends so much before its container says is cut short, nanoseconds: more than the second by which
/// containers round, and than the part of a frame by which streams differ.
const MISSING: u64 = 1_000_000_000;

/// Counters of the frames before the meter.
#[derive(Debug, Default)]
struct Frames {
    /// Frames that belong to the clip or fragment.
    belong: AtomicU64,
    /// Frames that the meter gets.
    measured: AtomicU64,
    /// End of the last one, stream time in nanoseconds.
    end: AtomicU64,
    /// Set once no seek is pending; before, frames pass uncounted.
    armed: AtomicBool,
}

/// Measures the clip of `job`.
///
/// # Errors
/// One sentence on why it cannot be measured.
pub fn measure(job: &Job) -> Result<Event, String> {
    let run = Run::build(job)?;
    let result = run.play(job);
    // Whatever the state change says, the process ends.
    let _ = run.pipeline.set_state(gst::State::Null);
    result
}

struct Run {
    pipeline: gst::Pipeline,
    seen: Arc<Seen>,
    frames: Arc<Frames>,
    recorder_needs_rate: bool,
    seek: bool,
}

impl Run {
    fn build(job: &Job) -> Result<Self, String> {
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
        let (mut seek, mut assumed) = (false, false);
        match job.input {
            Input::Media => {
                let decoder = decoder(Path::new(&job.path))?;
                pipeline.add(&decoder).map_err(|error| error.to_string())?;
                link_first_video(&decoder, &pipeline, &queue, &meter);
                seek = job.fragment.is_some();
            }
            Input::Images => {
                let (plan, guess) = images(job)?;
                let source = feed::start(plan, job.threads)?.upcast::<gst::Element>();
                pipeline.add(&source).map_err(|error| error.to_string())?;
                source.link(&queue).map_err(|error| error.to_string())?;
                assumed = guess;
            }
        }
        let fragment = job.fragment.filter(|_| seek);
        watch_frames(&meter, fragment, &job.settings, &frames)?;
        Ok(Self { pipeline, seen, frames, recorder_needs_rate: assumed, seek })
    }

    fn play(&self, job: &Job) -> Result<Event, String> {
        let mut recorder = Recorder::open(job, self.recorder_needs_rate)?;
        let bus = self.pipeline.bus().ok_or("a pipeline without a bus")?;
        let mut seek = job.fragment.filter(|_| self.seek);
        self.frames.armed.store(seek.is_none(), Ordering::Relaxed);
        let first = if seek.is_some() { gst::State::Paused } else { gst::State::Playing };
        // A failure comes with a message that says more.
        let mut failed = self.pipeline.set_state(first).is_err();
        let mut told = (0, 0);
        let mut duration = None;
        let mut warned: Vec<String> = Vec::new();
        loop {
            let message = bus.timed_pop(TICK);
            let now = (self.frames.belong.load(Ordering::Relaxed), self.seen.coded.load(Ordering::Relaxed));
            if now != told {
                duration = duration.or_else(|| self.duration(job.fragment));
                self.tell(job.fragment, duration);
                told = now;
            }
            let Some(message) = message else {
                if failed {
                    return Err("the pipeline did not start".to_owned());
                }
                continue;
            };
            match message.view() {
                gst::MessageView::Element(element) => {
                    if let Some(json) = element.structure().filter(|said| said.has_name("noisemeter"))
                        && seek.is_none()
                    {
                        let json: &str = json.get("json").map_err(|error| error.to_string())?;
                        if let Some(text) = recorder.add(json)? {
                            say(&Event::Assumed { text });
                        }
                    }
                }
                gst::MessageView::AsyncDone(_) => {
                    if let Some(fragment) = seek.take() {
                        self.seek_to(fragment)?;
                        failed = self.pipeline.set_state(gst::State::Playing).is_err();
                    }
                }
                gst::MessageView::Warning(warning) => {
                    let text = one_line(&trouble::warning(warning));
                    // Broken data makes decoders say the same of every frame.
                    if !warned.contains(&text) {
                        say(&Event::Warning { text: text.clone() });
                        warned.push(text);
                    }
                }
                gst::MessageView::Error(error) => return Err(self.with_place(trouble::cause(error))),
                gst::MessageView::Eos(_) => break,
                _ => {}
            }
        }
        self.finish(job, &recorder)
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

    fn with_place(&self, text: String) -> String {
        match self.frames.end.load(Ordering::Relaxed) {
            0 => text,
            end => format!("after {} s: {text}", seconds(end)),
        }
    }

    fn seek_to(&self, fragment: Fragment) -> Result<(), String> {
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
        let Some(fragment) = fragment.filter(|_| self.seek) else {
            return Some(whole);
        };
        Some(fragment.end.unwrap_or(whole).min(whole).saturating_sub(fragment.start))
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

fn element(name: &str) -> Result<gst::Element, String> {
    gst::ElementFactory::make(name).build().map_err(|_| {
        format!("GStreamer's element {name} is missing; is gstreamer1.0-plugins-base installed?")
    })
}

fn decoder(path: &Path) -> Result<gst::Element, String> {
    let path = std::path::absolute(path).map_err(|error| in_words(&error))?;
    let uri = glib::filename_to_uri(&path, None).map_err(|error| error.to_string())?;
    let decoder = element("uridecodebin")?;
    let raw: gst::Caps = RAW.parse().map_err(|error: glib::BoolError| error.to_string())?;
    decoder.set_property("uri", uri.as_str());
    decoder.set_property("caps", raw);
    decoder.set_property("expose-all-streams", false);
    decoder.set_property("force-sw-decoders", true);
    Ok(decoder)
}

/// Links the first video stream to the meter and lets further ones run into the void.
fn link_first_video(
    decoder: &gst::Element,
    pipeline: &gst::Pipeline,
    queue: &gst::Element,
    meter: &gst::Element,
) {
    let (pipeline, queue) = (pipeline.downgrade(), queue.downgrade());
    let takes = meter.static_pad("sink").map(|pad| pad.pad_template_caps());
    decoder.connect_pad_added(move |decoder, pad| {
        let (Some(pipeline), Some(queue)) = (pipeline.upgrade(), queue.upgrade()) else {
            return;
        };
        let Some(sink) = queue.static_pad("sink") else {
            return;
        };
        if sink.is_linked() {
            // The first one goes on even where this fails.
            let _ = discard(&pipeline, pad);
            return;
        }
        let caps = pad.current_caps().unwrap_or_else(|| pad.query_caps(None));
        if takes.as_ref().is_some_and(|takes| !takes.can_intersect(&caps)) {
            let format = caps.structure(0).map(ToString::to_string).unwrap_or_default();
            gst::element_error!(
                decoder,
                gst::CoreError::Negotiation,
                ("the meter has no reader for {format}")
            );
            return;
        }
        if let Err(error) = pad.link(&sink) {
            gst::element_error!(
                decoder,
                gst::CoreError::Negotiation,
                ("its video does not reach the meter: {error}")
            );
        }
    });
}

fn discard(pipeline: &gst::Pipeline, pad: &gst::Pad) -> Result<(), String> {
    let sink = element("fakesink")?;
    sink.set_property("sync", false);
    sink.set_property("async", false);
    pipeline.add(&sink).map_err(|error| error.to_string())?;
    sink.sync_state_with_parent().map_err(|error| error.to_string())?;
    let entry = sink.static_pad("sink").ok_or("a sink without a pad")?;
    pad.link(&entry).map(|_| ()).map_err(|error| error.to_string())
}

/// The meter with the settings of `job`.
fn meter(job: &Job) -> Result<gst::Element, String> {
    let settings = &job.settings;
    let meter = element("noisemeter")?;
    meter.set_property("interval", settings.interval);
    let set = |name: &str, value: &str| -> Result<(), String> {
        let property = meter.find_property(name).ok_or_else(|| format!("the meter has no setting {name}"))?;
        let value = glib::Value::deserialize_with_pspec(value, &property)
            .or_else(|_| text_value(value, &property))
            .map_err(|_| format!("the meter does not take {value} for {name}"))?;
        meter.set_property_from_value(name, &value);
        Ok(())
    };
    let texts = [
        ("regions", settings.regions.as_deref()),
        ("layout-location", job.layout.as_deref()),
        ("grid", settings.grid.as_deref()),
        ("crop", settings.crop.as_deref()),
        ("delivery-heights", settings.delivery_heights.as_deref()),
    ];
    for (name, value) in texts {
        if let Some(value) = value {
            let property =
                meter.find_property(name).ok_or_else(|| format!("the meter has no setting {name}"))?;
            let value = text_value(value, &property).map_err(|error| format!("{name}: {error}"))?;
            meter.set_property_from_value(name, &value);
        }
    }
    let choices =
        [("transfer", &settings.transfer), ("range", &settings.range), ("matrix", &settings.matrix)];
    for (name, value) in choices {
        if value != "auto" {
            set(name, value)?;
        }
    }
    if let Some(gamma) = settings.gamma {
        meter.set_property("gamma", gamma);
    }
    Ok(meter)
}

fn text_value(text: &str, property: &glib::ParamSpec) -> Result<glib::Value, glib::BoolError> {
    text.to_value().transform_with_type(property.value_type())
}

/// The files of an image sequence or still, and whether their rate is a guess.
fn images(job: &Job) -> Result<(Plan, bool), String> {
    let path = PathBuf::from(&job.path);
    // A file that really has a pattern for a name was taken for a still by the parent as well.
    let pattern = Pattern::parse(&path).filter(|_| std::fs::symlink_metadata(&path).is_err());
    let (rate, guess) = job.settings.sequence_rate();
    let Some(pattern) = pattern else {
        return Ok((Plan { files: vec![(0, Numbered { number: 0, path })], rate }, guess));
    };
    let files = pattern.files().map_err(|error| in_words(&error))?;
    let first = files.first().map_or(0, |file| file.number);
    let last = files.last().map_or(0, |file| file.number);
    let missing = (last - first + 1).saturating_sub(files.len() as u64);
    if missing > 0 {
        let text = format!("{missing} of the files from {first} to {last} are missing; they count as holes");
        say(&Event::Warning { text });
    }
    let mut plan = Plan { files: files.into_iter().map(|file| (file.number - first, file)).collect(), rate };
    if let Some(fragment) = job.fragment {
        let times: Vec<bool> =
            plan.files.iter().map(|(index, _)| fragment.contains(plan.time(*index))).collect();
        let mut kept = times.into_iter();
        plan.files.retain(|_| kept.next().unwrap_or(false));
        if plan.files.is_empty() {
            let end = fragment.end.map_or("the end".to_owned(), |end| format!("{} s", seconds(end)));
            return Err(format!(
                "no file from {} s to {end} at {}/{} frames a second",
                seconds(fragment.start),
                rate.numerator,
                rate.denominator
            ));
        }
    }
    Ok((plan, guess))
}

/// Lets through to the meter what belongs to the fragment, and of that what `--every` keeps.
fn watch_frames(
    meter: &gst::Element,
    fragment: Option<Fragment>,
    settings: &Settings,
    frames: &Arc<Frames>,
) -> Result<(), String> {
    let pad = meter.static_pad("sink").ok_or("a meter without a pad")?;
    let every = settings.pairs_only().then_some(u64::from(settings.every));
    let frames = Arc::clone(frames);
    pad.add_probe(gst::PadProbeType::BUFFER, move |pad, info| {
        if !frames.armed.load(Ordering::Relaxed) {
            return gst::PadProbeReturn::Ok;
        }
        let Some(buffer) = info.buffer_mut() else {
            return gst::PadProbeReturn::Ok;
        };
        let start = buffer.pts().and_then(|time| stream_time(pad, time));
        if let (Some(fragment), Some(start)) = (fragment, start)
            && !fragment.contains(start)
        {
            return gst::PadProbeReturn::Drop;
        }
        if let Some(end) = stream_end(pad, buffer) {
            frames.end.fetch_max(end, Ordering::Relaxed);
        }
        let number = frames.belong.fetch_add(1, Ordering::Relaxed);
        if let Some(every) = every {
            match number % every {
                // The pair before is far off; without time stamps only this tells.
                0 if number > 0 => buffer.make_mut().set_flags(gst::BufferFlags::DISCONT),
                0 | 1 => {}
                _ => return gst::PadProbeReturn::Drop,
            }
        }
        frames.measured.fetch_add(1, Ordering::Relaxed);
        gst::PadProbeReturn::Ok
    });
    Ok(())
}
