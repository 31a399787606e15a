//! A region's level and noise in light, from the numbers of its components alone.
//!
//! Luma is Y, native or derived; of a mosaic it is G1 and G2 together: the mean of their light, the root mean square of
//! their spreads. A spread in light is the spread in percent times the slope of the curve at the mean.

use crate::config::{LightConfig, TransferSource};
use crate::frame::format::Channel;
use crate::frame::region::Role;
use crate::numbers::flicker;
use crate::numbers::quantile::student_t;
use crate::record::{ByChannel, ComponentRecord, Interval, LightRecord, Note, NoteCode, RegionRecord};

/// Scene light of a grey card, white = 1.
const GREY_CARD: f64 = 0.18;

/// Share of the spread that the curve's bend may add before the straight slope is called into question.
const BEND: f64 = 0.02;

/// Fills `light`, `chroma_ratio`, the luma's `drift_stops` and the notes on light of all regions of one window or
/// summary, from their components; `frame_rate` is in distinct frames a second.
///
/// Called again it replaces what it wrote before.
pub fn fill(regions: &mut [RegionRecord], light: &LightConfig, frame_rate: f64) {
    let black = first_with(regions, Role::Black)
        .and_then(|region| Some((region.name.clone(), Luma::of(region, light)?.light)));
    let (black_name, black_light) = black.unwrap_or_else(|| ("nominal".to_owned(), 0.0));
    let grey = first_with(regions, Role::Grey)
        .and_then(|region| Luma::of(region, light))
        .map(|luma| luma.light - black_light)
        .filter(|level| *level > 0.0);

    for region in regions {
        region.notes.retain(|note| {
            !matches!(note.code, NoteCode::LightNonlinear | NoteCode::AssumedTransfer | NoteCode::Black)
        });
        region.chroma_ratio = chroma_ratio(&region.components);
        let luma = Luma::of(region, light);
        let mean = luma.as_ref().map(|luma| luma.light - black_light);
        let level = mean.filter(|level| *level > 0.0);
        let snr = |spread: Option<f64>| decibels(level?, spread?);
        let spread = |field: fn(&ComponentRecord) -> Option<f64>| luma.as_ref()?.spread(field);
        let temporal = snr(spread(|component| component.temporal_long));
        let bound = || snr(spread(|component| component.temporal_long.or(component.temporal_upper)));
        let record = LightRecord {
            mean,
            domain: light.transfer.domain().to_owned(),
            black: black_name.clone(),
            transfer_source: light.source.name().to_owned(),
            stops_from_grey: level.zip(grey).map(|(level, grey)| (level / grey).log2()),
            stops_from_18: level
                .filter(|_| light.transfer.domain() == "scene")
                .map(|level| (level / GREY_CARD).log2()),
            snr_temporal_db: temporal,
            snr_temporal_ci_db: temporal.and_then(|snr| interval(snr, luma.as_ref()?, level?, frame_rate)),
            snr_lower_db: if temporal.is_none() { bound() } else { None },
            snr_fixed_db: snr(spread(|component| component.fixed)),
            snr_total_db: snr(spread(|component| component.total)),
            snr_chroma_db: temporal
                .zip(region.chroma_ratio.filter(|ratio| *ratio > 0.0))
                .map(|(snr, ratio)| snr - 20.0 * ratio.log10()),
        };
        let mut notes = luma.as_ref().map(|luma| luma.notes(light)).unwrap_or_default();
        if mean.is_some() && level.is_none() {
            notes
                .push(Note::new(NoteCode::Black, "the light is at or below black: it has no ratio to noise"));
        }
        let drifts = luma.map(|luma| luma.drifts(black_light)).unwrap_or_default();

        for (channel, component) in &mut region.components.0 {
            component.drift_stops =
                drifts.iter().find(|(luma, _)| luma == channel).and_then(|(_, drift)| *drift);
        }
        region.notes.extend(notes);
        region.light = Some(record);
    }
}

