//! Time stamps, seeks, and the clock.

use gst::prelude::*;
use gst_check::TestClock;

use super::{Bench, CAPS, bytes, codes};
use gstnoisemeter::frames::Layout;

fn ms(milliseconds: u64) -> gst::ClockTime {
    gst::ClockTime::from_mseconds(milliseconds)
}

/// Frame `n`'s number and bytes by playing from the start.
fn played(n: u64, properties: &[(&str, &str)]) -> Vec<u8> {
    let bench = Bench::playing(CAPS, properties);
    let buffer = bench.last_of(n + 1).buffer_owned().unwrap();
    assert_eq!(buffer.offset(), n);
    bytes(&buffer)
}

#[test]
fn frames_follow_each_other_without_a_gap() {
    for (frames, seconds) in [(25, 1), (24_000, 1001), (60_000, 1001), (7, 3)] {
        let caps = format!("video/x-raw,format=GRAY8,width=8,height=8,framerate={frames}/{seconds}");
        let bench = Bench::playing(&caps, &[]);
        let mut end = gst::ClockTime::ZERO;
        for n in 0..60 {
            let buffer = bench.pull();
            let start = n * seconds * 1_000_000_000 / frames;
            assert_eq!(buffer.pts().unwrap().nseconds(), start, "{frames}/{seconds} frame {n}");
            assert_eq!(buffer.pts().unwrap(), end);
            assert_eq!((buffer.dts(), buffer.offset(), buffer.offset_end()), (None, n, n + 1));
            assert_eq!(buffer.flags().contains(gst::BufferFlags::DISCONT), n == 0);
            end += buffer.duration().unwrap();
        }
    }
}

#[test]
fn a_seek_gives_the_frame_that_playing_gives() {
    let bench = Bench::playing(CAPS, &[]);
    bench.pull();
    for (target, n) in [(ms(1000), 25), (ms(200), 5), (ms(219), 5), (ms(0), 0)] {
        bench.pipeline.seek_simple(gst::SeekFlags::FLUSH | gst::SeekFlags::ACCURATE, target).unwrap();
        let sample = bench.sample();
        let buffer = sample.buffer_owned().unwrap();
        assert_eq!((buffer.offset(), buffer.pts()), (n, Some(ms(40 * n))));
        assert_eq!(sample.segment().unwrap().start().value(), target.nseconds() as i64);
        assert!(bytes(&buffer) == played(n, &[]), "frame {n}");
        assert_eq!(bench.pull().offset(), n + 1);
    }
}

#[test]
fn a_seek_with_temporal_noise_reduction_is_the_same_within_a_code() {
    let settings = [("noise-reduction", "temporal"), ("noise-reduction-strength", "1")];
    let bench = Bench::playing(CAPS, &settings);
    bench.pull();
    bench.pipeline.seek_simple(gst::SeekFlags::FLUSH, ms(800)).unwrap();
    let sought = bench.pull();
    assert_eq!(sought.offset(), 20);
    let straight = gst::Buffer::from_slice(played(20, &settings));
    let layout = Layout::from_caps(&bench.caps()).unwrap();
    let (a, b) = (codes(&layout, &sought).concat(), codes(&layout, &straight).concat());
    // The recorder promises single precision, so a code may fall on the other side of a half.
    assert!(a.iter().zip(&b).all(|(a, b)| a.abs_diff(*b) <= 1));
}

#[test]
fn a_segment_seek_ends_with_segment_done() {
    let bench = Bench::playing(CAPS, &[]);
    bench.pull();
    let flags = gst::SeekFlags::FLUSH | gst::SeekFlags::SEGMENT;
    bench.pipeline.seek(1.0, flags, gst::SeekType::Set, ms(400), gst::SeekType::Set, ms(600)).unwrap();
    let offsets: Vec<u64> = (0..5).map(|_| bench.pull().offset()).collect();
    assert_eq!(offsets, [10, 11, 12, 13, 14]);
    let done = bench.bus.timed_pop_filtered(super::PATIENCE, &[gst::MessageType::SegmentDone]).unwrap();
    let gst::MessageView::SegmentDone(done) = done.view() else { panic!("{done:?}") };
    assert_eq!(done.get().value(), 600_000_000);
}

