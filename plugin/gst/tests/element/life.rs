//! Pipelines: states, buses, seeks, live and not.

use super::common::{Bench, GRAY_CAPS, gray_buffer, init, json};
use super::eventually;
use gst::prelude::*;
use gstnoisemeter::message;
use serde_json::Value;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

#[test]
fn two_meters_in_a_row_agree() {
    init();
    let pipeline = gst::parse::launch(
        "videotestsrc pattern=snow num-buffers=25 ! video/x-raw,format=NV12,width=64,height=48,framerate=25/1 \
         ! noisemeter name=a attach-meta=true ! noisemeter name=b attach-meta=true attach-roi=true ! noisemeter name=c ! fakesink",
    )
    .unwrap();
    let windows = run(&pipeline);
    assert_eq!(windows.len(), 3);
    assert_eq!(windows[0].1, windows[1].1);
    assert_eq!(windows[1].1, windows[2].1);
    let names: std::collections::BTreeSet<_> = windows.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names.into_iter().collect::<String>(), "abc");
}

/// Runs to the end and returns the windows by element.
fn run(pipeline: &gst::Element) -> Vec<(String, Value)> {
    let bus = pipeline.bus().unwrap();
    pipeline.set_state(gst::State::Playing).unwrap();
    let mut windows = Vec::new();
    loop {
        let message = bus.timed_pop(gst::ClockTime::from_seconds(60)).expect("an end within a minute");
        match message.view() {
            gst::MessageView::Element(element) => {
                let structure = element.structure().unwrap();
                if structure.name() == message::MESSAGE {
                    windows.push((message.src().unwrap().name().to_string(), json(structure)));
                }
            }
            gst::MessageView::Error(error) => panic!("{error:?}"),
            gst::MessageView::Eos(_) => break,
            _ => {}
        }
    }
    pipeline.set_state(gst::State::Null).unwrap();
    windows
}

