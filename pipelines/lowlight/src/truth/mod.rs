//! The truth of simulated clips beside what was measured of them.

pub mod table;

use std::path::{Path, PathBuf};

use noise_measure::format::Channel;
use noise_measure::record::{ComponentRecord, NoteCode, RegionRecord, WindowRecord};
use serde::Serialize;
use simulated_camera::truth::{ComponentTruth, RegionTruth, Truth};

use crate::errors::Error;
use crate::inputs::{Clip, in_words};
use crate::table::codes_of;
use crate::text::shown;

/// Where a clip's truth is looked for unless a file is named.
const AUTO: &str = "auto";

/// Notes on regions whose noise is not what intervals assume: normal, and the same everywhere.
const DOUBTS: [NoteCode; 4] = [NoteCode::LightNonlinear, NoteCode::Clipped, NoteCode::Codec, NoteCode::Band];

/// The truth file that belongs to the clip at `path`.
#[must_use]
pub fn beside(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".truth.json");
    PathBuf::from(name)
}

/// The truths of `clips`: from the file `option`, or with `auto` from the file beside each clip.
///
/// # Errors
/// Names the file that cannot be read or holds no truth.
pub fn read(option: &Path, clips: &[Clip]) -> Result<Vec<Truth>, Error> {
    if option.as_os_str() == AUTO {
        return clips.iter().map(|clip| read_one(&beside(&clip.path))).collect();
    }
    let truth = read_one(option)?;
    Ok(vec![truth; clips.len()])
}

fn read_one(path: &Path) -> Result<Truth, Error> {
    let name = format!("--truth: {}", shown(path.as_os_str()));
    let text = std::fs::read_to_string(path).map_err(|error| Error::usage(&name, in_words(&error)))?;
    serde_json::from_str(&text).map_err(|error| {
        Error::usage(&name, format!("{error}; wanted is what simcamsrc posts as simcam-truth, as JSON"))
    })
}

/// One number of a clip beside its truth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// File name of the clip.
    pub source: String,
    /// Region.
    pub region: String,
    /// Its role, where it has one.
    pub role: Option<String>,
    /// Component.
    pub component: String,
    /// True moving noise of an endless recording, percent.
    pub truth: f64,
    /// `temporal_long`, percent.
    pub measured: Option<f64>,
    /// Bound where that is null, percent.
    pub upper: Option<f64>,
    /// 95 % interval of `measured`.
    pub ci: Option<[f64; 2]>,
    /// Whether the truth lies in the interval.
    pub inside: Option<bool>,
    /// True ratio of light to moving noise, dB; for Y alone.
    pub truth_snr_db: Option<f64>,
    /// `snr_temporal_db`; for Y alone.
    pub snr_db: Option<f64>,
    /// Bound where that is null, dB.
    pub snr_lower_db: Option<f64>,
    /// Whether a note says that the region's noise is not what intervals assume: light_nonlinear, clipped, codec, band.
    pub doubted: bool,
    /// Codes of the notes on it.
    pub notes: Vec<String>,
}

/// All numbers of `summary` that `truth` knows.
#[must_use]
pub fn compare(source: &str, truth: &Truth, summary: &WindowRecord) -> Vec<Row> {
    let mut rows = Vec::new();
    for region in &summary.regions {
        let Some(true_region) = truth.regions.iter().find(|known| known.name == region.name) else {
            continue;
        };
        for (channel, measured) in region.components.iter() {
            if let Some(known) = true_region.components.get(channel.name()) {
                rows.push(row(source, (true_region, known), region, (channel, measured)));
            }
        }
    }
    rows
}

fn row(
    source: &str,
    (true_region, known): (&RegionTruth, &ComponentTruth),
    region: &RegionRecord,
    (channel, measured): (Channel, &ComponentRecord),
) -> Row {
    let luma = channel == Channel::Y;
    let light = region.light.as_ref().filter(|_| luma);
    let ci = measured.temporal_long_ci.filter(|_| measured.temporal_long.is_some());
    Row {
        source: source.to_owned(),
        region: region.name.clone(),
        role: region.role.clone(),
        component: channel.name().to_owned(),
        truth: known.temporal,
        measured: measured.temporal_long,
        upper: measured.temporal_upper.filter(|_| measured.temporal_long.is_none()),
        ci,
        inside: ci.map(|[low, high]| (low..=high).contains(&known.temporal)),
        truth_snr_db: true_region.light.filter(|_| luma).and_then(|light| light.snr_temporal_db),
        snr_db: light.and_then(|light| light.snr_temporal_db),
        snr_lower_db: light.and_then(|light| light.snr_lower_db),
        doubted: region.notes.iter().any(|note| DOUBTS.contains(&note.code)),
        notes: codes_of(region, channel, luma),
    }
}