/// The first region with `role`.
fn first_with(regions: &[RegionRecord], role: Role) -> Option<&RegionRecord> {
    regions.iter().find(|region| region.role.as_deref() == Some(role.name()))
}

/// 20·log₁₀(level/spread), for a spread above 0.
fn decibels(level: f64, spread: f64) -> Option<f64> {
    (spread > 0.0).then(|| 20.0 * (level / spread).log10()).filter(|snr| snr.is_finite())
}

/// √((σ²Cb + σ²Cr)/2)/σY of the moving noise: of `temporal_long` where all three have it, else of `temporal`.
fn chroma_ratio(components: &ByChannel<ComponentRecord>) -> Option<f64> {
    let [luma, blue, red] = [Channel::Y, Channel::Cb, Channel::Cr].map(|channel| components.get(channel));
    let (luma, blue, red) = (luma?, blue?, red?);
    let ratio = |field: fn(&ComponentRecord) -> Option<f64>| {
        let (luma, blue, red) = (field(luma)?, field(blue)?, field(red)?);
        (luma > 0.0).then(|| (0.5 * (blue * blue + red * red)).sqrt() / luma)
    };
    ratio(|component| component.temporal_long).or_else(|| ratio(|component| component.temporal))
}

/// The components that stand for a region's luma, at their means.
struct Luma<'a> {
    parts: Vec<Part<'a>>,
    /// Mean light, black not subtracted.
    light: f64,
    /// Share of luma samples at the lower clip threshold is not 0.
    clips_low: bool,
}

/// One component and its curve at the mean.
struct Part<'a> {
    channel: Channel,
    component: &'a ComponentRecord,
    light: f64,
    slope: f64,
    curvature: f64,
}

impl<'a> Luma<'a> {
    /// `None` without a luma component or where one has no mean.
    fn of(region: &'a RegionRecord, light: &LightConfig) -> Option<Self> {
        let components = &region.components;
        let channels: &[Channel] =
            if components.get(Channel::Y).is_some() { &[Channel::Y] } else { &[Channel::G1, Channel::G2] };
        let parts: Vec<Part<'a>> = channels
            .iter()
            .map(|&channel| {
                let component = components.get(channel)?;
                let v = component.mean? / 100.0;
                Some(Part {
                    channel,
                    component,
                    light: light.transfer.to_light(v),
                    slope: light.transfer.slope(v),
                    curvature: light.transfer.curvature(v),
                })
            })
            .collect::<Option<_>>()?;
        // Derived luma has no codes of its own; it is clipped where one of its colours is.
        let derived = parts.iter().all(|part| part.component.codes.is_none());
        let coded: &[Channel] = if derived { &[Channel::R, Channel::G, Channel::B] } else { channels };
        let clips_low = coded
            .iter()
            .filter_map(|&channel| components.get(channel)?.codes.as_ref()?.clipped_low)
            .any(|share| share > 0.0);
        let level = parts.iter().map(|part| part.light).sum::<f64>() / parts.len() as f64;
        level.is_finite().then_some(Self { parts, light: level, clips_low })
    }

    /// A spread in light; `None` unless every part has it.
    fn spread(&self, field: fn(&ComponentRecord) -> Option<f64>) -> Option<f64> {
        let squares: Option<f64> =
            self.parts.iter().map(|part| Some(part.in_light(field(part.component)?).powi(2))).sum();
        squares.map(|squares| (squares / self.parts.len() as f64).sqrt())
    }

    /// Ends of the interval of the moving spread in light; those of several parts add in quadrature on the variance.
    fn spread_interval(&self) -> Option<Interval> {
        let (mut variance, mut below, mut above) = (0.0, 0.0, 0.0);
        for part in &self.parts {
            let square = part.in_light(part.component.temporal_long?).powi(2);
            let [low, high] = part.component.temporal_long_ci?.map(|end| part.in_light(end).powi(2));
            variance += square;
            below += (square - low).powi(2);
            above += (high - square).powi(2);
        }
        let count = self.parts.len() as f64;
        let ends = [variance - below.sqrt(), variance + above.sqrt()];
        Some(ends.map(|square| (square.max(0.0) / count).sqrt()))
    }

