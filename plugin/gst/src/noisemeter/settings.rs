//! Properties as the user wrote them, and what they mean once read.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use noise_measure::format::{Matrix, Range};
use noise_measure::region::{self, Grid, Length, MAX_REGIONS, Rect, RegionSpec};
use noise_measure::transfer::Transfer;

use crate::colorimetry::Overrides;

/// Default length of a window.
pub const DEFAULT_INTERVAL: u64 = 1_000_000_000;
/// Shortest window.
pub const MIN_INTERVAL: u64 = 10_000_000;
/// Default heights for `delivered`.
pub const DEFAULT_DELIVERY_HEIGHTS: &str = "2160,1080";
/// Most heights, and the largest.
const MAX_HEIGHTS: (usize, u32) = (8, 16384);
/// Largest layout file: room for 4096 regions at a kilobyte each, and some.
const MAX_LAYOUT_BYTES: u64 = 8 << 20;
/// Smallest, default and largest exponent of transfer `gamma`.
pub const GAMMA: (f64, f64, f64) = (0.1, 2.2, 10.0);

/// How samples become light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, glib::Enum)]
#[enum_type(name = "GstNoiseMeterTransfer")]
pub enum TransferSetting {
    /// As the caps say, else assumed.
    #[default]
    #[enum_value(name = "From the caps, else assumed", nick = "auto")]
    Auto,
    /// ITU-R BT.709, BT.601 and BT.2020.
    #[enum_value(name = "ITU-R BT.709, BT.601, BT.2020 camera curve", nick = "bt709")]
    Bt709,
    /// ITU-R BT.1886.
    #[enum_value(name = "ITU-R BT.1886 display curve", nick = "bt1886")]
    Bt1886,
    /// IEC 61966-2-1.
    #[enum_value(name = "IEC 61966-2-1 sRGB", nick = "srgb")]
    Srgb,
    /// SMPTE ST 2084.
    #[enum_value(name = "SMPTE ST 2084 perceptual quantizer", nick = "pq")]
    Pq,
    /// ITU-R BT.2100 hybrid log-gamma.
    #[enum_value(name = "ITU-R BT.2100 hybrid log-gamma", nick = "hlg")]
    Hlg,
    /// ACES S-2016-001.
    #[enum_value(name = "ACEScct", nick = "acescct")]
    AcesCct,
    /// ACES S-2014-003.
    #[enum_value(name = "ACEScc", nick = "acescc")]
    AcesCc,
    /// No curve.
    #[enum_value(name = "Samples are linear light", nick = "linear")]
    Linear,
    /// A power law with the property `gamma`.
    #[enum_value(name = "Power law with the exponent of property gamma", nick = "gamma")]
    Gamma,
}

impl TransferSetting {
    /// The curve, `gamma` being the exponent of [`TransferSetting::Gamma`]; `None` for auto.
    #[must_use]
    pub fn curve(self, gamma: f64) -> Option<Transfer> {
        Some(match self {
            Self::Auto => return None,
            Self::Bt709 => Transfer::Bt709,
            Self::Bt1886 => Transfer::Bt1886,
            Self::Srgb => Transfer::Srgb,
            Self::Pq => Transfer::Pq,
            Self::Hlg => Transfer::Hlg,
            Self::AcesCct => Transfer::AcesCct,
            Self::AcesCc => Transfer::AcesCc,
            Self::Linear => Transfer::Linear,
            Self::Gamma => Transfer::Gamma(gamma),
        })
    }
}

/// Meaning of code values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, glib::Enum)]
#[enum_type(name = "GstNoiseMeterRange")]
pub enum RangeSetting {
    /// As the caps say, else assumed.
    #[default]
    #[enum_value(name = "From the caps, else assumed", nick = "auto")]
    Auto,
    /// 16 to 235 in 8 bit.
    #[enum_value(name = "Black 16, white 235 (8 bit)", nick = "narrow")]
    Narrow,
    /// 0 to 255 in 8 bit.
    #[enum_value(name = "Black 0, white 255 (8 bit)", nick = "full")]
    Full,
}

