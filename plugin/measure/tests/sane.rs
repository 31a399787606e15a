//! Whatever comes in, a record holds no number that is none: random small formats, frames and tags through the meter.

mod support;

use noise_measure::format::{Channel, Model, Range, Sampling, Scan};
use noise_measure::meter::{Carry, FrameTags, Meter};
use noise_measure::record::{
    ByChannel, ComponentRecord, Interval, Note, NoteCode, RegionRecord, WindowRecord,
};
use noise_measure::region::{Rect, Region};
use noise_measure::summary::summarize;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};
use support::{Picture, Random, Setup, noisy, region};

/// Notes that say why there is no moving noise.
const WHY: [NoteCode; 6] = [
    NoteCode::FewFrames,
    NoteCode::FewPixels,
    NoteCode::CodeLimited,
    NoteCode::Frozen,
    NoteCode::OutsidePicture,
    NoteCode::PairwiseOnly,
];

/// A random choice of everything, all drawn from one seed.
struct Case {
    setup: Setup,
    random: Random,
}

impl Case {
    fn new(seed: u64) -> Self {
        let mut random = Random(seed);
        let mut below = |n: u64| random.next() % n;
        let model = [Model::Gray, Model::Yuv, Model::Rgb, Model::Bayer][below(4) as usize];
        let tiny = below(4) == 0;
        let (width, height) =
            if tiny { (1 + below(4), 1 + below(4)) } else { (1 + below(40), 1 + below(60)) };
        let depth = [1, 8, 8, 10, 12, 16][below(6) as usize];
        let mut setup = Setup::new(model, width as u32, height as u32, depth);
        let format = &mut setup.config.format;
        format.scan =
            [Scan::Progressive, Scan::Progressive, Scan::Interleaved, Scan::Alternate][below(4) as usize];
        if model == Model::Bayer {
            // Lines of a mosaic alternate in colour, so that it has no fields.
            format.scan = Scan::Progressive;
        }
        (format.range, setup.range) =
            [(Range::Full, "full"), (Range::Narrow, "narrow"), (Range::Fixed, "fixed")][below(3) as usize];
        if format.range == Range::Fixed {
            format.components.iter_mut().for_each(|c| c.depth = 16);
        } else if depth < 8 && format.range == Range::Narrow {
            format.components.iter_mut().for_each(|c| c.depth = 8);
        } else if model == Model::Rgb && below(3) == 0 {
            format.components.iter_mut().zip([5, 6, 5]).for_each(|(c, depth)| c.depth = depth);
        }
        let (step_x, step_y) = [(1, 1), (2, 1), (2, 2), (4, 1)][below(4) as usize];
        for (i, component) in format.components.iter_mut().enumerate() {
            if component.channel.is_chroma() {
                component.horizontal = Sampling::subsampled(step_x);
                component.vertical = Sampling::subsampled(step_y);
            } else if model == Model::Bayer {
                component.horizontal = Sampling::mosaic(i as u32 & 1);
                component.vertical = Sampling::mosaic(i as u32 >> 1);
            }
        }
        let (width, height) = (format.width, format.height);
        for (i, name) in ["grey", "black", "other"].into_iter().enumerate().take(below(4) as usize) {
            let (x, y) = (below(width.into()) as u32, below(height.into()) as u32);
            let (w, h) = (1 + below((width - x).into()) as u32, 1 + below((height - y).into()) as u32);
            let rect = Rect { x, y, width: w, height: h };
            let role = noise_measure::region::Role::of_region(name);
            let inside = i < 2 || below(3) > 0;
            let rect = if inside { rect } else { Rect { x: width, ..rect } };
            setup.config.regions.push(Region { name: name.into(), role, reflectance: None, rect, inside });
        }
        if below(2) == 0 {
            setup = setup.grid(1 + below(5) as u32, 1 + below(5) as u32);
        }
        setup.config.full_set_share = [None, None, Some(0.25), Some(1.2)][below(4) as usize];
        Self { setup, random }
    }

