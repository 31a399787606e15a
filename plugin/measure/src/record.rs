//! A window or a clip as data: the types behind the JSON that the element posts and `lowlight` writes.
//!
//! Levels and spreads are percent of nominal range, `_codes` native code values, `_db` decibels, shares 0..1.
//! `None` is written as `null` and always has a reason in `notes`; parts that a run does not compute are absent.

use serde::de::{MapAccess, Visitor};
use serde::ser::SerializeMap;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::frame::format::Channel;

/// Version of the layout of these records; raised when a field changes its meaning.
pub const SCHEMA: u32 = 1;

/// Two ends of an interval, lower first.
pub type Interval = [f64; 2];

/// Why a number is missing or to be read with care.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Note {
    /// Stable word for programs.
    pub code: NoteCode,
    /// One sentence for people.
    pub text: String,
}

impl Note {
    /// A note of `code` that says `text`.
    pub fn new(code: NoteCode, text: impl Into<String>) -> Self {
        Self { code, text: text.into() }
    }

    /// That neighbouring frames are missing in `holes` places.
    #[must_use]
    pub fn breaks(holes: u64) -> Self {
        Self::new(NoteCode::Dropped, format!("{holes} breaks between adjacent frames"))
    }
}

/// The codes of notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum NoteCode {
    /// More than 0.1 % of a region clips or sits on a rail.
    Clipped,
    /// Fewer than 8 distinct frames, or too few for a number.
    FewFrames,
    /// Too few samples for a number.
    FewPixels,
    /// The level moves periodically from frame to frame.
    Flicker,
    /// Lamp frequencies that would alias to the flicker seen.
    Lamp,
    /// Bands move over the picture.
    Band,
    /// Frames are too alike for the noise to be independent: temporal filtering.
    DenoisedTime,
    /// Noise is uneven from block to block: a codec has altered it.
    Codec,
    /// A spread below half a code step.
    CodeLimited,
    /// All frames of the window are equal.
    Frozen,
    /// Buffers were marked as damaged.
    Corrupted,
    /// The stream had holes: discontinuities, gaps or missing frames.
    Dropped,
    /// The curve bends too much over the spread for a straight slope, or samples clip low.
    LightNonlinear,
    /// The light is at or below black: it has no ratio to noise.
    Black,
    /// The transfer curve was not in the caps nor given.
    AssumedTransfer,
    /// Buffers had no time stamps; time was counted from frames.
    NoTimestamps,
    /// The region got the pairwise set alone.
    PairwiseOnly,
    /// Frames were left out on purpose: of so many the first two were measured, as a pair.
    Subsampled,
    /// The region does not lie inside the picture.
    OutsidePicture,
    /// Windows were merged because the worker could not keep up.
    Merged,
    /// Fields were measured each for itself.
    Interlaced,
    /// Windows of another format were left out of a summary.
    FormatChanged,
}

/// A window of a stream, or (with `trend`) the summary of a clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WindowRecord {
    /// [`SCHEMA`].
    pub schema: u32,
    /// File name as given in a session, where there is one.
    pub source: Option<String>,
    /// PTS of the first buffer, ns.
    pub timestamp: Option<u64>,
    /// Stream time of the first buffer, ns.
    pub stream_time: Option<u64>,
    /// Running time of the first buffer, ns.
    pub running_time: Option<u64>,
    /// Distance to the next window, or to the end of the last buffer, ns.
    pub duration: Option<u64>,
    /// Rate of the segment.
    pub rate: f64,
    /// Frames, repeated ones among them.
    pub frames: u64,
    /// Frames equal to the one before, in no sum.
    pub repeated: u64,
    /// Breaks between adjacent frames.
    pub holes: u64,
    /// Ended early, not by the next window's first buffer.
    pub partial: bool,
    /// At least one hole.
    pub discont: bool,
    /// What the frames are.
    pub video: VideoRecord,
    /// Numbers of the whole active picture.
    pub frame: FrameRecord,
    /// Cells, where a grid was asked for.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub grid: Option<GridRecord>,
    /// Regions in layout order.
    pub regions: Vec<RegionRecord>,
    /// Noise over time, in clip summaries alone.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub trend: Option<Vec<TrendPoint>>,
    /// Notes on the window as a whole.
    pub notes: Vec<Note>,
}

