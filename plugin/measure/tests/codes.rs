//! Pictures of few codes: what is told of codes against a plain count of every sample.

#[expect(dead_code, reason = "meters here are told which instructions to use")]
mod support;

use std::collections::BTreeMap;

use noise_measure::format::{Channel, Model, Range};
use noise_measure::kernels::levels;
use noise_measure::meter::{Carry, FrameTags, Meter};
use noise_measure::record::{CodesRecord, FrameRecord, Rail};
use noise_measure::region::Rect;
use support::{Picture, Random, Setup, noisy, region};

const DEPTH: u32 = 10;
const WIDTH: usize = 45;
const HEIGHT: usize = 40;

/// Thresholds of 10 bits, from docs/numbers.md: clip floor, clip ceiling, 0 % and 100 %.
fn thresholds(range: Range) -> (u16, u16, u16, u16) {
    match range {
        Range::Narrow => (4, 1020, 64, 940),
        _ => (0, 1024, 0, 1023),
    }
}

/// The largest power of two that divides all differences; none below 16 codes.
fn step(codes: &BTreeMap<u16, u64>) -> Option<u32> {
    let first = codes.keys().next()?;
    let differing = codes.keys().fold(0, |bits, code| bits | (code ^ first));
    (codes.len() >= 16).then(|| 1 << differing.trailing_zeros())
}

fn count(codes: &BTreeMap<u16, u64>, of: impl Fn(u16) -> bool) -> u64 {
    codes.iter().filter(|(code, _)| of(**code)).map(|(_, count)| count).sum()
}

fn histogram<'a>(pictures: impl IntoIterator<Item = &'a Picture>) -> BTreeMap<u16, u64> {
    let mut codes = BTreeMap::new();
    pictures.into_iter().flatten().flatten().for_each(|&code| *codes.entry(code).or_insert(0) += 1);
    codes
}

/// What the definitions say of a window of `codes` where the segment so far has the step `known`.
fn wanted(codes: &BTreeMap<u16, u64>, known: Option<u32>, range: Range) -> CodesRecord {
    let (floor, ceiling, black, white) = thresholds(range);
    let all: u64 = codes.values().sum();
    let step = known.unwrap_or(1) as u16;
    let share = |of: &dyn Fn(u16) -> bool| Some(count(codes, of) as f64 / all as f64);
    let (min, max) = (*codes.keys().next().expect("codes"), *codes.keys().last().expect("codes"));
    let rail = |code: u16, inner: Option<u16>| {
        let here = codes[&code];
        let inner = inner.and_then(|inner| codes.get(&inner)).copied().unwrap_or(0);
        let inside = code > floor && code < ceiling.saturating_sub(step);
        let weighs = here >= 30 && 1000 * here >= all && here > inner;
        (max - min >= 8 * step && inside && weighs)
            .then(|| Rail { code: u32::from(code), share: here as f64 / all as f64 })
    };
    CodesRecord {
        min_codes: Some(u32::from(min)),
        max_codes: Some(u32::from(max)),
        code_step: known,
        clipped_low: share(&|code| code <= floor),
        clipped_high: share(&|code| code >= ceiling - step),
        above_white: share(&|code| code > white),
        below_black: share(&|code| code < black),
        rail_low: rail(min, min.checked_add(step)),
        rail_high: rail(max, max.checked_sub(step)),
    }
}

/// The shares of the whole picture, as long as it is one region of its own.
fn check_frame(got: &FrameRecord, want: &CodesRecord, codes: &BTreeMap<u16, u64>, range: Range, told: &str) {
    let shares = [got.clipped_low, got.clipped_high, got.above_white, got.below_black];
    assert_eq!(shares, [want.clipped_low, want.clipped_high, want.above_white, want.below_black], "{told}");
    let reserved =
        count(codes, |code| !(4..1020).contains(&code)) as f64 / codes.values().sum::<u64>() as f64;
    assert_eq!(got.reserved_codes, (range == Range::Narrow).then_some(reserved), "{told}");
}

/// Codes `distance` apart from `first` on, the lower ones ever more often, or the upper ones.
fn picture(random: &mut Random, few: usize, first: u16, distance: u16, upper: bool) -> Picture {
    let sample = |random: &mut Random| {
        let place = (random.uniform() * random.uniform() * few as f64) as usize;
        let place = if upper { few - 1 - place } else { place };
        (first + distance * place as u16).min(1023)
    };
    vec![(0..WIDTH * HEIGHT).map(|_| sample(random)).collect()]
}

#[test]
fn windows_of_few_codes_have_the_step_extremes_clipping_and_rails_of_a_plain_count() {
    let mut random = Random(1);
    let mut rails = 0;
    for few in 1..=20usize {
        for (distance, range) in [1, 2, 4, 3, 12, 16]
            .into_iter()
            .flat_map(|d| [Range::Full, Range::Narrow].map(|range| (d, range)))
        {
            let mut setup = Setup::new(Model::Gray, WIDTH as u32, HEIGHT as u32, DEPTH).grid(2, 2);
            setup.config.format.range = range;
            setup.config.regions =
                vec![region("whole", Rect { x: 0, y: 0, width: WIDTH as u32, height: HEIGHT as u32 })];
            let most = 1023 - distance * (few as u16 - 1);
            let first = match random.next() % 4 {
                0 => 0,
                1 => most,
                _ => (random.next() % u64::from(most + 1)) as u16,
            };
            // The second window has one frame of other codes, which may change the step, and twice the last one.
            let mut pictures: Vec<Picture> =
                (0..6).map(|l| picture(&mut random, few, first, distance, l % 2 == 1)).collect();
            if few % 3 == 0 {
                pictures[4] = noisy(&setup, few as u64, 1, 500.0, 3.0).remove(0);
            }
            pictures.push(pictures[5].clone());
            let windows = [&pictures[..3], &pictures[3..]];
            for level in levels() {
                let mut meter = Meter::at_level(setup.config.clone(), level);
                let mut carry = Carry::default();
                let mut known = BTreeMap::new();
                for (w, window) in windows.iter().enumerate() {
                    let told = format!(
                        "{few} codes {distance} apart from {first}, {range:?}, window {w}, {level:?}"
                    );
                    window.iter().for_each(|picture| setup.add(&mut meter, picture, 5, FrameTags::default()));
                    let record =
                        meter.close().expect("frames came").evaluate(&mut carry, setup.info(w as u64));
                    known.extend(histogram(*window));
                    let start = 3 * w;
                    let new =
                        (start..start + window.len()).filter(|&l| l == 0 || pictures[l] != pictures[l - 1]);
                    let distinct = histogram(new.map(|l| &pictures[l]));
                    if distinct.is_empty() {
                        // One code alone: every frame of the second window repeats the first.
                        assert_eq!((few, w, record.repeated), (1, 1, 4), "{told}");
                        continue;
                    }
                    let want = wanted(&distinct, step(&known), range);
                    let y = record.regions[0].components.get(Channel::Y).expect("luma");
                    assert_eq!(y.codes.as_ref(), Some(&want), "{told}");
                    check_frame(&record.frame, &want, &distinct, range, &told);
                    rails += usize::from(want.rail_low.is_some()) + usize::from(want.rail_high.is_some());
                }
            }
        }
    }
    assert!(rails > 100, "{rails} rails are too few for this to be a test of them");
}
