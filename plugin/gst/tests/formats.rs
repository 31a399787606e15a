//! Every format: the reader against the library's own unpackers, and equal pictures giving equal results.
#![allow(clippy::unwrap_used, missing_docs, clippy::allow_attributes, reason = "tests fail by panics")]

mod common;

use std::collections::BTreeMap;

use common::{Bench, Picture, Planes, Random, difference, formats, init, pack, read, unpack};
use gst_video::{VideoFormat, VideoFormatInfo, VideoInfo, VideoInterlaceMode};
use gstnoisemeter::frames::{FORMATS, Layout, ReadError, Scratch};
use noise_measure::format::{Matrix, Range};
use serde_json::Value;

#[test]
fn the_list_is_all_raw_formats_but_tiled_and_palette_ones() {
    init();
    let raw: Vec<_> = gst_video::VIDEO_FORMATS_ALL
        .iter()
        .map(|&format| VideoFormatInfo::from_format(format))
        .filter(|info| !info.is_tiled() && !info.has_palette())
        .map(|info| info.name().to_string())
        .collect();
    let mut missing: Vec<_> = raw.iter().filter(|name| !FORMATS.contains(&name.as_str())).collect();
    missing.sort();
    if gst::version() < (1, 23, 0, 0) {
        assert!(missing.is_empty(), "{missing:?}");
    }
    assert!(FORMATS.iter().all(|name| raw.iter().any(|known| known == name)));
}

#[test]
fn every_sample_is_the_unpackers_sample() {
    let mut without_room = std::collections::BTreeSet::new();
    for (width, height) in [(37usize, 27usize), (1, 1), (2, 2), (48, 6)] {
        for (name, format) in formats() {
            for interlaced in [false, true] {
                let mode = if interlaced {
                    VideoInterlaceMode::Interleaved
                } else {
                    VideoInterlaceMode::Progressive
                };
                let info = VideoInfo::builder(format, width as u32, height as u32)
                    .interlace_mode(mode)
                    .build()
                    .unwrap();
                let planes = Planes::tight(&info);
                let data = Random(17 + width as u64).bytes(info.size());
                let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
                let buffer = gst::Buffer::from_slice(data.clone());
                if interlaced && height % 4 != 0 {
                    // Not every format has room for a chroma line of each field.
                    let picture = layout.locate(&buffer).unwrap();
                    let read = layout.with_views(&picture, 0, &buffer, &mut Scratch::default(), |_| ());
                    if let Err(error) = read {
                        assert!(matches!(error, ReadError::FieldChroma { .. }), "{name}: {error}");
                        without_room.insert(name);
                        continue;
                    }
                }
                let components = read(&layout, &layout.locate(&buffer).unwrap(), &buffer, 0);
                let finfo = VideoFormatInfo::from_format(format);
                for (c, rows) in components.iter().enumerate() {
                    let (w_sub, h_sub) = (finfo.w_sub()[c], finfo.h_sub()[c]);
                    for y in 0..height {
                        let reference = unpack(format, &data, &planes, y, width, interlaced);
                        // Lines of a field share chroma lines of that field.
                        let row = if interlaced { ((y >> 1 >> h_sub) << 1) + (y & 1) } else { y >> h_sub };
                        let codes = &rows[row];
                        assert_eq!(
                            codes.len(),
                            (width + (1 << w_sub) - 1) >> w_sub,
                            "{name} {width}x{height}"
                        );
                        for (x, &code) in codes.iter().enumerate() {
                            let expected = reference[x << w_sub][c];
                            assert_eq!(
                                u32::from(code),
                                expected,
                                "{name} {width}x{height} interlaced {interlaced}: component {c}, sample {x} of line {y}"
                            );
                        }
                    }
                }
            }
        }
    }
    // The library rounds the chroma lines of two fields up in all others.
    let expected = ["AV12", "P010_10BE", "P010_10LE", "P012_BE", "P012_LE", "P016_BE", "P016_LE"];
    assert!(without_room.iter().eq(expected.iter()), "{without_room:?}");
}

