//! One component of one region, pooled over windows.

use crate::frame::format::{Channel, Range, Scale};
use crate::numbers::ar1;
use crate::numbers::estimate::{self, INTERVAL};
use crate::numbers::flicker;
use crate::numbers::long::Long;
use crate::numbers::moving::{InTime, Lines, MovingSums};
use crate::numbers::notes::Notes;
use crate::numbers::quantile;
use crate::numbers::spatial::Correlation;
use crate::record::{CodesRecord, ComponentRecord, Rail, Variances, VideoRecord};

/// Windows from which on their scatter gives an interval of its own.
const SCATTER_WINDOWS: usize = 5;
/// Least share of a region's samples on a rail.
const RAIL_SHARE: f64 = 0.001;

/// What all windows of a clip share.
#[derive(Debug, Clone, Copy)]
pub struct Clip {
    /// Fields of a frame, each a stack of its own.
    pub fields: u64,
    /// Distinct frames a second.
    pub frame_rate: f64,
    /// Whether frames are missing somewhere.
    pub holes: bool,
    /// `var` is in percent².
    pub in_percent: bool,
}

/// One window's numbers.
#[derive(Debug, Clone, Copy)]
pub struct Part<'a> {
    /// The numbers.
    pub record: &'a ComponentRecord,
    /// Distinct frames.
    pub frames: u64,
}

impl Part<'_> {
    /// Whether the window has frames to compare, but by less than can be told.
    fn lacks_pair(&self) -> bool {
        self.frames > 1 && self.record.mean.is_some() && self.record.temporal_pair.is_none()
    }
}

/// Percent that one code is; 1 where `var` is in percent² already.
fn unit(parts: &[Part<'_>], video: &VideoRecord, channel: Channel, clip: &Clip) -> f64 {
    if clip.in_percent {
        return 1.0;
    }
    // A window that tells the same spread in both units says it for formats whose components differ in depth too.
    let told = parts.iter().find_map(|part| Some(part.record.temporal? / part.record.temporal_codes?));
    // So does one whose noise is below half a step, where the step is told.
    let bounded = || {
        parts.iter().find_map(|part| {
            let step = part.record.codes.as_ref()?.code_step?;
            Some(part.record.temporal_upper? / (f64::from(step) / 2.0))
        })
    };
    told.or_else(bounded).unwrap_or_else(|| {
        let range = if video.range == "full" { Range::Full } else { Range::Narrow };
        let derived = parts.first().is_some_and(|part| part.record.codes.is_none());
        100.0 / Scale::new(range, if derived { Channel::R } else { channel }, video.depth).span
    })
}

/// Windows and what pooling them needs.
struct Pool<'a> {
    parts: &'a [Part<'a>],
    clip: &'a Clip,
    unit: f64,
}

