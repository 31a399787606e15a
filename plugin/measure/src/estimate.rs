//! One component of one region: from finished stacks to the numbers of a record.

use crate::ar1;
use crate::flicker;
use crate::format::{Channel, Scale};
use crate::kernels::clip::CodeCounts;
use crate::moving::{InTime, Lines, MovingSums};
use crate::notes::Notes;
use crate::quantile;
use crate::record::{CodesRecord, ComponentRecord, NoteCode, Rail, Variances};
use crate::spatial::{self, Correlation};
use crate::stack::StackNumbers;
use crate::standing::{Standing, take_apart};

/// Share of a region's samples at a clip limit or rail from which the region counts as clipped.
const CLIPPED_SHARE: f64 = 0.001;
/// Distinct frames under which a window's numbers carry the note `few_frames`.
pub const FEW_FRAMES: u64 = 8;
/// Level of one-sided bounds.
const BOUND: f64 = 0.95;

/// What a component's numbers need beside its stacks.
#[derive(Debug, Clone)]
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

/// Numbers of `stacks` (one a field); the signed variance of each window mean that moving noise explains comes beside.
#[must_use]
pub fn component(
    subject: &Subject<'_>,
    stacks: &[StackNumbers],
    notes: &mut Notes,
) -> (ComponentRecord, Option<f64>) {
    let channel = subject.channel;
    let spread = |variance: f64| (variance > 0.0).then(|| subject.scale.spread(variance.sqrt()));
    let unit = if subject.in_percent { 100.0 / subject.scale.span } else { 1.0 };
    let var = |variance: f64| variance * unit * unit;
    let samples: usize = stacks.iter().map(|stack| stack.width * stack.height).sum();
    let mut record = ComponentRecord {
        samples: samples as u64,
        codes: subject.codes.map(|(counts, step)| codes_record(subject.in_percent, counts, step)),
        ..ComponentRecord::default()
    };
    if let Some(codes) = &record.codes {
        note_clipping(channel, codes, notes);
    }
    let Some(mean) = mean(stacks) else {
        notes.add(NoteCode::FewPixels, channel, "no sample of this component lies wholly in the region");
        return (record, None);
    };
    record.mean = Some(subject.scale.percent(mean));
    record.mean_codes = (!subject.in_percent).then_some(mean);
    let frame_means = frame_means(stacks);
    record.frame_means = if subject.in_percent {
        frame_means.iter().map(|&code| subject.scale.percent(code)).collect()
    } else {
        frame_means.clone()
    };
    let sums = sums(stacks);
    let distinct = stacks.iter().map(|stack| stack.frames).max().unwrap_or(0);
    if distinct < FEW_FRAMES {
        notes.add(NoteCode::FewFrames, channel, format!("{distinct} distinct frames, fewer than {FEW_FRAMES}"));
    }
    let Some(temporal) = sums.variance() else {
        if samples < 2 * stacks.len() {
            notes.add(NoteCode::FewPixels, channel, "a spread needs at least 2 samples");
        }
        return (record, None);
    };
    let mut variances = Variances {
        temporal: Some(var(temporal)),
        c0: Some(var(sums.c0)),
        cx: Some(var(sums.cx)),
        cy: Some(var(sums.cy)),
        ct: sums.ct.map(var),
        ct2: sums.ct2.map(var),
        ..Variances::default()
    };
    let limited = temporal.sqrt() < subject.half_step;
    if limited {
        record.temporal_upper = Some(subject.scale.spread(subject.half_step));
        notes.add(NoteCode::CodeLimited, channel, "moving noise is below half a code step and cannot be told");
    } else {
        record.temporal = spread(temporal);
        record.temporal_codes = (!subject.in_percent).then(|| temporal.sqrt());
        record.temporal_pair = pair_variance(stacks).filter(|&v| v.sqrt() >= subject.half_step).and_then(spread);
    }
    let rho = if temporal > 0.0 { spatial::correlation(stacks) } else { None };
    let far = |get: fn(&StackNumbers) -> Option<f64>| weighted(stacks, get);
    let lines = sums
        .lines(far(|s| s.quadratic.row), far(|s| s.quadratic.column), rho.as_ref())
        .filter(|_| temporal > 0.0);
    let in_time = sums.in_time();
    let mut mean_variance = None;
    if let Some(lines) = &lines {
        moving(subject, &sums, lines, rho.as_ref(), in_time, &mut record, &mut variances, limited, var);
    } else if temporal == 0.0 && distinct >= 2 {
        // Nothing moves: the mean image is each frame, and lines that move are none.
        variances.nu = Some(sums.freedom());
    }
    match in_time {
        InTime::TooHigh => {
            notes.add(NoteCode::DenoisedTime, channel, "successive frames correlate by 0.95 or more: the noise of a longer window cannot be told");
        }
        InTime::Known { recursive: false, .. } => {
            notes.add(NoteCode::DenoisedTime, channel, "frames two apart correlate otherwise than a recursive filter makes them: the noise of a longer window cannot be told");
        }
        InTime::Unknown if temporal > 0.0 => {
            notes.add(NoteCode::FewFrames, channel, "the correlation of frames needs at least 3 distinct frames in a row");
        }
        _ => {}
    }
    if lines.is_some_and(|lines| lines.row.is_none() || lines.column.is_none()) {
        notes.add(NoteCode::FewPixels, channel, "rows and columns need at least 48 samples along them");
    }
    if temporal > 0.0 {
        if let InTime::Known { a, recursive: true } = in_time {
            let n = distinct;
            let long = temporal / ar1::long_factor(&sums.stacks, a);
            mean_variance = Some(long * ar1::mean_factor(n, a));
        }
    } else if distinct >= 2 {
        mean_variance = Some(0.0);
    }
    standing(subject, stacks, lines.as_ref(), rho.as_ref(), mean_variance, &mut record, &mut variances, limited, var);
    levels(subject, &frame_means, lines.as_ref(), stacks.len(), &mut record, &mut variances, notes, var);
    bands(subject, stacks, &mut record, notes);
    unclipped(&mut record);
    if let (Some(long), Some(fixed)) = (record.temporal_long, record.fixed) {
        record.total = Some(long.hypot(fixed));
    }
    record.var = variances;
    let explained = mean_variance.or_else(|| Some(temporal / distinct as f64));
    (record, explained)
}

