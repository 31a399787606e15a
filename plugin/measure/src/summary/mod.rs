//! A clip's numbers from its windows' records alone.
//!
//! Variances are pooled signed, means and shares by frames; roots and decibels are taken once, last. A mean of windows'
//! spreads would read noise where there is none.

mod component;
mod grid;

use crate::config::{LightConfig, TransferSource};
use crate::frame::format::Channel;
use crate::light;
use crate::numbers::estimate;
use crate::numbers::notes::Notes;
use crate::record::{
    ByChannel, ComponentRecord, FrameRecord, Note, NoteCode, RegionRecord, SCHEMA, TrendPoint, TrendValues,
    VideoRecord, WindowRecord,
};
use crate::transfer::Transfer;

use component::{Clip, Part};

/// Notes of windows that a summary says anew from the pooled numbers.
const RENEWED: [NoteCode; 9] = [
    NoteCode::FewFrames,
    NoteCode::Clipped,
    NoteCode::CodeLimited,
    NoteCode::DenoisedTime,
    NoteCode::Flicker,
    NoteCode::Lamp,
    NoteCode::LightNonlinear,
    NoteCode::AssumedTransfer,
    NoteCode::Black,
];

/// Distinct frames of a window.
fn distinct(window: &WindowRecord) -> u64 {
    window.frames.saturating_sub(window.repeated)
}

/// The summary of a clip's windows in their order; `None` without any.
///
/// Where the format changed on the way, the format with the most frames is summed up, with a note.
#[must_use]
pub fn summarize(windows: &[WindowRecord]) -> Option<WindowRecord> {
    let mut formats: Vec<(&VideoRecord, u64)> = Vec::new();
    for window in windows {
        match formats.iter_mut().find(|(video, _)| **video == window.video) {
            Some((_, frames)) => *frames += distinct(window),
            None => formats.push((&window.video, distinct(window))),
        }
    }
    // The first of those with the most frames.
    let (video, _) = formats.into_iter().reduce(|best, next| if next.1 > best.1 { next } else { best })?;
    let used: Vec<&WindowRecord> = windows.iter().filter(|window| window.video == *video).collect();
    let (first, last) = (*used.first()?, *used.last()?);
    let total = |get: fn(&WindowRecord) -> u64| used.iter().map(|window| get(window)).sum::<u64>();
    let (frames, repeated) = (total(|w| w.frames), total(|w| w.repeated));
    let nominal = frame_rate(&used);
    let clip = Clip {
        fields: if first.video.interlace == "progressive" { 1 } else { 2 },
        frame_rate: if frames > 0 { nominal * (frames - repeated) as f64 / frames as f64 } else { nominal },
        holes: used.iter().any(|window| window.holes > 0),
        in_percent: first.video.range == "fixed",
    };
    let mut regions: Vec<RegionRecord> =
        first.regions.iter().enumerate().map(|(i, region)| pooled_region(region, i, &used, &clip)).collect();
    if let Some(light) = light_config(first) {
        light::fill(&mut regions, &light, clip.frame_rate);
    }
    let mut notes: Vec<Note> = Vec::new();
    for window in windows {
        // Breaks and damage are told once, for all windows together.
        let breaks = Note::breaks(window.holes);
        for note in window.notes.iter().filter(|note| **note != breaks && note.code != NoteCode::Corrupted) {
            if !notes.contains(note) {
                notes.push(note.clone());
            }
        }
    }
    let holes = total(|w| w.holes);
    // Frames left out on purpose are no fault of the source.
    if holes > 0 && !notes.iter().any(|note| note.code == NoteCode::Subsampled) {
        notes.push(Note::breaks(holes));
    }
    let damaged = used.iter().filter(|w| w.notes.iter().any(|note| note.code == NoteCode::Corrupted)).count();
    if damaged > 0 {
        notes.push(Note::new(NoteCode::Corrupted, format!("{damaged} windows hold damaged buffers")));
    }
    if used.len() < windows.len() {
        let text = format!(
            "the format changed; {} of {} windows have {}x{} {} and are summed up",
            used.len(),
            windows.len(),
            first.video.width,
            first.video.height,
            first.video.format
        );
        notes.push(Note::new(NoteCode::FormatChanged, text));
    }
    Some(WindowRecord {
        schema: SCHEMA,
        source: first.source.clone(),
        timestamp: first.timestamp,
        stream_time: first.stream_time,
        running_time: first.running_time,
        duration: used.iter().map(|window| window.duration).sum(),
        rate: first.rate,
        frames,
        repeated,
        holes,
        partial: last.partial,
        discont: holes > 0,
        video: first.video.clone(),
        frame: pooled_frame(&used),
        grid: grid::pooled(&used),
        regions,
        trend: Some(used.iter().map(|window| trend(window)).collect()),
        notes,
    })
}

