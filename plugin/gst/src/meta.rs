//! Windows and regions on buffers: the custom meta `NoisemeterWindow`, and regions of interest in and out.
//!
//! Fields of the meta: `id` (guint64, counts windows) and `json` (string, the whole window) once a window has ended;
//! always `width` and `height` (guint, pixels), `regions` (array of structures `region` with `name` and `x`, `y`,
//! `width`, `height` as shares of the frame, double 0..1) and `clip` (array of structures named by component with `low`
//! and `high`, guint: codes at or beyond which samples count as clipped).

use std::ffi::CString;
use std::sync::Arc;

use glib::translate::{ToGlibPtrMut, UnsafeFrom};
use gst_video::VideoRegionOfInterestMeta;
use noise_measure::format::{Channel, Range};
use noise_measure::meter::MeterConfig;
use noise_measure::record::WindowRecord;
use noise_measure::region::{Rect, Region};

/// Name of the custom meta.
pub const WINDOW_META: &str = "NoisemeterWindow";
/// Type of the regions of interest that the meter attaches and does not take in.
pub const ROI_TYPE: &str = "noisemeter";
/// Most upstream regions of interest that are measured.
pub const MAX_UPSTREAM_REGIONS: usize = 64;
/// Longest region name, bytes.
const MAX_NAME: usize = 32;

/// Makes the custom meta known; safe to call again.
pub fn register() {
    if !gst::meta::CustomMeta::is_registered(WINDOW_META) {
        gst::meta::CustomMeta::register(WINDOW_META, &["video"]);
    }
}

/// Where the regions of a window lie, and what counts as clipped.
#[derive(Debug, Clone, PartialEq)]
pub struct Geometry {
    width: u32,
    height: u32,
    regions: Vec<(String, Rect)>,
    clip: Vec<(Channel, u32, Range)>,
}

impl Geometry {
    /// Of the regions inside the picture.
    #[must_use]
    pub fn new(config: &MeterConfig) -> Self {
        let inside = config.regions.iter().filter(|region| region.inside);
        let format = &config.format;
        Self {
            width: format.width,
            height: format.height,
            regions: inside.map(|region| (region.name.clone(), region.rect)).collect(),
            clip: format.components.iter().map(|c| (c.channel, c.depth, format.range)).collect(),
        }
    }

    fn regions(&self) -> gst::Array {
        let share = |part: u32, whole: u32| f64::from(part) / f64::from(whole.max(1));
        gst::Array::new(self.regions.iter().map(|(name, rect)| {
            gst::Structure::builder("region")
                .field("name", name.as_str())
                .field("x", share(rect.x, self.width))
                .field("y", share(rect.y, self.height))
                .field("width", share(rect.width, self.width))
                .field("height", share(rect.height, self.height))
                .build()
        }))
    }

    fn clip(&self, newest: Option<&Newest>) -> gst::Array {
        gst::Array::new(self.clip.iter().map(|&(channel, depth, range)| {
            let step = newest.and_then(|newest| newest.step(channel)).unwrap_or(1);
            let (low, top) = match range {
                Range::Narrow => (1u32 << depth.saturating_sub(8), 255u32 << depth.saturating_sub(8)),
                Range::Full | Range::Fixed => (0, 1u32 << depth),
            };
            gst::Structure::builder(channel.name())
                .field("low", low)
                .field("high", top.saturating_sub(step))
                .build()
        }))
    }
}

/// The newest finished window, as buffers and `last-window` show it.
#[derive(Debug, Clone, PartialEq)]
pub struct Newest {
    /// Counts windows from 1.
    pub id: u64,
    json: Arc<SharedText>,
    steps: Vec<(Channel, u32)>,
}

/// Text that ends in a NUL and, as bytes, is counted by reference.
#[derive(Debug, PartialEq)]
struct SharedText {
    bytes: glib::Bytes,
    length: usize,
}

impl Newest {
    /// Window `id`.
    #[must_use]
    pub fn new(id: u64, record: &WindowRecord, json: &str) -> Self {
        // JSON escapes NUL, so there is none inside.
        let text = CString::new(json).unwrap_or_default();
        let length = text.as_bytes().len();
        let bytes = glib::Bytes::from_owned(text.into_bytes_with_nul());
        let steps = record.regions.first().map_or_else(Vec::new, |region| {
            let step = |(channel, part): (Channel, &noise_measure::record::ComponentRecord)| {
                Some((channel, part.codes.as_ref()?.code_step?))
            };
            region.components.iter().filter_map(step).collect()
        });
        Self { id, json: Arc::new(SharedText { bytes, length }), steps }
    }