/// Fills what rests on the two-way residual.
#[expect(clippy::too_many_arguments, reason = "one caller; a struct would only rename the same list")]
fn moving(
    subject: &Subject<'_>,
    sums: &MovingSums,
    lines: &Lines,
    rho: Option<&Correlation>,
    in_time: InTime,
    record: &mut ComponentRecord,
    variances: &mut Variances,
    limited: bool,
    var: impl Fn(f64) -> f64,
) {
    let Some(temporal) = sums.variance() else { return };
    let spread = |variance: f64| (variance > 0.0).then(|| subject.scale.spread(variance.sqrt()));
    [record.corr_x, record.corr_y] = sums.neighbours(lines);
    variances.row = lines.row.map(&var);
    variances.column = lines.column.map(&var);
    record.row = lines.row.and_then(spread);
    record.column = lines.column.and_then(spread);
    let a = match in_time {
        InTime::Known { a, .. } => Some(a),
        // The widest correlation that can still be told, so that the interval is not too narrow.
        InTime::TooHigh => Some(0.95),
        InTime::Unknown => None,
    };
    let nu = sums.effective_freedom(lines, rho, a.unwrap_or(0.0));
    variances.nu = Some(nu);
    if let InTime::Known { a, .. } = in_time {
        record.corr_t = Some(a);
    }
    if limited {
        return;
    }
    let percent = |ends: [f64; 2]| ends.map(|end| subject.scale.spread(end));
    record.temporal_ci = quantile::spread_interval(temporal, nu, 0.95).map(percent);
    if let InTime::Known { a, recursive: true } = in_time {
        let long = temporal / ar1::long_factor(&sums.stacks, a);
        record.temporal_long = spread(long);
        record.model = Some("ar1".to_owned());
        // The scale itself rests on a measured correlation: its error joins that of the variance.
        let step = 1e-4;
        let slope = (ar1::long_factor(&sums.stacks, a + step).ln()
            - ar1::long_factor(&sums.stacks, a - step).ln())
            / (2.0 * step);
        let error = (1.0 - a * a) * sums.spatial_redundancy(lines, rho) / sums.freedom();
        let nu_long = 2.0 / (2.0 / nu + slope * slope * error);
        record.temporal_long_ci = quantile::spread_interval(long, nu_long, 0.95).map(percent);
    }
}

