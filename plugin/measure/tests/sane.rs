//! Whatever the frames are: no panic, no number that is not one, no null without a reason.

#[path = "support/random.rs"]
mod random;

use noise_measure::format::{
    Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scale, Scan,
};
use noise_measure::kernels::{Level, levels};
use noise_measure::meter::{Carry, FrameTags, LightConfig, Meter, MeterConfig, TransferSource, WindowInfo};
use noise_measure::record::{ComponentRecord, Interval, NoteCode, VideoRecord, WindowRecord};
use noise_measure::region::{Grid, Rect, Region, Role};
use noise_measure::summary::summarize;
use noise_measure::transfer::Transfer;
use noise_measure::view::{ComponentView, Packing, Placement, Word};
use proptest::prelude::*;
use random::Random;

/// Bytes of a picture's components and where their samples lie.
type Planes = Vec<(Vec<u8>, Placement, ComponentFormat)>;

fn views(planes: &Planes) -> Vec<ComponentView<'_>> {
    planes
        .iter()
        .map(|(bytes, placement, component)| {
            let packing = Packing { word: Word::U16Le, shift: 0, depth: component.depth };
            ComponentView::new(component.channel, bytes, *placement, packing).expect("samples lie inside")
        })
        .collect()
}

/// What the samples of a picture are like.
#[derive(Debug, Clone, Copy)]
enum Content {
    Constant,
    Noise,
    Extremes,
    Clipped,
    Bits(u16),
}

#[derive(Debug, Clone)]
struct Case {
    model: Model,
    depths: Vec<u32>,
    sub: (u32, u32),
    scan: Scan,
    range: Range,
    size: (u32, u32),
    frames: usize,
    content: Content,
    seed: u64,
    live: bool,
}

fn cases() -> impl Strategy<Value = Case> {
    let model = prop_oneof![Just(Model::Gray), Just(Model::Yuv), Just(Model::Rgb), Just(Model::Bayer)];
    let scan =
        prop_oneof![3 => Just(Scan::Progressive), 1 => Just(Scan::Interleaved), 1 => Just(Scan::Alternate)];
    let range = prop_oneof![Just(Range::Narrow), Just(Range::Full), Just(Range::Fixed)];
    let content = prop_oneof![
        1 => Just(Content::Constant),
        3 => Just(Content::Noise),
        1 => Just(Content::Extremes),
        2 => Just(Content::Clipped),
        1 => any::<u16>().prop_map(Content::Bits),
    ];
    let shape = (1u32..60, 1u32..70, 1usize..24);
    let depth = prop_oneof![Just(8u32), Just(10), Just(12), Just(16)];
    let sub = prop_oneof![Just((1, 1)), Just((2, 1)), Just((2, 2)), Just((4, 4))];
    (model, scan, range, content, shape, depth, sub, any::<u64>(), any::<bool>()).prop_map(
        |(model, scan, range, content, (w, h, frames), depth, sub, seed, live)| Case {
            model,
            depths: if model == Model::Rgb && seed.is_multiple_of(5) {
                vec![5, 6, 5]
            } else {
                vec![depth; 4]
            },
            sub,
            scan: if model == Model::Bayer { Scan::Progressive } else { scan },
            range: if range == Range::Fixed { Range::Fixed } else { range },
            size: (w, h),
            frames,
            content,
            seed,
            live,
        },
    )
}

impl Case {
    fn format(&self) -> FrameFormat {
        let channels: &[Channel] = match self.model {
            Model::Gray => &[Channel::Y],
            Model::Yuv => &[Channel::Y, Channel::Cb, Channel::Cr],
            Model::Rgb => &[Channel::R, Channel::G, Channel::B],
            Model::Bayer => &[Channel::R, Channel::G1, Channel::G2, Channel::B],
        };
        let fixed = self.range == Range::Fixed;
        let components = channels.iter().zip(&self.depths).enumerate().map(|(i, (&channel, &depth))| {
            let (across, down) = match (self.model, channel.is_chroma()) {
                (Model::Bayer, _) => (Sampling::mosaic(i as u32 & 1), Sampling::mosaic(i as u32 >> 1)),
                (_, true) => (Sampling::subsampled(self.sub.0), Sampling::subsampled(self.sub.1)),
                _ => (Sampling::FULL, Sampling::FULL),
            };
            let depth = if fixed { 16 } else { depth };
            ComponentFormat { channel, depth, horizontal: across, vertical: down }
        });
        FrameFormat {
            width: self.size.0,
            height: self.size.1,
            components: components.collect(),
            model: self.model,
            range: self.range,
            matrix: Matrix::Bt709,
            scan: self.scan,
        }
    }

