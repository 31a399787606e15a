//! What measuring a clip adds to decoding it, as CPU time of all threads.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use gst::prelude::*;
use gst_video::prelude::*;

use super::clock;
use super::elements::regions;
use super::plan::Plan;
use super::report::{Row, at_most, milliseconds, share, table};
use super::rounds::Spread;
use super::workloads::{Asked, Layout, Ring, info};
use noise_measure::format::Channel;
use noise_measure::meter::{Carry, FrameTags, Meter};
use noise_measure::view::{ComponentView, Placement};

/// Frames of a window of the meter that no element holds.
const WINDOW: u64 = 25;

/// A kind of clip.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    /// What it is called.
    pub name: &'static str,
    /// How its samples lie.
    pub layout: Layout,
    /// ffmpeg's name of that.
    pixels: &'static str,
    /// How ffmpeg encodes it.
    encoder: &'static [&'static str],
    /// The file's extension.
    extension: &'static str,
    /// How GStreamer decodes it.
    decoder: &'static str,
}

/// ProRes 422 HQ.
pub const PRORES: Kind = Kind {
    name: "ProRes HQ",
    layout: Layout::I422Ten,
    pixels: "yuv422p10le",
    encoder: &["-c:v", "prores_ks", "-profile:v", "3"],
    extension: "mov",
    decoder: "qtdemux ! avdec_prores",
};

/// H.265 of 10 bits, at some hundred megabits a second in UHD.
pub const H265: Kind = Kind {
    name: "H.265 10-bit",
    layout: Layout::I420Ten,
    pixels: "yuv420p10le",
    encoder: &["-c:v", "libx265", "-preset", "ultrafast", "-b:v", "106M", "-x265-params", "log-level=error"],
    extension: "mkv",
    decoder: "matroskademux ! h265parse ! avdec_h265",
};

/// Encodes the ring, over and over, into a clip of `frames`.
///
/// # Errors
/// What ffmpeg says.
pub fn encode(kind: Kind, ring: &Ring, frames: usize, folder: &Path) -> Result<PathBuf, String> {
    let (raw, clip) = (folder.join("clip.raw"), folder.join(format!("clip.{}", kind.extension)));
    super::kernels::write(ring, &raw)?;
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-nostdin", "-y", "-stream_loop", "-1", "-f", "rawvideo"]);
    command.args(["-pix_fmt", kind.pixels, "-r", "25", "-color_range", "tv"]);
    command.args(["-s", &format!("{}x{}", ring.format.width, ring.format.height)]);
    command.arg("-i").arg(&raw).args(["-frames:v", &frames.to_string()]).args(kind.encoder).arg(&clip);
    let status = command.status().map_err(|error| format!("ffmpeg: {error}"))?;
    let _ = std::fs::remove_file(&raw);
    if status.success() { Ok(clip) } else { Err(format!("ffmpeg made no clip of {}", kind.name)) }
}

/// What is measured while a clip decodes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Pairwise,
    Grid,
    Everything,
}

/// CPU time of a run, ns a frame.
#[derive(Debug, Clone, Copy, Default)]
struct Spent {
    decoding: f64,
    measuring: f64,
}

