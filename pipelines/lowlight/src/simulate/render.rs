//! Renders one clip: simcamsrc, an encoder, a container, a file.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use gst::prelude::*;
use serde_json::{Map, Value};

use super::clip::Made;
use super::curve;
use super::settings::Codec;
use crate::signals::Stop;
use crate::text::one_line;

/// How often a stop is looked for and progress is told.
const TICK: gst::ClockTime = gst::ClockTime::from_mseconds(100);

/// Samples of the clips; 10 bits are what both encoders and GStreamer's decoders of both agree on.
const FORMAT: &str = "I422_10LE";

/// Frames that wait for the encoder, so that camera and encoder work at once.
const QUEUED: u32 = 4;

/// What the file says has written it.
const WRITER: &str = "lowlight simulate";

/// Renders the clip that `made` describes to `path`; `hear` is told how many frames are done. Its truth, or nothing
/// where the program was told to stop.
///
/// # Errors
/// One sentence on why it could not be rendered.
pub fn clip(
    made: &Made,
    codec: Codec,
    path: &Path,
    stop: &Stop,
    mut hear: impl FnMut(u64),
) -> Result<Option<Map<String, Value>>, String> {
    // The container numbers its tracks at random; from GLib's generator, which this sets. Nothing else draws from it
    // while a clip is rendered, and one clip is rendered at a time.
    glib::random_set_seed(made.seed as u32);
    let pipeline = gst::Pipeline::new();
    let camera = camera(made)?;
    let mut parts = vec![camera.clone(), caps(made)?, queue()?];
    parts.extend(encoder(made, codec)?);
    parts.extend([container()?, file(path)?]);
    pipeline.add_many(&parts).map_err(|error| error.to_string())?;
    gst::Element::link_many(&parts).map_err(|error| error.to_string())?;
    let frames = count_frames(&camera)?;
    let played = play(&pipeline, &frames, stop, &mut hear);
    let stopped = pipeline.set_state(gst::State::Null);
    let Some(truth) = played? else {
        return Ok(None);
    };
    stopped.map_err(|error| error.to_string())?;
    let written = frames.load(Ordering::Relaxed);
    if written != u64::from(made.frames) {
        return Err(format!("{written} frames were rendered, not {}", made.frames));
    }
    Ok(Some(truth))
}

/// Runs to the end of the stream.
fn play(
    pipeline: &gst::Pipeline,
    frames: &AtomicU64,
    stop: &Stop,
    hear: &mut impl FnMut(u64),
) -> Result<Option<Map<String, Value>>, String> {
    let bus = pipeline.bus().ok_or("a pipeline without a bus")?;
    // A failure comes with a message that says more.
    let failed = pipeline.set_state(gst::State::Playing).is_err();
    let mut truth = None;
    loop {
        let message = bus.timed_pop(TICK);
        if stop.asked() {
            return Ok(None);
        }
        hear(frames.load(Ordering::Relaxed));
        let Some(message) = message else {
            if failed {
                return Err("the pipeline did not start".to_owned());
            }
            continue;
        };
        match message.view() {
            gst::MessageView::Element(element) => {
                if let Some(said) = element.structure().filter(|said| said.has_name("simcam-truth")) {
                    let json: &str = said.get("json").map_err(|error| error.to_string())?;
                    truth = Some(serde_json::from_str(json).map_err(|error| error.to_string())?);
                }
            }
            gst::MessageView::Error(error) => return Err(one_line(&error.error().to_string())),
            gst::MessageView::Eos(_) => return truth.map(Some).ok_or("the camera told no truth".to_owned()),
            _ => {}
        }
    }
}

/// Counts the frames that leave `camera`.
fn count_frames(camera: &gst::Element) -> Result<Arc<AtomicU64>, String> {
    let frames = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&frames);
    let pad = camera.static_pad("src").ok_or("a camera without a pad")?;
    pad.add_probe(gst::PadProbeType::BUFFER, move |_, _| {
        counted.fetch_add(1, Ordering::Relaxed);
        gst::PadProbeReturn::Ok
    });
    Ok(frames)
}

