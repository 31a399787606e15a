//! What a frame is made of: components, their place over the picture, range and matrix.

use serde::{Deserialize, Serialize};

/// A colour component, by the name it has in every result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Channel {
    /// Luma, or the one component of a grey picture.
    Y,
    /// Blue colour difference.
    Cb,
    /// Red colour difference.
    Cr,
    /// Red.
    R,
    /// Green.
    G,
    /// Blue.
    B,
    /// Green of the Bayer rows that also hold red.
    G1,
    /// Green of the Bayer rows that also hold blue.
    G2,
}

impl Channel {
    /// The name in results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Y => "Y",
            Self::Cb => "Cb",
            Self::Cr => "Cr",
            Self::R => "R",
            Self::G => "G",
            Self::B => "B",
            Self::G1 => "G1",
            Self::G2 => "G2",
        }
    }

    /// Whether codes are a colour difference, zero at mid scale.
    #[must_use]
    pub const fn is_chroma(self) -> bool {
        matches!(self, Self::Cb | Self::Cr)
    }
}

/// Which set of components a frame has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// Y alone.
    Gray,
    /// Y, Cb, Cr.
    Yuv,
    /// R, G, B; Y, Cb and Cr are derived at a window's end.
    Rgb,
    /// R, G1, G2, B of a colour filter mosaic.
    Bayer,
}

/// Relation between code values and nominal levels, at `depth` bits n.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Range {
    /// Black at 16·2^(n−8), white at 235·2^(n−8), chroma ±112·2^(n−8) (ITU-R BT.709, BT.2100).
    Narrow,
    /// Black at 0, white at 2ⁿ − 1.
    Full,
    /// Fixed point of a linear float picture: code = round(65535·x/8), 100 % is x = 1.
    Fixed,
}

/// Code value that fixed-point pictures give to 1.0.
pub const FIXED_POINT_ONE: f64 = 65535.0 / 8.0;

/// Luma weights of a colour matrix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Matrix {
    /// ITU-R BT.601: 0.299, 0.587, 0.114.
    Bt601,
    /// ITU-R BT.709: 0.2126, 0.7152, 0.0722.
    Bt709,
    /// ITU-R BT.2020: 0.2627, 0.6780, 0.0593.
    Bt2020,
}

impl Matrix {
    /// Weights of R, G and B in Y; they sum to 1.
    #[must_use]
    pub const fn luma_weights(self) -> [f64; 3] {
        match self {
            Self::Bt601 => [0.299, 0.587, 0.114],
            Self::Bt709 => [0.2126, 0.7152, 0.0722],
            Self::Bt2020 => [0.2627, 0.6780, 0.0593],
        }
    }

    /// Rows Y, Cb, Cr of the matrix from R, G, B, all in percent (chroma ±50).
    #[must_use]
    pub fn rows(self) -> [[f64; 3]; 3] {
        let [kr, kg, kb] = self.luma_weights();
        let (db, dr) = (2.0 * (1.0 - kb), 2.0 * (1.0 - kr));
        [[kr, kg, kb], [-kr / db, -kg / db, (1.0 - kb) / db], [(1.0 - kr) / dr, -kg / dr, -kb / dr]]
    }

    /// The name used in settings and results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Bt601 => "bt601",
            Self::Bt709 => "bt709",
            Self::Bt2020 => "bt2020",
        }
    }
}

/// How the lines of a buffer belong to fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scan {
    /// One picture a buffer.
    Progressive,
    /// Two fields a buffer, on alternate rows.
    Interleaved,
    /// One field a buffer; which one comes with each frame.
    Alternate,
}

/// Place of a component's samples along one axis of the picture, in pixels.
///
/// Sample i covers pixels `i·step + phase .. i·step + phase + footprint`, cut to the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sampling {
    /// Pixels from a sample to the next.
    pub step: u32,
    /// First pixel of sample 0.
    pub phase: u32,
    /// Pixels that one sample stands for.
    pub footprint: u32,
}

impl Sampling {
    /// One sample a pixel.
    pub const FULL: Self = Self { step: 1, phase: 0, footprint: 1 };

