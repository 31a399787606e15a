//! Frames as GStreamer hands them over: which formats there are, where a buffer's samples lie, and views of them.
//!
//! The only part that knows sample formats. Everything behind it sees
//! [`FrameFormat`](noise_measure::format::FrameFormat) and
//! [`ComponentView`](noise_measure::view::ComponentView) alone.

mod error;
mod kept;
mod layout;
mod read;
mod table;
mod unpack;
mod write;

use std::str::FromStr;
use std::sync::LazyLock;

use gst_video::VideoFormat;

pub use error::ReadError;
pub use kept::Kept;
pub use layout::{BadCaps, Layout, Picture};
pub use read::Scratch;
pub use write::Canvas;

/// Formats that the meter reads: all raw ones of GStreamer 1.22 but tiled and palette ones.
///
/// Held by a test against the library's own unpackers; a newer library's formats are refused until the test has them.
pub const FORMATS: [&str; 104] = [
    "I420",
    "YV12",
    "YUY2",
    "UYVY",
    "AYUV",
    "RGBx",
    "BGRx",
    "xRGB",
    "xBGR",
    "RGBA",
    "BGRA",
    "ARGB",
    "ABGR",
    "RGB",
    "BGR",
    "Y41B",
    "Y42B",
    "YVYU",
    "Y444",
    "v210",
    "v216",
    "NV12",
    "NV21",
    "GRAY8",
    "GRAY16_BE",
    "GRAY16_LE",
    "v308",
    "RGB16",
    "BGR16",
    "RGB15",
    "BGR15",
    "UYVP",
    "A420",
    "YUV9",
    "YVU9",
    "IYU1",
    "ARGB64",
    "AYUV64",
    "r210",
    "I420_10BE",
    "I420_10LE",
    "I422_10BE",
    "I422_10LE",
    "Y444_10BE",
    "Y444_10LE",
    "GBR",
    "GBR_10BE",
    "GBR_10LE",
    "NV16",
    "NV24",
    "A420_10BE",
    "A420_10LE",
    "A422_10BE",
    "A422_10LE",
    "A444_10BE",
    "A444_10LE",
    "NV61",
    "P010_10BE",
    "P010_10LE",
    "IYU2",
    "VYUY",
    "GBRA",
    "GBRA_10BE",
    "GBRA_10LE",
    "GBR_12BE",
    "GBR_12LE",
    "GBRA_12BE",
    "GBRA_12LE",
    "I420_12BE",
    "I420_12LE",
    "I422_12BE",
    "I422_12LE",
    "Y444_12BE",
    "Y444_12LE",
    "GRAY10_LE32",
    "NV12_10LE32",
    "NV16_10LE32",
    "NV12_10LE40",
    "Y210",
    "Y410",
    "VUYA",
    "BGR10A2_LE",
    "RGB10A2_LE",
    "Y444_16BE",
    "Y444_16LE",
    "P016_BE",
    "P016_LE",
    "P012_BE",
    "P012_LE",
    "Y212_BE",
    "Y212_LE",
    "Y412_BE",
    "Y412_LE",
    "RGBP",
    "BGRP",
    "AV12",
    "ARGB64_LE",
    "ARGB64_BE",
    "RGBA64_LE",
    "RGBA64_BE",
    "BGRA64_LE",
    "BGRA64_BE",
    "ABGR64_LE",
    "ABGR64_BE",
];

/// The patterns of `video/x-bayer`, 8 bit; the letters are the colours of the upper left 2 × 2 pixels in reading order.
pub const BAYER_PATTERNS: [&str; 4] = ["bggr", "gbrg", "grbg", "rggb"];

/// [`FORMATS`] that the running library has, in its own order: best quality first.
static AVAILABLE: LazyLock<Vec<VideoFormat>> = LazyLock::new(|| {
    let known: Vec<_> = FORMATS.iter().filter_map(|name| VideoFormat::from_str(name).ok()).collect();
    gst_video::VIDEO_FORMATS_ALL.iter().copied().filter(|format| known.contains(format)).collect()
});

fn is_allowed(format: VideoFormat) -> bool {
    AVAILABLE.contains(&format)
}

/// Raw frames in plain memory: what a [`Canvas`] can be written into.
#[must_use]
pub fn raw_caps() -> gst::Caps {
    gst_video::VideoCapsBuilder::new().format_list(AVAILABLE.iter().copied()).build()
}

/// What both pads of the meter accept.
#[must_use]
pub fn template_caps() -> gst::Caps {
    const OVERLAY: &str = "meta:GstVideoOverlayComposition";
    const FIELDS: &str = "format:Interlaced";
    let raw = |features: &[&str]| {
        let caps = gst_video::VideoCapsBuilder::new().format_list(AVAILABLE.iter().copied());
        if features.is_empty() { caps.build() } else { caps.features(features.iter().copied()).build() }
    };
    let mut all = raw(&[]);
    let caps = all.make_mut();
    for features in [&[OVERLAY][..], &[FIELDS], &[FIELDS, OVERLAY]] {
        caps.append(raw(features));
    }
    caps.append(
        gst::Caps::builder("video/x-bayer")
            .field("format", gst::List::new(BAYER_PATTERNS))
            .field("width", gst::IntRange::new(1, i32::MAX))
            .field("height", gst::IntRange::new(1, i32::MAX))
            .field(
                "framerate",
                gst::FractionRange::new(gst::Fraction::new(0, 1), gst::Fraction::new(i32::MAX, 1)),
            )
            .build(),
    );
    all
}
