//! The sums of a window and how they become a record.

use std::sync::Arc;

use crate::config::{MeterConfig, WindowInfo};
use crate::frame::format::{Channel, Model, Scale, Scan};
use crate::frame::region::Region;
use crate::light;
use crate::numbers::derived::{Derived, derived_channels, mix};
use crate::numbers::estimate::{Subject, codes_record, component, note_limited_pair};
use crate::numbers::notes::Notes;
use crate::numbers::slow::SlowNoise;
use crate::numbers::transform::Plans;
use crate::record::{
    ByChannel, CodesRecord, ComponentRecord, GridCodes, GridColumns, GridRecord, Note, NoteCode,
    RegionRecord, SCHEMA, WindowRecord,
};
use crate::sums::collect::{Collector, FieldSums, MIXES, RegionSums, mixes_fit};
use crate::sums::finished::StackNumbers;
use crate::sums::open::{OpenWindow, Spare};
use crate::sums::pairwise::PairNumbers;

/// The sums of a window, to be evaluated on another thread.
#[derive(Debug)]
pub struct ClosedWindow {
    config: Arc<MeterConfig>,
    window: OpenWindow,
    steps: Vec<Option<u32>>,
}

/// What windows of one segment hand on: pixel means for noise slower than a window, and plans of transforms; and the
/// room of the newest one.
#[derive(Debug, Default)]
pub struct Carry {
    config: Option<Arc<MeterConfig>>,
    slow: Vec<Vec<SlowNoise>>,
    plans: Plans,
    spare: Option<Spare>,
}

impl Carry {
    /// The room of the window that was evaluated last, emptied: for [`crate::meter::Meter::recycle`].
    pub fn take_spare(&mut self) -> Option<Spare> {
        self.spare.take()
    }

    /// The memory for region `region`, and plans; emptied where the configuration is another.
    fn slow(&mut self, config: &Arc<MeterConfig>, region: usize) -> (&mut Vec<SlowNoise>, &mut Plans) {
        // Every region asks: comparing all regions each time would grow with their square.
        if !self.config.as_ref().is_some_and(|known| Arc::ptr_eq(known, config)) {
            if self.config.as_ref().is_none_or(|known| **known != **config) {
                self.slow.clear();
            }
            self.config = Some(Arc::clone(config));
        }
        if self.slow.len() <= region {
            self.slow.resize_with(region + 1, Vec::new);
        }
        (&mut self.slow[region], &mut self.plans)
    }
}

/// Timing of a window's distinct frames.
struct Clock {
    times: Vec<f64>,
    rate: f64,
    distinct: u64,
}

impl ClosedWindow {
    pub(crate) fn new(config: Arc<MeterConfig>, window: OpenWindow, steps: Vec<Option<u32>>) -> Self {
        Self { config, window, steps }
    }

    /// Frames, repeated ones among them.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.window.buffers[0].max(self.window.buffers[1])
    }

    /// Turns sums into numbers; windows of a segment must come in order with the same `carry`.
    #[must_use]
    pub fn evaluate(self, carry: &mut Carry, info: WindowInfo) -> WindowRecord {
        let frames = self.frames();
        let repeated = self.window.repeated[0].max(self.window.repeated[1]);
        let Self { config, mut window, steps } = self;
        let clock = clock(&window.times, frames, info.frame_rate);
        let mut regions = Vec::with_capacity(config.regions.len());
        for (index, (region, sums)) in config.regions.iter().zip(&mut window.regions).enumerate() {
            let record = match sums {
                Some(sums) => {
                    region_record(&config, region, sums, &steps, &clock, carry.slow(&config, index))
                }
                None => outside(&config, region),
            };
            regions.push(record);
        }
        light::fill(&mut regions, &info.light, clock.rate);
        let grid = config.grid.map(|grid| GridRecord {
            cols: grid.cols,
            rows: grid.rows,
            components: grid_columns(&config, &window.cells, &steps),
        });
        let mut notes = info.notes;
        let mut cells = window.cells.iter().flat_map(|cell| pair_numbers(&config, cell, &steps));
        if cells.any(|(_, _, half_step, numbers)| is_limited(half_step, &numbers)) {
            let text = "adjacent frames differ by less than half a code step in some cells";
            notes.push(Note::new(NoteCode::CodeLimited, text));
        }
        if clock.distinct == 0 {
            notes.push(Note::new(NoteCode::Frozen, "no frame differs from the one before"));
        } else if clock.distinct < 2 && frames >= 2 {
            notes.push(Note::new(NoteCode::Frozen, format!("all {frames} frames are equal")));
        }
        if window.holes > 0 {
            notes.push(Note::breaks(window.holes));
        }
        if window.corrupted > 0 {
            notes.push(Note::new(
                NoteCode::Corrupted,
                format!("{} buffers were marked as damaged", window.corrupted),
            ));
        }
        if config.format.scan != Scan::Progressive {
            notes.push(Note::new(NoteCode::Interlaced, "fields are measured each for itself and added"));
        }
        let frame = window.scan.finish(&config.format, &steps, info.outside_r103);
        let holes = window.holes;
        carry.spare = Some(Spare::new(config, window));
        WindowRecord {
            schema: SCHEMA,
            source: None,
            timestamp: info.timestamp,
            stream_time: info.stream_time,
            running_time: info.running_time,
            duration: info.duration,
            rate: info.rate,
            frames,
            repeated,
            holes,
            partial: info.partial,
            discont: holes > 0,
            video: info.video,
            frame,
            grid,
            regions,
            trend: None,
            notes,
        }
    }
}