/// Regions and frame of the one window that three frames give.
fn measure(caps: &str, buffers: impl IntoIterator<Item = gst::Buffer>) -> Value {
    let mut bench =
        Bench::new(caps, &[("regions", "all=0%,0%,100%,100%;part=20%,20%,60%,60%"), ("grid", "2x2")]);
    for buffer in buffers {
        bench.push(buffer);
    }
    bench.eos();
    let (mut windows, warnings) = bench.split();
    assert!(warnings.is_empty(), "{caps}: {warnings:?}");
    assert_eq!(windows.len(), 1, "{caps}");
    windows.remove(0)
}

fn caps(name: &str, width: usize, height: usize) -> String {
    format!("video/x-raw,format={name},width={width},height={height},framerate=25/1")
}

const FRAMES: u64 = 3;

/// The frames of a picture sequence in `format`.
fn frames(format: VideoFormat, planes: &Planes, width: usize, height: usize) -> Vec<Vec<u8>> {
    (0..FRAMES)
        .map(|i| pack(format, &Picture::random(format, width, height, 5 + i), planes, 0xA5, false))
        .collect()
}

/// Mean, least and greatest code of a component that the packer makes of the pictures: every sample is the pixel at
/// its upper left.
fn expected(format: VideoFormat, c: usize, width: usize, height: usize) -> (f64, u64, u64) {
    let info = VideoFormatInfo::from_format(format);
    let (depth, w, h) = (info.depth()[c], info.w_sub()[c], info.h_sub()[c]);
    let (mut sum, mut count, mut low, mut high) = (0u64, 0u64, u64::MAX, 0);
    for i in 0..FRAMES {
        let picture = Picture::random(format, width, height, 5 + i);
        for y in (0..height).step_by(1 << h) {
            for x in (0..width).step_by(1 << w) {
                let code = u64::from(picture.at(x, y)[c] >> (16 - depth));
                (sum, count, low, high) = (sum + code, count + 1, low.min(code), high.max(code));
            }
        }
    }
    (sum as f64 / count as f64, low, high)
}