/// Frames a second, repeated ones among them: as in caps, else as many as the windows' lengths hold, else 25, which the
/// element assumes too.
fn frame_rate(windows: &[&WindowRecord]) -> f64 {
    let told = windows.first().and_then(|window| {
        let (numerator, denominator) = window.video.framerate.split_once('/')?;
        Some(numerator.parse::<f64>().ok()? / denominator.parse::<f64>().ok()?)
    });
    let measured = || {
        let duration = windows.iter().map(|window| window.duration).sum::<Option<u64>>()?;
        Some(windows.iter().map(|window| window.frames).sum::<u64>() as f64 * 1e9 / duration as f64)
    };
    let known = |rate: &f64| rate.is_finite() && *rate > 0.0;
    told.filter(known).or_else(|| measured().filter(known)).unwrap_or(25.0)
}

/// How the windows' samples became light.
fn light_config(window: &WindowRecord) -> Option<LightConfig> {
    let transfer = Transfer::parse(&window.video.transfer, None).ok()?;
    let source = window.regions.iter().find_map(|region| region.light.as_ref())?;
    Some(LightConfig { transfer, source: TransferSource::from_name(&source.transfer_source)? })
}

/// Mean over windows, weighted by distinct frames; `None` where no window has it.
fn by_frames(windows: &[&WindowRecord], get: impl Fn(&WindowRecord) -> Option<f64>) -> Option<f64> {
    let (mut sum, mut weight) = (0.0, 0.0);
    for window in windows {
        if let Some(value) = get(window) {
            sum += value * distinct(window) as f64;
            weight += distinct(window) as f64;
        }
    }
    (weight > 0.0).then(|| sum / weight)
}

fn pooled_frame(windows: &[&WindowRecord]) -> FrameRecord {
    let share = |get: fn(&FrameRecord) -> Option<f64>| by_frames(windows, |window| get(&window.frame));
    let bins = windows.iter().find_map(|w| w.frame.row_profile.as_ref()).map_or(0, Vec::len);
    let profile: Option<Vec<f64>> = (0..bins)
        .map(|bin| by_frames(windows, |w| w.frame.row_profile.as_ref()?.get(bin).copied()))
        .collect();
    FrameRecord {
        clipped_high: share(|frame| frame.clipped_high),
        clipped_low: share(|frame| frame.clipped_low),
        below_black: share(|frame| frame.below_black),
        above_white: share(|frame| frame.above_white),
        reserved_codes: share(|frame| frame.reserved_codes),
        outside_r103: share(|frame| frame.outside_r103),
        row_profile: profile.filter(|profile| !profile.is_empty()),
    }
}

/// A window in the trend: its first region.
fn trend(window: &WindowRecord) -> TrendPoint {
    let components = window.regions.first().map(|region| {
        let values = |record: &ComponentRecord| TrendValues { mean: record.mean, temporal: record.temporal };
        region.components.iter().map(|(channel, record)| (channel, values(record))).collect()
    });
    TrendPoint { stream_time: window.stream_time, components: components.unwrap_or_default() }
}

/// Pools one region, found by name in every window; `index` is where it most likely is.
fn pooled_region(first: &RegionRecord, index: usize, windows: &[&WindowRecord], clip: &Clip) -> RegionRecord {
    let named = |region: &&RegionRecord| region.name == first.name;
    let same: Vec<(&WindowRecord, &RegionRecord)> = windows
        .iter()
        .filter_map(|window| {
            let there = window.regions.get(index).filter(named);
            Some((*window, there.or_else(|| window.regions.iter().find(named))?))
        })
        .collect();
    let mut notes = Notes::default();
    let components: ByChannel<ComponentRecord> = first
        .components
        .iter()
        .map(|(channel, _)| (channel, pooled_component(channel, &same, clip, &mut notes)))
        .collect();
    let mut notes = notes.finish();
    for note in same.iter().flat_map(|(_, region)| &region.notes) {
        if !RENEWED.contains(&note.code) && !notes.contains(note) {
            notes.push(note.clone());
        }
    }
    RegionRecord {
        components,
        chroma_ratio: None,
        // Filled anew from the pooled numbers where a curve is known.
        light: None,
        notes,
        ..first.clone()
    }
}

fn pooled_component(
    channel: Channel,
    regions: &[(&WindowRecord, &RegionRecord)],
    clip: &Clip,
    notes: &mut Notes,
) -> ComponentRecord {
    let parts: Vec<Part<'_>> = regions
        .iter()
        .filter_map(|(window, region)| {
            Some(Part { record: region.components.get(channel)?, frames: distinct(window) })
        })
        .collect();
    let Some((window, region)) = regions.first() else { return ComponentRecord::default() };
    // One line lies in one field; so do two samples that have a spread, as each field's needs two of its own.
    let one_field = region.height < 2 || parts.first().is_some_and(|part| part.record.samples <= 2);
    let clip = Clip { fields: if one_field { 1 } else { clip.fields }, ..*clip };
    let record = component::pooled(channel, &parts, &window.video, &clip, notes);
    if let Some(codes) = &record.codes {
        estimate::note_clipping(channel, codes, notes);
    }
    record
}