/// What the frames of a stream are and what had to be assumed of them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct VideoRecord {
    /// Pixels a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Name of the sample format, as in caps (`bayer-rggb` and the like for mosaics).
    pub format: String,
    /// Significant bits.
    pub depth: u32,
    /// `narrow`, `full` or `fixed`.
    pub range: String,
    /// `bt601`, `bt709`, `bt2020` or null where the model has none.
    pub matrix: Option<String>,
    /// Name of the transfer curve.
    pub transfer: String,
    /// Interlace mode as in caps.
    pub interlace: String,
    /// Fraction as in caps, `25/1`.
    pub framerate: String,
    /// Which of range, matrix, transfer and framerate were guesses.
    pub assumed: Vec<String>,
}

/// Numbers of the whole active picture over a window: Y, or any of R, G, B.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameRecord {
    /// Share of samples at or above the clip threshold.
    pub clipped_high: Option<f64>,
    /// Share of samples at or below the lower clip threshold.
    pub clipped_low: Option<f64>,
    /// Share of samples under 0 %.
    pub below_black: Option<f64>,
    /// Share of samples over 100 %.
    pub above_white: Option<f64>,
    /// Share of samples at codes reserved for timing references (ITU-R BT.2100).
    pub reserved_codes: Option<f64>,
    /// Share of pixels of the first frame outside EBU R 103 after its filter.
    pub outside_r103: Option<f64>,
    /// 256 means of luma rows from top to bottom, percent.
    pub row_profile: Option<Vec<f64>>,
}

/// Cells of a grid, one column of numbers a quantity, row-major.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GridRecord {
    /// Cells a row.
    pub cols: u32,
    /// Rows of cells.
    pub rows: u32,
    /// Columns of each component.
    #[serde(flatten)]
    pub components: ByChannel<GridColumns>,
}

/// One component's numbers for every cell.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct GridColumns {
    /// Percent.
    pub mean: Vec<Option<f64>>,
    /// Spread of half the adjacent frame difference, percent.
    pub temporal_pair: Vec<Option<f64>>,
    /// Correlation of horizontal neighbours in frame differences.
    pub corr_x: Vec<Option<f64>>,
    /// Correlation of vertical neighbours in frame differences.
    pub corr_y: Vec<Option<f64>>,
    /// Absent for derived components.
    #[serde(flatten, skip_serializing_if = "Option::is_none", default)]
    pub codes: Option<GridCodes>,
}

/// Extremes and clipping of every cell.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct GridCodes {
    /// Lowest code.
    pub min_codes: Vec<Option<u32>>,
    /// Highest code.
    pub max_codes: Vec<Option<u32>>,
    /// Share at the lower clip threshold.
    pub clipped_low: Vec<Option<f64>>,
    /// Share at the upper clip threshold.
    pub clipped_high: Vec<Option<f64>>,
}

/// One region.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RegionRecord {
    /// Its name.
    pub name: String,
    /// Its role, where it has one.
    pub role: Option<String>,
    /// Left edge, pixels.
    pub x: u32,
    /// Upper edge, pixels.
    pub y: u32,
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// Native components, then derived ones.
    pub components: ByChannel<ComponentRecord>,
    /// √((σ²Cb + σ²Cr)/2)/σY of the moving noise, at native sampling.
    pub chroma_ratio: Option<f64>,
    /// The region in light.
    pub light: Option<LightRecord>,
    /// Notes on this region.
    pub notes: Vec<Note>,
}

