//! Every format: what is written is what the reader and the library's own unpackers find.
#![allow(clippy::unwrap_used, missing_docs, clippy::allow_attributes, reason = "tests fail by panics")]

mod common;

use common::{Planes, Random, formats, init, read, unpack, unpack_alpha};
use gst_video::{VideoFormat, VideoFormatInfo, VideoInfo, VideoMeta};
use gstnoisemeter::frames::{Canvas, Layout};
use noise_measure::format::{FrameFormat, Matrix, Range};

type Codes = Vec<Vec<Vec<u16>>>;

const SIZES: [(usize, usize); 5] = [(37, 27), (1, 1), (2, 2), (48, 6), (5, 3)];

fn info(format: VideoFormat, (width, height): (usize, usize)) -> VideoInfo {
    VideoInfo::builder(format, width as u32, height as u32).build().unwrap()
}

/// Random codes for every component of `format`.
fn codes(format: &FrameFormat, seed: u64) -> Codes {
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let mut plane = |width: u32, height: u32, depth: u32| {
        let mut code = || (random.next() >> 24) as u16 >> (16 - depth);
        (0..height).map(|_| (0..width).map(|_| code()).collect()).collect()
    };
    let parts = format.components.iter();
    parts
        .map(|part| {
            plane(part.horizontal.count(format.width), part.vertical.count(format.height), part.depth)
        })
        .collect()
}

fn write(canvas: &mut Canvas<'_>, codes: &Codes) {
    for (index, rows) in codes.iter().enumerate() {
        assert_eq!(canvas.size(index), (rows[0].len(), rows.len()));
        for (y, row) in rows.iter().enumerate() {
            canvas.write(index, 0, y, row);
        }
    }
}

/// A buffer whose bytes are all set, with a VideoMeta where planes do not lie as the library would put them.
fn dirty(format: VideoFormat, size: (usize, usize), planes: &Planes, meta: bool) -> gst::Buffer {
    let mut buffer = gst::Buffer::from_mut_slice(vec![0xA5u8; planes.size]);
    if meta {
        let strides: Vec<i32> = planes.strides.iter().map(|&stride| stride as i32).collect();
        let flags = gst_video::VideoFrameFlags::empty();
        let (width, height) = (size.0 as u32, size.1 as u32);
        VideoMeta::add_full(buffer.make_mut(), flags, format, width, height, &planes.offsets, &strides)
            .unwrap();
    }
    buffer
}

#[test]
fn what_is_written_is_read_and_unpacked() {
    let mut short = std::collections::BTreeSet::new();
    for size in SIZES {
        for (name, format) in formats() {
            let info = info(format, size);
            let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
            let finfo = VideoFormatInfo::from_format(format);
            for padded in [false, true] {
                if !padded && layout.cut_short().is_some() {
                    short.insert((name, size.0));
                    continue;
                }
                let planes = if padded { Planes::padded(&info) } else { Planes::tight(&info) };
                let mut buffer = dirty(format, size, &planes, padded);
                let picture = layout.locate(&buffer).unwrap();
                let codes = codes(&layout.frame_format(&picture, Range::Full, Matrix::Bt709), size.0 as u64);
                let edit = buffer.make_mut();
                layout
                    .with_canvas(&picture, 0, edit, |canvas| {
                        canvas.clear();
                        write(canvas, &codes);
                    })
                    .unwrap();
                assert!(read(&layout, &picture, &buffer, 0) == codes, "{name} {size:?} is read back");
                let data = buffer.map_readable().unwrap();
                for y in 0..size.1 {
                    let line = unpack(format, &data, &planes, y, size.0, false);
                    for (c, rows) in codes.iter().enumerate() {
                        let (w_sub, h_sub) = (finfo.w_sub()[c], finfo.h_sub()[c]);
                        for (x, &code) in rows[y >> h_sub].iter().enumerate() {
                            assert_eq!(line[x << w_sub][c], u32::from(code), "{name} {size:?}: {c} {x},{y}");
                        }
                    }
                    // Without alpha the unpacker gives the filler byte, where there is one.
                    let opaque = finfo.has_alpha().then(|| unpack_alpha(format, &data, &planes, y, size.0));
                    assert!(
                        opaque.iter().flatten().all(|&alpha| alpha),
                        "{name} {size:?}: line {y} is opaque"
                    );
                }
            }
        }
    }
    // Rows of (10·width + 3)/4 bytes, rounded up to 4, hold the last chroma sample at every other odd width alone.
    assert!(short.iter().all(|(name, width)| *name == "UYVP" && width % 2 == 1), "{short:?}");
}

