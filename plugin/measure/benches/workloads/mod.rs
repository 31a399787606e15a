//! What the benches measure: made-up pictures in a ring too long for any cache, and what is asked of each frame.
//!
//! The noisemeter-tests crate includes this file too, so that both speak of the same frames.

pub mod plain;

use std::sync::Arc;

use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};
use noise_measure::meter::{Carry, FrameTags, LightConfig, Meter, MeterConfig, TransferSource, WindowInfo};
use noise_measure::record::{VideoRecord, WindowRecord};
use noise_measure::region::{Grid, Rect, Region};
use noise_measure::transfer::Transfer;
use noise_measure::view::{ComponentView, Packing, Placement, Word};

/// How the samples of a picture lie in memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// Planes of 16-bit words of 10 bits, chroma at half width.
    I422Ten,
    /// Planes of 16-bit words of 10 bits, chroma at half width and height.
    I420Ten,
    /// A plane of bytes, and one of Cb and Cr in turn at half width and height.
    Nv12,
    /// Planes of bytes, chroma at half width and height.
    I420,
}

impl Layout {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::I422Ten, Self::I420Ten, Self::Nv12, Self::I420];

    /// GStreamer's name of it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::I422Ten => "I422_10LE",
            Self::I420Ten => "I420_10LE",
            Self::Nv12 => "NV12",
            Self::I420 => "I420",
        }
    }

    /// Significant bits.
    #[must_use]
    pub const fn depth(self) -> u32 {
        match self {
            Self::I422Ten | Self::I420Ten => 10,
            Self::Nv12 | Self::I420 => 8,
        }
    }

    /// How a code sits in its word.
    #[must_use]
    pub const fn packing(self) -> Packing {
        match self {
            Self::I422Ten | Self::I420Ten => Packing { word: Word::U16Le, shift: 0, depth: 10 },
            Self::Nv12 | Self::I420 => Packing { word: Word::U8, shift: 0, depth: 8 },
        }
    }

    /// Frames of this layout, narrow range.
    #[must_use]
    pub fn format(self, width: u32, height: u32) -> FrameFormat {
        let half = Sampling::subsampled(2);
        let below = if self == Self::I422Ten { Sampling::FULL } else { half };
        let component = |channel, horizontal, vertical| ComponentFormat {
            channel,
            depth: self.depth(),
            horizontal,
            vertical,
        };
        FrameFormat {
            width,
            height,
            components: vec![
                component(Channel::Y, Sampling::FULL, Sampling::FULL),
                component(Channel::Cb, half, below),
                component(Channel::Cr, half, below),
            ],
            model: Model::Yuv,
            range: Range::Narrow,
            matrix: Matrix::Bt709,
            scan: Scan::Progressive,
        }
    }

    /// Places of the three components in one block of memory without padding, and its size in bytes.
    #[must_use]
    pub fn placements(self, width: usize, height: usize) -> ([Placement; 3], usize) {
        let word = self.packing().word.bytes();
        let (w, h) = (width / 2, if self == Self::I422Ten { height } else { height / 2 });
        let luma = Placement { offset: 0, row_stride: width * word, sample_stride: word, width, height };
        let after = width * height * word;
        let chroma = |offset, row_stride, sample_stride| Placement {
            offset,
            row_stride,
            sample_stride,
            width: w,
            height: h,
        };
        let (cb, cr) = if self == Self::Nv12 {
            (chroma(after, width, 2), chroma(after + 1, width, 2))
        } else {
            (chroma(after, w * word, word), chroma(after + w * h * word, w * word, word))
        };
        ([luma, cb, cr], after + 2 * w * h * word)
    }
}

/// Successive frames of one layout; frame 0 follows the last.
#[derive(Debug)]
pub struct Ring {
    /// How the samples lie.
    pub layout: Layout,
    /// What the frames are.
    pub format: FrameFormat,
    placements: [Placement; 3],
    frames: Vec<Arc<[u8]>>,
}

impl Ring {
    /// `count` frames of a ramp with 24 even patches, a lamp and a hole that clip, and noise over all of it.
    #[must_use]
    pub fn new(layout: Layout, width: u32, height: u32, count: usize) -> Self {
        let (w, h) = (width as usize, height as usize);
        let (placements, size) = layout.placements(w, h);
        let frames = (0..count).map(|index| picture(layout, &placements, size, index as u64)).collect();
        Self { layout, format: layout.format(width, height), placements, frames }
    }

    /// Number of frames.
    #[must_use]
    pub fn count(&self) -> usize {
        self.frames.len()
    }

    /// The bytes of frame `index`, counted round the ring.
    #[must_use]
    pub fn frame(&self, index: usize) -> &Arc<[u8]> {
        &self.frames[index % self.frames.len()]
    }

    /// Its components.
    #[must_use]
    pub fn views(&self, index: usize) -> [ComponentView<'_>; 3] {
        let bytes: &[u8] = self.frame(index);
        let mut components = self.format.components.iter();
        self.placements.map(|placement| {
            let channel = components.next().expect("three components").channel;
            ComponentView::new(channel, bytes, placement, self.layout.packing())
                .expect("it lies in the frame")
        })
    }
}

