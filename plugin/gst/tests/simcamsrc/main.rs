//! The simulated camera in a pipeline: its frames, times, settings, words and refusals.
#![allow(clippy::unwrap_used, missing_docs, clippy::allow_attributes, reason = "tests fail by panics")]

#[path = "../common/mod.rs"]
mod common;
mod frames;
mod negotiation;
mod settings;
mod timing;
mod uri;

use gst::prelude::*;
use gst_app::AppSink;
use gstnoisemeter::frames::{Layout, Scratch};

/// Longer than anything here takes; only a failure waits for it.
const PATIENCE: gst::ClockTime = gst::ClockTime::from_seconds(60);

/// A small picture of the usual format.
const CAPS: &str = "video/x-raw,format=I422_10LE,width=64,height=36,framerate=25/1";

/// The element before a sink that takes a few frames ahead and no more.
struct Bench {
    pipeline: gst::Pipeline,
    camera: gst::Element,
    sink: AppSink,
    bus: gst::Bus,
}

impl Bench {
    fn new(caps: &str, properties: &[(&str, &str)]) -> Self {
        common::init();
        let camera = gst::ElementFactory::make("simcamsrc").build().unwrap();
        for (name, value) in properties {
            camera.set_property_from_str(name, value);
        }
        let caps: gst::Caps = caps.parse().unwrap();
        let sink = AppSink::builder().caps(&caps).max_buffers(2).sync(false).build();
        let pipeline = gst::Pipeline::new();
        pipeline.add_many([&camera, sink.upcast_ref()]).unwrap();
        camera.link(&sink).unwrap();
        let bus = pipeline.bus().unwrap();
        Self { pipeline, camera, sink, bus }
    }

    fn playing(caps: &str, properties: &[(&str, &str)]) -> Self {
        let bench = Self::new(caps, properties);
        bench.pipeline.set_state(gst::State::Playing).unwrap();
        bench
    }

    fn sample(&self) -> gst::Sample {
        self.sink.try_pull_sample(PATIENCE).unwrap_or_else(|| panic!("a frame comes: {:?}", self.said()))
    }

    fn pull(&self) -> gst::Buffer {
        self.sample().buffer_owned().unwrap()
    }

    /// Pulls `count` samples and keeps the last.
    fn last_of(&self, count: u64) -> gst::Sample {
        for _ in 1..count {
            self.sample();
        }
        self.sample()
    }

    fn caps(&self) -> gst::Caps {
        self.camera.static_pad("src").unwrap().current_caps().unwrap()
    }

    /// Texts of warnings and errors so far, and the truths.
    fn said(&self) -> Said {
        let mut said = Said::default();
        while let Some(message) = self.bus.pop() {
            match message.view() {
                gst::MessageView::Error(error) => said.errors.push(error.error().message().to_owned()),
                gst::MessageView::Warning(warning) => {
                    said.warnings.push(warning.error().message().to_owned());
                }
                gst::MessageView::Element(element) => {
                    assert_eq!(
                        message.src(),
                        Some(self.camera.upcast_ref()),
                        "every message names its element"
                    );
                    said.truths.push(element.structure().unwrap().to_owned());
                }
                _ => {}
            }
        }
        said
    }

    /// The first error that stops the camera before its first frame.
    fn failure(caps: &str, properties: &[(&str, &str)]) -> String {
        let bench = Self::new(caps, properties);
        let _ = bench.pipeline.set_state(gst::State::Playing);
        let message =
            bench.bus.timed_pop_filtered(PATIENCE, &[gst::MessageType::Error, gst::MessageType::Eos]);
        match message.as_ref().map(|message| message.view()) {
            Some(gst::MessageView::Error(error)) => error.error().message().to_owned(),
            other => panic!("{caps} {properties:?}: {other:?}"),
        }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = self.pipeline.set_state(gst::State::Null);
    }
}

#[derive(Debug, Default)]
struct Said {
    errors: Vec<String>,
    warnings: Vec<String>,
    truths: Vec<gst::Structure>,
}

fn bytes(buffer: &gst::BufferRef) -> Vec<u8> {
    buffer.map_readable().unwrap().to_vec()
}

/// Codes of every component, row after row.
fn codes(layout: &Layout, buffer: &gst::BufferRef) -> Vec<Vec<u16>> {
    let picture = layout.locate(buffer).unwrap();
    let rows = |views: &[noise_measure::view::ComponentView<'_>]| {
        let plane = |view: &noise_measure::view::ComponentView<'_>| {
            let mut plane = vec![0; view.width() * view.height()];
            for (y, row) in plane.chunks_exact_mut(view.width()).enumerate() {
                view.read_row(y, 0, row);
            }
            plane
        };
        views.iter().map(plane).collect()
    };
    layout.with_views(&picture, 0, buffer, &mut Scratch::default(), rows).unwrap()
}

/// A folder of this test's own.
fn folder(name: &str) -> std::path::PathBuf {
    let path = std::env::temp_dir().join(format!("simcamsrc-{}-{name}", std::process::id()));
    let _ = std::fs::remove_dir_all(&path);
    std::fs::create_dir_all(&path).unwrap();
    path
}