    /// Half the 95 % interval of the mean light, from how the frame means scatter about their line.
    fn mean_uncertainty(&self, frame_rate: f64) -> Option<f64> {
        let count = self.parts.first()?.component.frame_means.len();
        let mut lights = vec![0.0; count];
        let mut correlation: f64 = 0.0;
        for part in &self.parts {
            let component = part.component;
            if component.frame_means.len() != count {
                return None;
            }
            let gain = part.in_light(component.percent_per_unit()?) / self.parts.len() as f64;
            for (light, mean) in lights.iter_mut().zip(&component.frame_means) {
                *light += gain * mean;
            }
            correlation = correlation.max(component.corr_t?);
        }
        let times: Vec<f64> = (0..count).map(|frame| frame as f64 / frame_rate).collect();
        let variance = flicker::line(&times, &lights)?.variance;
        // Successive means carry the correlation of their noise: their mean has this many times the variance.
        let together = (1.0 + correlation) / (1.0 - correlation);
        let error = (variance / count as f64 * together).sqrt();
        Some(student_t(0.975, (count - 2) as f64) * error)
    }

    /// Slope of each part's light in stops a second.
    fn drifts(&self, black: f64) -> Vec<(Channel, Option<f64>)> {
        let stops = |part: &Part<'_>| {
            let level = part.light - black;
            let drift = part.slope * part.component.drift? / 100.0;
            (level > 0.0).then(|| drift / (level * std::f64::consts::LN_2))
        };
        self.parts.iter().map(|part| (part.channel, stops(part))).collect()
    }

    fn notes(&self, light: &LightConfig) -> Vec<Note> {
        let mut notes = Vec::new();
        let bend = self.parts.iter().filter_map(Part::bend).fold(0.0, f64::max);
        if self.clips_low {
            notes.push(Note::new(
                NoteCode::LightNonlinear,
                "samples clip low: level and noise in light are not those of the scene",
            ));
        } else if bend > BEND {
            notes.push(Note::new(
                NoteCode::LightNonlinear,
                format!(
                    "the curve bends by {:.0} % of the noise within it: noise in light is approximate",
                    100.0 * bend
                ),
            ));
        }
        if light.source == TransferSource::Assumed {
            notes.push(Note::new(
                NoteCode::AssumedTransfer,
                format!("the curve {} is assumed: light and its ratios depend on it", light.transfer.name()),
            ));
        }
        notes
    }
}

impl Part<'_> {
    /// What a spread of `percent` is in light.
    fn in_light(&self, percent: f64) -> f64 {
        self.slope.abs() * percent / 100.0
    }

    /// Second-order term of the moving noise over its first-order term.
    fn bend(&self) -> Option<f64> {
        let sigma = self.component.temporal_long.or(self.component.temporal)? / 100.0;
        let (first, second) = (self.slope.abs() * sigma, 0.5 * self.curvature.abs() * sigma * sigma);
        (first > 0.0).then(|| second / first)
    }
}

/// Interval of a ratio in decibels: the spread's and the mean's in quadrature, each side for itself.
fn interval(snr: f64, luma: &Luma<'_>, level: f64, frame_rate: f64) -> Option<Interval> {
    let [low, high] = luma.spread_interval()?;
    let error = luma.mean_uncertainty(frame_rate)?;
    let spread = luma.spread(|component| component.temporal_long)?;
    let mean = 20.0 / std::f64::consts::LN_10 * error / level;
    let side = |end: f64| (20.0 * (end / spread).log10()).hypot(mean);
    let ends = [snr - side(high), snr + side(low)];
    ends.iter().all(|end| end.is_finite()).then_some(ends)
}

impl ComponentRecord {
    /// Percent that one unit of `frame_means` is: the root of `temporal`² over its variance in units².
    fn percent_per_unit(&self) -> Option<f64> {
        let (temporal, variance) = (self.temporal?, self.var.temporal?);
        (temporal > 0.0 && variance > 0.0).then(|| temporal / variance.sqrt())
    }
}