/// Runs it; the table.
///
/// # Errors
/// Where a clip cannot be made or decoded.
pub fn run(plan: &Plan, prores: &Path, h265: &Path, folder: &Path) -> Result<String, String> {
    let mut rows: Vec<Row> = Vec::new();
    let mut times: Vec<Row> = Vec::new();
    for (kind, clip) in [(PRORES, prores), (H265, h265)] {
        let ways = [
            (Way::Pairwise, "24 patches, pair-wise", at_most(0.04, 0.025)),
            (Way::Grid, "grid of 16×9", at_most(0.06, 0.04)),
            (Way::Everything, "24 patches with the full set, grid, JSON", at_most(0.07, 0.05)),
        ];
        let mut found = [Vec::new(), Vec::new(), Vec::new()];
        for round in 0..plan.clip_rounds {
            for turn in 0..ways.len() {
                let way = (round + turn) % ways.len();
                found[way].push(decode(plan, kind, clip, ways[way].0, folder)?);
            }
        }
        for ((_, name, line), found) in ways.into_iter().zip(&found) {
            let shares = found.iter().map(|spent| spent.measuring / spent.decoding).collect();
            rows.push(share(format!("{}: {name}", kind.name), Spread::of(shares), line));
            let spent = found.iter().map(|spent| spent.measuring / 1e6).collect();
            times.push(milliseconds(format!("{}: {name}", kind.name), Spread::of(spent)));
        }
        let decoding = found.iter().flatten().map(|spent| spent.decoding / 1e6).collect();
        times.push(milliseconds(format!("{}: decoding", kind.name), Spread::of(decoding)));
    }
    Ok(table("CPU time of measuring, to that of decoding, UHD", &rows, plan.judged)
        + &table("CPU time of a frame, meter and worker", &times, plan.judged))
}

/// Decodes a clip once and measures on the way.
fn decode(plan: &Plan, kind: Kind, clip: &Path, way: Way, folder: &Path) -> Result<Spent, String> {
    let told = |problem: &dyn std::fmt::Display| format!("{}: {problem}", clip.display());
    let format = kind.layout.format(plan.uhd.0, plan.uhd.1);
    let asked = Asked::patches(&format, plan.uhd_patch, way == Way::Everything);
    let meter = match way {
        Way::Pairwise => "identity name=meter".to_owned(),
        Way::Grid => "noisemeter name=meter grid=16x9".to_owned(),
        Way::Everything => format!("noisemeter name=meter grid=16x9 regions=\"{}\"", regions(&asked)),
    };
    let queue = "queue max-size-buffers=3 max-size-bytes=0 max-size-time=0";
    let line = format!(
        "filesrc name=file ! {} ! {queue} ! {meter} ! fakesink sync=false enable-last-sample=false",
        kind.decoder
    );
    let pipeline = gst::parse::launch(&line).map_err(|error| told(&error))?;
    let pipeline = pipeline.downcast::<gst::Pipeline>().map_err(|_| told(&"no pipeline"))?;
    let find = |name: &str| pipeline.by_name(name).ok_or_else(|| told(&"an element is missing"));
    find("file")?.set_property("location", clip.to_str());
    let element = find("meter")?;
    if way == Way::Everything {
        element.set_property("record-location", folder.join("windows.jsonl").to_str());
    }
    let (frames, measuring) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicU64::new(0)));
    if way == Way::Pairwise {
        measure_at(&element, kind.layout, asked, &frames, &measuring)?;
    } else {
        time_element(&element, &frames, &measuring)?;
    }
    let began = clock::process();
    pipeline.set_state(gst::State::Playing).map_err(|error| told(&error))?;
    let bus = pipeline.bus().ok_or_else(|| told(&"no bus"))?;
    let end = bus.timed_pop_filtered(gst::ClockTime::NONE, &[gst::MessageType::Eos, gst::MessageType::Error]);
    // The worker's thread is there until the pipeline stops, and idle at the end of the stream.
    let (process, worker) = (clock::process() - began, clock::threads("noisemeter"));
    pipeline.set_state(gst::State::Null).map_err(|error| told(&error))?;
    if let Some(gst::MessageView::Error(error)) = end.as_ref().map(|message| message.view()) {
        return Err(told(&error.error()));
    }
    let count = frames.load(Ordering::Relaxed);
    if count != plan.clip_frames as u64 {
        return Err(told(&format!("{count} frames came of {}", plan.clip_frames)));
    }
    let measured = measuring.load(Ordering::Relaxed) + worker;
    let each = |time: u64| time as f64 / count as f64;
    Ok(Spent { decoding: each(process - measured), measuring: each(measured) })
}

