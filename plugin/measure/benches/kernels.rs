//! Each kernel at each instruction set beside the plainest loop that defines it, on some rows of a UHD frame; equality is
//! asserted before anything is timed.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use fearless_simd::dispatch;
use noise_measure::kernels::count::{any_outside, tail};
use noise_measure::kernels::lanes::{budget, padded};
use noise_measure::kernels::pair::{self, Before, PairFrame};
use noise_measure::kernels::{levels, oracle, scan};
use noise_measure::patch::Patch;
use noise_measure::stack::Stack;

const WIDTH: usize = 3840;
const ROWS: usize = 16;
/// Highest code of 10 bits.
const MAX: u16 = 1023;
/// Codes that some of the noise is below or above.
const BOUNDS: (u16, u16) = (503, 528);

/// Codes about mid grey with some noise, by a linear congruence.
fn codes(seed: u32, count: usize) -> Vec<u16> {
    let mut state = seed;
    (0..count)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            500 + (state >> 27) as u16
        })
        .collect()
}

/// `$kernel`, which may use the level's token `$simd`, and `$plain` give the same; both are timed.
macro_rules! beside {
    ($group:expr, $name:literal, |$simd:ident| $kernel:expr, $plain:expr) => {
        for level in levels() {
            assert_eq!(dispatch!(level, $simd => $kernel), $plain, "{} {level:?}", $name);
            // The level alone, without its empty fields.
            let label = format!("{level:?}").split('(').next().unwrap_or_default().to_owned();
            $group.bench_function(BenchmarkId::new($name, label), |bench| {
                bench.iter(|| dispatch!(level, $simd => black_box($kernel)));
            });
        }
        $group.bench_function(BenchmarkId::new($name, "plain"), |bench| bench.iter(|| black_box($plain)));
    };
}

fn rows(c: &mut Criterion) {
    let frames = [1, 2, 3].map(|seed| codes(seed, WIDTH * ROWS));
    let [this, before, third] = frames.each_ref().map(Vec::as_slice);
    let patches = [this, before, third].map(|codes| Patch::new(codes, WIDTH, WIDTH, ROWS));
    let [patch, lent, _] = patches;
    let mut difference = vec![0; pair::room(WIDTH)];
    let mut group = c.benchmark_group("rows");
    group.throughput(Throughput::Elements((WIDTH * ROWS) as u64));
    let shown = |frame: PairFrame| (frame.sum, frame.square, frame.previous, frame.right, frame.below);
    beside!(
        group,
        "pair",
        |simd| {
            let mut frame = PairFrame::default();
            let from = Before::Lent(black_box(lent));
            pair::rows(simd, &mut frame, 0, black_box(patch), from, &mut difference, budget(u32::from(MAX)));
            shown(frame)
        },
        shown(oracle::pair_frame(black_box(this), black_box(before), WIDTH))
    );
    beside!(
        group,
        "outside",
        |simd| any_outside(simd, black_box([patch]), [BOUNDS]),
        oracle::count_any_outside(&[black_box(this)], &[BOUNDS])
    );
    beside!(
        group,
        "any of three outside",
        |simd| any_outside(simd, black_box(patches), [BOUNDS; 3]),
        oracle::count_any_outside(black_box(&[this, before, third]), &[BOUNDS; 3])
    );
    let (outer, inner) = (500, 501);
    beside!(
        group,
        "tail",
        |simd| tail::<_, false>(simd, black_box(patch), (outer, inner)),
        [
            oracle::count_equal(black_box(this), outer),
            oracle::count_equal(black_box(this), inner),
            oracle::count_below(black_box(this), inner + 1),
        ]
    );
    // The kernel gives the keyed sums of the fingerprint as well.
    beside!(
        group,
        "scan",
        |simd| {
            let mut all = scan::Row::EMPTY;
            (0..ROWS).for_each(|y| all.join(&scan::row::<_, _, true, true>(simd, black_box(patch).row(y)).0));
            (all.bits, Some((all.low, all.high)), all.sum)
        },
        (
            oracle::bits(black_box(this)),
            oracle::extremes(black_box(this)),
            oracle::moments(black_box(this)).0
        )
    );
    group.finish();
}

/// The full set: by vectors, and by the plain loops that samples of 16 bits take.
fn full(c: &mut Criterion) {
    let size = 200;
    assert!(padded(size) > size, "rows that end inside a vector");
    let frames: Vec<Vec<u16>> = (0..4).map(|seed| codes(seed, size * size)).collect();
    let filled = |level, max: u16| {
        let mut stack = Stack::new(size, size, u32::from(max));
        frames.iter().for_each(|frame| stack.add(level, frame));
        stack
    };
    let mut group = c.benchmark_group("full set of 200x200");
    group.throughput(Throughput::Elements((size * size) as u64));
    for level in levels() {
        let numbers = |max| format!("{:?}", filled(level, max).finish());
        assert_eq!(numbers(MAX), numbers(u16::MAX), "{level:?}");
        for (name, max) in [("vectors", MAX), ("plain", u16::MAX)] {
            let mut stack = filled(level, max);
            let label = format!("{level:?}").split('(').next().unwrap_or_default().to_owned();
            group.bench_function(BenchmarkId::new(name, label), |bench| {
                let mut frames = frames.iter().cycle();
                bench.iter(|| frames.by_ref().take(1).for_each(|frame| stack.add(level, black_box(frame))));
            });
        }
    }
    group.finish();
}

criterion_group!(benches, rows, full);
criterion_main!(benches);