impl Pool<'_> {
    /// Degrees of freedom (P − 1)(N − 1) of a window, fields added.
    fn weight(&self, part: &Part<'_>) -> f64 {
        part.record.samples.saturating_sub(self.clip.fields) as f64 * part.frames.saturating_sub(1) as f64
    }

    /// Values that windows have, with their weights.
    fn values(&self, get: impl Fn(&ComponentRecord) -> Option<f64>) -> Vec<(f64, f64)> {
        self.parts
            .iter()
            .filter_map(|part| Some((get(part.record)?, self.weight(part))))
            .filter(|(_, weight)| *weight > 0.0)
            .collect()
    }

    /// Signed variance of the clip.
    fn variance(&self, get: impl Fn(&Variances) -> Option<f64>) -> Option<f64> {
        mean(&self.values(|record| get(&record.var)))
    }

    /// Mean over windows, weighted by distinct frames.
    fn by_frames(&self, get: impl Fn(&ComponentRecord) -> Option<f64>) -> Option<f64> {
        let values: Vec<(f64, f64)> =
            self.parts.iter().filter_map(|part| Some((get(part.record)?, part.frames as f64))).collect();
        mean(&values)
    }

    /// Percent of a variance in the unit of `var`; `None` unless it is positive.
    fn spread(&self, variance: f64) -> Option<f64> {
        (variance > 0.0).then(|| self.unit * variance.sqrt())
    }

    /// Sums of the windows for which `get` gives something.
    fn sums(&self, get: impl Fn(&Variances) -> Option<f64>) -> MovingSums {
        let used: Vec<&Part<'_>> = self.parts.iter().filter(|part| get(&part.record.var).is_some()).collect();
        let fields = self.clip.fields;
        let total = |get: fn(&Variances) -> Option<f64>| {
            used.iter().map(|part| get(&part.record.var)).sum::<Option<f64>>()
        };
        let samples = used.first().map_or(0.0, |part| part.record.samples as f64 / fields as f64);
        MovingSums {
            stacks: used
                .iter()
                .flat_map(|part| {
                    (0..fields).map(|_| ar1::Stack { weight: samples - 1.0, frames: part.frames })
                })
                .collect(),
            width: samples,
            height: 1.0,
            c0: total(|var| var.c0).unwrap_or(0.0),
            cx: total(|var| var.cx),
            cy: total(|var| var.cy),
            ct: total(|var| var.ct),
            ct2: total(|var| var.ct2),
        }
    }

    /// Interval of the pooled spread, in the unit of `var`: χ² from the windows' degrees of freedom, or what the windows'
    /// own scatter says, whichever is wider. The noise of a codec that pulses with its picture groups lives there.
    fn interval(&self, variance: f64, nu: f64) -> Option<[f64; 2]> {
        let sampling = quantile::spread_interval(variance, nu, INTERVAL);
        let values = self.values(|record| record.var.temporal);
        let scatter = (values.len() >= SCATTER_WINDOWS).then(|| {
            let reach = quantile::student_t(0.5 + INTERVAL / 2.0, values.len() as f64 - 1.0) * error(&values);
            [(variance - reach).max(0.0).sqrt(), (variance + reach).sqrt()]
        });
        let width = |ends: &[f64; 2]| ends[1] - ends[0];
        [sampling, scatter].into_iter().flatten().max_by(|a, b| width(a).total_cmp(&width(b)))
    }
}

/// Weighted mean; `None` of nothing.
fn mean(values: &[(f64, f64)]) -> Option<f64> {
    let weight: f64 = values.iter().map(|(_, weight)| weight).sum();
    (weight > 0.0).then(|| values.iter().map(|(value, weight)| value * weight).sum::<f64>() / weight)
}

/// Standard error of a weighted mean from the scatter of its values; 0 of fewer than two.
fn error(values: &[(f64, f64)]) -> f64 {
    let (Some(centre), count) = (mean(values), values.len() as f64) else { return 0.0 };
    if count < 2.0 {
        return 0.0;
    }
    let weight: f64 = values.iter().map(|(_, weight)| weight).sum();
    let squares: f64 = values.iter().map(|(v, w)| (w / weight * (v - centre)).powi(2)).sum();
    (squares * count / (count - 1.0)).sqrt()
}