/// Adds up the CPU time between the element's pads.
fn time_element(
    element: &gst::Element,
    frames: &Arc<AtomicU64>,
    spent: &Arc<AtomicU64>,
) -> Result<(), String> {
    let began = Arc::new(AtomicU64::new(0));
    let pad = |name: &str| element.static_pad(name).ok_or("an element without that pad");
    let begin = Arc::clone(&began);
    pad("sink")?.add_probe(gst::PadProbeType::BUFFER, move |_, _| {
        begin.store(clock::thread(), Ordering::Relaxed);
        gst::PadProbeReturn::Ok
    });
    let (frames, spent) = (Arc::clone(frames), Arc::clone(spent));
    pad("src")?.add_probe(gst::PadProbeType::BUFFER, move |_, _| {
        frames.fetch_add(1, Ordering::Relaxed);
        spent.fetch_add(clock::thread() - began.load(Ordering::Relaxed), Ordering::Relaxed);
        gst::PadProbeReturn::Ok
    });
    Ok(())
}

/// Measures pair-wise at the element's sink pad, windows and their numbers with it: no setting of the element leaves
/// the full set out where nothing is live.
fn measure_at(
    element: &gst::Element,
    layout: Layout,
    asked: Asked,
    frames: &Arc<AtomicU64>,
    spent: &Arc<AtomicU64>,
) -> Result<(), String> {
    let pad = element.static_pad("sink").ok_or("an element without a pad")?;
    let (frames, spent) = (Arc::clone(frames), Arc::clone(spent));
    let state: Mutex<Option<(gst_video::VideoInfo, Meter, Carry)>> = Mutex::new(None);
    pad.add_probe(gst::PadProbeType::BUFFER, move |pad, probe| {
        let began = clock::thread();
        let (Some(buffer), Ok(mut state)) = (probe.buffer(), state.lock()) else {
            return gst::PadProbeReturn::Ok;
        };
        if state.is_none() {
            let caps = pad.current_caps().and_then(|caps| gst_video::VideoInfo::from_caps(&caps).ok());
            *state = caps.map(|caps| {
                let meter = asked.meter(&layout.format(caps.width(), caps.height()));
                (caps, meter, Carry::default())
            });
        }
        if let Some((caps, meter, carry)) = state.as_mut()
            && let Ok(frame) = gst_video::VideoFrameRef::from_buffer_ref_readable(buffer, caps)
            && let Some(views) = views(&frame, layout)
            && meter.add(&views, &[], FrameTags::default()).is_ok()
            && (frames.fetch_add(1, Ordering::Relaxed) + 1).is_multiple_of(WINDOW)
            && let Some(closed) = meter.close()
        {
            let format = layout.format(caps.width(), caps.height());
            let record = closed.evaluate(carry, info(layout, &format));
            // As a line of a file would be made.
            let _ = std::hint::black_box(serde_json::to_string(&record));
        }
        spent.fetch_add(clock::thread() - began, Ordering::Relaxed);
        gst::PadProbeReturn::Ok
    });
    Ok(())
}

fn views<'a>(
    frame: &'a gst_video::VideoFrameRef<&gst::BufferRef>,
    layout: Layout,
) -> Option<[ComponentView<'a>; 3]> {
    let strides = frame.plane_stride();
    let plane = |plane: u32| {
        Some((frame.plane_data(plane).ok()?, usize::try_from(*strides.get(plane as usize)?).ok()?))
    };
    let (places, _) = layout.placements(frame.width() as usize, frame.height() as usize);
    let view = |channel, i: usize| {
        let (bytes, row_stride) = plane(i as u32)?;
        let placement = Placement { offset: 0, row_stride, ..places[i] };
        ComponentView::new(channel, bytes, placement, layout.packing()).ok()
    };
    Some([view(Channel::Y, 0)?, view(Channel::Cb, 1)?, view(Channel::Cr, 2)?])
}