/// Fills what stands in the mean image.
#[expect(clippy::too_many_arguments, reason = "one caller; a struct would only rename the same list")]
fn standing(
    subject: &Subject<'_>,
    stacks: &[StackNumbers],
    lines: Option<&Lines>,
    rho: Option<&Correlation>,
    mean_variance: Option<f64>,
    record: &mut ComponentRecord,
    variances: &mut Variances,
    limited: bool,
    var: impl Fn(f64) -> f64,
) {
    let spread = |variance: f64| (variance > 0.0).then(|| subject.scale.spread(variance.sqrt()));
    let parts: Vec<Standing> = stacks.iter().map(|s| take_apart(&s.mean_image, s.width, s.height)).collect();
    let count: f64 = stacks.iter().map(|s| (s.width * s.height) as f64).sum();
    let fields = stacks.len() as f64;
    if count > fields {
        let trend: f64 = parts.iter().map(|part| part.trend).sum();
        record.shading = Some(subject.scale.spread((trend / (count - fields)).sqrt()));
    }
    let Some(explained) = mean_variance else { return };
    let (p, h) = (count / fields, count / fields / stacks[0].width as f64);
    let w = stacks[0].width as f64;
    let coefficients = parts.first().map_or(6, |part| part.coefficients) as f64;
    let integral = lines.map_or(1.0, |lines| lines.integral);
    if coefficients * integral > p / 2.0 {
        return;
    }
    let residual = parts.iter().map(|part| part.residual).sum::<f64>() / count;
    let product = |get: fn(&Standing) -> Option<f64>| {
        parts.iter().map(get).sum::<Option<f64>>().map(|sum| sum / fields)
    };
    let (row, column) = (product(|s| s.row).filter(|_| h >= 8.0), product(|s| s.column).filter(|_| w >= 8.0));
    // The trend takes 3 of a line direction's offsets, and its share of the single samples, away from all three.
    let (mut whole, mut r, mut c) = (residual, row.unwrap_or(0.0), column.unwrap_or(0.0));
    for _ in 0..200 {
        let before = (whole, r, c);
        let pixel = whole - r - c;
        let taken = 3.0 * pixel * integral / p;
        whole = residual + 3.0 * r / h + 3.0 * c / w + coefficients * pixel * integral / p;
        r = row.map_or(0.0, |product| product + 3.0 * r / h + taken + c / w);
        c = column.map_or(0.0, |product| product + 3.0 * c / w + taken + r / h);
        let moved = (whole - before.0).abs() + (r - before.1).abs() + (c - before.2).abs();
        if moved <= 1e-12 * whole.abs() {
            break;
        }
    }
    // Moving noise reaches the mean image as each part does a single frame.
    let sample = lines.map_or(0.0, |lines| lines.sample);
    let share = |line: Option<f64>| if sample > 0.0 { explained * line.unwrap_or(0.0) / sample } else { 0.0 };
    let fixed = whole - explained;
    let fixed_row = row.map(|_| r - share(lines.and_then(|lines| lines.row)));
    let fixed_column = column.map(|_| c - share(lines.and_then(|lines| lines.column)));
    let fixed_pixel = fixed - fixed_row.unwrap_or(0.0) - fixed_column.unwrap_or(0.0);
    variances.fixed = Some(var(fixed));
    variances.fixed_row = fixed_row.map(&var);
    variances.fixed_column = fixed_column.map(&var);
    variances.fixed_pixel = Some(var(fixed_pixel));
    // Moving noise of half a step or more dithers the mean image; without it the image has the codes' own coarseness.
    if limited && fixed.max(0.0).sqrt() < subject.half_step {
        record.fixed_upper = Some(subject.scale.spread(subject.half_step));
        return;
    }
    record.fixed = spread(fixed);
    record.fixed_row = fixed_row.and_then(spread);
    record.fixed_column = fixed_column.and_then(spread);
    record.fixed_pixel = spread(fixed_pixel);
    if record.fixed.is_none() {
        let redundancy = rho.map_or(1.0, |rho| rho.sum(|_, _, rho| rho * rho).max(1.0));
        let nu = variances.nu.unwrap_or(f64::INFINITY);
        let error = (2.0 * whole * whole * redundancy / count + 2.0 * explained * explained / nu).sqrt();
        let upper = fixed.max(0.0) + quantile::normal(BOUND) * error;
        record.fixed_upper = Some(subject.scale.spread(upper.sqrt()));
    }
}