/// Luma weights.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, glib::Enum)]
#[enum_type(name = "GstNoiseMeterMatrix")]
pub enum MatrixSetting {
    /// As the caps say, else assumed.
    #[default]
    #[enum_value(name = "From the caps, else assumed", nick = "auto")]
    Auto,
    /// ITU-R BT.601.
    #[enum_value(name = "ITU-R BT.601", nick = "bt601")]
    Bt601,
    /// ITU-R BT.709.
    #[enum_value(name = "ITU-R BT.709", nick = "bt709")]
    Bt709,
    /// ITU-R BT.2020.
    #[enum_value(name = "ITU-R BT.2020", nick = "bt2020")]
    Bt2020,
}

/// The properties.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// `NAME=X,Y,W,H` joined by `;`.
    pub regions: String,
    /// Layout file.
    pub layout_location: Option<PathBuf>,
    /// `COLSxROWS`.
    pub grid: Option<String>,
    /// Length of a window, ns.
    pub interval: u64,
    /// Whether windows are posted.
    pub post_messages: bool,
    /// Whether buffers carry the newest window.
    pub attach_meta: bool,
    /// Whether buffers carry the regions.
    pub attach_roi: bool,
    /// Whether upstream regions of interest are measured.
    pub use_roi: bool,
    /// File that windows are appended to.
    pub record_location: Option<PathBuf>,
    /// Curve.
    pub transfer: TransferSetting,
    /// Exponent for `transfer=gamma`.
    pub gamma: f64,
    /// Range.
    pub range: RangeSetting,
    /// Matrix.
    pub matrix: MatrixSetting,
    /// `X,Y,W,H` of the active picture.
    pub crop: Option<String>,
    /// Heights joined by `,`.
    pub delivery_heights: String,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            regions: String::new(),
            layout_location: None,
            grid: None,
            interval: DEFAULT_INTERVAL,
            post_messages: true,
            attach_meta: false,
            attach_roi: false,
            use_roi: false,
            record_location: None,
            transfer: TransferSetting::Auto,
            gamma: GAMMA.1,
            range: RangeSetting::Auto,
            matrix: MatrixSetting::Auto,
            crop: None,
            delivery_heights: DEFAULT_DELIVERY_HEIGHTS.into(),
        }
    }
}

/// Settings with every text read.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Regions of `regions`, then of the layout; or the one in the centre.
    pub specs: Vec<RegionSpec>,
    /// Cells.
    pub grid: Option<Grid>,
    /// Active picture.
    pub crop: Option<Rect>,
    /// Heights for `delivered`.
    pub delivery_heights: Vec<u32>,
    /// Length of a window, ns.
    pub interval: u64,
    /// Whether upstream regions of interest are measured.
    pub use_roi: bool,
    /// What stands above the caps.
    pub overrides: Overrides,
}

/// Texts are absent where empty, so that a property can be taken back.
fn given(text: &Option<String>) -> Option<&str> {
    text.as_deref().filter(|text| !text.is_empty())
}

fn given_path(path: &Option<PathBuf>) -> Option<&Path> {
    path.as_deref().filter(|path| !path.as_os_str().is_empty())
}

/// Reads a layout file that is a regular file of sensible size; a pipe would keep the state change waiting.
fn read_layout(path: &Path) -> Result<String, String> {
    let unreadable = |error: std::io::Error| format!("layout-location {path:?} cannot be read: {error}");
    let metadata = std::fs::metadata(path).map_err(unreadable)?;
    if !metadata.is_file() {
        return Err(format!("layout-location {path:?} is not a regular file"));
    }
    if metadata.len() > MAX_LAYOUT_BYTES {
        return Err(format!(
            "layout-location {path:?} has {} bytes, at most {MAX_LAYOUT_BYTES} are read",
            metadata.len()
        ));
    }
    std::fs::read_to_string(path).map_err(unreadable)
}