    fn config(&self) -> MeterConfig {
        let (w, h) = self.size;
        let mut grey =
            region("grey", Rect { x: w / 4, y: h / 4, width: (w / 2).max(1), height: (h / 2).max(1) });
        grey.role = Some(Role::Grey);
        let mut black = region("black", Rect { x: 0, y: 0, width: 1, height: h });
        black.role = Some(Role::Black);
        let mut away = region("away", Rect { x: w, y: h, width: 5, height: 5 });
        away.inside = false;
        let whole = Rect { x: 0, y: 0, width: w, height: h };
        MeterConfig {
            format: self.format(),
            active: whole,
            regions: vec![region("all", whole), grey, black, away],
            grid: Some(Grid { cols: 3, rows: 2 }),
            full_set_share: self.live.then_some(0.25),
        }
    }

    fn code(&self, random: &mut Random, component: &ComponentFormat) -> u16 {
        let top = f64::from((1u32 << component.depth) - 1);
        let code = match self.content {
            Content::Constant => top / 3.0,
            Content::Noise => top / 3.0 + top / 40.0 * random.normal(),
            Content::Extremes => top * (random.next() & 1) as f64,
            Content::Clipped => {
                let scale = Scale::new(self.range, component.channel, component.depth);
                scale.black.max(top * 0.01) + top / 50.0 * random.normal()
            }
            Content::Bits(bits) => f64::from(random.next() as u16 & bits).min(top),
        };
        code.round().clamp(0.0, top) as u16
    }

    /// Feeds one buffer and its tags.
    fn add(
        &self,
        meter: &mut Meter,
        format: &FrameFormat,
        random: &mut Random,
        parity: usize,
        last: &mut [Option<Planes>; 2],
    ) {
        let lines = if self.scan == Scan::Alternate { format.lines(0) } else { format.height };
        let parity = if self.scan == Scan::Alternate { parity } else { 0 };
        let planes: Planes = format
            .components
            .iter()
            .map(|component| {
                let width = component.horizontal.count(format.width) as usize;
                // Room for the fields of interleaved chroma, which round up each for itself.
                let height = component.vertical.count(lines) as usize + 2;
                let bytes =
                    (0..width * height).flat_map(|_| self.code(random, component).to_le_bytes()).collect();
                (
                    bytes,
                    Placement { offset: 0, row_stride: 2 * width, sample_stride: 2, width, height },
                    *component,
                )
            })
            .collect();
        let tags = FrameTags {
            gap: random.next().is_multiple_of(12),
            hole_before: random.next().is_multiple_of(9),
            corrupted: random.next().is_multiple_of(20),
            time_ns: None,
            parity,
        };
        let before = last[parity].as_ref().map(views).unwrap_or_default();
        meter.add(&views(&planes), &before, tags).expect("views of the format");
        if !tags.gap {
            last[parity] = Some(planes);
        }
    }

    fn info(&self) -> WindowInfo {
        let interlace = if self.scan == Scan::Progressive { "progressive" } else { "interleaved" };
        let range = ["narrow", "full", "fixed"][self.range as usize];
        WindowInfo {
            timestamp: None,
            stream_time: None,
            running_time: None,
            duration: None,
            rate: 1.0,
            partial: false,
            frame_rate: 25.0,
            video: VideoRecord {
                width: self.size.0,
                height: self.size.1,
                format: "TEST".into(),
                depth: self.depths.iter().copied().max().unwrap_or(8),
                range: range.into(),
                matrix: None,
                transfer: "bt709".into(),
                interlace: interlace.into(),
                framerate: "25/1".into(),
                assumed: Vec::new(),
            },
            light: LightConfig { transfer: Transfer::Bt709, source: TransferSource::Caps },
            outside_r103: None,
            notes: Vec::new(),
        }
    }