#[test]
fn documented_pipelines_run() {
    init();
    for line in gstnoisemeter::noisemeter::EXAMPLES.lines() {
        let pipeline = gst::parse::launch(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        let windows = run(&pipeline);
        assert_eq!(windows.is_empty(), line.contains("post-messages=false"), "{line}");
    }
}

#[test]
fn fifty_turns_of_the_states() {
    init();
    let pipeline = gst::parse::launch(
        "videotestsrc num-buffers=3 ! video/x-raw,format=I420,width=32,height=32,framerate=25/1 ! noisemeter name=m ! fakesink",
    )
    .unwrap();
    for turn in 0..50 {
        let windows = run(&pipeline);
        assert_eq!(windows.len(), 1, "turn {turn}");
        assert_eq!(windows[0].1["frames"], 3, "turn {turn}");
    }
    // Without waiting for anything as well.
    for state in
        [gst::State::Playing, gst::State::Ready, gst::State::Paused, gst::State::Null].iter().cycle().take(50)
    {
        pipeline.set_state(*state).unwrap();
    }
    pipeline.set_state(gst::State::Null).unwrap();
}

#[test]
fn no_bus_and_a_flushing_bus_are_fine() {
    for flushing in [false, true] {
        init();
        let element =
            gst::ElementFactory::make("noisemeter").property("interval", 80_000_000u64).build().unwrap();
        if flushing {
            let bus = gst::Bus::new();
            bus.set_flushing(true);
            element.set_bus(Some(&bus));
        } else {
            element.set_bus(None);
        }
        let mut harness = gst_check::Harness::with_element(&element, Some("sink"), Some("src"));
        harness.set_src_caps_str(GRAY_CAPS);
        for i in 0..10 {
            assert_eq!(harness.push(gray_buffer(i)), Ok(gst::FlowSuccess::Ok));
        }
        assert!(harness.push_event(gst::event::Eos::new()));
        assert!(element.property::<Option<String>>("last-window").is_some());
    }
}

#[test]
fn a_sync_handler_may_set_properties() {
    let mut bench = Bench::new(GRAY_CAPS, &[("interval", "80000000")]);
    let calls = Arc::new(AtomicUsize::new(0));
    bench.bus.set_sync_handler({
        let calls = Arc::clone(&calls);
        move |_, message| {
            if let gst::MessageView::Element(_) = message.view() {
                let call = calls.fetch_add(1, Ordering::SeqCst) as u64;
                let element = message.src().unwrap();
                element.set_property("regions", format!("r{call}=0,0,8,8"));
                element.set_property("interval", 80_000_000 + call % 2 * 40_000_000);
                element.set_property("attach-meta", call.is_multiple_of(2));
                element.set_property("regions", "wrong");
                element.property::<Option<String>>("last-window").unwrap();
                element.emit_by_name::<()>("reset", &[]);
            }
            gst::BusSyncReply::Drop
        }
    });
    for i in 0..60 {
        assert_eq!(bench.harness.push(gray_buffer(i)), Ok(gst::FlowSuccess::Ok));
    }
    bench.eos();
    assert!(calls.load(Ordering::SeqCst) >= 15);
}

#[test]
fn seeks_in_a_pipeline_begin_anew() {
    init();
    let pipeline = gst::parse::launch(
        "videotestsrc num-buffers=200 ! video/x-raw,format=I420,width=32,height=32,framerate=25/1 ! noisemeter interval=200000000 ! fakesink",
    )
    .unwrap();
    let bus = pipeline.bus().unwrap();
    pipeline.set_state(gst::State::Paused).unwrap();
    pipeline.state(gst::ClockTime::from_seconds(20)).0.unwrap();
    // A segment seek ends with SEGMENT_DONE and no end of stream.
    pipeline
        .seek(
            1.0,
            gst::SeekFlags::FLUSH | gst::SeekFlags::SEGMENT,
            gst::SeekType::Set,
            gst::ClockTime::from_seconds(1),
            gst::SeekType::Set,
            gst::ClockTime::from_mseconds(1480),
        )
        .unwrap();
    pipeline.set_state(gst::State::Playing).unwrap();
    let mut windows = Vec::new();
    loop {
        let message = bus.timed_pop(gst::ClockTime::from_seconds(60)).expect("the segment ends");
        match message.view() {
            gst::MessageView::Element(element) => windows.push(json(element.structure().unwrap())),
            gst::MessageView::SegmentDone(_) => break,
            gst::MessageView::Error(error) => panic!("{error:?}"),
            _ => {}
        }
    }
    // The source says so before it sends the event that ends the segment downstream.
    while windows.len() < 3 {
        let message = bus.timed_pop_filtered(gst::ClockTime::from_seconds(20), &[gst::MessageType::Element]);
        windows.push(json(message.expect("the last window").structure().unwrap()));
    }
    pipeline.set_state(gst::State::Null).unwrap();
    let frames: Vec<_> = windows.iter().map(|window| window["frames"].as_u64().unwrap()).collect();
    assert_eq!(frames, [5, 5, 2]);
    assert_eq!(windows[0]["stream_time"], 1_000_000_000u64);
    assert_eq!(windows[0]["holes"], 0);
}

#[test]
fn live_pipelines_merge_windows_that_nobody_can_take_and_say_so() {
    init();
    let element =
        gst::ElementFactory::make("noisemeter").property("interval", 80_000_000u64).build().unwrap();
    super::common::answer_latency(&element, true);
    let bus = gst::Bus::new();
    element.set_bus(Some(&bus));
    // The worker is kept in the handler until the stream is over.
    let gate = Gate::close(&bus);
    let mut harness = gst_check::Harness::with_element(&element, Some("sink"), Some("src"));
    harness.set_src_caps_str(GRAY_CAPS);
    for i in 0..40 {
        harness.push(gray_buffer(i)).unwrap();
    }
    let begun = std::time::Instant::now();
    assert!(harness.push_event(gst::event::Eos::new()));
    let waited = begun.elapsed();
    assert!(waited >= Duration::from_millis(1900), "two seconds of patience at the end: {waited:?}");
    gate.open();
    drop(harness);
    element.set_state(gst::State::Null).unwrap();
    let mut frames = 0;
    let mut merged = 0;
    while let Some(message) = bus.pop_filtered(&[gst::MessageType::Element]) {
        let window = json(message.structure().unwrap());
        frames += window["frames"].as_u64().unwrap();
        merged += usize::from(window["notes"].to_string().contains("\"merged\""));
    }
    assert_eq!(frames, 40, "no frame is lost");
    assert!(merged >= 1);
}

/// A handler that keeps the worker inside every window's message until told otherwise.
struct Gate(Arc<(Mutex<bool>, std::sync::Condvar)>);

impl Gate {
    fn close(bus: &gst::Bus) -> Self {
        let gate = Arc::new((Mutex::new(false), std::sync::Condvar::new()));
        bus.set_sync_handler({
            let gate = Arc::clone(&gate);
            move |_, message| {
                let mut open = gate.0.lock().unwrap();
                while !*open && message.type_() == gst::MessageType::Element {
                    open = gate.1.wait(open).unwrap();
                }
                gst::BusSyncReply::Pass
            }
        });
        Self(gate)
    }

    fn open(&self) {
        *self.0.0.lock().unwrap() = true;
        self.0.1.notify_all();
    }
}

#[test]
fn without_a_clock_the_stream_waits_and_nothing_is_merged() {
    let mut bench = Bench::new(GRAY_CAPS, &[("interval", "80000000")]);
    let gate = Gate::close(&bench.bus);
    let pushed = Arc::new(AtomicUsize::new(0));
    let opener = std::thread::spawn({
        let pushed = Arc::clone(&pushed);
        move || {
            // One window at work and two in the queue: the stream stands at the end of the fourth.
            eventually(|| pushed.load(Ordering::SeqCst) == 8);
            std::thread::sleep(Duration::from_millis(100));
            let stands = pushed.load(Ordering::SeqCst);
            gate.open();
            stands
        }
    });
    for i in 0..40 {
        bench.push(gray_buffer(i));
        pushed.fetch_add(1, Ordering::SeqCst);
    }
    bench.eos();
    assert_eq!(opener.join().unwrap(), 8);
    let windows = bench.windows();
    assert_eq!(windows.len(), 20);
    assert!(
        windows.iter().all(|window| window["frames"] == 2 && window["notes"].as_array().unwrap().is_empty())
    );
}

#[test]
fn a_flush_frees_a_stream_that_waits() {
    let mut bench = Bench::new(GRAY_CAPS, &[("interval", "80000000")]);
    let gate = Gate::close(&bench.bus);
    let sink = bench.element.static_pad("sink").unwrap();
    let pushed = Arc::new(AtomicUsize::new(0));
    let seeker = std::thread::spawn({
        let pushed = Arc::clone(&pushed);
        move || {
            eventually(|| pushed.load(Ordering::SeqCst) == 8);
            std::thread::sleep(Duration::from_millis(50));
            assert!(sink.send_event(gst::event::FlushStart::new()));
        }
    });
    while bench.harness.push(gray_buffer(pushed.load(Ordering::SeqCst) as u64)).is_ok() {
        pushed.fetch_add(1, Ordering::SeqCst);
    }
    seeker.join().unwrap();
    gate.open();
}