/// Fills what rests on the frame means.
#[expect(clippy::too_many_arguments, reason = "one caller; a struct would only rename the same list")]
fn levels(
    subject: &Subject<'_>,
    frame_means: &[f64],
    lines: Option<&Lines>,
    fields: usize,
    record: &mut ComponentRecord,
    variances: &mut Variances,
    notes: &mut Notes,
    var: impl Fn(f64) -> f64,
) {
    let count = frame_means.len().min(subject.times.len());
    let Some(line) = flicker::line(&subject.times[..count], &frame_means[..count]) else { return };
    record.drift = Some(subject.scale.spread(line.slope));
    let noise = lines.map_or(0.0, |lines| lines.frame_mean / fields as f64);
    let flicker = line.variance - noise;
    variances.flicker = Some(var(flicker));
    record.flicker = (flicker > 0.0).then(|| subject.scale.spread(flicker.sqrt()));
    note_flicker(subject, frame_means, record, notes);
}

/// Fills the flicker's frequency and says which lamps it fits.
pub fn note_flicker(subject: &Subject<'_>, frame_means: &[f64], record: &mut ComponentRecord, notes: &mut Notes) {
    let Some(peak) = flicker::periodogram_peak(frame_means, subject.frame_rate) else { return };
    record.flicker_hz = Some(peak.hz);
    notes.add(
        NoteCode::Flicker,
        subject.channel,
        format!("the level moves periodically, {:.2} Hz as the frames sample it", peak.hz),
    );
    let resolution = subject.frame_rate / frame_means.len() as f64;
    let lamps = flicker::lamp_candidates(peak.hz, subject.frame_rate, resolution);
    if !lamps.is_empty() {
        let list: Vec<String> = lamps.iter().map(|hz| format!("{hz:.0} Hz")).collect();
        notes.add(NoteCode::Lamp, subject.channel, format!("fits lamps at {}", list.join(", ")));
    }
}

/// Fills the moving bands.
fn bands(subject: &Subject<'_>, stacks: &[StackNumbers], record: &mut ComponentRecord, notes: &mut Notes) {
    let Some(spread) = weighted(stacks, |s| s.quadratic.band) else { return };
    let Some(null) = weighted(stacks, |s| s.quadratic.band_null) else { return };
    let band = spread - null;
    record.band_moving = (band > 0.0).then(|| subject.scale.spread(band.sqrt()));
    // Overlapping differences are worth two thirds of independent ones (METROLOGY in docs/numbers.md, pairs); so are
    // the overlapping steps from bin to bin.
    let pairs: f64 = stacks.iter().map(|s| s.pairs as f64).sum::<f64>() * 2.0 / 3.0;
    let freedom = stacks.first().map_or(0.0, |s| s.bins.saturating_sub(1) as f64) * pairs;
    if freedom < 2.0 || null <= 0.0 {
        return;
    }
    if spread / null > quantile::fisher_f(0.99, freedom, freedom * 2.0 / 3.0) {
        notes.add(NoteCode::Band, subject.channel, "bands move over the picture, more than independent rows would");
    }
}

/// Extremes, clipping and rails.
#[must_use]
pub fn codes_record(in_percent: bool, counts: &CodeCounts, step: Option<u32>) -> CodesRecord {
    let samples = counts.samples;
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
        above_white: share(counts.above_white),
        below_black: share(counts.below_black),
        rail_low: low.filter(|_| !in_percent),
        rail_high: high.filter(|_| !in_percent),
    }
}

/// Says where a component clips.
fn note_clipping(channel: Channel, record: &CodesRecord, notes: &mut Notes) {
    let over = |share: Option<f64>| share.is_some_and(|share| share > CLIPPED_SHARE);
    if over(record.clipped_high) || over(record.rail_high.map(|rail| rail.share)) {
        notes.add(NoteCode::Clipped, channel, "more than 0.1 % of the region clips at the top");
    }
    if over(record.clipped_low) || over(record.rail_low.map(|rail| rail.share)) {
        notes.add(NoteCode::Clipped, channel, "more than 0.1 % of the region clips at the bottom");
    }
}