#[test]
fn double_speed_forwards_gives_every_frame() {
    let bench = Bench::playing(CAPS, &[]);
    bench.pull();
    let flags = gst::SeekFlags::FLUSH;
    bench
        .pipeline
        .seek(2.0, flags, gst::SeekType::Set, ms(400), gst::SeekType::None, gst::ClockTime::NONE)
        .unwrap();
    let sample = bench.sample();
    let segment = sample.segment().unwrap().downcast_ref::<gst::ClockTime>().unwrap().clone();
    assert_eq!(segment.rate(), 2.0);
    let next = bench.pull();
    assert_eq!((sample.buffer().unwrap().offset(), next.offset()), (10, 11));
    assert_eq!(segment.to_running_time(next.pts()), Some(ms(20)));
}

#[test]
fn playing_backwards_is_refused_and_playing_goes_on() {
    let bench = Bench::playing(CAPS, &[]);
    let before = bench.pull().offset();
    let flags = gst::SeekFlags::FLUSH;
    let back = bench.pipeline.seek(-1.0, flags, gst::SeekType::Set, ms(0), gst::SeekType::Set, ms(400));
    assert!(back.is_err());
    assert_eq!(bench.pull().offset(), before + 1);
    let said = bench.said();
    assert_eq!(said.errors, [""; 0]);
    assert_eq!(said.warnings, ["a seek with rate -1 is refused: the camera records forwards alone"]);
    // Straight at the element, past its pad.
    let seek = gst::event::Seek::new(-2.0, flags, gst::SeekType::Set, ms(0), gst::SeekType::Set, ms(400));
    assert!(!bench.camera.send_event(seek));
    let said = bench.said();
    assert_eq!(said.warnings, ["a seek with rate -2 is refused: the camera records forwards alone"]);
    assert!(bench.sink.try_pull_sample(super::PATIENCE).is_some());
}

#[test]
fn a_counted_recording_knows_its_length() {
    let bench = Bench::playing(CAPS, &[("num-buffers", "30")]);
    bench.pull();
    assert_eq!(bench.camera.query_duration::<gst::ClockTime>(), Some(ms(1200)));
    assert_eq!(bench.camera.query_duration::<gst::format::Default>().map(|frames| *frames), Some(30));
    let endless = Bench::playing(CAPS, &[]);
    endless.pull();
    assert_eq!(endless.camera.query_duration::<gst::ClockTime>(), None);
    let mut seeking = gst::query::Seeking::new(gst::Format::Time);
    assert!(endless.camera.query(&mut seeking) && seeking.result().0);
}

#[test]
fn another_frame_rate_goes_on_where_time_was() {
    let bench = Bench::playing("video/x-raw,format=GRAY8,width=8,height=8,framerate=25/1", &[]);
    let mut end = bench.pull();
    let other: gst::Caps = "video/x-raw,format=GRAY8,width=8,height=8,framerate=30/1".parse().unwrap();
    bench.sink.set_caps(Some(&other));
    bench.camera.static_pad("src").unwrap().mark_reconfigure();
    // The few frames at the old rate that were on their way.
    let first = loop {
        let sample = bench.sample();
        let rate: gst::Fraction = sample.caps().unwrap().structure(0).unwrap().get("framerate").unwrap();
        if rate.numer() == 30 {
            break sample.buffer_owned().unwrap();
        }
        end = sample.buffer_owned().unwrap();
    };
    let (pts, end) = (first.pts().unwrap(), end.pts().unwrap() + ms(40));
    let frame = gst::ClockTime::from_nseconds(33_333_334);
    assert!(pts >= end && pts < end + frame, "{pts} after {end}");
    assert_eq!(pts.nseconds(), first.offset() * 1_000_000_000 / 30);
}

