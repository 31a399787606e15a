//! Elements inside the decoder bin: their threads, and what passes through them.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use gst::prelude::*;

/// Names under which decoders take a number of threads.
const THREADS: &[&str] = &["max-threads", "threads", "n-threads"];

/// What is seen of a clip before its frames reach the meter.
#[derive(Debug, Default)]
pub struct Seen {
    /// Buffers that reached video decoders: a sign of life while a decoder works towards a fragment.
    pub coded: AtomicU64,
    /// The latest end of any stream in the container, nanoseconds.
    pub end: AtomicU64,
}

/// Sets up every element that `pipeline` will hold at any depth.
pub fn watch(pipeline: &gst::Pipeline, threads: u32, seen: &Arc<Seen>) {
    let seen = Arc::clone(seen);
    pipeline.connect_deep_element_added(move |_, _, element| {
        let class = element.factory().and_then(|factory| factory.metadata("klass").map(str::to_owned));
        let class = class.unwrap_or_default();
        let is = |word: &str| class.split('/').any(|part| part == word);
        if is("Decoder") && (is("Video") || is("Image")) {
            limit_threads(element, threads);
            count_coded(element, &seen);
        }
        if is("Demuxer") || is("Demux") {
            follow_end(element, &seen);
        }
    });
}

fn limit_threads(element: &gst::Element, threads: u32) {
    for name in THREADS {
        let Some(property) = element.find_property(name) else {
            continue;
        };
        if !property.flags().contains(glib::ParamFlags::WRITABLE) {
            continue;
        }
        if property.value_type() == glib::Type::I32 {
            element.set_property(name, i32::try_from(threads).unwrap_or(1));
        } else if property.value_type() == glib::Type::U32 {
            element.set_property(name, threads);
        }
    }
}

fn count_coded(element: &gst::Element, seen: &Arc<Seen>) {
    let Some(pad) = element.static_pad("sink") else {
        return;
    };
    let seen = Arc::clone(seen);
    pad.add_probe(gst::PadProbeType::BUFFER, move |_, _| {
        seen.coded.fetch_add(1, Ordering::Relaxed);
        gst::PadProbeReturn::Ok
    });
}

fn follow_end(element: &gst::Element, seen: &Arc<Seen>) {
    let seen = Arc::clone(seen);
    element.connect_pad_added(move |_, pad| {
        if pad.direction() != gst::PadDirection::Src {
            return;
        }
        let seen = Arc::clone(&seen);
        pad.add_probe(gst::PadProbeType::BUFFER, move |pad, info| {
            if let Some(end) = info.buffer().and_then(|buffer| stream_end(pad, buffer)) {
                seen.end.fetch_max(end, Ordering::Relaxed);
            }
            gst::PadProbeReturn::Ok
        });
    });
}

/// Where `buffer` ends in stream time, nanoseconds.
pub fn stream_end(pad: &gst::Pad, buffer: &gst::BufferRef) -> Option<u64> {
    let end = buffer.pts()? + buffer.duration().unwrap_or(gst::ClockTime::ZERO);
    stream_time(pad, end)
}

/// `time` of a buffer on `pad` in stream time, nanoseconds.
pub fn stream_time(pad: &gst::Pad, time: gst::ClockTime) -> Option<u64> {
    let event = pad.sticky_event::<gst::event::Segment>(0)?;
    let segment = event.segment().downcast_ref::<gst::ClockTime>()?;
    match segment.to_stream_time_full(time)? {
        gst::Signed::Positive(time) => Some(time.nseconds()),
        gst::Signed::Negative(_) => Some(0),
    }
}