    fn windows(&self, level: Level, recycle: bool) -> Vec<WindowRecord> {
        let config = self.config();
        let format = config.format.clone();
        let mut meter = Meter::at_level(config, level);
        let (mut carry, mut random, mut last) = (Carry::default(), Random(self.seed), [None, None]);
        let info = self.info();
        let mut windows = Vec::new();
        for piece in 0..3 {
            for frame in 0..self.frames {
                self.add(&mut meter, &format, &mut random, (frame + piece) & 1, &mut last);
            }
            windows.extend(meter.close().map(|window| window.evaluate(&mut carry, info.clone())));
            if let Some(spare) = carry.take_spare().filter(|_| recycle) {
                meter.recycle(spare);
            }
        }
        windows
    }
}

fn region(name: &str, rect: Rect) -> Region {
    Region { name: name.into(), role: None, reflectance: None, rect, inside: true }
}

fn holds(interval: Option<Interval>, value: Option<f64>) -> bool {
    match (interval, value) {
        (Some([low, high]), Some(value)) => low <= value && value <= high && low >= 0.0,
        (Some(_), None) => false,
        (None, _) => true,
    }
}

fn sane_component(name: &str, channel: Channel, c: &ComponentRecord) {
    let at = format!("{name} {channel:?}");
    assert!(holds(c.temporal_ci, c.temporal), "{at}: temporal_ci {:?} {:?}", c.temporal_ci, c.temporal);
    assert!(
        holds(c.temporal_long_ci, c.temporal_long),
        "{at}: {:?} {:?}",
        c.temporal_long_ci,
        c.temporal_long
    );
    for spread in [c.temporal, c.temporal_pair, c.temporal_long, c.fixed, c.row, c.column, c.total, c.flicker]
    {
        assert!(spread.is_none_or(|v| v > 0.0), "{at}: {spread:?}");
    }
    if let Some(codes) = &c.codes {
        let shares = [codes.clipped_low, codes.clipped_high, codes.above_white, codes.below_black];
        assert!(shares.iter().flatten().all(|share| (0.0..=1.0).contains(share)), "{at}: {shares:?}");
        if let (Some(low), Some(high), Some(mean)) = (codes.min_codes, codes.max_codes, c.mean_codes) {
            assert!(f64::from(low) <= mean && mean <= f64::from(high), "{at}: {low} {mean} {high}");
        }
    }
}

fn sane(record: &WindowRecord) {
    // JSON has no NaN: serde_json writes null, and the record read back is then another one.
    let text = serde_json::to_string(record).expect("a record is JSON");
    let back: WindowRecord = serde_json::from_str(&text).expect("it reads back");
    assert_eq!(&back, record);
    for region in &record.regions {
        for (channel, component) in region.components.iter() {
            sane_component(&region.name, channel, component);
            let told = component.temporal.is_some();
            let reason =
                !region.notes.is_empty() || record.notes.iter().any(|note| note.code == NoteCode::Frozen);
            assert!(
                told || reason,
                "{} {channel:?}: null without a reason {} {} {component:?} {:?}",
                region.name,
                record.frames,
                record.repeated,
                record.notes
            );
        }
        let fixed_reason =
            region.components.iter().all(|(_, c)| c.fixed.is_some() || c.fixed_upper.is_some());
        assert!(
            fixed_reason || !region.notes.is_empty() || !record.notes.is_empty(),
            "{}: fixed",
            region.name
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn every_record_is_sane(case in cases()) {
        let windows = case.windows(Level::new(), false);
        for level in levels() {
            // To the last bit, whatever the instructions and whose room it is: all sums are of integers.
            prop_assert_eq!(&case.windows(level, true), &windows, "{:?}", level);
        }
        windows.iter().for_each(sane);
        if let Some(summary) = summarize(&windows) {
            sane(&summary);
        }
    }
}