/// Seconds of the distinct frames from the first one on, and how many come a second.
fn clock(times: &[Option<u64>], frames: u64, frame_rate: f64) -> Clock {
    let distinct = times.len() as u64;
    let rate = if frames > 0 { frame_rate * distinct as f64 / frames as f64 } else { frame_rate };
    let first = times.first().copied().flatten();
    let stamped: Option<Vec<f64>> = times
        .iter()
        .map(|time| {
            let (time, first) = ((*time)?, first?);
            Some((i128::from(time) - i128::from(first)) as f64 / 1e9)
        })
        .collect();
    let rising = |times: &Vec<f64>| times.windows(2).all(|pair| pair[0] < pair[1]);
    let counted = || (0..times.len()).map(|l| l as f64 / rate.max(f64::MIN_POSITIVE)).collect();
    Clock { times: stamped.filter(rising).unwrap_or_else(counted), rate, distinct }
}

/// A region that is not in the picture.
fn outside(config: &MeterConfig, region: &Region) -> RegionRecord {
    let channels = config.format.components.iter().map(|c| c.channel);
    let native = channels.map(|channel| {
        (channel, ComponentRecord { codes: Some(CodesRecord::default()), ..ComponentRecord::default() })
    });
    let derived = derived_channels(config).map(|channel| (channel, ComponentRecord::default()));
    let (width, height) = (config.format.width, config.format.height);
    RegionRecord {
        notes: vec![Note::new(
            NoteCode::OutsidePicture,
            format!("the region does not lie inside the picture of {width}x{height} pixels"),
        )],
        ..blank(region, native.chain(derived).collect())
    }
}

fn blank(region: &Region, components: ByChannel<ComponentRecord>) -> RegionRecord {
    RegionRecord {
        name: region.name.clone(),
        role: region.role.map(|role| role.name().to_owned()),
        x: region.rect.x,
        y: region.rect.y,
        width: region.rect.width,
        height: region.rect.height,
        components,
        chroma_ratio: None,
        light: None,
        notes: Vec::new(),
    }
}

