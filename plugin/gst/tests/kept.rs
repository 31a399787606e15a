//! The frame before, lent to the meter while there is a grid.
#![allow(clippy::unwrap_used, missing_docs, clippy::allow_attributes, reason = "tests fail by panics")]

mod common;

use common::{Bench, GRAY_CAPS, Random, formats, gray, gray_buffer, init};
use gst::prelude::*;
use gst_video::{VideoInfo, VideoInterlaceMode};
use gstnoisemeter::frames::{Kept, Layout, Scratch};
use noise_measure::view::ComponentView;

const GRID: &[(&str, &str)] = &[("grid", "4x3"), ("interval", "200000000")];

type Samples = Vec<Vec<Vec<u16>>>;

fn samples(views: &[ComponentView<'_>]) -> Samples {
    let row = |view: &ComponentView<'_>, y| {
        let mut row = vec![0; view.width()];
        view.read_row(y, 0, &mut row);
        row
    };
    views.iter().map(|view| (0..view.height()).map(|y| row(view, y)).collect()).collect()
}

/// Reads `buffer` as the element does, and keeps it; its samples.
fn take(layout: &Layout, buffer: &gst::BufferRef, kept: &mut Kept, scratch: &mut Scratch) -> Samples {
    let picture = layout.locate(buffer).unwrap();
    let read = layout.with_views(&picture, 0, buffer, scratch, samples).unwrap();
    kept.keep(layout, &picture, 0, buffer, scratch);
    read
}

#[test]
fn what_is_lent_is_the_frame_before_in_every_format() {
    for (name, format) in formats() {
        for mode in [VideoInterlaceMode::Progressive, VideoInterlaceMode::Interleaved] {
            let info = VideoInfo::builder(format, 37, 28).interlace_mode(mode).build().unwrap();
            let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
            let (mut kept, mut scratch) = (Kept::default(), Scratch::default());
            assert!(kept.lend(&layout, |lent| lent.is_empty()), "{name}: nothing was measured yet");
            let mut random = Random(29);
            let mut before: Option<Samples> = None;
            for _ in 0..4 {
                let buffer = gst::Buffer::from_slice(random.bytes(info.size()));
                let picture = layout.locate(&buffer).unwrap();
                // The meter sees both at once.
                layout
                    .with_views(&picture, 0, &buffer, &mut scratch, |_| {
                        let lent = kept.lend(&layout, samples);
                        assert_eq!(lent, before.take().unwrap_or_default(), "{name} {mode:?}");
                    })
                    .unwrap();
                before = Some(take(&layout, &buffer, &mut kept, &mut scratch));
            }
            kept.clear();
            assert!(kept.lend(&layout, |lent| lent.is_empty()), "{name}");
        }
    }
}

#[test]
fn rows_over_the_border_of_two_memories_are_lent_as_well() {
    init();
    let layout = Layout::from_caps(&GRAY_CAPS.parse::<gst::Caps>().unwrap()).unwrap();
    let (mut kept, mut scratch) = (Kept::default(), Scratch::default());
    let mut buffer = gst::Buffer::new();
    let data = gray(32, 24, 1);
    for part in [&data[..100], &data[100..]] {
        buffer.make_mut().append_memory(gst::Memory::from_slice(part.to_vec()));
    }
    let read = take(&layout, &buffer, &mut kept, &mut scratch);
    assert_eq!(kept.lend(&layout, samples), read);
}

#[test]
fn a_grid_holds_the_newest_buffer_alone_and_gives_it_back() {
    for attach in ["false", "true"] {
        let mut without = Bench::new(GRAY_CAPS, &[("attach-meta", attach)]);
        assert!(without.push(gray_buffer(0)).is_writable(), "without a grid nothing is held");

        let properties = [GRID, &[("attach-meta", attach)]].concat();
        let mut bench = Bench::new(GRAY_CAPS, &properties);
        let first = bench.push(gray_buffer(0));
        assert!(!first.is_writable(), "held");
        assert_eq!(first.iter_meta::<gst::Meta>().count() > 0, attach == "true");
        let second = bench.push(gray_buffer(1));
        assert!(first.is_writable() && !second.is_writable(), "the one before is given back");

        let mut gap = gray_buffer(2);
        gap.make_mut().set_flags(gst::BufferFlags::GAP);
        let gap = bench.push(gap);
        assert!(gap.is_writable() && !second.is_writable(), "a gap is not what was measured last");

        let mut short = gst::Buffer::with_size(5).unwrap();
        short.make_mut().set_pts(gst::ClockTime::from_mseconds(120));
        let short = bench.push(short);
        assert!(short.is_writable() && !second.is_writable(), "nor is what could not be read");

        bench.element.set_property_from_str("grid", "");
        let third = bench.push(gray_buffer(9));
        assert!(third.is_writable() && second.is_writable(), "no grid from this window on");
    }
}

#[test]
fn a_flush_the_end_new_caps_a_new_segment_and_a_stop_give_the_buffer_back() {
    type End = fn(&mut Bench);
    let ends: [(&str, End); 5] = [
        ("flush", |bench| {
            bench.harness.push_event(gst::event::FlushStart::new());
            bench.harness.push_event(gst::event::FlushStop::new(true));
        }),
        ("end", Bench::eos),
        ("caps", |bench| {
            bench.harness.set_src_caps_str("video/x-raw,format=GRAY8,width=32,height=20,framerate=25/1");
        }),
        ("segment", |bench| {
            let mut segment = gst::FormattedSegment::<gst::ClockTime>::new();
            segment.set_start(gst::ClockTime::SECOND);
            bench.harness.push_event(gst::event::Segment::new(&segment));
        }),
        ("stop", |bench| {
            bench.element.set_state(gst::State::Null).unwrap();
        }),
    ];
    for (name, end) in ends {
        let mut bench = Bench::new(GRAY_CAPS, GRID);
        let buffer = bench.push(gray_buffer(0));
        assert!(!buffer.is_writable());
        end(&mut bench);
        assert!(buffer.is_writable(), "{name}");
    }
}