/// One frame. Codes stand at 10 bits and are cut to 8 where the layout has those.
fn picture(layout: Layout, placements: &[Placement; 3], size: usize, seed: u64) -> Arc<[u8]> {
    let mut bytes = vec![0u8; size];
    let mut state = 0x9e37_79b9_7f4a_7c15 ^ seed.wrapping_mul(0xd1b5_4a32_d192_ed03);
    for (component, place) in placements.iter().enumerate() {
        for y in 0..place.height {
            let row = place.offset + y * place.row_stride;
            for x in 0..place.width {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                // The sum of four bytes is near enough to normal; its spread is some 148, so noise has 4.6 codes.
                let noise = (state >> 32).to_be_bytes()[4..].iter().map(|&b| i32::from(b)).sum::<i32>() - 510;
                let level = level(component, x * 1000 / place.width, y * 1000 / place.height);
                let code = (level + (noise >> 5)).clamp(0, 1023);
                let at = row + x * place.sample_stride;
                if layout.depth() == 10 {
                    bytes[at..at + 2].copy_from_slice(&(code as u16).to_le_bytes());
                } else {
                    bytes[at] = (code >> 2) as u8;
                }
            }
        }
    }
    bytes.into()
}

/// Mean code of `component` at thousandths of width and height.
fn level(component: usize, x: usize, y: usize) -> i32 {
    if component > 0 {
        return 512 + (x as i32 - 500) / 10;
    }
    match (x, y) {
        (960.., ..30) => 1018,
        (..40, ..30) => 5,
        _ if x * 6 % 1000 / 250 % 2 == 1 && y * 4 % 1000 / 250 % 2 == 1 => 100 + (x * 6 / 1000 * 120) as i32,
        _ => 120 + (x * 7 / 10) as i32,
    }
}

/// Disjoint even-placed squares of `size` pixels, `cols` × `rows` of them.
#[must_use]
pub fn patches(format: &FrameFormat, cols: u32, rows: u32, size: u32) -> Vec<Region> {
    let (across, down) = (format.width / cols, format.height / rows);
    let place = |i: u32, pitch: u32| (i * pitch + (pitch - size) / 2) & !1;
    (0..cols * rows)
        .map(|i| Region {
            name: format!("p{i}"),
            role: None,
            reflectance: None,
            rect: Rect { x: place(i % cols, across), y: place(i / cols, down), width: size, height: size },
            inside: true,
        })
        .collect()
}

/// What is asked of every frame.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// Patches.
    pub regions: Vec<Region>,
    /// Whether they get the full set.
    pub full: bool,
    /// Cells.
    pub grid: Option<Grid>,
}

impl Asked {
    /// 24 squares of `size` pixels.
    #[must_use]
    pub fn patches(format: &FrameFormat, size: u32, full: bool) -> Self {
        Self { regions: patches(format, 6, 4, size), full, grid: None }
    }

    /// 16 × 9 cells and no region.
    #[must_use]
    pub fn grid() -> Self {
        Self { grid: Some(Grid { cols: 16, rows: 9 }), ..Self::default() }
    }

    /// A meter that does it.
    #[must_use]
    pub fn meter(&self, format: &FrameFormat) -> Meter {
        Meter::new(MeterConfig {
            format: format.clone(),
            active: Rect { x: 0, y: 0, width: format.width, height: format.height },
            regions: self.regions.clone(),
            grid: self.grid,
            full_set_share: (!self.full).then_some(0.0),
        })
    }

    /// Measures frame `index` of `ring`; `follows` where the one before was measured last.
    pub fn add(&self, meter: &mut Meter, ring: &Ring, index: usize, follows: bool) {
        let tags = FrameTags { hole_before: !follows, ..FrameTags::default() };
        let views = ring.views(index);
        let done = if follows && self.grid.is_some() {
            meter.add(&views, &ring.views(index + ring.count() - 1), tags)
        } else {
            meter.add(&views, &[], tags)
        };
        done.expect("frames of the format that the meter was made for");
    }

    /// The record of the first `frames` of `ring`.
    #[must_use]
    pub fn record(&self, ring: &Ring, frames: usize) -> WindowRecord {
        let mut meter = self.meter(&ring.format);
        for index in 0..frames {
            self.add(&mut meter, ring, index, index > 0);
        }
        let closed = meter.close().expect("frames came");
        closed.evaluate(&mut Carry::default(), info(ring.layout, &ring.format))
    }
}

/// What a window of such frames is told beside them.
#[must_use]
pub fn info(layout: Layout, format: &FrameFormat) -> WindowInfo {
    WindowInfo {
        timestamp: None,
        stream_time: None,
        running_time: None,
        duration: None,
        rate: 1.0,
        partial: false,
        frame_rate: 25.0,
        video: VideoRecord {
            width: format.width,
            height: format.height,
            format: layout.name().into(),
            depth: layout.depth(),
            range: "narrow".into(),
            matrix: Some("bt709".into()),
            transfer: "bt709".into(),
            interlace: "progressive".into(),
            framerate: "25/1".into(),
            assumed: Vec::new(),
        },
        light: LightConfig { transfer: Transfer::Bt709, source: TransferSource::Caps },
        outside_r103: None,
        notes: Vec::new(),
    }
}

/// One read of a frame: what no meter can be faster than.
#[must_use]
pub fn read(bytes: &[u8]) -> u64 {
    let (words, rest) = bytes.as_chunks::<64>();
    let mut sums = [0u64; 8];
    for word in words {
        for (sum, part) in sums.iter_mut().zip(word.as_chunks::<8>().0) {
            *sum = sum.wrapping_add(u64::from_le_bytes(*part));
        }
    }
    let sum = sums.iter().fold(0u64, |all, sum| all.wrapping_add(*sum));
    rest.iter().fold(sum, |sum, &byte| sum.wrapping_add(u64::from(byte)))
}
