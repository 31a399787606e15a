//! What caps say about a stream's frames, and what a buffer's metas say about one frame.

use gst_video::{VideoInfo, VideoInterlaceMode};
use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};
use noise_measure::view::{Packing, Word};

use super::error::ReadError;
use super::table::{self, Component, Place};

/// Planes that a buffer can have.
const MAX_PLANES: usize = gst_video::VIDEO_MAX_PLANES;

/// Why frames of these caps cannot be measured.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadCaps {
    /// The library cannot make sense of them.
    #[error("caps {0} do not describe raw video")]
    NotVideo(String),
    /// A format that has no reader.
    #[error("frames of format {0} cannot be read")]
    Format(String),
    /// Two fields in one buffer, told apart by view.
    #[error("interlace-mode=fields is not measured; use interleaved or alternate")]
    Fields,
}

/// Frames of one stream: size, components, and where they lie where no meta says otherwise.
#[derive(Debug, Clone)]
pub struct Layout {
    name: String,
    model: Model,
    components: Vec<Component>,
    /// Plane and place of opacity.
    alpha: Option<(usize, Place)>,
    bayer: Option<Bayer>,
    width: u32,
    height: u32,
    scan: Scan,
    planes: [Plane; MAX_PLANES],
    n_planes: usize,
    format: gst_video::VideoFormat,
}

/// First byte of a plane and bytes from a row to the next.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Plane {
    pub offset: usize,
    pub stride: usize,
}

/// Columns and rows (0 or 1) of R, G1, G2 and B in each 2 × 2 pixels.
type Bayer = [(u32, u32); 4];

/// The visible part of one buffer's frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Picture {
    /// Left edge in the stored frame.
    pub(super) x: u32,
    /// Upper edge in the stored frame; lines of a field where a buffer holds one.
    pub(super) y: u32,
    /// Pixels a row.
    pub width: u32,
    /// Rows of a frame.
    pub height: u32,
    pub(super) planes: [Plane; MAX_PLANES],
}

impl Picture {
    /// What the format of its components depends on: size, and place relative to shared chroma samples.
    #[must_use]
    pub fn shape(&self) -> (u32, u32, u32, u32) {
        (self.width, self.height, self.x % 4, self.y % 8)
    }
}

impl Layout {
    /// Reads caps of `video/x-raw` or `video/x-bayer`.
    ///
    /// # Errors
    /// [`BadCaps`] for formats outside [`FORMATS`](super::FORMATS) and caps that are not fixed.
    pub fn from_caps(caps: &gst::CapsRef) -> Result<Self, BadCaps> {
        let bad = || BadCaps::NotVideo(caps.to_string());
        let structure = caps.structure(0).ok_or_else(bad)?;
        if structure.name() == "video/x-bayer" {
            return Self::bayer(structure).ok_or_else(bad);
        }
        let info = VideoInfo::from_caps(caps).map_err(|_| bad())?;
        let (model, components) =
            table::components(info.format()).ok_or_else(|| BadCaps::Format(info.format().to_string()))?;
        let scan = match info.interlace_mode() {
            VideoInterlaceMode::Progressive => Scan::Progressive,
            // Progressive frames of a mixed stream are measured as two stacks of lines as well: noise, clipping and
            // levels of a line do not depend on which lines were exposed together, and one stream keeps one scan.
            VideoInterlaceMode::Interleaved | VideoInterlaceMode::Mixed => Scan::Interleaved,
            VideoInterlaceMode::Alternate => Scan::Alternate,
            _ => return Err(BadCaps::Fields),
        };
        let mut planes = [Plane::default(); MAX_PLANES];
        for (plane, (&offset, &stride)) in planes.iter_mut().zip(info.offset().iter().zip(info.stride())) {
            *plane = Plane { offset, stride: usize::try_from(stride).map_err(|_| bad())? };
        }
        Ok(Self {
            name: info.format().to_string(),
            model,
            components,
            alpha: table::alpha(info.format()),
            bayer: None,
            width: info.width(),
            height: info.height(),
            scan,
            planes,
            n_planes: info.n_planes() as usize,
            format: info.format(),
        })
    }

