//! A meter between two pads of a harness, its bus, and pictures in every format by the library's own writers.
#![allow(dead_code, clippy::allow_attributes, reason = "every test file uses a part of it")]
#![allow(clippy::unwrap_used, missing_docs, reason = "tests fail by panics and need no manual")]

use std::str::FromStr;
use std::sync::Once;

use glib::translate::ToGlibPtr;
use gst::prelude::*;
use gst_check::Harness;
use gst_video::{VideoFormat, VideoFormatInfo, VideoInfo};
use gstnoisemeter::frames;
use noise_measure::view::ComponentView;
use serde_json::Value;

pub fn init() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        gst::init().unwrap();
        gstnoisemeter::plugin_register_static().unwrap();
    });
}

/// The element alone, with its own bus.
pub struct Bench {
    pub harness: Harness,
    pub element: gst::Element,
    pub bus: gst::Bus,
}

impl Bench {
    pub fn new(caps: &str, properties: &[(&str, &str)]) -> Self {
        init();
        let element = gst::ElementFactory::make("noisemeter").build().unwrap();
        for (name, value) in properties {
            element.set_property_from_str(name, value);
        }
        answer_latency(&element, false);
        let bus = gst::Bus::new();
        element.set_bus(Some(&bus));
        let mut harness = Harness::with_element(&element, Some("sink"), Some("src"));
        harness.set_src_caps_str(caps);
        Self { harness, element, bus }
    }

    pub fn push(&mut self, buffer: gst::Buffer) -> gst::Buffer {
        assert_eq!(self.harness.push(buffer), Ok(gst::FlowSuccess::Ok));
        self.harness.pull().unwrap()
    }

    pub fn eos(&mut self) {
        assert!(self.harness.push_event(gst::event::Eos::new()));
    }

    /// Windows posted so far, as JSON.
    pub fn windows(&self) -> Vec<Value> {
        self.messages().into_iter().map(|structure| json(&structure)).collect()
    }

    /// Structures of the window messages so far; other messages stay where they are not warnings or errors.
    pub fn messages(&self) -> Vec<gst::Structure> {
        let mut found = Vec::new();
        while let Some(message) = self.bus.pop_filtered(&[gst::MessageType::Element]) {
            assert_eq!(message.src(), Some(self.element.upcast_ref()), "every message names its element");
            found.push(message.structure().unwrap().to_owned());
        }
        found
    }

    /// Warnings in a bus that still has them: call before [`Self::windows`], which drops them.
    pub fn split(&self) -> (Vec<Value>, Vec<String>) {
        let (mut windows, mut warnings) = (Vec::new(), Vec::new());
        while let Some(message) = self.bus.pop() {
            match message.view() {
                gst::MessageView::Element(element) => windows.push(json(element.structure().unwrap())),
                gst::MessageView::Warning(warning) => warnings.push(warning.error().message().to_owned()),
                gst::MessageView::Error(error) => panic!("{error:?}"),
                _ => {}
            }
        }
        (windows, warnings)
    }
}

/// The path of the first difference, for messages that fit a screen.
pub fn difference(a: &Value, b: &Value) -> Option<String> {
    match (a, b) {
        (Value::Object(x), Value::Object(y)) if x.keys().eq(y.keys()) => {
            x.iter().find_map(|(key, value)| difference(value, &y[key]).map(|rest| format!("{key}.{rest}")))
        }
        (Value::Array(x), Value::Array(y)) if x.len() == y.len() => (0..x.len())
            .find_map(|index| difference(&x[index], &y[index]).map(|rest| format!("{index}.{rest}"))),
        _ => (a != b).then(|| format!(" {a} and {b}")),
    }
}

/// Makes latency queries of the element meet a source that is live or not; a harness's own source always is.
pub fn answer_latency(element: &gst::Element, live: bool) {
    let pad = element.static_pad("sink").unwrap();
    pad.add_probe(gst::PadProbeType::QUERY_UPSTREAM | gst::PadProbeType::PUSH, move |_, info| {
        if let Some(query) = info.query_mut()
            && let gst::QueryViewMut::Latency(latency) = query.view_mut()
        {
            latency.set(live, gst::ClockTime::ZERO, gst::ClockTime::NONE);
            return gst::PadProbeReturn::Handled;
        }
        gst::PadProbeReturn::Ok
    });
}

pub fn json(structure: &gst::StructureRef) -> Value {
    serde_json::from_str(structure.get::<&str>("json").unwrap()).unwrap()
}

/// A small generator with a fixed seed (Marsaglia's xorshift64, 2003).
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    pub fn bytes(&mut self, count: usize) -> Vec<u8> {
        (0..count).map(|_| (self.next() >> 32) as u8).collect()
    }
}

/// A picture of three components without sub-sampling, 16 bits each.
#[derive(Clone)]
pub struct Picture {
    pub width: usize,
    pub height: usize,
    pub pixels: Vec<[u16; 3]>,
}