/// One component of one region.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ComponentRecord {
    /// Samples a frame.
    pub samples: u64,
    /// Percent.
    pub mean: Option<f64>,
    /// Codes.
    pub mean_codes: Option<f64>,
    /// Extremes, clipping and rails; absent for derived components.
    #[serde(flatten, skip_serializing_if = "Option::is_none", default)]
    pub codes: Option<CodesRecord>,
    /// Moving noise: spread of the two-way residual, percent.
    pub temporal: Option<f64>,
    /// 95 % interval of `temporal`.
    pub temporal_ci: Option<Interval>,
    /// One-sided 95 % bound where `temporal` is null.
    pub temporal_upper: Option<f64>,
    /// `temporal` in codes.
    pub temporal_codes: Option<f64>,
    /// Spread of half the adjacent frame difference, percent.
    pub temporal_pair: Option<f64>,
    /// `temporal` as an endless window would read it under `model`.
    pub temporal_long: Option<f64>,
    /// 95 % interval of `temporal_long`.
    pub temporal_long_ci: Option<Interval>,
    /// The model behind `temporal_long`: `ar1`.
    pub model: Option<String>,
    /// `temporal` before one-sided clipping, where it can be told.
    pub temporal_unclipped: Option<f64>,
    /// Noise slower than a window; clip summaries alone.
    pub temporal_slow: Option<f64>,
    /// Standing noise after the quadratic detrend, percent.
    pub fixed: Option<f64>,
    /// One-sided 95 % bound where the variance of `fixed` is negative.
    pub fixed_upper: Option<f64>,
    /// Standing offsets of rows.
    pub fixed_row: Option<f64>,
    /// Standing offsets of columns.
    pub fixed_column: Option<f64>,
    /// Standing noise of single samples.
    pub fixed_pixel: Option<f64>,
    /// Spread of the quadratic surface that was taken out.
    pub shading: Option<f64>,
    /// √(temporal_long² + fixed²).
    pub total: Option<f64>,
    /// Moving offsets of rows.
    pub row: Option<f64>,
    /// Moving offsets of columns.
    pub column: Option<f64>,
    /// Standing bands; ladders alone.
    pub band_static: Option<f64>,
    /// Moving bands: spread of the row profile's frame differences beyond independent bins.
    pub band_moving: Option<f64>,
    /// Correlation of horizontal neighbours, in samples of this plane.
    pub corr_x: Option<f64>,
    /// Correlation of vertical neighbours.
    pub corr_y: Option<f64>,
    /// Correlation of successive distinct frames.
    pub corr_t: Option<f64>,
    /// Spread of the frame means about their line, percent.
    pub flicker: Option<f64>,
    /// Frequency of the strongest significant periodicity of the frame means, Hz; an alias.
    pub flicker_hz: Option<f64>,
    /// Slope of the frame means, percent a second.
    pub drift: Option<f64>,
    /// Slope of the frame means in light, stops a second.
    pub drift_stops: Option<f64>,
    /// Mean code of each distinct frame.
    pub frame_means: Vec<f64>,
    /// Signed variances and sums, codes².
    pub var: Variances,
}

/// Extremes, clipping and rails of one native component of one region.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct CodesRecord {
    /// Lowest code.
    // Named so that its absence is an error, which makes the whole part absent, as it is for derived components.
    #[serde(deserialize_with = "Option::deserialize")]
    pub min_codes: Option<u32>,
    /// Highest code.
    pub max_codes: Option<u32>,
    /// Largest power of two that divides all code differences of the frame since the segment began.
    pub code_step: Option<u32>,
    /// Share at or below the lower clip threshold.
    pub clipped_low: Option<f64>,
    /// Share at or above the upper clip threshold.
    pub clipped_high: Option<f64>,
    /// Share over 100 %.
    pub above_white: Option<f64>,
    /// Share under 0 %.
    pub below_black: Option<f64>,
    /// A floor inside the range.
    pub rail_low: Option<Rail>,
    /// A ceiling inside the range.
    pub rail_high: Option<Rail>,
}

/// An outermost code that holds more samples than its inner neighbour.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rail {
    /// The code.
    pub code: u32,
    /// Share of the region's samples there.
    pub share: f64,
}