    fn bayer(structure: &gst::StructureRef) -> Option<Self> {
        let size = |field| structure.get::<i32>(field).ok().and_then(|size| u32::try_from(size).ok());
        let (width, height) = (size("width").filter(|&w| w > 0)?, size("height").filter(|&h| h > 0)?);
        let pattern = structure.get::<&str>("format").ok()?;
        let at = |letter: u8, beside: u8| {
            let cells = pattern.as_bytes();
            let row = |y: usize| cells.get(2 * y..2 * y + 2);
            (0..2usize).find_map(|y| {
                let row = row(y)?;
                let x = row.iter().position(|&cell| cell == letter)?;
                (row.get(1 - x) == Some(&beside)).then_some((x as u32, y as u32))
            })
        };
        let bayer = [at(b'r', b'g')?, at(b'g', b'r')?, at(b'g', b'b')?, at(b'b', b'g')?];
        let mut planes = [Plane::default(); MAX_PLANES];
        // The one layout that elements of 1.22 write: rows padded to four bytes.
        planes[0].stride = usize::try_from(width).ok()?.checked_next_multiple_of(4)?;
        Some(Self {
            name: format!("bayer-{pattern}"),
            model: Model::Bayer,
            components: Vec::new(),
            alpha: None,
            bayer: Some(bayer),
            width,
            height,
            scan: Scan::Progressive,
            planes,
            n_planes: 1,
            format: gst_video::VideoFormat::Encoded,
        })
    }

    /// Name of the format as in caps; `bayer-rggb` and the like for mosaics.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Most significant bits that a component has.
    #[must_use]
    pub fn depth(&self) -> u32 {
        self.components.iter().map(|component| component.depth).max().unwrap_or(8)
    }

    /// Set of components.
    #[must_use]
    pub fn model(&self) -> Model {
        self.model
    }

    /// Fields.
    #[must_use]
    pub fn scan(&self) -> Scan {
        self.scan
    }

    /// The picture of a buffer without metas.
    #[must_use]
    pub fn whole(&self) -> Picture {
        Picture { x: 0, y: 0, width: self.width, height: self.height, planes: self.planes }
    }

    /// Lines that a buffer holds for a frame of `height` lines.
    fn stored(&self, height: u32) -> u32 {
        if self.scan == Scan::Alternate { height.div_ceil(2) } else { height }
    }

    /// Applies a buffer's VideoMeta and VideoCropMeta; whether the rows lie inside the buffer is checked on reading.
    ///
    /// # Errors
    /// [`ReadError`] where a meta contradicts the caps or itself.
    pub fn locate(&self, buffer: &gst::BufferRef) -> Result<Picture, ReadError> {
        let mut picture = self.whole();
        let (mut width, mut height) = (self.width, self.stored(self.height));
        if let Some(meta) = buffer.meta::<gst_video::VideoMeta>() {
            if self.bayer.is_none() && meta.format() != self.format {
                return Err(ReadError::MetaFormat {
                    meta: meta.format().to_string(),
                    caps: self.name.clone(),
                });
            }
            if meta.n_planes() as usize != self.n_planes {
                return Err(ReadError::MetaPlanes { meta: meta.n_planes(), caps: self.n_planes });
            }
            let given = meta.offset().iter().zip(meta.stride()).take(self.n_planes);
            for (plane, (&offset, &stride)) in picture.planes.iter_mut().zip(given) {
                let stride = usize::try_from(stride).ok().filter(|&stride| stride > 0);
                *plane = Plane { offset, stride: stride.ok_or(ReadError::MetaStride)? };
            }
            (width, height) = (meta.width(), meta.height());
        }
        if let Some(crop) = buffer.meta::<gst_video::VideoCropMeta>() {
            let (x, y, w, h) = crop.rect();
            let inside = |start: u32, size: u32, limit: u32| {
                size > 0 && start.checked_add(size).is_some_and(|end| end <= limit)
            };
            if !inside(x, w, width) || !inside(y, h, height) {
                return Err(ReadError::Crop {
                    x,
                    y,
                    width: w,
                    height: h,
                    frame_width: width,
                    frame_height: height,
                });
            }
            let whole_field = self.scan == Scan::Alternate && h == self.stored(self.height);
            let frame_height = match self.scan {
                Scan::Alternate if !whole_field => h.saturating_mul(2),
                Scan::Alternate => self.height,
                Scan::Progressive | Scan::Interleaved => h,
            };
            picture = Picture { x, y, width: w, height: frame_height, ..picture };
            if self.scan == Scan::Interleaved && y % 2 == 1 && self.components.iter().any(|c| c.h_sub > 0) {
                return Err(ReadError::CropField { y });
            }
        } else if width < self.width || height < self.stored(self.height) {
            return Err(ReadError::MetaSize {
                width,
                height,
                caps_width: self.width,
                caps_height: self.stored(self.height),
            });
        }
        Ok(picture)
    }