impl Settings {
    /// Reads every text and the layout file.
    ///
    /// # Errors
    /// One line naming the property or file, the entry, and what would be right.
    pub fn plan(&self) -> Result<Plan, String> {
        let mut specs = Vec::new();
        if !self.regions.trim().is_empty() {
            specs = region::parse_regions(&self.regions).map_err(|error| error.to_string())?;
        }
        let layout = given_path(&self.layout_location);
        if let Some(path) = layout {
            let text = read_layout(path)?;
            let layout =
                region::parse_layout(&text).map_err(|error| format!("layout-location {path:?}: {error}"))?;
            specs.extend(layout);
        }
        let mut names = HashSet::new();
        if let Some(double) = specs.iter().find(|spec| !names.insert(spec.name.as_str())) {
            return Err(format!(
                "regions and layout-location both name a region {:?}; names must be unique",
                double.name
            ));
        }
        if specs.len() > MAX_REGIONS {
            return Err(format!("{} regions in all, at most {MAX_REGIONS} are possible", specs.len()));
        }
        let grid =
            given(&self.grid).map(region::parse_grid).transpose().map_err(|error| error.to_string())?;
        if specs.is_empty() && grid.is_none() && layout.is_none() {
            specs.push(centre());
        }
        let crop =
            given(&self.crop).map(region::parse_crop).transpose().map_err(|error| error.to_string())?;
        Ok(Plan {
            specs,
            grid,
            crop,
            delivery_heights: parse_heights(&self.delivery_heights)?,
            interval: self.interval,
            use_roi: self.use_roi,
            overrides: self.overrides(),
        })
    }

    /// Whether buffers leave as they came.
    #[must_use]
    pub fn is_passthrough(&self) -> bool {
        !(self.attach_meta || self.attach_roi)
    }

    /// The file that windows are appended to.
    #[must_use]
    pub fn record_path(&self) -> Option<&Path> {
        given_path(&self.record_location)
    }

    fn overrides(&self) -> Overrides {
        Overrides {
            range: match self.range {
                RangeSetting::Auto => None,
                RangeSetting::Narrow => Some(Range::Narrow),
                RangeSetting::Full => Some(Range::Full),
            },
            matrix: match self.matrix {
                MatrixSetting::Auto => None,
                MatrixSetting::Bt601 => Some(Matrix::Bt601),
                MatrixSetting::Bt709 => Some(Matrix::Bt709),
                MatrixSetting::Bt2020 => Some(Matrix::Bt2020),
            },
            transfer: self.transfer.curve(self.gamma),
        }
    }
}

/// The region that is measured where none is asked for: the middle fifth of the picture, along both axes.
fn centre() -> RegionSpec {
    let (start, size) = (Length::Share(0.4), Length::Share(0.2));
    RegionSpec {
        name: "centre".into(),
        x: start,
        y: start,
        width: size,
        height: size,
        role: None,
        reflectance: None,
    }
}

fn parse_heights(text: &str) -> Result<Vec<u32>, String> {
    if text.trim().is_empty() {
        return Ok(Vec::new());
    }
    let (most, largest) = MAX_HEIGHTS;
    let mut heights = Vec::new();
    for part in text.split(',') {
        let height = part.trim().parse().ok().filter(|height| (1..=largest).contains(height));
        let height = height.ok_or_else(|| {
            format!(
                "delivery-heights: {:?} is not a height; lines from 1 to {largest}, joined by commas",
                part.trim()
            )
        })?;
        if heights.contains(&height) {
            return Err(format!("delivery-heights: {height} stands there twice"));
        }
        heights.push(height);
    }
    if heights.len() > most {
        return Err(format!("delivery-heights: {} heights, at most {most} are possible", heights.len()));
    }
    Ok(heights)
}
