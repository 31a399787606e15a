//! A frame that repeats the one before leaves no trace: wherever it comes, all numbers are those of the stream without it.

#[expect(dead_code, reason = "meters here are told which instructions to use")]
mod support;

use noise_measure::format::{Model, Range, Sampling, Scan};
use noise_measure::kernels::{Level, levels};
use noise_measure::meter::{Carry, FrameTags, Meter};
use noise_measure::region::Rect;
use support::{Picture, Random, Setup, noisy, region};

/// Distinct frames of a window, and windows.
const FRAMES: usize = 5;
const WINDOWS: usize = 3;

/// One frame that comes: which of the pictures, and whether it is marked as a repetition.
type Step = (usize, bool);
type Plan = Vec<Vec<Step>>;

/// Every picture once.
fn once() -> Plan {
    (0..WINDOWS).map(|w| (0..FRAMES).map(|l| (w * FRAMES + l, false)).collect()).collect()
}

/// `count` repetitions before frame `l` of window `w`, of whatever came before.
fn inserted(mut plan: Plan, (w, l): (usize, usize), count: usize, marked: bool) -> Plan {
    if let Some(before) = (w * FRAMES + l).checked_sub(1) {
        plan[w].splice(l..l, std::iter::repeat_n((before, marked), count));
    }
    plan
}

/// Everything that was measured, window by window, but for the counts of frames.
fn measure(setup: &Setup, level: Level, pictures: &[Picture], plan: &Plan) -> Vec<String> {
    let mut meter = Meter::at_level(setup.config.clone(), level);
    let mut carry = Carry::default();
    let fields = if setup.config.format.scan == Scan::Alternate { 2 } else { 1 };
    plan.iter()
        .map(|steps| {
            for &(picture, gap) in steps {
                for parity in 0..fields {
                    let time_ns = Some(50_000_000 * picture as u64);
                    let tags = FrameTags { gap, parity, time_ns, ..FrameTags::default() };
                    setup.add(&mut meter, &pictures[picture + parity * WINDOWS * FRAMES], 0, tags);
                }
            }
            // As many distinct frames a second, however many are repeated.
            let mut info = setup.info(0);
            info.frame_rate = 4.0 * steps.len() as f64;
            let mut record = meter.close().expect("frames came").evaluate(&mut carry, info);
            assert_eq!((record.frames, record.repeated), (steps.len() as u64, (steps.len() - FRAMES) as u64));
            (record.frames, record.repeated) = (FRAMES as u64, 0);
            // Shortest digits that tell every number, so that equal text is equal bits.
            serde_json::to_string(&record).expect("a record is JSON")
        })
        .collect()
}

/// Quiet pictures, but for the last of each window and the one in the middle of it: those reach both ends of the codes.
fn pictures(setup: &Setup) -> Vec<Picture> {
    let top = (1u64 << setup.config.format.components[0].depth) - 1;
    let mut random = Random(9);
    let mut pictures = noisy(setup, 3, 2 * WINDOWS * FRAMES, 0.5 * top as f64, 0.01 * top as f64);
    for picture in
        pictures.iter_mut().enumerate().filter(|(l, _)| matches!(l % FRAMES, 2 | 4)).map(|(_, p)| p)
    {
        for code in picture.iter_mut().flatten() {
            match random.next() % 4 {
                0 => *code = 0,
                1 => *code = top as u16,
                2 => *code = (random.next() % (top + 1)) as u16,
                _ => {}
            }
        }
    }
    pictures
}

fn setup(model: Model, depth: u32, scan: Scan, range: Range) -> Setup {
    let mut setup = Setup::new(model, 67, 140, depth).grid(3, 2);
    let rect = |x, y, width, height| Rect { x, y, width, height };
    let format = &mut setup.config.format;
    (format.scan, format.range) = (scan, range);
    for (c, component) in format.components.iter_mut().enumerate() {
        let (horizontal, vertical) = match model {
            Model::Bayer => (Sampling::mosaic(c as u32 & 1), Sampling::mosaic(c as u32 >> 1)),
            Model::Yuv if c > 0 => (Sampling::subsampled(2), Sampling::subsampled(2)),
            _ => (Sampling::FULL, Sampling::FULL),
        };
        (component.horizontal, component.vertical) = (horizontal, vertical);
    }
    setup.config.regions = vec![
        region("full", rect(1, 3, 60, 103)),
        region("small", rect(5, 100, 9, 30)),
        // Beyond the share of the full set.
        region("pairwise", rect(0, 0, 67, 140)),
    ];
    setup.config.full_set_share = Some(0.8);
    setup
}

#[test]
fn a_repeated_frame_leaves_no_trace_wherever_it_comes() {
    for (model, depth, scan, range) in [
        (Model::Yuv, 10, Scan::Progressive, Range::Narrow),
        (Model::Yuv, 8, Scan::Interleaved, Range::Full),
        (Model::Yuv, 12, Scan::Alternate, Range::Full),
        // Sums of pixels spill from 16 bits every few frames.
        (Model::Gray, 14, Scan::Progressive, Range::Full),
        (Model::Rgb, 14, Scan::Progressive, Range::Full),
        (Model::Rgb, 15, Scan::Interleaved, Range::Full),
        (Model::Rgb, 16, Scan::Progressive, Range::Full),
        (Model::Bayer, 12, Scan::Progressive, Range::Full),
    ] {
        let setup = setup(model, depth, scan, range);
        let pictures = pictures(&setup);
        let plain = measure(&setup, Level::new(), &pictures, &once());
        let told = format!("{model:?} {depth} bits {scan:?}");
        for (w, l) in (0..WINDOWS).flat_map(|w| (0..=FRAMES).map(move |l| (w, l))).skip(1) {
            for (count, marked) in [(1, false), (3, false), (2, true)] {
                let plan = inserted(once(), (w, l), count, marked);
                let got = measure(&setup, Level::new(), &pictures, &plan);
                assert!(got == plain, "{told}, {count} before frame {l} of window {w}, marked: {marked}");
            }
        }
        // Everywhere at once, so that several repetitions meet every state.
        let places = (0..WINDOWS).flat_map(|w| (0..=FRAMES).rev().map(move |l| (w, l)));
        let all = places.fold(once(), |plan, place| inserted(plan, place, 1 + place.1 % 2, false));
        for level in levels() {
            assert!(measure(&setup, level, &pictures, &all) == plain, "{told}, everywhere, {level:?}");
        }
    }
}
