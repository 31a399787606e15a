//! A pipeline around one element or a few: frames go in one by one, and the CPU time between its pads comes out.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Duration;

use gst::prelude::*;

use super::clock;
use super::workloads::{Layout, Ring};

/// Frames that wait in front of the element.
const WAITING: u64 = 2;
/// Longest wait for a frame.
const PATIENCE: Duration = Duration::from_secs(60);
/// Nanoseconds of a frame.
const FRAME: u64 = 40_000_000;

/// A pipeline that plays.
#[derive(Debug)]
pub struct Stage {
    pipeline: gst::Pipeline,
    source: gst_app::AppSrc,
    buffers: Vec<gst::Buffer>,
    /// Whether each frame gets memory of its own, to be written to.
    own: bool,
    pushed: u64,
    spent: Receiver<u64>,
}

impl Stage {
    /// `elements` is part of a gst-launch line; its elements are called `first` and `last`, or `only`.
    ///
    /// # Errors
    /// Where the line does not make a pipeline that plays.
    pub fn start(ring: &Ring, elements: &str, own: bool) -> Result<Self, String> {
        let line =
            format!("appsrc name=in ! {elements} ! fakesink sync=false async=false enable-last-sample=false");
        let told = |problem: &dyn std::fmt::Display| format!("{elements}: {problem}");
        let pipeline = gst::parse::launch(&line).map_err(|error| told(&error))?;
        let pipeline = pipeline.downcast::<gst::Pipeline>().map_err(|_| told(&"no pipeline"))?;
        let source = pipeline.by_name("in").and_then(|source| source.downcast::<gst_app::AppSrc>().ok());
        let source = source.ok_or_else(|| told(&"no source"))?;
        source.set_caps(Some(&caps(ring)));
        source.set_format(gst::Format::Time);
        source.set_max_buffers(WAITING);
        source.set_max_bytes(0);
        source.set_block(true);
        let pad = |names: [&str; 2], pad: &str| {
            let element = names.into_iter().find_map(|name| pipeline.by_name(name));
            element
                .and_then(|element| element.static_pad(pad))
                .ok_or_else(|| told(&"an element is not named"))
        };
        let spent = time_between(&pad(["only", "first"], "sink")?, &pad(["only", "last"], "src")?);
        quiet(&pipeline);
        pipeline.set_state(gst::State::Playing).map_err(|error| told(&error))?;
        let buffers = (0..ring.count()).map(|i| gst::Buffer::from_slice(Arc::clone(ring.frame(i)))).collect();
        Ok(Self { pipeline, source, buffers, own, pushed: 0, spent })
    }

    /// CPU time of the next `frames`, ns each.
    ///
    /// # Errors
    /// Where the pipeline has stopped.
    pub fn turn(&mut self, frames: usize) -> Result<Vec<u64>, String> {
        let mut waiting = Vec::with_capacity(frames);
        for _ in 0..frames {
            let shared = &self.buffers[self.pushed as usize % self.buffers.len()];
            let copied =
                if self.own { shared.copy_deep().map_err(|error| error.to_string())? } else { shared.copy() };
            waiting.push(copied);
            self.pushed += 1;
        }
        let first = self.pushed - frames as u64;
        let mut spent = Vec::with_capacity(frames);
        for (number, mut buffer) in (first..).zip(waiting) {
            let fields = buffer.make_mut();
            fields.set_pts(gst::ClockTime::from_nseconds(number * FRAME));
            fields.set_duration(gst::ClockTime::from_nseconds(FRAME));
            self.source.push_buffer(buffer).map_err(|error| error.to_string())?;
            // What has come out already makes room for more.
            spent.extend(self.spent.try_iter());
        }
        while spent.len() < frames {
            spent.push(self.spent.recv_timeout(PATIENCE).map_err(|_| "no frame came out".to_owned())?);
        }
        Ok(spent)
    }

    /// Mean CPU time of the next `frames`, the first one left out.
    ///
    /// # Errors
    /// Where the pipeline has stopped.
    pub fn mean(&mut self, frames: usize) -> Result<f64, String> {
        let spent = self.turn(frames)?;
        Ok(spent[1..].iter().sum::<u64>() as f64 / (frames - 1) as f64)
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
        // The process goes on whatever the elements say.
        let _ = self.pipeline.set_state(gst::State::Null);
    }
}

fn caps(ring: &Ring) -> gst::Caps {
    gst::Caps::builder("video/x-raw")
        .field("format", ring.layout.name())
        .field("width", ring.format.width as i32)
        .field("height", ring.format.height as i32)
        .field("framerate", gst::Fraction::new(25, 1))
        .field("colorimetry", if ring.layout == Layout::I422Ten { "bt2020" } else { "bt709" })
        .build()
}

/// CPU time of the streaming thread from a buffer's arrival at `sink` to its departure from `src`.
fn time_between(sink: &gst::Pad, src: &gst::Pad) -> Receiver<u64> {
    let (sender, receiver) = sync_channel(1 << 16);
    let began = Arc::new(AtomicU64::new(0));
    let begin = Arc::clone(&began);
    sink.add_probe(gst::PadProbeType::BUFFER, move |_, _| {
        begin.store(clock::thread(), Ordering::Relaxed);
        gst::PadProbeReturn::Ok
    });
    src.add_probe(gst::PadProbeType::BUFFER, move |_, _| {
        // Nobody listens once the stage is given up.
        let _ = sender.try_send(clock::thread() - began.load(Ordering::Relaxed));
        gst::PadProbeReturn::Ok
    });
    receiver
}

/// Lets no message wait for a reader; errors go to stderr.
pub fn quiet(pipeline: &gst::Pipeline) {
    let Some(bus) = pipeline.bus() else { return };
    bus.set_sync_handler(|_, message| {
        if let gst::MessageView::Error(error) = message.view() {
            eprintln!("{}: {:?}", error.error(), error.debug());
        }
        gst::BusSyncReply::Drop
    });
}