#[test]
fn equal_pictures_give_equal_results() {
    // Formats of the same components and depths must agree to the last bit; a family's first result is its reference.
    let mut families: BTreeMap<String, (String, Value)> = BTreeMap::new();
    let mut percents: BTreeMap<(String, usize), Vec<(f64, f64)>> = BTreeMap::new();
    for (width, height) in [(37usize, 27usize), (1, 1)] {
        for (name, format) in formats() {
            let info = VideoInfo::builder(format, width as u32, height as u32).build().unwrap();
            let text = caps(name, width, height);
            let finfo = VideoFormatInfo::from_format(format);

            let tight = Planes::tight(&info);
            let plain = frames(format, &tight, width, height);
            let plain = (0..).zip(plain).map(|(i, data)| common::buffer(data, i));
            let window = measure(&text, plain);

            let padded = Planes::padded(&info);
            let strided = frames(format, &padded, width, height);
            let strided = (0..).zip(strided).map(|(i, data)| {
                let mut buffer = common::buffer(data, i);
                let strides: Vec<i32> = padded.strides.iter().map(|&s| s as i32).collect();
                gst_video::VideoMeta::add_full(
                    buffer.make_mut(),
                    gst_video::VideoFrameFlags::empty(),
                    format,
                    width as u32,
                    height as u32,
                    &padded.offsets,
                    &strides,
                )
                .unwrap();
                buffer
            });
            assert_eq!(
                difference(&measure(&text, strided), &window),
                None,
                "{name} {width}x{height}, padded"
            );

            // The picture at 4,4 of a larger frame of noise, as a decoder hands it over.
            let (frame_width, frame_height) = (width + 11, height + 9);
            let large = VideoInfo::builder(format, frame_width as u32, frame_height as u32).build().unwrap();
            let planes = Planes::padded(&large);
            let cropped = (0..FRAMES).map(|i| {
                let inner = Picture::random(format, width, height, 5 + i);
                let mut outer = Picture::random(format, frame_width, frame_height, 77 + i);
                for y in 0..height {
                    for x in 0..width {
                        outer.pixels[(y + 4) * frame_width + x + 4] = inner.at(x, y);
                    }
                }
                let mut buffer = common::buffer(pack(format, &outer, &planes, 0x5A, false), i);
                let strides: Vec<i32> = planes.strides.iter().map(|&s| s as i32).collect();
                let edit = buffer.make_mut();
                gst_video::VideoMeta::add_full(
                    edit,
                    gst_video::VideoFrameFlags::empty(),
                    format,
                    frame_width as u32,
                    frame_height as u32,
                    &planes.offsets,
                    &strides,
                )
                .unwrap();
                gst_video::VideoCropMeta::add(edit, (4, 4, width as u32, height as u32));
                buffer
            });
            assert_eq!(
                difference(&measure(&text, cropped), &window),
                None,
                "{name} {width}x{height}, cropped"
            );

            // One memory a plane, the first plane's memory cut inside a row.
            let split = frames(format, &tight, width, height);
            let split = (0..).zip(split).map(|(i, data)| {
                let mut buffer = gst::Buffer::new();
                let edit = buffer.make_mut();
                let mut cuts: Vec<usize> = tight.offsets.iter().copied().filter(|&o| o > 0).collect();
                cuts.push(tight.strides[0] / 2);
                cuts.push(data.len());
                cuts.sort_unstable();
                cuts.dedup();
                let mut from = 0;
                for cut in cuts {
                    if cut > from {
                        edit.append_memory(gst::Memory::from_slice(data[from..cut].to_vec()));
                    }
                    from = cut;
                }
                edit.set_pts(gst::ClockTime::from_mseconds(40 * i));
                edit.set_duration(gst::ClockTime::from_mseconds(40));
                buffer
            });
            assert_eq!(
                difference(&measure(&text, split), &window),
                None,
                "{name} {width}x{height}, split over memories"
            );

            let channels: Vec<(usize, &str)> = match window["video"]["matrix"].as_str() {
                None => vec![(0, "Y")],
                Some(_) if finfo.is_yuv() => vec![(0, "Y"), (1, "Cb"), (2, "Cr")],
                Some(_) => vec![(0, "R"), (1, "G"), (2, "B")],
            };
            for (c, channel) in channels {
                let part = &window["regions"][0]["components"][channel];
                let (mean, low, high) = expected(format, c, width, height);
                let place = format!("{name} {width}x{height} {channel}");
                let found = part["mean_codes"].as_f64().unwrap();
                assert!((found - mean).abs() <= 1e-12 * mean.max(1.0), "{place}: {found} {mean}");
                assert_eq!(part["min_codes"], low, "{place}");
                assert_eq!(part["max_codes"], high, "{place}");
                // Percent, and half a code of it.
                let depth = finfo.depth()[c];
                let codes = if finfo.is_yuv() {
                    219.0 * f64::from(1u32 << (depth - 8))
                } else {
                    f64::from((1u32 << depth) - 1)
                };
                let kind = if finfo.is_rgb() {
                    "rgb"
                } else if finfo.is_gray() {
                    "gray"
                } else {
                    "yuv"
                };
                let key = format!("{kind} {width} {} {}", finfo.w_sub()[c], finfo.h_sub()[c]);
                percents.entry((key, c)).or_default().push((part["mean"].as_f64().unwrap(), 50.0 / codes));
            }
            let family = format!(
                "{width} {} {:?} {:?} {:?}",
                if finfo.is_rgb() {
                    "rgb"
                } else if finfo.is_gray() {
                    "gray"
                } else {
                    "yuv"
                },
                &finfo.depth()[..(finfo.n_components() as usize).min(3)],
                &finfo.w_sub()[..(finfo.n_components() as usize).min(3)],
                &finfo.h_sub()[..(finfo.n_components() as usize).min(3)],
            );
            let mut window = window;
            window.as_object_mut().unwrap().remove("video");
            let first = families.entry(family.clone()).or_insert_with(|| (name.into(), window.clone()));
            assert_eq!(difference(&first.1, &window), None, "{name} and {} of family {family}", first.0);
        }
    }
    for ((kind, c), values) in percents {
        for &(a, half_a) in &values {
            for &(b, half_b) in &values {
                // Narrow range scales with the depth; full range differs by rounding alone.
                let limit = if kind.starts_with("yuv") { 1e-9 } else { half_a.max(half_b) };
                assert!((a - b).abs() <= limit, "{kind} component {c}: {a} and {b}");
            }
        }
    }
}