#[test]
fn a_cleared_frame_has_no_byte_of_before() {
    for (name, format) in formats() {
        let size = (37, 27);
        let info = info(format, size);
        let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
        if layout.cut_short().is_some() {
            continue;
        }
        let frame = |fill: u8| {
            let mut buffer = gst::Buffer::from_mut_slice(vec![fill; info.size()]);
            let codes = codes(&layout.frame_format(&layout.whole(), Range::Full, Matrix::Bt709), 3);
            let draw = |canvas: &mut Canvas<'_>| {
                canvas.clear();
                write(canvas, &codes);
            };
            layout.with_canvas(&layout.whole(), 0, buffer.make_mut(), draw).unwrap();
            buffer.map_readable().unwrap().to_vec()
        };
        assert!(frame(0x00) == frame(0xFF), "{name}");
    }
}

#[test]
fn a_piece_of_a_row_leaves_the_rest_alone() {
    for (name, format) in formats() {
        let size = (37, 27);
        let info = info(format, size);
        let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
        let mut buffer = gst::Buffer::from_mut_slice(Random(41).bytes(info.size()));
        let picture = layout.whole();
        let mut expected = read(&layout, &picture, &buffer, 0);
        let format = layout.frame_format(&picture, Range::Full, Matrix::Bt709);
        let other = codes(&format, 5);
        let edit = buffer.make_mut();
        layout
            .with_canvas(&picture, 0, edit, |canvas| {
                for (c, rows) in other.iter().enumerate() {
                    let (width, height) = canvas.size(c);
                    for (x, y, count) in
                        [(0, 0, 1), (1, 1, 4), (3, 2, 0), (width - 1, 3, 1), (5, height - 1, 3)]
                    {
                        canvas.write(c, x, y, &rows[y][x..x + count]);
                        expected[c][y][x..x + count].copy_from_slice(&rows[y][x..x + count]);
                    }
                    // Beyond the right edge, beside it, below it, and no such component.
                    canvas.write(c, width - 2, 4, &[rows[4][0], rows[4][1], 1, 1]);
                    expected[c][4][width - 2..].copy_from_slice(&rows[4][..2]);
                    canvas.write(c, width, 5, &[1]);
                    canvas.write(c, 0, height, &[1]);
                    canvas.write(4, 0, 0, &[1]);
                }
            })
            .unwrap();
        if layout.cut_short().is_none() {
            assert!(read(&layout, &picture, &buffer, 0) == expected, "{name}");
        }
    }
}

#[test]
fn a_crop_is_written_where_it_is_read() {
    for (name, format) in formats() {
        let info = info(format, (40, 30));
        let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
        let mut buffer = gst::Buffer::from_mut_slice(Random(43).bytes(info.size()));
        gst_video::VideoCropMeta::add(buffer.make_mut(), (3, 5, 30, 20));
        let picture = layout.locate(&buffer).unwrap();
        let codes = codes(&layout.frame_format(&picture, Range::Full, Matrix::Bt709), 11);
        layout.with_canvas(&picture, 0, buffer.make_mut(), |canvas| write(canvas, &codes)).unwrap();
        assert!(read(&layout, &picture, &buffer, 0) == codes, "{name}");
    }
}

#[test]
fn a_memory_for_each_plane_is_written_and_a_plane_over_two_is_refused() {
    init();
    let info = info(VideoFormat::I42210le, (16, 8));
    let layout = Layout::from_caps(&info.to_caps().unwrap()).unwrap();
    let codes = codes(&layout.frame_format(&layout.whole(), Range::Full, Matrix::Bt709), 7);
    let split = |borders: &[usize]| {
        let mut buffer = gst::Buffer::new();
        let (mut begin, edit) = (0, buffer.make_mut());
        for &end in borders.iter().chain([&info.size()]) {
            edit.append_memory(gst::Memory::from_mut_slice(vec![1u8; end - begin]));
            begin = end;
        }
        buffer
    };
    let mut planes = split(&info.offset()[1..]);
    layout.with_canvas(&layout.whole(), 0, planes.make_mut(), |canvas| write(canvas, &codes)).unwrap();
    assert_eq!(planes.n_memory(), 3);
    assert!(read(&layout, &layout.whole(), &planes, 0) == codes);
    let error = layout.with_canvas(&layout.whole(), 0, split(&[100]).make_mut(), |_| ()).unwrap_err();
    assert_eq!(error.to_string(), "plane 0 is split over two memories; it cannot be written there");
    let mut small = gst::Buffer::from_mut_slice(vec![0u8; 100]);
    assert!(layout.with_canvas(&layout.whole(), 0, small.make_mut(), |_| ()).is_err());
}
