//! Pictures and noise for tests: the same numbers on every machine.

mod random;

use std::cell::RefCell;

use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};
use noise_measure::meter::{FrameTags, LightConfig, Meter, MeterConfig, TransferSource, WindowInfo};
use noise_measure::record::VideoRecord;
use noise_measure::region::{Grid, Rect, Region};
use noise_measure::transfer::Transfer;
use noise_measure::view::{ComponentView, Packing, Placement, Word};
pub use random::Random;

/// A planar picture of `depth` bits, one vector a component.
pub type Picture = Vec<Vec<u16>>;

pub struct Setup {
    pub config: MeterConfig,
    pub rate: f64,
    pub range: &'static str,
    /// Planes of the buffer of each parity that was fed last, which grids are lent.
    last: RefCell<[Option<Planes>; 2]>,
}

/// Bytes of a picture's components and where their samples lie.
type Planes = Vec<(Vec<u8>, Placement, Packing, Channel)>;

impl Setup {
    pub fn new(model: Model, width: u32, height: u32, depth: u32) -> Self {
        let channels: &[Channel] = match model {
            Model::Gray => &[Channel::Y],
            Model::Yuv => &[Channel::Y, Channel::Cb, Channel::Cr],
            Model::Rgb => &[Channel::R, Channel::G, Channel::B],
            Model::Bayer => &[Channel::R, Channel::G1, Channel::G2, Channel::B],
        };
        let components = channels
            .iter()
            .map(|&channel| ComponentFormat {
                channel,
                depth,
                horizontal: Sampling::FULL,
                vertical: Sampling::FULL,
            })
            .collect();
        let frame = Rect { x: 0, y: 0, width, height };
        Self {
            config: MeterConfig {
                format: FrameFormat {
                    width,
                    height,
                    components,
                    model,
                    range: Range::Full,
                    matrix: Matrix::Bt709,
                    scan: Scan::Progressive,
                },
                active: frame,
                regions: vec![region("whole", frame)],
                grid: None,
                full_set_share: None,
            },
            rate: 25.0,
            range: "full",
            last: RefCell::default(),
        }
    }

    pub fn grid(mut self, cols: u32, rows: u32) -> Self {
        self.config.grid = Some(Grid { cols, rows });
        self
    }

    pub fn meter(&self) -> Meter {
        Meter::new(self.config.clone())
    }

    /// Feeds one picture, its rows `pad` samples apart beyond their length.
    pub fn add(&self, meter: &mut Meter, picture: &Picture, pad: usize, tags: FrameTags) {
        let format = &self.config.format;
        let planes: Planes = format
            .components
            .iter()
            .zip(picture)
            .map(|(component, codes)| {
                let width = component.horizontal.count(format.width) as usize;
                let height = component.vertical.count(format.height) as usize;
                let stride = 2 * (width + pad);
                // What pads must not be seen.
                let mut bytes = vec![0xA5; stride * height];
                for (row, line) in codes.chunks(width).zip(bytes.chunks_mut(stride)) {
                    for (code, at) in row.iter().zip(line.chunks_mut(2)) {
                        at.copy_from_slice(&code.to_le_bytes());
                    }
                }
                let placement = Placement { offset: 0, row_stride: stride, sample_stride: 2, width, height };
                let packing = Packing { word: Word::U16Le, shift: 0, depth: component.depth };
                (bytes, placement, packing, component.channel)
            })
            .collect();
        let mut last = self.last.borrow_mut();
        let before = last[tags.parity].take().filter(|_| self.config.grid.is_some());
        let old = before.as_ref().map(views).unwrap_or_default();
        meter.add(&views(&planes), &old, tags).expect("views of the format");
        // A marked repetition is not read, so the one before stays the last.
        last[tags.parity] = if tags.gap { before } else { Some(planes) };
    }

    pub fn info(&self, index: u64) -> WindowInfo {
        let format = &self.config.format;
        let start = index * 1_000_000_000;
        WindowInfo {
            timestamp: Some(start),
            stream_time: Some(start),
            running_time: Some(start),
            duration: Some(1_000_000_000),
            rate: 1.0,
            partial: false,
            frame_rate: self.rate,
            video: VideoRecord {
                width: format.width,
                height: format.height,
                format: "TEST".into(),
                depth: format.components[0].depth,
                range: self.range.into(),
                matrix: Some("bt709".into()),
                transfer: "bt709".into(),
                interlace: "progressive".into(),
                framerate: format!("{}/1", self.rate),
                assumed: Vec::new(),
            },
            light: LightConfig { transfer: Transfer::Bt709, source: TransferSource::Caps },
            outside_r103: None,
            notes: Vec::new(),
        }
    }
}

fn views(planes: &Planes) -> Vec<ComponentView<'_>> {
    planes
        .iter()
        .map(|(bytes, placement, packing, channel)| {
            ComponentView::new(*channel, bytes, *placement, *packing).expect("samples lie inside")
        })
        .collect()
}

pub fn region(name: &str, rect: Rect) -> Region {
    Region { name: name.into(), role: None, reflectance: None, rect, inside: true }
}

/// Frames of grey `level` with white noise of `sigma` codes, one component a channel of `setup`.
pub fn noisy(setup: &Setup, seed: u64, frames: usize, level: f64, sigma: f64) -> Vec<Picture> {
    let mut random = Random(seed);
    let format = &setup.config.format;
    let top = ((1u32 << format.components[0].depth) - 1) as f64;
    (0..frames)
        .map(|_| {
            format
                .components
                .iter()
                .map(|component| {
                    let count =
                        component.horizontal.count(format.width) * component.vertical.count(format.height);
                    (0..count)
                        .map(|_| (level + sigma * random.normal()).round().clamp(0.0, top) as u16)
                        .collect()
                })
                .collect()
        })
        .collect()
}