impl Picture {
    /// Codes of 5 bits spread over 8 bits by repetition, and from there to 16: by repetition for full range and by a
    /// shift for narrow range, so that every depth from 5 on holds the same levels.
    pub fn random(format: VideoFormat, width: usize, height: usize, seed: u64) -> Self {
        let unit = if VideoFormatInfo::from_format(format).is_yuv() { 256 } else { 257 };
        let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        let mut code = || {
            let five = (random.next() >> 40) as u16 & 31;
            (five << 3 | five >> 2) * unit
        };
        let pixels = (0..width * height).map(|_| [code(), code(), code()]).collect();
        Self { width, height, pixels }
    }

    pub fn at(&self, x: usize, y: usize) -> [u16; 3] {
        self.pixels[y * self.width + x]
    }
}

/// Where planes lie in a buffer.
#[derive(Clone, Debug)]
pub struct Planes {
    pub offsets: Vec<usize>,
    pub strides: Vec<usize>,
    pub size: usize,
}

/// Bytes behind each plane that a writer of whole patterns may touch.
const SLACK: usize = 64;

impl Planes {
    /// As the library lays them out.
    pub fn tight(info: &VideoInfo) -> Self {
        let strides = info.stride().iter().map(|&stride| usize::try_from(stride).unwrap()).collect();
        Self { offsets: info.offset().to_vec(), strides, size: info.size() }
    }

    /// With room before the first plane, behind every row and behind every plane.
    pub fn padded(info: &VideoInfo) -> Self {
        let (mut offsets, mut strides, mut end) = (Vec::new(), Vec::new(), 48);
        for &stride in info.stride() {
            let stride = usize::try_from(stride).unwrap() + 32;
            offsets.push(end);
            strides.push(stride);
            end += stride * (info.height() as usize + 2) + SLACK;
        }
        Self { offsets, strides, size: end }
    }
}

/// Width to hand to the library's functions: 1.22 takes the two chroma samples of a last odd pixel in the wrong order in
/// its VYUY functions and its NV61 packer, not so where the pixel has a neighbour. Rows have room for one.
fn whole_pairs(format: VideoFormat, width: usize) -> usize {
    match format {
        VideoFormat::Vyuy | VideoFormat::Nv61 => width.next_multiple_of(2),
        _ => width,
    }
}

/// Writes `picture` into a frame of `format` by the library's packer.
pub fn pack(format: VideoFormat, picture: &Picture, planes: &Planes, fill: u8, interlaced: bool) -> Vec<u8> {
    let info = VideoFormatInfo::from_format(format);
    let target = info.unpack_format();
    let wide = matches!(target, VideoFormat::Ayuv64 | VideoFormat::Argb64);
    let mut data = vec![fill; planes.size + SLACK];
    // SAFETY: of a static table of the library, which lives as long as the process.
    let raw: *const gst_video::ffi::GstVideoFormatInfo = info.to_glib_none().0;
    let pointer = data.as_mut_ptr();
    let mut starts: [*mut std::ffi::c_void; 4] = [std::ptr::null_mut(); 4];
    let mut strides = [0i32; 4];
    for (index, (&offset, &stride)) in planes.offsets.iter().zip(&planes.strides).enumerate() {
        // SAFETY: offsets lie inside `data`.
        starts[index] = unsafe { pointer.add(offset) }.cast();
        strides[index] = i32::try_from(stride).unwrap();
    }
    let flags = if interlaced { gst_video::ffi::GST_VIDEO_PACK_FLAG_INTERLACED } else { 0 };
    for y in 0..picture.height {
        // Room for packers that read pixels in groups.
        let mut line8 = vec![0u8; 4 * (picture.width + 16)];
        let mut line16 = vec![0u16; 4 * (picture.width + 16)];
        for x in 0..picture.width + 16 {
            let pixel = picture.at(x.min(picture.width - 1), y);
            for (c, code) in [0xFFFF, pixel[0], pixel[1], pixel[2]].into_iter().enumerate() {
                line8[4 * x + c] = (code >> 8) as u8;
                line16[4 * x + c] = code;
            }
        }
        let line: *mut std::ffi::c_void =
            if wide { line16.as_mut_ptr().cast() } else { line8.as_mut_ptr().cast() };
        // SAFETY: the line has room, the planes have rows for `height` lines and room behind.
        unsafe {
            ((*raw).pack_func.unwrap())(
                raw,
                flags,
                line,
                0,
                starts.as_mut_ptr().cast(),
                strides.as_ptr(),
                gst_video::ffi::GST_VIDEO_CHROMA_SITE_UNKNOWN,
                y as i32,
                whole_pairs(format, picture.width) as i32,
            );
        }
    }
    data.truncate(planes.size);
    data
}

/// Codes of one line by the library's unpacker: three components a pixel, without alpha.
pub fn unpack(
    format: VideoFormat,
    data: &[u8],
    planes: &Planes,
    y: usize,
    width: usize,
    interlaced: bool,
) -> Vec<[u32; 3]> {
    let depth = VideoFormatInfo::from_format(format).depth().to_vec();
    let (bits, line) = unpack_line(format, data, planes, y, width, interlaced);
    let code = |pixel: &[u32; 4], c: usize| pixel[1 + c] >> (bits - depth.get(c).copied().unwrap_or(bits));
    line.iter().map(|pixel| [code(pixel, 0), code(pixel, 1), code(pixel, 2)]).collect()
}