fn camera(made: &Made) -> Result<gst::Element, String> {
    let camera = element("simcamsrc", "this program's own plugin")?;
    camera.set_property("camera", &made.camera);
    camera.set_property("iso-speed", f64::from(made.iso_speed));
    camera.set_property("exposure-time", &made.exposure_time);
    camera.set_property("exposure", made.exposure);
    camera.set_property_from_str("scene", "rings");
    camera.set_property_from_str("transfer", curve::NAME);
    if made.noise_reduction_strength > 0.0 {
        camera.set_property_from_str("noise-reduction", "spatial+temporal");
        camera.set_property("noise-reduction-strength", made.noise_reduction_strength);
    }
    camera.set_property("flicker-frequency", made.flicker_frequency);
    camera.set_property("flicker-depth", made.flicker_depth);
    camera.set_property("readout-time", made.readout_time);
    camera.set_property("seed", made.seed);
    camera.set_property("num-buffers", i32::try_from(made.frames).map_err(|error| error.to_string())?);
    Ok(camera)
}

fn caps(made: &Made) -> Result<gst::Element, String> {
    let [width, height, rate] = [made.width, made.height, made.rate].map(|value| value as i32);
    let caps = gst::Caps::builder("video/x-raw")
        .field("format", FORMAT)
        .field("width", width)
        .field("height", height)
        .field("framerate", gst::Fraction::new(rate, 1))
        .build();
    let filter = element("capsfilter", BASE)?;
    filter.set_property("caps", caps);
    Ok(filter)
}

fn queue() -> Result<gst::Element, String> {
    let queue = element("queue", BASE)?;
    queue.set_property("max-size-buffers", QUEUED);
    queue.set_property("max-size-bytes", 0_u32);
    queue.set_property("max-size-time", 0_u64);
    Ok(queue)
}

fn encoder(made: &Made, codec: Codec) -> Result<Vec<gst::Element>, String> {
    match codec {
        Codec::Ffv1 => {
            let encoder = element("avenc_ffv1", "gstreamer1.0-libav")?;
            // Every frame for itself, in as many slices on every machine.
            encoder.set_property("gop-size", 1);
            encoder.set_property("slices", 4);
            encoder.set_property_from_str("threads", "auto");
            Ok(vec![encoder])
        }
        Codec::H265 => {
            let encoder = element("x265enc", "gstreamer1.0-plugins-bad")?;
            encoder.set_property("bitrate", made.bitrate_kbit.ok_or("a codec without a rate")?);
            encoder.set_property("key-int-max", made.rate as i32);
            encoder.set_property_from_str("speed-preset", "fast");
            // Noise is what the clips are for; other tunings throw most of it away at any rate.
            encoder.set_property_from_str("tune", "grain");
            // One frame at a time, since frames at once share the rate differently on other machines; and without the
            // note in the stream that names the machine's processor.
            encoder.set_property("option-string", "frame-threads=1:info=0");
            Ok(vec![encoder, element("h265parse", "gstreamer1.0-plugins-bad")?])
        }
    }
}

fn container() -> Result<gst::Element, String> {
    let container = element("matroskamux", "gstreamer1.0-plugins-good")?;
    container.set_property("writing-app", WRITER);
    // A fixed date, so that the same session has the same bytes.
    let date = glib::DateTime::from_unix_utc(0).map_err(|error| error.to_string())?;
    container.set_property("creation-time", date);
    Ok(container)
}

fn file(path: &Path) -> Result<gst::Element, String> {
    let file = element("filesink", BASE)?;
    file.set_property("location", path);
    Ok(file)
}

/// Debian's package of the elements that every pipeline needs.
const BASE: &str = "libgstreamer1.0-0";

/// The element `name`, which `package` brings.
fn element(name: &str, package: &str) -> Result<gst::Element, String> {
    gst::ElementFactory::make(name)
        .build()
        .map_err(|_| format!("GStreamer's element {name} is missing; is {package} installed?"))
}
