//! One component of one region: from finished stacks to the numbers of a record.

use crate::frame::format::{Channel, Scale};
use crate::numbers::ar1;
use crate::numbers::flicker;
use crate::numbers::long::Long;
use crate::numbers::moving::{Fit, InTime, Lines, MovingSums};
use crate::numbers::notes::Notes;
use crate::numbers::quantile;
use crate::numbers::spatial::{self, Correlation};
use crate::numbers::standing::StandingSums;
use crate::numbers::transform::Plans;
use crate::numbers::uneven;
use crate::record::{CodesRecord, ComponentRecord, NoteCode, Rail};
use crate::sums::finished::StackNumbers;
use crate::sums::kernels::clip::CodeCounts;

/// Share of a region's samples at a clip limit or rail from which the region counts as clipped.
const CLIPPED_SHARE: f64 = 0.001;
/// Distinct frames under which numbers carry the note `few_frames`.
const FEW_FRAMES: u64 = 8;
/// Level of one-sided bounds.
const BOUND: f64 = 0.95;
/// Level of two-sided intervals.
pub const INTERVAL: f64 = 0.95;

/// What a component's numbers need beside its stacks.
#[derive(Debug, Clone, Copy)]
pub struct Subject<'a> {
    /// Which component.
    pub channel: Channel,
    /// Codes to percent.
    pub scale: Scale,
    /// `var` is in percent² and there are no codes: fixed-point pictures.
    pub in_percent: bool,
    /// Half a code step, in codes; what a spread must reach to be told.
    pub half_step: f64,
    /// Code counts and step; none for derived components.
    pub codes: Option<(&'a CodeCounts, Option<u32>)>,
    /// Seconds of every distinct frame.
    pub times: &'a [f64],
    /// Distinct frames a second.
    pub frame_rate: f64,
}

impl Subject<'_> {
    /// Spread in percent of a variance in codes²; `None` unless it is positive.
    fn spread(&self, variance: f64) -> Option<f64> {
        (variance > 0.0).then(|| self.scale.spread(variance.sqrt()))
    }

    /// A variance in the unit of `var`.
    pub fn var(&self, variance: f64) -> f64 {
        let unit = if self.in_percent { 100.0 / self.scale.span } else { 1.0 };
        variance * unit * unit
    }
}

/// A component under evaluation.
struct Work<'a> {
    subject: Subject<'a>,
    stacks: &'a [StackNumbers],
    sums: MovingSums,
    /// Variance of the two-way residual, codes².
    temporal: f64,
    /// Whether it lies below half a code step.
    limited: bool,
    lines: Option<Lines>,
    in_time: InTime,
    distinct: u64,
    record: ComponentRecord,
}

/// Numbers of `stacks` (one a field), and the variance of a pixel's window mean about the region's that moving noise
/// explains, codes².
#[must_use]
pub fn component(
    subject: Subject<'_>,
    stacks: &[StackNumbers],
    notes: &mut Notes,
    plans: &mut Plans,
) -> (ComponentRecord, Option<f64>) {
    let channel = subject.channel;
    let samples: usize = stacks.iter().map(StackNumbers::samples).sum();
    let mut record = ComponentRecord {
        samples: samples as u64,
        codes: subject.codes.map(|(counts, step)| codes_record(subject.in_percent, counts, step)),
        ..ComponentRecord::default()
    };
    if samples == 0 {
        notes.add(NoteCode::FewPixels, channel, "no sample of this component lies wholly in the region");
        return (record, None);
    }
    let distinct = stacks.iter().map(|stack| stack.frames).max().unwrap_or(0);
    note_few_frames(channel, distinct, notes);
    let Some(mean) = weighted(stacks, |s| s.mean) else { return (record, None) };
    if let Some(codes) = &record.codes {
        note_clipping(channel, codes, notes);
    }
    record.mean = Some(subject.scale.percent(mean));
    record.mean_codes = (!subject.in_percent).then_some(mean);
    let means = frame_means(stacks);
    record.frame_means = if subject.in_percent {
        means.iter().map(|&code| subject.scale.percent(code)).collect()
    } else {
        means.clone()
    };
    let sums = moving_sums(stacks);
    let Some(temporal) = sums.variance() else {
        if samples < 2 * stacks.len() {
            notes.add(NoteCode::FewPixels, channel, "a spread needs at least 2 samples");
        }
        return (record, None);
    };
    let seen = spatial::correlation(stacks, plans).unwrap_or_else(Correlation::white);
    let lines =
        sums.lines(weighted(stacks, |s| s.quadratic.row), weighted(stacks, |s| s.quadratic.column), &seen);
    let pairs_missing = stacks.iter().any(|stack| stack.pairs + 1 < stack.frames);
    let in_time = sums.in_time(pairs_missing);
    let limited = temporal.sqrt() < subject.half_step;
    let mut work = Work { subject, stacks, temporal, limited, lines, in_time, distinct, record, sums };
    work.moving();
    let explained = work.explained();
    work.standing(explained);
    work.levels(&means);
    work.bands(notes);
    if let Some(hz) = flicker_hz(channel, &means, subject.frame_rate, notes) {
        work.record.flicker_hz = Some(hz);
    }
    work.note(notes);
    if !limited && uneven::scatter(stacks, &seen).is_some_and(uneven::Scatter::is_uneven) {
        let text = "noise is uneven from block to block: a codec altered it, the spread is what that left";
        notes.add(NoteCode::Codec, channel, text);
    }
    finish(&mut work.record);
    // What is slower than a window is told from pixel means about the region's level, which moving noise moves too: its
    // share in them is that of the two-way residual, not of a sample.
    let left = work.mean_share().unwrap_or(1.0 / distinct as f64);
    (work.record, Some(temporal * left))
}

