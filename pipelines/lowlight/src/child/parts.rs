//! The parts of a pipeline, made and set up.

use std::path::{Path, PathBuf};

use gst::prelude::*;

use super::feed::Plan;
use super::say;
use crate::fragment::seconds;
use crate::images::pattern::{Numbered, Pattern};
use crate::inputs::in_words;
use crate::protocol::{Event, Job};

/// What uridecodebin may end with; anything raw, in whatever memory.
const RAW: &str = "video/x-raw(ANY); video/x-bayer";

/// The element `name`, with its settings as they come.
///
/// # Errors
/// One sentence on what to install.
pub fn element(name: &str) -> Result<gst::Element, String> {
    gst::ElementFactory::make(name).build().map_err(|_| {
        format!("GStreamer's element {name} is missing; is gstreamer1.0-plugins-base installed?")
    })
}

/// A decoder of the file at `path` that plugs no decoder of sound.
///
/// # Errors
/// One sentence on why there is none.
pub fn decoder(path: &Path) -> Result<gst::Element, String> {
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
pub fn link_first_video(
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
///
/// # Errors
/// One sentence naming the setting that it does not take.
pub fn meter(job: &Job) -> Result<gst::Element, String> {
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

/// The files of an image sequence or still.
///
/// # Errors
/// One sentence on what is missing.
pub fn images(job: &Job) -> Result<Plan, String> {
    let path = PathBuf::from(&job.path);
    // A file that really has a pattern for a name was taken for a still by the parent as well.
    let pattern = Pattern::parse(&path).filter(|_| std::fs::symlink_metadata(&path).is_err());
    let rate = job.settings.sequence_rate();
    let Some(pattern) = pattern else {
        return Ok(Plan { files: vec![(0, Numbered { number: 0, path })], rate });
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
    Ok(plan)
}