/// Whether the pixels of one line are opaque by the library's unpacker.
pub fn unpack_alpha(format: VideoFormat, data: &[u8], planes: &Planes, y: usize, width: usize) -> Vec<bool> {
    let depth = VideoFormatInfo::from_format(format).depth().get(3).copied();
    let (bits, line) = unpack_line(format, data, planes, y, width, false);
    let depth = depth.unwrap_or(bits);
    line.iter().map(|pixel| pixel[0] >> (bits - depth) == (1 << depth) - 1).collect()
}

/// Bits and values of alpha and three components of one line, by the library's unpacker.
fn unpack_line(
    format: VideoFormat,
    data: &[u8],
    planes: &Planes,
    y: usize,
    width: usize,
    interlaced: bool,
) -> (u32, Vec<[u32; 4]>) {
    let info = VideoFormatInfo::from_format(format);
    let wide = matches!(info.unpack_format(), VideoFormat::Ayuv64 | VideoFormat::Argb64);
    let raw: *const gst_video::ffi::GstVideoFormatInfo = info.to_glib_none().0;
    // A copy with room behind, since whole patterns are read.
    let mut data = data.to_vec();
    data.resize(data.len() + SLACK, 0);
    let mut starts: [*const std::ffi::c_void; 4] = [std::ptr::null(); 4];
    let mut strides = [0i32; 4];
    for (index, (&offset, &stride)) in planes.offsets.iter().zip(&planes.strides).enumerate() {
        // SAFETY: offsets lie inside `data`.
        starts[index] = unsafe { data.as_ptr().add(offset) }.cast();
        strides[index] = i32::try_from(stride).unwrap();
    }
    let mut flags = gst_video::ffi::GST_VIDEO_PACK_FLAG_TRUNCATE_RANGE;
    if interlaced {
        flags |= gst_video::ffi::GST_VIDEO_PACK_FLAG_INTERLACED;
    }
    let mut line = vec![0u16; 4 * (width + 16)];
    // SAFETY: the line has room for more than `width` pixels of 8 bytes; the planes hold line `y`.
    unsafe {
        ((*raw).unpack_func.unwrap())(
            raw,
            flags,
            line.as_mut_ptr().cast(),
            starts.as_ptr().cast(),
            strides.as_ptr(),
            0,
            y as i32,
            whole_pairs(format, width) as i32,
        );
    }
    let bytes: Vec<u8> = line.iter().flat_map(|word| word.to_ne_bytes()).collect();
    let pixel = |x: usize| {
        std::array::from_fn(|c| u32::from(if wide { line[4 * x + c] } else { bytes[4 * x + c].into() }))
    };
    (if wide { 16 } else { 8 }, (0..width).map(pixel).collect())
}

/// A buffer of `data` with the time of frame `index` at 25 a second.
pub fn buffer(data: Vec<u8>, index: u64) -> gst::Buffer {
    let mut buffer = gst::Buffer::from_mut_slice(data);
    let edit = buffer.make_mut();
    edit.set_pts(gst::ClockTime::from_mseconds(40 * index));
    edit.set_duration(gst::ClockTime::from_mseconds(40));
    buffer
}

/// A grey frame of `width` × `height` whose samples depend on `seed`.
pub fn gray(width: usize, height: usize, seed: u64) -> Vec<u8> {
    let stride = width.next_multiple_of(4);
    Random(seed.wrapping_mul(0x2545_F491_4F6C_DD1D) | 1).bytes(stride * height)
}

pub const GRAY_CAPS: &str = "video/x-raw,format=GRAY8,width=32,height=24,framerate=25/1";

/// A frame for [`GRAY_CAPS`].
pub fn gray_buffer(index: u64) -> gst::Buffer {
    buffer(gray(32, 24, index + 1), index)
}

/// Rows of every component of a buffer, by the reader.
pub fn read(
    layout: &frames::Layout,
    picture: &frames::Picture,
    buffer: &gst::BufferRef,
    parity: usize,
) -> Vec<Vec<Vec<u16>>> {
    let rows = |views: &[ComponentView<'_>]| {
        let row = |view: &ComponentView<'_>, y| {
            let mut row = vec![0; view.width()];
            view.read_row(y, 0, &mut row);
            row
        };
        views.iter().map(|view| (0..view.height()).map(|y| row(view, y)).collect()).collect()
    };
    layout.with_views(picture, parity, buffer, &mut frames::Scratch::default(), rows).unwrap()
}

/// Every format that is read and written, by name.
pub fn formats() -> impl Iterator<Item = (&'static str, VideoFormat)> {
    init();
    frames::FORMATS.iter().map(|&name| (name, VideoFormat::from_str(name).unwrap()))
}