impl Work<'_> {
    /// Fills what rests on the two-way residual.
    fn moving(&mut self) {
        let (subject, temporal) = (self.subject, self.temporal);
        let var = &mut self.record.var;
        var.temporal = Some(subject.var(temporal));
        var.c0 = Some(subject.var(self.sums.c0));
        var.cx = self.sums.cx.map(|v| subject.var(v));
        var.cy = self.sums.cy.map(|v| subject.var(v));
        var.ct = self.sums.ct.map(|v| subject.var(v));
        var.ct2 = self.sums.ct2.map(|v| subject.var(v));
        if self.limited {
            self.record.temporal_upper = Some(subject.scale.spread(subject.half_step));
        } else {
            self.record.temporal = subject.spread(temporal);
            self.record.temporal_codes = (!subject.in_percent).then(|| temporal.sqrt());
            let pair = pair_variance(self.stacks).filter(|v| v.sqrt() >= subject.half_step);
            self.record.temporal_pair = pair.and_then(|v| subject.spread(v));
        }
        let Some(lines) = &self.lines else { return };
        let var = &mut self.record.var;
        var.row = lines.row.map(|v| subject.var(v));
        var.column = lines.column.map(|v| subject.var(v));
        self.record.row = lines.row.and_then(|v| subject.spread(v));
        self.record.column = lines.column.and_then(|v| subject.spread(v));
        [self.record.corr_x, self.record.corr_y] = self.sums.neighbours(lines);
        self.record.corr_t = self.in_time.known();
        let redundancy = self.sums.spatial_redundancy(lines);
        let nu = self.sums.effective_freedom(redundancy, self.in_time.for_freedom());
        self.record.var.nu = Some(nu);
        if self.limited {
            return;
        }
        let percent = |ends: [f64; 2]| ends.map(|end| subject.scale.spread(end));
        self.record.temporal_ci = quantile::spread_interval(temporal, nu, INTERVAL).map(percent);
        if let Some(a) = self.in_time.recursive() {
            let long = Long::new(&self.sums, temporal, a, redundancy);
            self.record.temporal_long = subject.spread(long.variance);
            self.record.temporal_long_ci = long.interval().map(percent);
            self.record.model = Some("ar1".to_owned());
        }
    }

    /// What share of a single frame's moving variance, lines and all, reaches the mean of the window; none where the
    /// recursion does not explain the frames.
    fn mean_share(&self) -> Option<f64> {
        let a = self.in_time.recursive()?;
        Some(ar1::mean_factor(self.distinct, a) / ar1::long_factor(&self.sums.stacks, a))
    }

    /// Variance of a pixel's mean over the window that moving noise explains, codes².
    fn explained(&self) -> Option<f64> {
        match &self.lines {
            Some(lines) => Some(lines.sample * self.mean_share()?),
            None => (self.temporal == 0.0).then_some(0.0),
        }
    }

    /// Fills what stands in the mean image.
    fn standing(&mut self, explained: Option<f64>) {
        let subject = self.subject;
        let sums = StandingSums::new(self.stacks);
        self.record.shading = sums.shading().map(|v| subject.scale.spread(v.sqrt()));
        let Some(explained) = explained else { return };
        let white = Correlation::white();
        let free = self.lines.as_ref().map_or(&white, |lines| &lines.free);
        let Some(standing) = sums.solve(free) else { return };
        // Moving noise reaches the mean image in the same parts as it does a single frame.
        let share = |get: fn(&Lines) -> Option<f64>| {
            let lines = self.lines.as_ref();
            lines.map_or(0.0, |lines| explained * get(lines).unwrap_or(0.0) / lines.sample)
        };
        let fixed = standing.whole - explained;
        let row = standing.row.map(|v| v - share(|lines| lines.row));
        let column = standing.column.map(|v| v - share(|lines| lines.column));
        let pixel = fixed - row.unwrap_or(0.0) - column.unwrap_or(0.0);
        let record = &mut self.record;
        record.var.fixed = Some(subject.var(fixed));
        record.var.fixed_row = row.map(|v| subject.var(v));
        record.var.fixed_column = column.map(|v| subject.var(v));
        record.var.fixed_pixel = Some(subject.var(pixel));
        // Moving noise of half a step dithers the mean image; without it the image is as coarse as the codes.
        if self.limited && fixed.max(0.0).sqrt() < subject.half_step {
            record.fixed_upper = Some(subject.scale.spread(subject.half_step));
            return;
        }
        record.fixed = subject.spread(fixed);
        record.fixed_row = row.and_then(|v| subject.spread(v));
        record.fixed_column = column.and_then(|v| subject.spread(v));
        record.fixed_pixel = subject.spread(pixel);
        if record.fixed.is_none() {
            let redundancy = self.lines.as_ref().map_or(1.0, |lines| self.sums.spatial_redundancy(lines));
            let of_image = 2.0 * standing.whole * standing.whole * redundancy / standing.samples;
            let of_noise = record.var.nu.map_or(0.0, |nu| 2.0 * explained * explained / nu);
            let upper = fixed.max(0.0) + quantile::normal(BOUND) * (of_image + of_noise).sqrt();
            record.fixed_upper = Some(subject.scale.spread(upper.sqrt()));
        }
    }

    /// Fills what rests on the frame means.
    fn levels(&mut self, means: &[f64]) {
        let count = means.len().min(self.subject.times.len());
        let Some(line) = flicker::line(&self.subject.times[..count], &means[..count]) else { return };
        self.record.drift = Some(self.subject.scale.spread(line.slope));
        let level = self.lines.as_ref().map_or(0.0, |lines| lines.frame_mean / self.stacks.len() as f64);
        let a = self.in_time.known();
        let long_level = level / a.map_or(1.0, |a| ar1::long_factor(&self.sums.stacks, a));
        self.record.var.level = Some(self.subject.var(long_level));
        let flicker = line.variance - long_level * flicker::left_by_line(&self.subject.times[..count], a);
        self.record.var.flicker = Some(self.subject.var(flicker));
        self.record.flicker = self.subject.spread(flicker);
    }

    /// Fills the moving bands: the spread of the row profile's changes beyond what bins two apart show.
    fn bands(&mut self, notes: &mut Notes) {
        let Some(spread) = weighted(self.stacks, |s| s.quadratic.band) else { return };
        let Some(null) = weighted(self.stacks, |s| s.quadratic.band_null) else { return };
        self.record.var.band = Some(self.subject.var(spread - null));
        self.record.band_moving = self.subject.spread(spread - null);
        // Overlapping differences are worth two thirds of independent ones, in time and from bin to bin.
        let pairs = self.stacks.iter().map(|s| s.pairs as f64).sum::<f64>() * 2.0 / 3.0;
        let freedom = self.stacks.first().map_or(0.0, |s| s.bins.saturating_sub(1) as f64) * pairs;
        if freedom >= 2.0
            && null > 0.0
            && spread / null > quantile::fisher_f(0.99, freedom, freedom * 2.0 / 3.0)
        {
            let text = "bands move over the picture, more than independent rows would";
            notes.add(NoteCode::Band, self.subject.channel, text);
        }
    }

    /// Says why numbers are missing.
    fn note(&self, notes: &mut Notes) {
        let channel = self.subject.channel;
        if self.limited {
            note_limited(channel, notes);
        } else if self.record.temporal_pair.is_none() && pair_variance(self.stacks).is_some() {
            note_limited_pair(channel, notes);
        }
        note_in_time(channel, self.in_time, self.temporal, notes);
        if self.lines.as_ref().is_some_and(|lines| lines.row.is_none() || lines.column.is_none()) {
            notes.add(NoteCode::FewPixels, channel, "rows and columns need at least 48 samples along them");
        }
    }
}

