//! Windows of streams that begin, break, turn, stop and change, by the contract's rules.
#![allow(clippy::unwrap_used, missing_docs, clippy::allow_attributes, reason = "tests fail by panics")]

mod common;

use common::{Bench, GRAY_CAPS, buffer, gray, gray_buffer};
use gst::prelude::*;
use gst_video::prelude::*;
use serde_json::Value;

const SECOND: u64 = 1_000_000_000;

/// Properties of a meter with windows of 200 ms, five frames.
const SHORT: &[(&str, &str)] = &[("interval", "200000000")];

fn field(windows: &[Value], name: &str) -> Vec<Value> {
    windows.iter().map(|window| window[name].clone()).collect()
}

fn numbers(windows: &[Value], name: &str) -> Vec<u64> {
    windows.iter().map(|window| window[name].as_u64().unwrap()).collect()
}

fn has_note(window: &Value, code: &str) -> bool {
    window["notes"].as_array().unwrap().iter().any(|note| note["code"] == code)
}

#[test]
fn end_of_stream_closes_the_open_window() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..12).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 5, 2]);
    assert_eq!(numbers(&windows, "stream_time"), [0, 200_000_000, 400_000_000]);
    assert_eq!(numbers(&windows, "duration"), [200_000_000, 200_000_000, 80_000_000]);
    assert_eq!(field(&windows, "partial"), [false, false, true]);
    assert_eq!(numbers(&windows, "holes"), [0, 0, 0]);
    assert!(windows.iter().all(|window| window["notes"].as_array().unwrap().is_empty()), "{windows:?}");
}

#[test]
fn an_empty_stream_has_no_window() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    bench.eos();
    assert!(bench.windows().is_empty());
}

#[test]
fn new_caps_close_the_window_and_begin_a_new_grid() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..7).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.harness.set_src_caps_str("video/x-raw,format=GRAY8,width=16,height=8,framerate=25/1");
    (7..12).for_each(|i| drop(bench.push(buffer(gray(16, 8, i), i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 2, 5]);
    assert_eq!(field(&windows, "partial"), [false, true, false]);
    assert_eq!(numbers(&windows, "stream_time")[2], 280_000_000);
    assert_eq!(windows[2]["video"]["width"], 16);
}

#[test]
fn equal_caps_again_change_nothing() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..3).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.harness.set_src_caps_str(GRAY_CAPS);
    (3..5).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    assert_eq!(numbers(&bench.windows(), "frames"), [5]);
}

fn time_segment(rate: f64, start: u64, stop: u64, time: u64) -> gst::Event {
    let mut segment = gst::FormattedSegment::<gst::ClockTime>::new();
    segment.set_rate(rate);
    segment.set_start(gst::ClockTime::from_mseconds(start));
    segment.set_stop(gst::ClockTime::from_mseconds(stop));
    segment.set_time(gst::ClockTime::from_mseconds(time));
    gst::event::Segment::new(&segment)
}

#[test]
fn a_flush_discards_the_open_window() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..8).for_each(|i| drop(bench.push(gray_buffer(i))));
    assert!(bench.harness.push_event(gst::event::FlushStart::new()));
    assert!(bench.harness.push_event(gst::event::FlushStop::new(true)));
    assert!(bench.harness.push_event(time_segment(1.0, 1000, 9000, 1000)));
    for i in 25..31 {
        let mut buffer = gray_buffer(i);
        if i == 25 {
            buffer.make_mut().set_flags(gst::BufferFlags::DISCONT);
        }
        bench.push(buffer);
    }
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 5, 1]);
    assert_eq!(numbers(&windows, "stream_time"), [0, SECOND, 1200 * 1_000_000]);
    assert_eq!(numbers(&windows, "running_time")[1], 0);
    // A mark on the first buffer after a seek is not a hole.
    assert_eq!(numbers(&windows, "holes"), [0, 0, 0]);
}

#[test]
fn times_follow_the_segment() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    assert!(bench.harness.push_event(time_segment(1.0, 400, 9000, 3000)));
    (10..15).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "timestamp"), [400_000_000]);
    assert_eq!(numbers(&windows, "stream_time"), [3 * SECOND]);
    assert_eq!(numbers(&windows, "running_time"), [0]);
}

#[test]
fn another_segment_closes_and_an_equal_one_does_not() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    assert!(bench.harness.push_event(time_segment(1.0, 0, 9000, 0)));
    (0..2).for_each(|i| drop(bench.push(gray_buffer(i))));
    assert!(bench.harness.push_event(time_segment(1.0, 0, 8000, 0)));
    (2..4).for_each(|i| drop(bench.push(gray_buffer(i))));
    assert!(bench.harness.push_event(time_segment(1.0, 0, 8000, 5000)));
    (4..9).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [4, 5]);
    assert_eq!(field(&windows, "partial"), [true, false]);
}

