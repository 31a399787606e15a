//! What the element leaves alone, and buffers that cannot be read.

use super::SHORT;
use super::common::{Bench, GRAY_CAPS, buffer, gray_buffer};
use gst::prelude::*;
use gst_base::prelude::*;
use gst_video::{VideoCropMeta, VideoFormat, VideoFrameFlags, VideoMeta};

#[test]
fn nothing_about_a_buffer_changes() {
    for attach in ["false", "true"] {
        let mut bench = Bench::new(GRAY_CAPS, &[("attach-meta", attach), ("attach-roi", attach)]);
        let flags = [
            gst::BufferFlags::empty(),
            gst::BufferFlags::DELTA_UNIT,
            gst::BufferFlags::DISCONT | gst::BufferFlags::MARKER,
            gst::BufferFlags::GAP,
            gst::BufferFlags::CORRUPTED,
        ];
        for (i, flags) in (0..).zip(flags) {
            let mut buffer = gray_buffer(i);
            let edit = buffer.make_mut();
            edit.set_flags(flags);
            edit.set_dts(gst::ClockTime::from_mseconds(39 * i));
            edit.set_offset(7 + i);
            edit.set_offset_end(8 + i);
            let memory = buffer.peek_memory(0).as_ptr();
            let before = buffer.copy();
            let out = bench.push(buffer);
            assert_eq!(out.n_memory(), 1);
            assert!(std::ptr::eq(out.peek_memory(0).as_ptr(), memory), "same memory in and out");
            assert_eq!(
                (out.pts(), out.dts(), out.duration()),
                (before.pts(), before.dts(), before.duration())
            );
            assert_eq!((out.offset(), out.offset_end()), (before.offset(), before.offset_end()));
            assert_eq!(out.flags(), before.flags());
            assert_eq!(out.map_readable().unwrap().as_slice(), before.map_readable().unwrap().as_slice());
        }
        assert_eq!(
            bench.element.downcast_ref::<gst_base::BaseTransform>().unwrap().is_passthrough(),
            attach == "false"
        );
    }
}

#[test]
fn late_frames_are_not_dropped() {
    let mut bench = Bench::new(GRAY_CAPS, &[("attach-meta", "true")]);
    for i in 0..10 {
        bench.push(gray_buffer(i));
        let late = gst::event::Qos::builder(
            gst::QOSType::Underflow,
            5.0,
            10 * gst::ClockTime::SECOND.nseconds() as i64,
        )
        .timestamp(gst::ClockTime::from_mseconds(40 * i))
        .build();
        bench.harness.push_upstream_event(late);
    }
    bench.eos();
    assert_eq!(bench.windows()[0]["frames"], 10);
}

#[test]
fn hostile_metas_cost_their_frame_alone() {
    type Hostile = fn(&mut gst::BufferRef);
    fn meta(
        buffer: &mut gst::BufferRef,
        format: VideoFormat,
        size: (u32, u32),
        offset: &[usize],
        stride: &[i32],
    ) {
        VideoMeta::add_full(buffer, VideoFrameFlags::empty(), format, size.0, size.1, offset, stride)
            .unwrap();
    }
    let cases: [(&str, Hostile); 9] = [
        ("negative stride", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[-32])),
        ("zero stride", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[0])),
        ("huge stride", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[i32::MAX])),
        ("stride under a row", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[31])),
        ("offset past the end", |b| meta(b, VideoFormat::Gray8, (32, 24), &[1 << 40], &[32])),
        ("offset at the top", |b| meta(b, VideoFormat::Gray8, (32, 24), &[usize::MAX - 5], &[32])),
        ("another format", |b| meta(b, VideoFormat::I420, (32, 24), &[0, 0, 0], &[32, 16, 16])),
        ("smaller than the caps", |b| meta(b, VideoFormat::Gray8, (16, 24), &[0], &[32])),
        ("crop past the frame", |b| {
            VideoCropMeta::add(b, (20, 20, 30, u32::MAX));
        }),
    ];
    for (name, hostile) in cases {
        let mut bench = Bench::new(GRAY_CAPS, SHORT);
        bench.push(gray_buffer(0));
        for i in 1..4 {
            let mut buffer = gray_buffer(i);
            hostile(buffer.make_mut());
            bench.push(buffer);
        }
        bench.push(gray_buffer(4));
        bench.eos();
        let (windows, warnings) = bench.split();
        assert_eq!(warnings.len(), 1, "{name}: {warnings:?}");
        assert!(warnings[0].starts_with("a frame was not measured: "), "{name}: {warnings:?}");
        assert_eq!(windows.len(), 1, "{name}");
        assert_eq!(
            (windows[0]["frames"].as_u64(), windows[0]["holes"].as_u64()),
            (Some(2), Some(1)),
            "{name}"
        );
        assert!(windows[0]["notes"].to_string().contains("3 frames could not be read"), "{name}");
    }
    // A meta of a large frame on a small buffer, as 1.22 lets it pass.
    let mut bench = Bench::new("video/x-raw,format=GRAY8,width=640,height=480,framerate=25/1", SHORT);
    let mut small = buffer(vec![1; 4096], 0);
    meta(small.make_mut(), VideoFormat::Gray8, (640, 480), &[0], &[640]);
    bench.push(small);
    bench.eos();
    let (windows, warnings) = bench.split();
    assert!(windows.is_empty());
    assert!(warnings[0].contains("buffer of 4096 bytes"), "{warnings:?}");
}

#[test]
fn short_and_empty_buffers_are_not_measured() {
    for size in [0usize, 1, 767] {
        let mut bench = Bench::new(GRAY_CAPS, SHORT);
        bench.push(buffer(vec![0; size], 0));
        bench.push(gray_buffer(1));
        bench.eos();
        let (windows, warnings) = bench.split();
        assert_eq!(warnings.len(), 1);
        assert_eq!(windows[0]["frames"], 1);
    }
}

#[test]
fn a_crop_of_another_size_is_another_picture() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    for i in 0..5 {
        let mut buffer = gray_buffer(i);
        if i >= 3 {
            VideoCropMeta::add(buffer.make_mut(), (4, 2, 20, 10));
        }
        bench.push(buffer);
    }
    bench.eos();
    let windows = bench.windows();
    let frames: Vec<_> = windows.iter().map(|window| window["frames"].clone()).collect();
    assert_eq!(frames, [3, 2]);
    assert_eq!(
        (windows[1]["video"]["width"].as_u64(), windows[1]["video"]["height"].as_u64()),
        (Some(20), Some(10))
    );
}
