//! Each kernel beside the plainest loop that defines it, on one row of a UHD frame; equality is asserted first.

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use noise_measure::kernels::fingerprint::Fingerprint;
use noise_measure::kernels::steps::CodeSteps;
use noise_measure::kernels::{oracle, row};
use noise_measure::stack::Stack;
use std::hint::black_box;

const WIDTH: usize = 3840;

/// Codes about mid grey with some noise, by a linear congruence.
fn codes(seed: u32) -> Vec<u16> {
    let mut state = seed;
    (0..WIDTH)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            500 + (state >> 27) as u16
        })
        .collect()
}

fn kernels(c: &mut Criterion) {
    let (a, b) = (codes(1), codes(2));
    let mut group = c.benchmark_group("row");
    group.throughput(Throughput::Elements(WIDTH as u64));
    macro_rules! pair {
        ($name:literal, $ours:expr, $plain:expr) => {
            assert_eq!($ours, $plain);
            group.bench_function(BenchmarkId::new($name, "kernel"), |bench| bench.iter(|| black_box($ours)));
            group.bench_function(BenchmarkId::new($name, "oracle"), |bench| bench.iter(|| black_box($plain)));
        };
    }
    pair!("moments", row::moments(black_box(&a)), oracle::moments(black_box(&a)));
    pair!("dot", row::dot(black_box(&a), black_box(&b)), oracle::dot(black_box(&a), black_box(&b)));
    pair!("extremes", row::extremes(black_box(&a)), oracle::extremes(black_box(&a)));
    pair!("above", row::count_above(black_box(&a), 510), oracle::count_above(black_box(&a), 510));
    group.bench_function("fingerprint", |bench| {
        let mut print = Fingerprint::default();
        bench.iter(|| print.row(black_box(&a)));
    });
    group.bench_function("steps", |bench| {
        let mut steps = CodeSteps::default();
        bench.iter(|| steps.row(black_box(&a)));
    });
    group.finish();
}

fn stack(c: &mut Criterion) {
    let rows: Vec<Vec<u16>> = (0..200).map(|seed| codes(seed)[..200].to_vec()).collect();
    let mut group = c.benchmark_group("region 200x200");
    group.throughput(Throughput::Elements(200 * 200));
    group.bench_function("full set", |bench| {
        let mut stack = Stack::new(200, 200);
        bench.iter(|| {
            stack.begin_frame();
            rows.iter().enumerate().for_each(|(y, row)| stack.row(y, row));
            stack.end_frame();
        });
    });
    group.finish();
}

criterion_group!(benches, kernels, stack);
criterion_main!(benches);