fn region_record(
    config: &Arc<MeterConfig>,
    region: &Region,
    sums: &mut RegionSums,
    steps: &[Option<u32>],
    clock: &Clock,
    (slow, plans): (&mut Vec<SlowNoise>, &mut Plans),
) -> RegionRecord {
    if !sums.set.full {
        return pairwise_record(config, region, sums, steps);
    }
    let counts = &sums.counts;
    let mut fields: Vec<Finished> = Vec::new();
    for FieldSums { native, mixed, wide_mixed, .. } in &mut sums.fields {
        let mixed = [finish(mixed), finish(wide_mixed)].concat();
        let finished = Finished { native: finish(native), mixed };
        // A field that no buffer brought has nothing to add.
        if finished.is_filled() || fields.is_empty() {
            fields.push(finished);
        }
    }
    if fields.len() > 1 && !fields[0].is_filled() {
        fields.remove(0);
    }
    let derived = Derived::all(config).into_iter().map(|derived| {
        let stacks = fields.iter().filter_map(|field| mix(&derived, &field.native, &field.mixed));
        let stacks: Vec<StackNumbers> = stacks.filter(|stack| stack.samples() > 0).collect();
        (derived, stacks)
    });
    let derived: Vec<_> = derived.collect();
    // Fields of components; mean images are too large to be copied.
    let mut native: Vec<Vec<StackNumbers>> = config.format.components.iter().map(|_| Vec::new()).collect();
    for field in fields {
        for (stacks, stack) in native.iter_mut().zip(field.native) {
            // A region of one line lies in one field: the other has no sample of it, which must not hide those of the first.
            if stack.samples() > 0 {
                stacks.push(stack);
            }
        }
    }
    let mut notes = Notes::default();
    let mut components = Vec::new();
    let mut add = |subject: Subject<'_>, stacks: &[StackNumbers], notes: &mut Notes| {
        let (mut record, explained) = component(subject, stacks, notes, plans);
        let index = components.len();
        if slow.len() <= index {
            slow.resize_with(index + 1, SlowNoise::default);
        }
        if let Some(explained) = explained {
            record.var.slow = slow[index].add(stacks, explained).map(|v| subject.var(v));
        }
        components.push((subject.channel, record));
    };
    let in_percent = config.format.range == crate::frame::format::Range::Fixed;
    for ((i, component), stacks) in config.format.components.iter().enumerate().zip(&native) {
        let step = steps.get(i).copied().flatten();
        let subject = Subject {
            channel: component.channel,
            scale: config.format.scale(component.channel, component.depth),
            in_percent,
            half_step: f64::from(step.unwrap_or(1)) / 2.0,
            codes: counts.get(i).map(|counts| (counts, step)),
            times: &clock.times,
            frame_rate: clock.rate,
        };
        add(subject, stacks, &mut notes);
    }
    for (derived, stacks) in &derived {
        let subject = Subject {
            channel: derived.channel,
            scale: derived.scale,
            in_percent,
            half_step: derived.half_step(steps),
            codes: None,
            times: &clock.times,
            frame_rate: clock.rate,
        };
        add(subject, stacks, &mut notes);
    }
    let mut record = blank(region, ByChannel(components));
    record.notes = notes.finish();
    record
}

/// The stacks of one field, one a component, and those of sums of components.
struct Finished {
    native: Vec<StackNumbers>,
    mixed: Vec<StackNumbers>,
}

impl Finished {
    /// Whether a buffer brought this field.
    fn is_filled(&self) -> bool {
        self.native.first().is_none_or(|stack| stack.frames > 0)
    }
}

fn finish<T: crate::sums::kernels::Sample>(collectors: &mut [Collector<T>]) -> Vec<StackNumbers> {
    collectors
        .iter_mut()
        .filter_map(|collector| match collector {
            Collector::Full(stack) => Some(stack.finish()),
            Collector::Pairwise(_) => None,
        })
        .collect()
}

/// Pairwise numbers of native and derived components, with their scales and half steps.
fn pair_numbers(
    config: &MeterConfig,
    sums: &RegionSums,
    steps: &[Option<u32>],
) -> Vec<(Channel, Scale, f64, PairNumbers)> {
    fn joined<T: crate::sums::kernels::Sample>(
        sums: &RegionSums,
        i: usize,
        get: impl Fn(&FieldSums) -> &Vec<Collector<T>>,
    ) -> PairNumbers {
        let parts: Vec<PairNumbers> = sums
            .fields
            .iter()
            .filter_map(|field| match get(field).get(i) {
                Some(Collector::Pairwise(stack)) => Some(stack.finish()),
                _ => None,
            })
            .filter(|numbers| numbers.mean.is_some())
            .collect();
        PairNumbers::join(&parts)
    }
    let native: Vec<PairNumbers> =
        (0..config.format.components.len()).map(|i| joined(sums, i, |field| &field.native)).collect();
    let mixes = if config.format.model == Model::Rgb { MIXES.len() } else { 0 };
    let mixed: Vec<PairNumbers> = (0..mixes)
        .map(|i| {
            if mixes_fit(&config.format) {
                joined(sums, i, |field| &field.mixed)
            } else {
                joined(sums, i, |field| &field.wide_mixed)
            }
        })
        .collect();
    let mut all: Vec<_> = config
        .format
        .components
        .iter()
        .zip(&native)
        .zip(steps)
        .map(|((c, numbers), step)| {
            (c.channel, config.format.scale(c.channel, c.depth), f64::from(step.unwrap_or(1)) / 2.0, *numbers)
        })
        .collect();
    for derived in Derived::all(config) {
        let quadratic: Vec<(f64, &PairNumbers)> =
            derived.quadratic().into_iter().zip(native.iter().chain(&mixed)).collect();
        let means: Vec<(f64, &PairNumbers)> = derived.weights.into_iter().zip(&native).collect();
        let numbers = PairNumbers::combine(&quadratic, &means);
        all.push((derived.channel, derived.scale, derived.half_step(steps), numbers));
    }
    all
}