#[test]
fn reverse_playback_goes_by_distance() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    assert!(bench.harness.push_event(time_segment(-1.0, 0, 2000, 0)));
    (0..12).for_each(|i| drop(bench.push(gray_buffer(40 - i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 5, 2]);
    assert_eq!(numbers(&windows, "stream_time"), [1_600_000_000, 1_400_000_000, 1_200_000_000]);
    assert_eq!(numbers(&windows, "duration")[..2], [200_000_000; 2]);
    assert_eq!(field(&windows, "rate"), [-1.0; 3]);
    assert_eq!(numbers(&windows, "holes"), [0, 0, 0]);
}

#[test]
fn a_discontinuity_on_every_buffer_breaks_every_pair() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    for i in 0..10 {
        let mut buffer = gray_buffer(i);
        buffer.make_mut().set_flags(gst::BufferFlags::DISCONT);
        bench.push(buffer);
    }
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 5]);
    assert_eq!(numbers(&windows, "holes"), [4, 5]);
    assert_eq!(field(&windows, "discont"), [true, true]);
    assert!(windows.iter().all(|window| has_note(window, "dropped")));
    let part = &windows[1]["regions"][0]["components"]["Y"];
    assert_eq!(part["temporal_pair"], Value::Null);
    assert!(part["temporal"].is_f64());
}

#[test]
fn gap_events_and_missing_frames_are_holes() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..2).for_each(|i| drop(bench.push(gray_buffer(i))));
    assert!(
        bench.harness.push_event(
            gst::event::Gap::builder(gst::ClockTime::from_mseconds(80))
                .duration(gst::ClockTime::from_mseconds(40))
                .build()
        )
    );
    bench.push(gray_buffer(3));
    // Frames 4 to 21 are missing: windows without a buffer are not posted.
    (22..25).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [3, 3]);
    assert_eq!(numbers(&windows, "holes"), [1, 1]);
    assert_eq!(numbers(&windows, "duration"), [160_000_000, 120_000_000]);
    assert_eq!(numbers(&windows, "stream_time"), [0, 880_000_000]);
    // The grid goes on: 880 ms lies in the cell that ends at 1000 ms.
    assert_eq!(field(&windows, "partial"), [false, false]);
}

#[test]
fn repeats_are_counted_and_measured_once() {
    let once = {
        let mut bench = Bench::new(GRAY_CAPS, &[]);
        (0..5).for_each(|i| drop(bench.push(buffer(gray(32, 24, i + 1), 2 * i))));
        bench.eos();
        bench.windows().remove(0)
    };
    for flag in [false, true] {
        let mut bench = Bench::new(GRAY_CAPS, &[]);
        for i in 0..10 {
            // Marked repeats may hold anything; unmarked ones are equal.
            let seed = if flag && i % 2 == 1 { 900 + i } else { i / 2 + 1 };
            let mut buffer = buffer(gray(32, 24, seed), i);
            if flag && i % 2 == 1 {
                buffer.make_mut().set_flags(gst::BufferFlags::GAP);
            }
            bench.push(buffer);
        }
        bench.eos();
        let window = bench.windows().remove(0);
        assert_eq!((window["frames"].as_u64(), window["repeated"].as_u64()), (Some(10), Some(5)));
        let values = |window: &Value| window["regions"][0]["components"]["Y"].clone();
        let (a, b) = (values(&once), values(&window));
        for name in ["mean", "temporal", "min_codes", "max_codes", "fixed", "corr_x"] {
            assert_eq!(a[name], b[name], "{name}");
        }
    }
}

#[test]
fn a_frozen_picture_says_so() {
    let mut bench = Bench::new(GRAY_CAPS, &[]);
    (0..5).for_each(|i| drop(bench.push(buffer(gray(32, 24, 7), i))));
    bench.eos();
    let window = bench.windows().remove(0);
    assert_eq!(window["repeated"], 4);
    assert_eq!(window["regions"][0]["components"]["Y"]["temporal"], Value::Null);
    assert!(window.to_string().contains("frozen"));
}

#[test]
fn buffers_without_time_are_counted() {
    for (rate, frames) in [("50/1", [10, 2]), ("0/1", [5, 5])] {
        let caps = format!("video/x-raw,format=GRAY8,width=32,height=24,framerate={rate}");
        let mut bench = Bench::new(&caps, SHORT);
        for i in 0..frames.iter().sum() {
            bench.push(gst::Buffer::from_mut_slice(gray(32, 24, i + 1)));
        }
        bench.eos();
        let windows = bench.windows();
        assert_eq!(numbers(&windows, "frames"), frames, "{rate}");
        assert_eq!(field(&windows, "stream_time"), [Value::Null, Value::Null]);
        assert_eq!(field(&windows, "timestamp"), [Value::Null, Value::Null]);
        assert!(windows.iter().all(|window| has_note(window, "no_timestamps")));
        assert_eq!(numbers(&windows, "holes"), [0, 0]);
    }
}