    /// One buffer: constant, clipped or noisy.
    fn picture(&mut self, kind: u64, spread: f64, lines: u32) -> Picture {
        let format = &self.setup.config.format;
        let random = &mut self.random;
        let plane = |c: &noise_measure::format::ComponentFormat| {
            let rows = match format.scan {
                // Both fields of an interleaved buffer have their own chroma lines.
                Scan::Interleaved => 2 * c.vertical.count(format.lines(0)),
                _ => c.vertical.count(lines),
            };
            let top = f64::from((1u32 << c.depth) - 1);
            let level = top * [0.4, 0.0, 1.0, 0.06][kind as usize % 4];
            let code = |r: &mut Random| (level + spread * top * r.normal()).round().clamp(0.0, top) as u16;
            (0..c.horizontal.count(format.width) * rows).map(|_| code(random)).collect()
        };
        format.components.iter().map(plane).collect()
    }

    /// One window; `None` where no frame came.
    fn window(&mut self, meter: &mut Meter, carry: &mut Carry, index: u64) -> Option<WindowRecord> {
        let buffers = 1 + self.random.next() % 12;
        let kind = self.random.next() % 4;
        let spread = [0.0, 0.001, 0.02, 0.3][(self.random.next() % 4) as usize];
        let stamps = self.random.next() % 3;
        for l in 0..buffers {
            let parity = (l & 1) as usize;
            let scan = self.setup.config.format.scan;
            let lines = self.setup.config.format.lines(if scan == Scan::Alternate { parity } else { 0 });
            let picture = self.picture(kind, spread, lines);
            let draw = self.random.next();
            let tags = FrameTags {
                gap: draw % 16 == 1,
                hole_before: draw % 8 == 2,
                corrupted: draw % 32 == 3,
                time_ns: match stamps {
                    0 => None,
                    1 => Some((12 * index + l) * 40_000_000),
                    _ => Some(draw >> 1),
                },
                parity: if scan == Scan::Alternate { parity } else { 0 },
            };
            self.setup.add(meter, &picture, 0, tags);
        }
        let mut info = self.setup.info(index);
        let scan = self.setup.config.format.scan;
        info.video.interlace =
            if scan == Scan::Progressive { "progressive" } else { "interleaved" }.to_owned();
        Some(meter.close()?.evaluate(carry, info))
    }
}

fn explained(notes: &[Note]) -> bool {
    notes.iter().any(|note| WHY.contains(&note.code))
}

fn check_component(region: &RegionRecord, channel: Channel, record: &ComponentRecord, why: bool) {
    let at = format!("{} {channel:?} {record:?} {:?}", region.name, region.notes);
    assert!(record.temporal.is_some() || why || explained(&region.notes), "no word on temporal: {at}");
    let around = |value: Option<f64>, interval: Option<Interval>| {
        if let (Some(value), Some([low, high])) = (value, interval) {
            assert!(low <= value && value <= high, "{value} outside {low}..{high}: {at}");
        }
    };
    around(record.temporal, record.temporal_ci);
    around(record.temporal_long, record.temporal_long_ci);
    if let Some(codes) = &record.codes {
        let rails = [codes.rail_low, codes.rail_high].map(|rail| rail.map(|rail| rail.share));
        let shares = [codes.clipped_low, codes.clipped_high, codes.above_white, codes.below_black];
        for share in shares.into_iter().chain(rails).flatten() {
            assert!((0.0..=1.0).contains(&share), "share {share}: {at}");
        }
        if let (Some(min), Some(max), Some(mean)) = (codes.min_codes, codes.max_codes, record.mean_codes) {
            // The mean is one division of an exact sum, or a mean of means of windows: a rounding in the last places.
            let slack = 1e-12 * f64::from(max);
            assert!(
                f64::from(min) <= mean + slack && mean <= f64::from(max) + slack,
                "{min} {mean} {max}: {at}"
            );
        }
    }
    for spread in
        [record.temporal, record.temporal_pair, record.fixed, record.row, record.flicker, record.total]
    {
        assert!(spread.is_none_or(|spread| spread >= 0.0), "negative spread: {at}");
    }
}