/// Spread of half the adjacent difference in percent; `None` below half a code step.
fn pair_spread(scale: Scale, half_step: f64, numbers: &PairNumbers) -> Option<f64> {
    let spread = numbers.variance()?.max(0.0).sqrt();
    (spread >= half_step).then(|| scale.spread(spread))
}

/// Whether there is a spread, but below half a code step.
fn is_limited(half_step: f64, numbers: &PairNumbers) -> bool {
    numbers.variance().is_some_and(|variance| variance.max(0.0).sqrt() < half_step)
}

fn pairwise_record(
    config: &MeterConfig,
    region: &Region,
    sums: &RegionSums,
    steps: &[Option<u32>],
) -> RegionRecord {
    let in_percent = config.format.range == crate::frame::format::Range::Fixed;
    let mut limited = Notes::default();
    let components = pair_numbers(config, sums, steps)
        .into_iter()
        .enumerate()
        .map(|(i, (channel, scale, half_step, numbers))| {
            let [corr_x, corr_y] = numbers.correlations();
            if is_limited(half_step, &numbers) {
                note_limited_pair(channel, &mut limited);
            }
            let record = ComponentRecord {
                // Derived components, which follow the native ones, have a sample wherever R has one.
                samples: sums
                    .fields
                    .iter()
                    .filter_map(|field| field.places.get(i).or(field.places.first()))
                    .map(|place| place.samples() as u64)
                    .sum(),
                mean: numbers.mean.map(|mean| scale.percent(mean)),
                mean_codes: numbers.mean.filter(|_| !in_percent),
                codes: sums
                    .counts
                    .get(i)
                    .map(|counts| codes_record(in_percent, counts, steps.get(i).copied().flatten())),
                temporal_pair: pair_spread(scale, half_step, &numbers),
                corr_x,
                corr_y,
                ..ComponentRecord::default()
            };
            (channel, record)
        })
        .collect();
    let mut record = blank(region, components);
    record.notes = vec![Note::new(
        NoteCode::PairwiseOnly,
        "live, regions beyond a quarter of the picture in sum get the pairwise numbers alone",
    )];
    record.notes.extend(limited.finish());
    record
}

fn grid_columns(config: &MeterConfig, cells: &[RegionSums], steps: &[Option<u32>]) -> ByChannel<GridColumns> {
    let mut columns: Vec<(Channel, GridColumns)> = Vec::new();
    let in_percent = config.format.range == crate::frame::format::Range::Fixed;
    for cell in cells {
        for (i, (channel, scale, half_step, numbers)) in
            pair_numbers(config, cell, steps).into_iter().enumerate()
        {
            if columns.len() <= i {
                let codes = cell.counts.get(i).map(|_| GridCodes::default());
                columns.push((channel, GridColumns { codes, ..GridColumns::default() }));
            }
            let column = &mut columns[i].1;
            let [corr_x, corr_y] = numbers.correlations();
            column.mean.push(numbers.mean.map(|mean| scale.percent(mean)));
            column.temporal_pair.push(pair_spread(scale, half_step, &numbers));
            column.corr_x.push(corr_x);
            column.corr_y.push(corr_y);
            if let (Some(codes), Some(counts)) = (&mut column.codes, cell.counts.get(i)) {
                let record = codes_record(in_percent, counts, steps.get(i).copied().flatten());
                codes.min_codes.push(record.min_codes);
                codes.max_codes.push(record.max_codes);
                codes.clipped_low.push(record.clipped_low);
                codes.clipped_high.push(record.clipped_high);
            }
        }
    }
    ByChannel(columns)
}
