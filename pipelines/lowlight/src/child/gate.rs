//! What stands before the meter: counts frames, and lets through those that are to be measured.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use gst::prelude::*;

use super::tuning::{stream_end, stream_time};
use crate::fragment::Fragment;
use crate::settings::Settings;

/// Counters of the frames before the meter.
#[derive(Debug, Default)]
pub struct Frames {
    /// Frames that belong to the clip or fragment.
    pub belong: AtomicU64,
    /// Frames that the meter gets.
    pub measured: AtomicU64,
    /// End of the last one, stream time in nanoseconds.
    pub end: AtomicU64,
    /// Set once no seek is pending; before, frames pass uncounted.
    pub armed: AtomicBool,
}

/// Lets through to the meter what belongs to the fragment, and of that what `--every` keeps.
///
/// # Errors
/// A meter that has no pad for frames.
pub fn watch_frames(
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