#[test]
fn each_field_has_a_frame_before_of_its_own() {
    let caps = "video/x-raw(format:Interlaced),format=GRAY8,width=32,height=24,framerate=25/1,\
                interlace-mode=alternate";
    let mut bench = Bench::new(caps, GRID);
    let mut push = |index: u64| {
        let mut buffer = common::buffer(gray(32, 12, index + 1), index);
        let edit = buffer.make_mut();
        edit.set_pts(gst::ClockTime::from_mseconds(20 * index));
        let flags = if index.is_multiple_of(2) {
            gst_video::VideoBufferFlags::TOP_FIELD
        } else {
            gst_video::VideoBufferFlags::BOTTOM_FIELD
        };
        gst_video::video_frame::VideoBufferExt::set_video_flags(edit, flags);
        bench.push(buffer)
    };
    let fields: Vec<_> = (0..4).map(&mut push).collect();
    assert_eq!(
        fields.iter().map(|field| field.is_writable()).collect::<Vec<_>>(),
        [true, true, false, false]
    );
}

#[test]
fn a_pool_of_one_buffer_never_waits_for_the_meter() {
    for attach in ["false", "true"] {
        let mut bench = Bench::new(GRAY_CAPS, &[GRID, &[("attach-meta", attach)]].concat());
        let pool = gst::BufferPool::new();
        let mut config = pool.config();
        config.set_params(Some(&GRAY_CAPS.parse().unwrap()), 768, 1, 1);
        pool.set_config(config).unwrap();
        pool.set_active(true).unwrap();
        let at_once = gst::BufferPoolAcquireParams::with_flags(gst::BufferPoolAcquireFlags::DONTWAIT);
        let mut places = std::collections::BTreeSet::new();
        for index in 0..12 {
            let mut buffer = pool.acquire_buffer(Some(&at_once)).expect("the pool's buffer is back");
            let edit = buffer.get_mut().unwrap();
            edit.set_pts(gst::ClockTime::from_mseconds(40 * index));
            edit.map_writable().unwrap().copy_from_slice(&gray(32, 24, index));
            if index > 0 {
                places.insert(buffer.peek_memory(0).as_ptr() as usize);
            }
            bench.push(buffer);
        }
        pool.set_active(false).unwrap();
        bench.eos();
        assert_eq!(bench.windows().iter().map(|window| window["frames"].as_u64().unwrap()).sum::<u64>(), 12);
        // Each window's first frame is read on the worker as well, which may cost the pool its memory; 3 windows.
        assert!(places.len() <= 4, "the pool keeps its memory: {}", places.len());
    }
}

#[test]
fn upstream_is_asked_for_a_buffer_more() {
    let asked = |properties: &[(&str, &str)], caps: &str| {
        let mut bench = Bench::new(GRAY_CAPS, properties);
        bench.harness.add_propose_allocation_meta(gst_video::VideoMeta::meta_api(), None);
        let caps: gst::Caps = caps.parse().unwrap();
        let sink = bench.element.static_pad("src").unwrap().peer().unwrap();
        sink.add_probe(gst::PadProbeType::QUERY_DOWNSTREAM, |_, info| {
            if let Some(gst::QueryViewMut::Allocation(query)) = info.query_mut().map(gst::QueryRef::view_mut)
            {
                query.add_allocation_pool(None::<&gst::BufferPool>, 768, 2, 5);
                query.add_allocation_pool(None::<&gst::BufferPool>, 768, 0, 0);
                return gst::PadProbeReturn::Handled;
            }
            gst::PadProbeReturn::Ok
        });
        let mut query = gst::query::Allocation::new(Some(&caps), true);
        assert!(bench.element.static_pad("sink").unwrap().query(&mut query));
        query.allocation_pools().map(|(_, _, least, most)| (least, most)).collect::<Vec<_>>()
    };
    assert_eq!(asked(&[], GRAY_CAPS), [(2, 5), (0, 0)]);
    assert_eq!(asked(GRID, GRAY_CAPS), [(2, 5), (1, 0)]);
    let fields = "video/x-raw(format:Interlaced),format=GRAY8,width=32,height=24,framerate=25/1,\
                  interlace-mode=alternate";
    assert_eq!(asked(GRID, fields), [(2, 5), (2, 0)]);
}

#[test]
fn pipelines_with_a_grid_come_to_their_end() {
    init();
    for format in ["I420", "v210", "I422_10LE"] {
        for between in ["", "! queue max-size-buffers=1", "! noisemeter grid=3x3 attach-meta=true"] {
            let line = format!(
                "videotestsrc num-buffers=20 ! video/x-raw,format={format},width=64,height=48 \
                 ! noisemeter grid=4x3 {between} ! videobalance contrast=0.9 ! fakesink"
            );
            let line = if format == "I420" { line } else { line.replace("! videobalance contrast=0.9", "") };
            let pipeline = gst::parse::launch(&line).unwrap();
            pipeline.set_state(gst::State::Playing).unwrap();
            let end = pipeline.bus().unwrap().timed_pop_filtered(
                gst::ClockTime::from_seconds(60),
                &[gst::MessageType::Eos, gst::MessageType::Error],
            );
            let kind = end.as_ref().map(|end| end.type_());
            assert_eq!(kind, Some(gst::MessageType::Eos), "{line}: {end:?}");
            pipeline.set_state(gst::State::Null).unwrap();
        }
    }
}