    /// The window as JSON.
    #[must_use]
    pub fn json(&self) -> &str {
        let text = self.json.bytes.get(..self.json.length).unwrap_or_default();
        std::str::from_utf8(text).unwrap_or_default()
    }

    fn step(&self, channel: Channel) -> Option<u32> {
        self.steps.iter().find(|(of, _)| *of == channel).map(|(_, step)| *step)
    }

    /// A string value that points into the shared bytes.
    fn shared_value(&self) -> glib::SendValue {
        // Of the slice: the bytes object has a pointer to itself by the same name.
        let text: &[u8] = &self.json.bytes;
        let mut value = glib::Value::from_type(glib::Type::STRING);
        // SAFETY: the value is of type string and the bytes end in a NUL. They never change or move, and outlive the
        // value: `attach` puts both into one structure, copies of which get a string of their own from GLib.
        unsafe {
            glib::gobject_ffi::g_value_set_static_string(value.to_glib_none_mut().0, text.as_ptr().cast());
            // SAFETY: strings may be sent between threads.
            glib::SendValue::unsafe_from(value.into_raw())
        }
    }
}

/// Puts the window meta on a buffer, in place of one from a meter further up.
///
/// # Errors
/// Where the meta is not registered.
pub fn attach(
    buffer: &mut gst::BufferRef,
    geometry: &Geometry,
    newest: Option<&Newest>,
) -> Result<(), glib::BoolError> {
    if let Ok(old) = gst::meta::CustomMeta::from_mut_buffer(buffer, WINDOW_META) {
        old.remove()?;
    }
    let mut meta = gst::meta::CustomMeta::add(buffer, WINDOW_META)?;
    let structure = meta.mut_structure();
    if let Some(newest) = newest {
        structure.set("id", newest.id);
        // Keeps alive what `json` points at.
        structure.set("json-bytes", &newest.json.bytes);
        structure.set_value("json", newest.shared_value());
    }
    structure.set("width", geometry.width);
    structure.set("height", geometry.height);
    structure.set("regions", geometry.regions());
    structure.set("clip", geometry.clip(newest));
    Ok(())
}

/// Marks every region on a buffer as a region of interest with the parameter `noisemeter`, whose `name` is the region's.
pub fn attach_regions(buffer: &mut gst::BufferRef, geometry: &Geometry) {
    for (id, (name, rect)) in geometry.regions.iter().enumerate() {
        let place = (rect.x, rect.y, rect.width, rect.height);
        let mut meta = VideoRegionOfInterestMeta::add(buffer, ROI_TYPE, place);
        meta.set_id(i32::try_from(id).unwrap_or(i32::MAX));
        meta.add_param(gst::Structure::builder(ROI_TYPE).field("name", name.as_str()).build());
    }
}

/// Appends the regions of interest of other elements as `roi-TYPE-ID`.
///
/// Letters that region names cannot have become `_`; a second one of the same name is left out.
pub fn add_upstream_regions(regions: &mut Vec<Region>, buffer: &gst::BufferRef, whole: Rect) {
    let foreign = buffer.iter_meta::<VideoRegionOfInterestMeta>().filter(|meta| meta.roi_type() != ROI_TYPE);
    for meta in foreign.take(MAX_UPSTREAM_REGIONS) {
        let name = region_name(meta.roi_type(), meta.id());
        if regions.iter().any(|region| region.name == name) {
            continue;
        }
        let (x, y, width, height) = meta.rect();
        let fits = |start: u32, size: u32, limit: u32| {
            size > 0 && start.checked_add(size).is_some_and(|end| end <= limit)
        };
        let inside = fits(x, width, whole.width) && fits(y, height, whole.height);
        regions.push(Region {
            name,
            role: None,
            reflectance: None,
            rect: Rect { x, y, width, height },
            inside,
        });
    }
}

fn region_name(kind: &str, id: i32) -> String {
    let tail = format!("-{id}");
    let room = MAX_NAME.saturating_sub("roi-".len() + tail.len());
    let plain = |letter: char| if letter.is_ascii_alphanumeric() || letter == '-' { letter } else { '_' };
    let kind: String = kind.chars().map(plain).take(room).collect();
    format!("roi-{kind}{tail}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_upstream_regions_are_region_names() {
        assert_eq!(region_name("face", 7), "roi-face-7");
        assert_eq!(region_name("a b/ü", -1), "roi-a_b__--1");
        let long = region_name(&"x".repeat(100), i32::MIN);
        assert_eq!(long.len(), MAX_NAME);
        assert!(long.ends_with("--2147483648"));
    }
}