/// Pools the windows' numbers of one component.
#[must_use]
pub fn pooled(
    channel: Channel,
    parts: &[Part<'_>],
    video: &VideoRecord,
    clip: &Clip,
    notes: &mut Notes,
) -> ComponentRecord {
    let pool = Pool { parts, clip, unit: unit(parts, video, channel, clip) };
    let frame_means: Vec<f64> =
        parts.iter().flat_map(|part| part.record.frame_means.iter().copied()).collect();
    let mut record = ComponentRecord {
        samples: parts.first().map_or(0, |part| part.record.samples),
        mean: pool.by_frames(|record| record.mean),
        mean_codes: pool.by_frames(|record| record.mean_codes),
        codes: codes(parts),
        temporal_pair: mean(&pool.values(|record| Some(record.temporal_pair?.powi(2)))).map(f64::sqrt),
        shading: pool.by_frames(|record| Some(record.shading?.powi(2))).map(f64::sqrt),
        ..ComponentRecord::default()
    };
    // Regions outside the picture or with the pairwise set have no frame means for reasons of their own.
    if !frame_means.is_empty() || parts.iter().all(|part| part.frames == 0) {
        estimate::note_few_frames(channel, frame_means.len() as u64, notes);
    }
    if let Some(temporal) = pool.variance(|var| var.temporal) {
        moving(&pool, channel, temporal, &mut record, notes);
        standing(&pool, &mut record);
    } else {
        record.corr_x = pool.by_frames(|record| record.corr_x);
        record.corr_y = pool.by_frames(|record| record.corr_y);
    }
    // Records hold no signed variance of pairs to pool: windows with a value alone would read high.
    if record.temporal_upper.is_none() && parts.iter().any(Part::lacks_pair) {
        record.temporal_pair = None;
        estimate::note_limited_pair(channel, notes);
    }
    levels(&pool, &frame_means, &mut record);
    record.flicker_hz = estimate::flicker_hz(channel, &frame_means, clip.frame_rate, notes);
    record.var.band = pool.variance(|var| var.band);
    record.band_moving = record.var.band.and_then(|v| pool.spread(v));
    // Cumulative since the segment began: the newest holds all windows.
    record.var.slow = parts.iter().rev().find_map(|part| part.record.var.slow);
    record.temporal_slow = record.var.slow.and_then(|v| pool.spread(v));
    record.frame_means = frame_means;
    estimate::finish(&mut record);
    record
}

/// Fills what rests on the two-way residual.
fn moving(pool: &Pool<'_>, channel: Channel, temporal: f64, record: &mut ComponentRecord, notes: &mut Notes) {
    let sums = pool.sums(|var| var.temporal);
    let timed = pool.sums(|var| var.ct);
    let in_time = timed.in_time(pool.clip.holes);
    let var = &mut record.var;
    var.temporal = Some(temporal);
    var.row = pool.variance(|var| var.row);
    var.column = pool.variance(|var| var.column);
    var.level = pool.variance(|var| var.level);
    (var.c0, var.cx, var.cy) = (Some(sums.c0), sums.cx, sums.cy);
    (var.ct, var.ct2) = (timed.ct, timed.ct2);
    record.row = var.row.and_then(|v| pool.spread(v));
    record.column = var.column.and_then(|v| pool.spread(v));
    record.corr_t = in_time.known();
    [record.corr_x, record.corr_y] = neighbours(pool, &sums, in_time, &record.var);
    let nu: f64 = pool.values(|record| record.var.nu).iter().map(|(nu, _)| nu).sum();
    record.var.nu = (nu > 0.0).then_some(nu);
    let half_step = half_step(pool, record);
    if temporal.sqrt() < half_step {
        record.temporal_upper = Some(pool.unit * half_step);
        record.temporal_pair = None;
        estimate::note_limited(channel, notes);
        return;
    }
    estimate::note_in_time(channel, in_time, temporal, notes);
    record.temporal = pool.spread(temporal);
    record.temporal_codes = (!pool.clip.in_percent).then(|| temporal.sqrt());
    let Some(ends) = record.var.nu.and_then(|nu| pool.interval(temporal, nu)) else { return };
    record.temporal_ci = Some(ends.map(|end| pool.unit * end));
    if let Some(a) = in_time.recursive() {
        let redundancy = ar1::freedom(&sums.stacks, a) / nu;
        let long = Long::new(&sums, temporal, a, redundancy);
        record.temporal_long = pool.spread(long.variance);
        record.model = Some("ar1".to_owned());
        // The windows' scatter widens both alike.
        let scale = (long.variance / temporal).sqrt();
        let scattered = ends.map(|end| scale * end);
        let width = |ends: &[f64; 2]| ends[1] - ends[0];
        let widest =
            long.interval().into_iter().chain([scattered]).max_by(|a, b| width(a).total_cmp(&width(b)));
        record.temporal_long_ci = widest.map(|ends| ends.map(|end| pool.unit * end));
    }
}

/// Correlation of neighbours from the pooled sums.
fn neighbours(pool: &Pool<'_>, sums: &MovingSums, in_time: InTime, var: &Variances) -> [Option<f64>; 2] {
    let Some(temporal) = var.temporal.filter(|v| *v > 0.0) else { return [None; 2] };
    // `level` is of a whole frame under endless windows; sums know one field within its window.
    let within = in_time.known().map_or(1.0, |a| ar1::long_factor(&sums.stacks, a));
    let frame_mean = var.level.unwrap_or(0.0) * pool.clip.fields as f64 * within;
    let samples = sums.width;
    sums.neighbours(&Lines {
        row: var.row,
        column: var.column,
        frame_mean,
        sample: temporal * (samples - 1.0) / samples + frame_mean,
        whole: Correlation::white(),
        free: Correlation::white(),
    })
}

/// Half a code step in the unit of `var`, as the windows told it.
fn half_step(pool: &Pool<'_>, record: &ComponentRecord) -> f64 {
    let limited = pool.parts.iter().filter_map(|part| part.record.temporal_upper).reduce(f64::min);
    let native = record.codes.as_ref().and_then(|codes| codes.code_step).map(|step| f64::from(step) / 2.0);
    native.or(limited.map(|upper| upper / pool.unit)).unwrap_or(0.0)
}

/// Fills what stands.
fn standing(pool: &Pool<'_>, record: &mut ComponentRecord) {
    record.var.fixed = pool.variance(|var| var.fixed);
    record.var.fixed_row = pool.variance(|var| var.fixed_row);
    record.var.fixed_column = pool.variance(|var| var.fixed_column);
    record.var.fixed_pixel = pool.variance(|var| var.fixed_pixel);
    let Some(fixed) = record.var.fixed else { return };
    let half_step = half_step(pool, record);
    if record.temporal.is_none() && fixed.max(0.0).sqrt() < half_step {
        record.fixed_upper = Some(pool.unit * half_step);
        return;
    }
    record.fixed = pool.spread(fixed);
    record.fixed_row = record.var.fixed_row.and_then(|v| pool.spread(v));
    record.fixed_column = record.var.fixed_column.and_then(|v| pool.spread(v));
    record.fixed_pixel = record.var.fixed_pixel.and_then(|v| pool.spread(v));
    if record.fixed.is_none() {
        let values = pool.values(|record| record.var.fixed);
        record.fixed_upper = if values.len() < 2 {
            pool.parts.iter().find_map(|part| part.record.fixed_upper)
        } else {
            let reach = quantile::student_t(0.95, values.len() as f64 - 1.0) * error(&values);
            Some(pool.unit * (fixed.max(0.0) + reach).sqrt())
        };
    }
}

/// Fills what rests on the joined frame means.
fn levels(pool: &Pool<'_>, frame_means: &[f64], record: &mut ComponentRecord) {
    let times: Vec<f64> = (0..frame_means.len()).map(|l| l as f64 / pool.clip.frame_rate).collect();
    let Some(line) = flicker::line(&times, frame_means) else { return };
    record.drift = Some(pool.unit * line.slope);
    let noise = record.var.level.unwrap_or(0.0) * flicker::left_by_line(&times, record.corr_t);
    let flicker = line.variance - noise;
    record.var.flicker = Some(flicker);
    record.flicker = pool.spread(flicker);
}

/// Extremes over all windows, shares by frames, rails where the outermost code of the clip is one.
fn codes(parts: &[Part<'_>]) -> Option<CodesRecord> {
    let all: Vec<(&CodesRecord, f64)> =
        parts.iter().filter_map(|part| Some((part.record.codes.as_ref()?, part.frames as f64))).collect();
    if all.is_empty() {
        return None;
    }
    let share = |get: fn(&CodesRecord) -> Option<f64>| {
        mean(&all.iter().filter_map(|(codes, frames)| Some((get(codes)?, *frames))).collect::<Vec<_>>())
    };
    let frames: f64 = all.iter().map(|(_, frames)| frames).sum();
    let min_codes = all.iter().filter_map(|(codes, _)| codes.min_codes).min();
    let max_codes = all.iter().filter_map(|(codes, _)| codes.max_codes).max();
    let rail = |outermost: Option<u32>, get: fn(&CodesRecord) -> Option<Rail>| {
        let code = outermost?;
        let held: f64 = all
            .iter()
            .filter_map(|(codes, frames)| Some(get(codes).filter(|rail| rail.code == code)?.share * frames))
            .sum();
        Some(Rail { code, share: held / frames }).filter(|rail| rail.share >= RAIL_SHARE)
    };
    Some(CodesRecord {
        min_codes,
        max_codes,
        code_step: all.iter().filter_map(|(codes, _)| codes.code_step).min(),
        clipped_low: share(|codes| codes.clipped_low),
        clipped_high: share(|codes| codes.clipped_high),
        above_white: share(|codes| codes.above_white),
        below_black: share(|codes| codes.below_black),
        rail_low: rail(min_codes, |codes| codes.rail_low),
        rail_high: rail(max_codes, |codes| codes.rail_high),
    })
}