#[test]
fn a_crop_at_an_odd_place_leaves_out_samples_that_it_cuts() {
    init();
    let info = VideoInfo::builder(VideoFormat::I420, 16, 12).build().unwrap();
    let data = Random(3).bytes(info.size());
    let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
    let mut buffer = gst::Buffer::from_slice(data.clone());
    gst_video::VideoCropMeta::add(buffer.make_mut(), (3, 5, 8, 6));
    let picture = layout.locate(&buffer).unwrap();
    let format = layout.frame_format(&picture, Range::Narrow, Matrix::Bt709);
    let rows = read(&layout, &layout.locate(&buffer).unwrap(), &buffer, 0);
    assert_eq!((rows[0].len(), rows[0][0].len()), (6, 8));
    assert_eq!(u32::from(rows[0][0][0]), u32::from(data[5 * 16 + 3]));
    // Columns 4..11 and rows 6..11 hold chroma samples 2..=5 and 3..=5.
    let chroma = &format.components[1];
    assert_eq!((chroma.horizontal.phase, chroma.vertical.phase), (1, 1));
    assert_eq!((rows[1].len(), rows[1][0].len()), (3, 4));
    assert_eq!(
        u32::from(rows[1][0][0]),
        u32::from(data[info.offset()[1] + 3 * info.stride()[1] as usize + 2])
    );
}

#[test]
fn mosaics_of_all_four_patterns() {
    init();
    for pattern in gstnoisemeter::frames::BAYER_PATTERNS {
        for (width, height) in [(37usize, 27usize), (1, 1), (2, 2)] {
            let stride = width.next_multiple_of(4);
            let data: Vec<Vec<u8>> =
                (0..FRAMES).map(|i| Random((91 + i) << 40 | 1).bytes(stride * height)).collect();
            let text = format!("video/x-bayer,format={pattern},width={width},height={height},framerate=25/1");
            let buffers = (0..).zip(data.clone()).map(|(i, data)| common::buffer(data, i));
            let window = measure(&text, buffers);
            assert_eq!(window["video"]["format"], format!("bayer-{pattern}"));
            assert_eq!(window["video"]["matrix"], Value::Null);
            for (channel, letter, beside) in
                [("R", 'r', 'g'), ("G1", 'g', 'r'), ("G2", 'g', 'b'), ("B", 'b', 'g')]
            {
                let cell = |x: usize, y: usize| pattern.chars().nth(2 * (y % 2) + x % 2).unwrap();
                let codes: Vec<u64> = data
                    .iter()
                    .flat_map(|data| {
                        (0..width * height).filter_map(|i| {
                            let (x, y) = (i % width, i / width);
                            let ours = cell(x, y) == letter && cell(x + 1, y) == beside;
                            ours.then(|| u64::from(data[y * stride + x]))
                        })
                    })
                    .collect();
                let part = &window["regions"][0]["components"][channel];
                let place = format!("{pattern} {width}x{height} {channel}");
                if codes.is_empty() {
                    assert_eq!(part["mean"], Value::Null, "{place}");
                    continue;
                }
                let mean = codes.iter().sum::<u64>() as f64 / codes.len() as f64;
                let found = part["mean_codes"].as_f64().unwrap();
                assert!((found - mean).abs() <= 1e-12 * mean, "{place}: {found} {mean}");
                assert_eq!(part["min_codes"].as_u64(), codes.iter().min().copied(), "{place}");
                assert_eq!(part["max_codes"].as_u64(), codes.iter().max().copied(), "{place}");
            }
        }
    }
}