    /// The format of `picture` for the core.
    #[must_use]
    pub fn frame_format(&self, picture: &Picture, range: Range, matrix: Matrix) -> FrameFormat {
        let parts = self.parts(picture);
        FrameFormat {
            width: picture.width,
            height: picture.height,
            components: parts.iter().map(|part| part.format).collect(),
            model: self.model,
            range,
            matrix,
            scan: self.scan,
        }
    }

    /// Every component over `picture`, with the first sample of it to read.
    pub(super) fn parts(&self, picture: &Picture) -> Vec<Part> {
        if let Some(bayer) = self.bayer {
            return bayer.iter().zip(MOSAIC).map(|(&at, channel)| mosaic(channel, at, picture)).collect();
        }
        // Lines of a field count where there are fields, and both fields of an even start begin alike.
        let first_line = if self.scan == Scan::Interleaved { picture.y / 2 } else { picture.y };
        self.components
            .iter()
            .map(|component| {
                let (horizontal, x) = start(component.w_sub, picture.x);
                let (vertical, line) = start(component.h_sub, first_line);
                let y = if self.scan == Scan::Interleaved {
                    if component.h_sub == 0 { picture.y } else { 2 * line }
                } else {
                    line
                };
                let format = ComponentFormat {
                    channel: component.channel,
                    depth: component.depth,
                    horizontal,
                    vertical,
                };
                Part { format, plane: component.plane, place: component.place, x, y, row_step: 1 }
            })
            .collect()
    }

    /// Opacity over `picture`; it has a depth and a place, and no channel of its own in results.
    pub(super) fn alpha(&self, picture: &Picture) -> Option<Part> {
        let (plane, place) = self.alpha?;
        let Place::Words { packing, .. } = place else { return None };
        let format = ComponentFormat {
            channel: Channel::Y,
            depth: packing.depth,
            horizontal: Sampling::FULL,
            vertical: Sampling::FULL,
        };
        Some(Part { format, plane, place, x: picture.x, y: picture.y, row_step: 1 })
    }

    /// Rows of a component with `vertical` sampling that a buffer holds for `picture`; `parity` as in alternate fields.
    pub(super) fn rows(&self, vertical: Sampling, picture: &Picture, parity: usize) -> u32 {
        let (upper, lower) = (picture.height.div_ceil(2), picture.height / 2);
        match self.scan {
            Scan::Progressive => vertical.count(picture.height),
            Scan::Interleaved => vertical.count(upper) + vertical.count(lower),
            Scan::Alternate => vertical.count(if parity == 1 { lower } else { upper }),
        }
    }
}

const MOSAIC: [Channel; 4] = [Channel::R, Channel::G1, Channel::G2, Channel::B];

/// A component over a picture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Part {
    pub format: ComponentFormat,
    pub plane: usize,
    pub place: Place,
    /// First sample of a row to read.
    pub x: u32,
    /// First row of the plane to read.
    pub y: u32,
    /// Rows of the plane from a row of the component to the next.
    pub row_step: u32,
}

impl Part {
    /// Whether samples of both have bits in the same words.
    pub(super) fn shares_words(&self, other: &Self) -> bool {
        match (self.place, other.place) {
            (Place::Words { offset: a, .. }, Place::Words { offset: b, .. }) => {
                self.plane == other.plane && a == b
            }
            // Patterns are written bit by bit, whoever is in them.
            _ => self.plane == other.plane,
        }
    }
}

/// Sampling from pixel `first` on and the first sample that lies wholly behind it.
///
/// A sample that a crop cuts on its left or upper side is left out: its place in the picture would be negative.
fn start(log2: u32, first: u32) -> (Sampling, u32) {
    let step = 1 << log2;
    let sample = first.div_ceil(step);
    (Sampling { step, phase: sample * step - first, footprint: step }, sample)
}

fn mosaic(channel: Channel, (column, row): (u32, u32), picture: &Picture) -> Part {
    let phase = |at: u32, first: u32| (at + first) % 2;
    let (x, y) = (phase(column, picture.x), phase(row, picture.y));
    Part {
        format: ComponentFormat {
            channel,
            depth: 8,
            horizontal: Sampling::mosaic(x),
            vertical: Sampling::mosaic(y),
        },
        plane: 0,
        place: Place::Words {
            offset: (picture.x + x) as usize,
            stride: 2,
            packing: Packing { word: Word::U8, shift: 0, depth: 8 },
        },
        x: 0,
        y: picture.y + y,
        row_step: 2,
    }
}