    /// One sample for every `step` pixels, standing for all of them.
    #[must_use]
    pub const fn subsampled(step: u32) -> Self {
        Self { step, phase: 0, footprint: step }
    }

    /// Every second pixel from `phase`, standing for itself alone: one colour of a mosaic.
    #[must_use]
    pub const fn mosaic(phase: u32) -> Self {
        Self { step: 2, phase, footprint: 1 }
    }

    /// Samples that a picture of `size` pixels has.
    #[must_use]
    pub const fn count(self, size: u32) -> u32 {
        if size <= self.phase { 0 } else { (size - self.phase).div_ceil(self.step) }
    }

    /// First sample and end (exclusive) of the samples whose whole footprint, first cut to the
    /// picture of `size` pixels, lies in pixels `start..end`.
    #[must_use]
    pub fn inside(self, size: u32, start: u32, end: u32) -> (u32, u32) {
        let count = self.count(size);
        let first = start.saturating_sub(self.phase).div_ceil(self.step).min(count);
        // Largest i with min(i·step + phase + footprint, size) <= end, plus one.
        let last = if end >= size {
            count
        } else if end < self.phase + self.footprint {
            0
        } else {
            ((end - self.phase - self.footprint) / self.step + 1).min(count)
        };
        (first, last.max(first))
    }
}

/// One component of a format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ComponentFormat {
    /// Which one.
    pub channel: Channel,
    /// Significant bits of its codes; RGB 5-6-5 has other depths for its components.
    pub depth: u32,
    /// Place along x.
    pub horizontal: Sampling,
    /// Place along y, in lines of a field where the scan has fields.
    pub vertical: Sampling,
}

/// Everything about the frames of one stream that the numbers depend on.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameFormat {
    /// Pixels a row.
    pub width: u32,
    /// Rows of a frame (of both fields together).
    pub height: u32,
    /// Components in the order of the views.
    pub components: Vec<ComponentFormat>,
    /// Set of components.
    pub model: Model,
    /// Meaning of the codes.
    pub range: Range,
    /// Luma weights, for derived components.
    pub matrix: Matrix,
    /// Fields.
    pub scan: Scan,
}

impl FrameFormat {
    /// Levels of the codes of `channel` at `depth` bits.
    #[must_use]
    pub fn scale(&self, channel: Channel, depth: u32) -> Scale {
        Scale::new(self.range, channel, depth)
    }

    /// Lines of the field with `parity`, or of the frame when it is progressive.
    #[must_use]
    pub fn lines(&self, parity: usize) -> u32 {
        match self.scan {
            Scan::Progressive => self.height,
            Scan::Interleaved | Scan::Alternate => (self.height + 1 - (parity as u32 & 1)) / 2,
        }
    }
}

/// Linear map from codes to percent of nominal range (ITU-R BT.709 / BT.2100 quantisation).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Code of 0 %.
    pub black: f64,
    /// Codes from 0 % to 100 %.
    pub span: f64,
}

impl Scale {
    /// The scale of one channel.
    #[must_use]
    pub fn new(range: Range, channel: Channel, depth: u32) -> Self {
        let unit = f64::from(depth).exp2() / 256.0;
        let chroma = channel.is_chroma();
        match range {
            // Below 8 bits there are no codes for the offsets of narrow range: such components are read as full.
            Range::Narrow if depth >= 8 && chroma => Self { black: 128.0 * unit, span: 224.0 * unit },
            Range::Narrow if depth >= 8 => Self { black: 16.0 * unit, span: 219.0 * unit },
            Range::Narrow | Range::Full => {
                Self { black: if chroma { 128.0 * unit } else { 0.0 }, span: 256.0 * unit - 1.0 }
            }
            Range::Fixed => Self { black: 0.0, span: FIXED_POINT_ONE },
        }
    }

    /// Percent of nominal range at `code`.
    #[must_use]
    pub fn percent(self, code: f64) -> f64 {
        100.0 * (code - self.black) / self.span
    }

    /// Percent that a spread of `codes` is.
    #[must_use]
    pub fn spread(self, codes: f64) -> f64 {
        100.0 * codes / self.span
    }
}