/// Numbers that follow from others of the same record.
pub fn finish(record: &mut ComponentRecord) {
    record.temporal_unclipped = unclipped(record);
    record.total = record.temporal_long.zip(record.fixed).map(|(long, fixed)| long.hypot(fixed));
}

/// Says that noise is finer than the codes.
pub fn note_limited(channel: Channel, notes: &mut Notes) {
    notes.add(NoteCode::CodeLimited, channel, "moving noise is below half a code step and cannot be told");
}

/// Says that adjacent frames differ by less than the codes show.
pub fn note_limited_pair(channel: Channel, notes: &mut Notes) {
    let text = "adjacent frames differ by less than half a code step: temporal_pair cannot be told";
    notes.add(NoteCode::CodeLimited, channel, text);
}

/// Says that there are few frames.
pub fn note_few_frames(channel: Channel, distinct: u64, notes: &mut Notes) {
    if distinct < FEW_FRAMES {
        notes.add(
            NoteCode::FewFrames,
            channel,
            format!("{distinct} distinct frames, fewer than {FEW_FRAMES}"),
        );
    }
}

/// Says why the noise of a longer window cannot be told.
pub fn note_in_time(channel: Channel, in_time: InTime, temporal: f64, notes: &mut Notes) {
    let (code, text) = match in_time {
        InTime::TooHigh => (NoteCode::DenoisedTime, "successive frames correlate by 0.95 or more"),
        InTime::Known { fit: Fit::OtherMemory, .. } => (
            NoteCode::DenoisedTime,
            "frames two apart correlate otherwise than a recursive filter makes them",
        ),
        InTime::Known { fit: Fit::Holes, .. } => {
            (NoteCode::Dropped, "frames remember each other and holes hide how far apart they are")
        }
        InTime::Unknown if temporal > 0.0 => (
            NoteCode::FewFrames,
            "the correlation of frames needs at least 3 distinct frames and adjacent pairs",
        ),
        _ => return,
    };
    notes.add(code, channel, format!("{text}: temporal_long cannot be told"));
}