/// Signed variances and sums that pool over windows, codes² (percent² for fixed-point pictures).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Variances {
    /// Of moving noise.
    pub temporal: Option<f64>,
    /// Of standing noise.
    pub fixed: Option<f64>,
    /// Of standing row offsets.
    pub fixed_row: Option<f64>,
    /// Of standing column offsets.
    pub fixed_column: Option<f64>,
    /// Of standing noise of single samples.
    pub fixed_pixel: Option<f64>,
    /// Of moving row offsets.
    pub row: Option<f64>,
    /// Of moving column offsets.
    pub column: Option<f64>,
    /// Of frame means about their line, less what moving noise puts there.
    pub flicker: Option<f64>,
    /// Effective degrees of freedom of `temporal`.
    pub nu: Option<f64>,
    /// Σe² of the two-way residual e.
    pub c0: Option<f64>,
    /// Σe·e_right, brought from W − 1 to W products a row.
    pub cx: Option<f64>,
    /// Σe·e_below, brought from H − 1 to H products a column.
    pub cy: Option<f64>,
    /// Σe·e_next, brought to N − 1 pairs where holes broke some.
    pub ct: Option<f64>,
    /// Σe·e_next-but-one, brought to N − 2 pairs.
    pub ct2: Option<f64>,
    /// Of the windows' pixel means since the segment began, beyond what moving noise gives them.
    pub slow: Option<f64>,
    /// Of a frame's mean, as moving noise makes it: what `flicker` is free of.
    pub level: Option<f64>,
    /// Of moving bands.
    pub band: Option<f64>,
}

/// A region's level and noise in light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LightRecord {
    /// Light at the mean code, white = 1, black subtracted.
    pub mean: Option<f64>,
    /// `scene` or `display`.
    pub domain: String,
    /// What was taken as black: `nominal`, or the name of the black region.
    pub black: String,
    /// `caps`, `user`, `wedge` or `assumed`.
    pub transfer_source: String,
    /// log₂ of the light over that of the first grey region; positive is brighter.
    pub stops_from_grey: Option<f64>,
    /// log₂ of the light over 0.18; scene light alone.
    pub stops_from_18: Option<f64>,
    /// Of `temporal_long`.
    pub snr_temporal_db: Option<f64>,
    /// 95 % interval of `snr_temporal_db`.
    pub snr_temporal_ci_db: Option<Interval>,
    /// Bound from `temporal_upper` where the spread is null.
    pub snr_lower_db: Option<f64>,
    /// Of `fixed`.
    pub snr_fixed_db: Option<f64>,
    /// Of `total`.
    pub snr_total_db: Option<f64>,
    /// `snr_temporal_db` − 20·log₁₀(chroma_ratio).
    pub snr_chroma_db: Option<f64>,
}

/// One window in a clip's trend.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrendPoint {
    /// Start of the window, ns.
    pub stream_time: Option<u64>,
    /// Numbers of the first region, by component.
    #[serde(flatten)]
    pub components: ByChannel<TrendValues>,
}

/// Level and noise of one component in one window.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrendValues {
    /// Percent.
    pub mean: Option<f64>,
    /// Percent.
    pub temporal: Option<f64>,
}

/// Values by channel, in the order they were put in; a JSON object.
#[derive(Debug, Clone, PartialEq)]
pub struct ByChannel<T>(pub Vec<(Channel, T)>);

impl<T> Default for ByChannel<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> ByChannel<T> {
    /// The value of `channel`.
    #[must_use]
    pub fn get(&self, channel: Channel) -> Option<&T> {
        self.0.iter().find(|(name, _)| *name == channel).map(|(_, value)| value)
    }

    /// Channels and values in order.
    pub fn iter(&self) -> impl Iterator<Item = (Channel, &T)> {
        self.0.iter().map(|(channel, value)| (*channel, value))
    }
}

impl<T> FromIterator<(Channel, T)> for ByChannel<T> {
    fn from_iter<I: IntoIterator<Item = (Channel, T)>>(values: I) -> Self {
        Self(values.into_iter().collect())
    }
}

impl<T: Serialize> Serialize for ByChannel<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (channel, value) in &self.0 {
            map.serialize_entry(channel, value)?;
        }
        map.end()
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for ByChannel<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Entries<T>(std::marker::PhantomData<T>);
        impl<'de, T: Deserialize<'de>> Visitor<'de> for Entries<T> {
            type Value = ByChannel<T>;
            fn expecting(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                formatter.write_str("an object with channel names as keys")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut entries = Vec::new();
                while let Some(entry) = map.next_entry()? {
                    entries.push(entry);
                }
                Ok(ByChannel(entries))
            }
        }
        deserializer.deserialize_map(Entries(std::marker::PhantomData))
    }
}