#[test]
fn a_segment_of_bytes_has_no_stream_time() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    let segment = gst::FormattedSegment::<gst::format::Bytes>::new();
    assert!(bench.harness.push_event(gst::event::Segment::new(&segment)));
    (0..6).for_each(|i| drop(bench.push(gst::Buffer::from_mut_slice(gray(32, 24, i)))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 1]);
    assert_eq!(field(&windows, "stream_time"), [Value::Null, Value::Null]);
}

#[test]
fn variable_rate_has_no_holes() {
    let mut bench = Bench::new("video/x-raw,format=GRAY8,width=32,height=24,framerate=0/1", SHORT);
    for (i, ms) in [0u64, 13, 90, 100, 199, 230, 260].into_iter().enumerate() {
        let mut buffer = gst::Buffer::from_mut_slice(gray(32, 24, i as u64 + 1));
        buffer.make_mut().set_pts(gst::ClockTime::from_mseconds(ms));
        bench.push(buffer);
    }
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 2]);
    assert_eq!(numbers(&windows, "holes"), [0, 0]);
    // Until the first buffer of the next one.
    assert_eq!(numbers(&windows, "duration")[0], 230_000_000);
    // Steps 13, 77, 10, 99, 31, 30: their upper median is the last buffer's length.
    assert_eq!(numbers(&windows, "duration")[1], 30_000_000 + 31_000_000);
    assert!(windows[0]["video"]["assumed"].as_array().unwrap().contains(&"framerate".into()));
}

#[test]
fn segment_done_and_stream_start_close() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..3).for_each(|i| drop(bench.push(gray_buffer(i))));
    assert!(bench.harness.push_event(gst::event::SegmentDone::new(gst::ClockTime::from_mseconds(120))));
    assert_eq!(numbers(&bench.windows(), "frames"), [3]);
    assert!(bench.harness.push_event(time_segment(1.0, 0, 9000, 0)));
    (0..4).for_each(|i| drop(bench.push(gray_buffer(i))));
    assert!(bench.harness.push_event(gst::event::StreamStart::new("another")));
    bench.harness.set_src_caps_str(GRAY_CAPS);
    assert!(bench.harness.push_event(time_segment(1.0, 0, 9000, 0)));
    (0..5).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    assert_eq!(numbers(&bench.windows(), "frames"), [4, 5]);
}

#[test]
fn reset_begins_a_window_now() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..3).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.element.emit_by_name::<()>("reset", &[]);
    (3..8).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [3, 5]);
    assert_eq!(field(&windows, "partial"), [true, false]);
    assert_eq!(numbers(&windows, "duration"), [120_000_000, 200_000_000]);
}

#[test]
fn settings_change_at_the_next_window() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    (0..2).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.element.set_property("interval", 80_000_000u64);
    bench.element.set_property("regions", "left=0,0,10,10");
    bench.element.set_property_from_str("range", "narrow");
    (2..9).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5, 2, 2]);
    let names: Vec<_> = windows.iter().map(|window| window["regions"][0]["name"].clone()).collect();
    assert_eq!(names, ["centre", "left", "left"]);
    assert_eq!(windows[0]["video"]["range"], "full");
    assert_eq!(windows[1]["video"]["range"], "narrow");
}

#[test]
fn the_longest_interval_is_one_window_and_the_shortest_works() {
    for (interval, expected) in [("18446744073709551615", vec![30]), ("10000000", vec![1; 30])] {
        let mut bench = Bench::new(GRAY_CAPS, &[("interval", interval)]);
        (0..30).for_each(|i| drop(bench.push(gray_buffer(i))));
        bench.eos();
        let windows = bench.windows();
        assert_eq!(numbers(&windows, "frames"), expected);
        assert!(windows.iter().all(|window| window["partial"] == false));
    }
}

#[test]
fn damaged_buffers_are_noted() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    for i in 0..5 {
        let mut buffer = gray_buffer(i);
        if i == 2 {
            buffer.make_mut().set_flags(gst::BufferFlags::CORRUPTED);
        }
        bench.push(buffer);
    }
    bench.eos();
    assert!(has_note(&bench.windows()[0], "corrupted"));
}