/// Frequency of the flicker; says so, and which lamps it fits.
pub fn flicker_hz(channel: Channel, means: &[f64], frame_rate: f64, notes: &mut Notes) -> Option<f64> {
    let peak = flicker::periodogram_peak(means, frame_rate)?;
    let text = format!("the level moves periodically, {:.2} Hz as the frames sample it", peak.hz);
    notes.add(NoteCode::Flicker, channel, text);
    let lamps = flicker::lamp_candidates(peak.hz, frame_rate, frame_rate / means.len() as f64);
    if !lamps.is_empty() {
        let list: Vec<String> = lamps.iter().map(|hz| format!("{hz:.0} Hz")).collect();
        notes.add(NoteCode::Lamp, channel, format!("fits lamps at {}", list.join(", ")));
    }
    Some(peak.hz)
}

/// Extremes, clipping and rails.
#[must_use]
pub fn codes_record(in_percent: bool, counts: &CodeCounts, step: Option<u32>) -> CodesRecord {
    let samples = counts.samples();
    let share = |count: u64| (samples > 0).then(|| count as f64 / samples as f64);
    let known = step.unwrap_or(1);
    let [low, high] = counts.rails(known).map(|rail| {
        rail.map(|(code, count)| Rail { code: u32::from(code), share: count as f64 / samples.max(1) as f64 })
    });
    let extremes = counts.extremes().filter(|_| !in_percent);
    CodesRecord {
        min_codes: extremes.map(|(low, _)| u32::from(low)),
        max_codes: extremes.map(|(_, high)| u32::from(high)),
        code_step: step.filter(|_| !in_percent),
        clipped_low: share(counts.clipped_low()),
        clipped_high: share(counts.clipped_high(known)),
        above_white: share(counts.above_white()),
        below_black: share(counts.below_black()),
        rail_low: low.filter(|_| !in_percent),
        rail_high: high.filter(|_| !in_percent),
    }
}

/// Share at the bottom and at the top, clip limit or rail.
fn clipped_shares(codes: &CodesRecord) -> [f64; 2] {
    let larger =
        |clipped: Option<f64>, rail: Option<Rail>| clipped.unwrap_or(0.0).max(rail.map_or(0.0, |r| r.share));
    [larger(codes.clipped_low, codes.rail_low), larger(codes.clipped_high, codes.rail_high)]
}