fn by_name<T>(components: &mut ByChannel<T>) {
    components.0.sort_by_key(|(channel, _)| channel.name());
}

fn check(record: &WindowRecord) {
    // JSON objects as values sort their keys.
    let mut sorted = record.clone();
    sorted.regions.iter_mut().for_each(|region| by_name(&mut region.components));
    sorted.grid.iter_mut().for_each(|grid| by_name(&mut grid.components));
    sorted.trend.iter_mut().flatten().for_each(|point| by_name(&mut point.components));
    // No number that is none survives this: it becomes null, which reads back as nothing.
    let value = serde_json::to_value(record).expect("plain data");
    let back: WindowRecord = serde_json::from_value(value).unwrap_or_else(|e| panic!("{e}: {record:?}"));
    assert!(back == sorted, "does not read back: {record:?}");
    let frame = &record.frame;
    let shares =
        [frame.clipped_low, frame.clipped_high, frame.below_black, frame.above_white, frame.reserved_codes];
    assert!(shares.into_iter().flatten().all(|share| (0.0..=1.0).contains(&share)), "{frame:?}");
    let why = explained(&record.notes);
    for region in &record.regions {
        region.components.iter().for_each(|(channel, c)| check_component(region, channel, c, why));
        if let Some((mean, Some([low, high]))) =
            region.light.as_ref().map(|l| (l.snr_temporal_db, l.snr_temporal_ci_db))
        {
            assert!(mean.is_some_and(|db| low <= db && db <= high), "{:?}", region.light);
        }
    }
    if let Some(grid) = &record.grid {
        let ByChannel(columns) = &grid.components;
        let cells = (grid.cols * grid.rows) as usize;
        assert!(columns.iter().all(|(_, column)| column.mean.len() == cells && column.corr_y.len() == cells));
    }
}

#[test]
fn every_record_of_anything_is_sane() {
    let config = Config { cases: 4000, failure_persistence: None, ..Config::default() };
    let random = TestRng::from_seed(RngAlgorithm::ChaCha, &[7; 32]);
    let mut runner = TestRunner::new_with_rng(config, random);
    let run = |(seed, windows): (u64, u64)| {
        let mut case = Case::new(seed);
        let (mut meter, mut carry) = (case.setup.meter(), Carry::default());
        let records: Vec<WindowRecord> =
            (0..windows).filter_map(|index| case.window(&mut meter, &mut carry, index)).collect();
        records.iter().for_each(check);
        check(&summarize(&records).expect("at least one window"));
        Ok(())
    };
    runner.run(&(any::<u64>(), 1..5u64), run).unwrap_or_else(|failure| panic!("{failure}"));
}

/// Such a region lies in one field; what the other has none of must not hide it, neither here nor in the summary.
#[test]
fn one_line_of_an_interlaced_picture_has_moving_noise() {
    let mut setup = Setup::new(Model::Gray, 40, 20, 8);
    setup.config.format.scan = Scan::Interleaved;
    for width in [2, 40] {
        setup.config.regions = vec![region("line", Rect { x: 0, y: 7, width, height: 1 })];
        let mut meter = setup.meter();
        for picture in noisy(&setup, 5, 12, 120.0, 6.0) {
            setup.add(&mut meter, &picture, 0, FrameTags::default());
        }
        let mut info = setup.info(0);
        info.video.interlace = "interleaved".to_owned();
        let window = meter.close().expect("frames came").evaluate(&mut Carry::default(), info);
        let summary = summarize(std::slice::from_ref(&window)).expect("one window");
        let [one, all] = [&window, &summary].map(|r| r.regions[0].components.get(Channel::Y).expect("luma"));
        assert_eq!(one.samples, u64::from(width));
        assert!(one.temporal.is_some(), "{one:?}");
        assert_eq!(one.temporal, all.temporal);
    }
}