/// Undoes one-sided clipping of Gaussian noise where the standing part is small (METROLOGY in docs/numbers.md, clipping).
fn unclipped(record: &mut ComponentRecord) {
    let (Some(temporal), Some(codes)) = (record.temporal, &record.codes) else { return };
    let share = |clipped: Option<f64>, rail: Option<Rail>| clipped.unwrap_or(0.0).max(rail.map_or(0.0, |r| r.share));
    let low = share(codes.clipped_low, codes.rail_low);
    let high = share(codes.clipped_high, codes.rail_high);
    let (clipped, other) = if low > high { (low, high) } else { (high, low) };
    let still = record.fixed.or(record.fixed_upper).is_some_and(|fixed| fixed <= 0.5 * temporal);
    if !(CLIPPED_SHARE..=0.5).contains(&clipped) || other > CLIPPED_SHARE || !still {
        return;
    }
    let alpha = quantile::normal(1.0 - clipped);
    let density = (-0.5 * alpha * alpha).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let below = 1.0 - clipped;
    let shift = -density + alpha * clipped;
    let second = below - alpha * density + alpha * alpha * clipped;
    let ratio = second - shift * shift;
    if ratio > 0.0 {
        record.temporal_unclipped = Some(temporal / ratio.sqrt());
    }
}

/// Adds the stacks' sums.
fn sums(stacks: &[StackNumbers]) -> MovingSums {
    let total = |get: fn(&StackNumbers) -> f64| stacks.iter().map(get).sum::<f64>();
    let count = stacks.len().max(1) as f64;
    MovingSums {
        stacks: stacks
            .iter()
            .map(|s| ar1::Stack { weight: (s.width * s.height) as f64 - 1.0, frames: s.frames })
            .collect(),
        width: total(|s| s.width as f64) / count,
        height: total(|s| s.height as f64) / count,
        c0: total(|s| s.quadratic.c0),
        cx: total(|s| s.quadratic.cx),
        cy: total(|s| s.quadratic.cy),
        ct: stacks.iter().map(|s| s.quadratic.ct).sum(),
        ct2: stacks.iter().map(|s| s.quadratic.ct2).sum(),
    }
}

/// Mean over stacks, weighted by samples times frames.
fn weighted(stacks: &[StackNumbers], get: fn(&StackNumbers) -> Option<f64>) -> Option<f64> {
    let weight = |s: &StackNumbers| (s.width * s.height) as f64 * s.frames as f64;
    let total: f64 = stacks.iter().map(weight).sum();
    let sum = stacks.iter().map(|s| Some(get(s)? * weight(s))).sum::<Option<f64>>()?;
    (total > 0.0).then(|| sum / total)
}

/// Mean code.
fn mean(stacks: &[StackNumbers]) -> Option<f64> {
    if let [only] = stacks { only.mean } else { weighted(stacks, |s| s.mean) }
}

/// ½Σ(d − d̄)²/(P − 1), averaged over all pairs.
fn pair_variance(stacks: &[StackNumbers]) -> Option<f64> {
    let freedom: f64 =
        stacks.iter().map(|s| ((s.width * s.height) as f64 - 1.0) * s.pairs as f64).sum();
    let sum = stacks.iter().map(|s| s.quadratic.pair).sum::<Option<f64>>()?;
    (freedom > 0.0).then(|| sum / freedom)
}

/// Mean code of each distinct frame, both fields together.
fn frame_means(stacks: &[StackNumbers]) -> Vec<f64> {
    let [first, rest @ ..] = stacks else { return Vec::new() };
    if rest.is_empty() {
        return first.frame_means.clone();
    }
    let frames = stacks.iter().map(|s| s.frame_means.len()).min().unwrap_or(0);
    let weight = |s: &StackNumbers| (s.width * s.height) as f64;
    let total: f64 = stacks.iter().map(weight).sum();
    (0..frames).map(|l| stacks.iter().map(|s| s.frame_means[l] * weight(s)).sum::<f64>() / total).collect()
}