/// A live camera by a clock that stands still until it is set.
fn live() -> (Bench, TestClock) {
    let bench = Bench::new(CAPS, &[("is-live", "true")]);
    let clock = TestClock::new();
    bench.pipeline.use_clock(Some(&clock));
    assert_eq!(bench.pipeline.set_state(gst::State::Playing), Ok(gst::StateChangeSuccess::Async));
    (bench, clock)
}

/// Sets the clock once somebody waits for it, and lets the one who waits for the earliest time go.
fn release(clock: &TestClock, milliseconds: u64) {
    clock.wait_for_next_pending_id();
    clock.set_time(ms(milliseconds));
    assert!(clock.process_next_clock_id().is_some());
}

#[test]
fn a_live_camera_gives_each_frame_at_its_time() {
    let (bench, clock) = live();
    for n in 0..5 {
        assert_eq!(clock.wait_for_next_pending_id().time(), ms(40 * n));
        release(&clock, 40 * n);
        let buffer = bench.pull();
        assert_eq!((buffer.offset(), buffer.pts()), (n, Some(ms(40 * n))));
    }
    assert_eq!(bench.said().warnings, [""; 0]);
    let mut latency = gst::query::Latency::new();
    assert!(bench.camera.query(&mut latency));
    assert_eq!(latency.result(), (true, ms(40), Some(ms(80))));
    let mut seeking = gst::query::Seeking::new(gst::Format::Time);
    assert!(bench.camera.query(&mut seeking) && !seeking.result().0, "the past cannot be recorded again");
}

#[test]
fn after_a_change_there_is_time_to_make_the_first_live_frame() {
    let (bench, clock) = live();
    release(&clock, 0);
    assert_eq!(bench.pull().offset(), 0);
    // Frame 1 is made and waits; the change is applied to the one after it, in the middle of frame 2.
    clock.wait_for_next_pending_id();
    bench.camera.set_property("iso-speed", 6400.0);
    release(&clock, 95);
    assert_eq!(bench.pull().offset(), 1);
    assert_eq!(clock.wait_for_next_pending_id().time(), ms(160));
    release(&clock, 160);
    let changed = bench.pull();
    assert_eq!(changed.offset(), 4);
    assert!(changed.flags().contains(gst::BufferFlags::DISCONT));
    assert_eq!(bench.said().warnings, [""; 0], "settings take their time, and nobody is late");
}

#[test]
fn a_late_live_camera_skips_to_the_clock_and_says_so_once() {
    let (bench, clock) = live();
    release(&clock, 0);
    assert_eq!(bench.pull().offset(), 0);
    // Frame 1 was ready and waiting; frames 2 to 24 have passed.
    let frames: Vec<_> = (0..2)
        .map(|_| {
            release(&clock, 1000);
            bench.pull()
        })
        .collect();
    assert_eq!([frames[0].offset(), frames[1].offset()], [1, 25]);
    assert_eq!(frames[1].pts(), Some(ms(1000)));
    assert!(!frames[0].flags().contains(gst::BufferFlags::DISCONT));
    assert!(frames[1].flags().contains(gst::BufferFlags::DISCONT));
    for n in [26, 50] {
        release(&clock, 2019);
        assert_eq!(bench.pull().offset(), n);
    }
    release(&clock, 2040);
    let on_time = bench.pull();
    assert_eq!(on_time.offset(), 51);
    assert!(!on_time.flags().contains(gst::BufferFlags::DISCONT));
    let warnings = bench.said().warnings;
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert!(warnings[0].contains("23 skipped before frame 25"), "{warnings:?}");
    // A skipped frame number is the frame of that number.
    assert!(bytes(&frames[1]) == played(25, &[]));
}

#[test]
fn is_live_is_refused_once_the_camera_runs() {
    let bench = Bench::playing(CAPS, &[]);
    bench.pull();
    bench.camera.set_property("is-live", true);
    assert!(!bench.camera.property::<bool>("is-live"));
    assert_eq!(
        bench.said().warnings,
        ["is-live can be set in state NULL or READY alone; it keeps its old value"]
    );
    bench.pipeline.set_state(gst::State::Null).unwrap();
    bench.camera.set_property("is-live", true);
    assert!(bench.camera.property::<bool>("is-live"));
}