#[test]
fn interleaved_frames_are_two_stacks() {
    // Lines of one field are noise about 50, of the other about 200: within a field nothing but the noise stands.
    let caps = "video/x-raw,format=GRAY8,width=64,height=48,framerate=25/1,interlace-mode=interleaved";
    let frame = |i: u64| {
        let noise = gray(64, 48, i + 1);
        (0..64 * 48)
            .map(|at| (if (at / 64) % 2 == 0 { 50 } else { 200 }) + noise[at] % 8)
            .collect::<Vec<u8>>()
    };
    let mut bench = Bench::new(caps, &[("regions", "all=0,0,64,48")]);
    (0..10).for_each(|i| drop(bench.push(buffer(frame(i), i))));
    bench.eos();
    let window = bench.windows().remove(0);
    assert_eq!(window["frames"], 10);
    assert_eq!(window["video"]["interlace"], "interleaved");
    let part = &window["regions"][0]["components"]["Y"];
    assert_eq!((part["min_codes"].as_u64(), part["max_codes"].as_u64()), (Some(50), Some(207)));
    // Uniform over 8 codes: sd √(63/12); 64·48·10 samples leave a standard error under 1 %, four of them 4 %.
    let temporal = part["temporal_codes"].as_f64().unwrap();
    let expected = (63.0f64 / 12.0).sqrt();
    assert!((temporal / expected - 1.0).abs() < 0.04, "{temporal} {expected}");
    // The 150 codes between the fields are not standing noise of either.
    assert!(part["fixed"].as_f64().unwrap_or(0.0) < 1.0, "{part}");
}

#[test]
fn alternate_fields_are_two_stacks() {
    let caps = "video/x-raw(format:Interlaced),format=GRAY8,width=64,height=49,framerate=25/1,interlace-mode=alternate";
    let mut bench = Bench::new(caps, &[("regions", "all=0,0,64,49")]);
    let mut sum = 0u64;
    let mut count = 0u64;
    for i in 0..20u64 {
        // 25 lines are stored for either field, of which the lower one has 24.
        let lower = i % 2 == 1;
        let data = gray(64, 25, i + 1);
        let lines = if lower { 24 } else { 25 };
        sum += data[..64 * lines].iter().map(|&code| u64::from(code)).sum::<u64>();
        count += 64 * lines as u64;
        let mut buffer = gst::Buffer::from_mut_slice(data);
        let edit = buffer.make_mut();
        edit.set_pts(gst::ClockTime::from_mseconds(20 * i));
        edit.set_duration(gst::ClockTime::from_mseconds(20));
        let flags = if lower {
            gst_video::VideoBufferFlags::BOTTOM_FIELD
        } else {
            gst_video::VideoBufferFlags::TOP_FIELD
        };
        edit.set_video_flags(flags);
        bench.push(buffer);
    }
    bench.eos();
    let (windows, warnings) = bench.split();
    assert_eq!((windows.len(), warnings.len()), (1, 0), "{warnings:?}");
    assert_eq!(windows[0]["frames"], 10);
    assert_eq!(windows[0]["holes"], 0);
    let mean = windows[0]["regions"][0]["components"]["Y"]["mean_codes"].as_f64().unwrap();
    let expected = sum as f64 / count as f64;
    assert!((mean - expected).abs() < 1e-12 * expected, "{mean} {expected}");
}

#[test]
fn mixed_streams_keep_one_scan() {
    let caps = "video/x-raw,format=I420,width=32,height=24,framerate=25/1,interlace-mode=mixed";
    let mut bench = Bench::new(caps, SHORT);
    for i in 0..5 {
        let mut buffer = buffer(common::Random(i + 1).bytes(32 * 24 * 3 / 2), i);
        if i % 2 == 0 {
            buffer.make_mut().set_video_flags(gst_video::VideoBufferFlags::INTERLACED);
        }
        bench.push(buffer);
    }
    bench.eos();
    let windows = bench.windows();
    assert_eq!(numbers(&windows, "frames"), [5]);
    assert_eq!(windows[0]["video"]["interlace"], "mixed");
}

#[test]
fn fixed_point_is_a_range_of_its_own() {
    let caps =
        "video/x-raw,format=GRAY16_LE,width=8,height=8,framerate=25/1,noisemeter-fixed-point=(boolean)true";
    let mut bench = Bench::new(caps, &[("regions", "all=0,0,8,8")]);
    // round(65535·x/8) for x = 1 is 8192.
    let frame = |code: u16| code.to_le_bytes().repeat(64);
    bench.push(buffer(frame(8192), 0));
    bench.eos();
    let window = bench.windows().remove(0);
    assert_eq!(
        (window["video"]["range"].as_str(), window["video"]["transfer"].as_str()),
        (Some("fixed"), Some("linear"))
    );
    let mean = window["regions"][0]["components"]["Y"]["mean"].as_f64().unwrap();
    assert!((mean - 100.0 * 8192.0 / (65535.0 / 8.0)).abs() < 1e-9, "{mean}");
}