/// Says where a component clips.
pub fn note_clipping(channel: Channel, codes: &CodesRecord, notes: &mut Notes) {
    for (share, end) in clipped_shares(codes).into_iter().zip(["bottom", "top"]) {
        if share > CLIPPED_SHARE {
            notes.add(
                NoteCode::Clipped,
                channel,
                format!("more than 0.1 % of the region clips at the {end}"),
            );
        }
    }
}

/// `temporal` before one-sided clipping of Gaussian noise, where the standing part is small.
///
/// With a limit at μ + ασ, the clipped variance is Φ(α) − αφ(α) + α²(1 − Φ(α)) less the squared shift of the mean
/// −φ(α) + α(1 − Φ(α)), in σ²; α follows from the clipped share 1 − Φ(α).
fn unclipped(record: &ComponentRecord) -> Option<f64> {
    let temporal = record.temporal?;
    let [low, high] = clipped_shares(record.codes.as_ref()?);
    let (clipped, other) = (low.max(high), low.min(high));
    let still = record.fixed.or(record.fixed_upper).is_some_and(|fixed| fixed <= 0.5 * temporal);
    if !(CLIPPED_SHARE..=0.5).contains(&clipped) || other > CLIPPED_SHARE || !still {
        return None;
    }
    let alpha = quantile::normal(1.0 - clipped);
    let density = (-0.5 * alpha * alpha).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let shift = alpha * clipped - density;
    let ratio = 1.0 - clipped - alpha * density + alpha * alpha * clipped - shift * shift;
    (ratio > 0.0).then(|| temporal / ratio.sqrt())
}

/// Adds the stacks' sums.
fn moving_sums(stacks: &[StackNumbers]) -> MovingSums {
    let total = |get: fn(&StackNumbers) -> f64| stacks.iter().map(get).sum::<f64>();
    let count = stacks.len().max(1) as f64;
    let brought = |sum: f64, size: usize| (size > 1).then(|| sum * size as f64 / (size - 1) as f64);
    MovingSums {
        stacks: stacks
            .iter()
            .map(|s| ar1::Stack { weight: s.samples() as f64 - 1.0, frames: s.frames })
            .collect(),
        width: total(|s| s.width as f64) / count,
        height: total(|s| s.height as f64) / count,
        c0: total(|s| s.quadratic.c0),
        cx: stacks.iter().map(|s| brought(s.quadratic.cx, s.width)).sum(),
        cy: stacks.iter().map(|s| brought(s.quadratic.cy, s.height)).sum(),
        ct: stacks.iter().map(|s| s.quadratic.ct).sum(),
        ct2: stacks.iter().map(|s| s.quadratic.ct2).sum(),
    }
}

/// Mean over stacks, weighted by samples times frames.
fn weighted(stacks: &[StackNumbers], get: fn(&StackNumbers) -> Option<f64>) -> Option<f64> {
    if let [only] = stacks {
        return get(only);
    }
    let weight = |s: &StackNumbers| s.samples() as f64 * s.frames as f64;
    let total: f64 = stacks.iter().map(weight).sum();
    let sum = stacks.iter().map(|s| Some(get(s)? * weight(s))).sum::<Option<f64>>()?;
    (total > 0.0).then(|| sum / total)
}

/// ½Σ(d − d̄)²/(P − 1), averaged over all pairs.
fn pair_variance(stacks: &[StackNumbers]) -> Option<f64> {
    let freedom: f64 = stacks.iter().map(|s| (s.samples() as f64 - 1.0) * s.pairs as f64).sum();
    let sum = stacks.iter().map(|s| s.quadratic.pair).sum::<Option<f64>>()?;
    (freedom > 0.0).then(|| sum / freedom)
}

/// Mean code of each distinct frame, both fields together.
fn frame_means(stacks: &[StackNumbers]) -> Vec<f64> {
    let frames = stacks.iter().map(|s| s.frame_means.len()).min().unwrap_or(0);
    let total: usize = stacks.iter().map(StackNumbers::samples).sum();
    let mean = |l: usize| match stacks {
        [only] => only.frame_means[l],
        _ => stacks.iter().map(|s| s.frame_means[l] * s.samples() as f64).sum::<f64>() / total as f64,
    };
    (0..frames).map(mean).collect()
}
