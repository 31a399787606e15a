//! Whole frames through the meter, cold, beside one read of the same frames; the numbers are checked against plain
//! definitions first.
//!
//! W1: 24 patches in UHD, pair-wise and full set; W2: 24 patches in HD of 8 bits; W3: a grid over UHD; W4: what the full
//! set of W1 adds to a meter that has no region (`none`).

mod workloads;

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use workloads::{Asked, Layout, Ring, plain, read};

/// Frames that are compared with the definitions: two pairs, one of which the compact copy of the first must survive.
const CHECKED: usize = 3;

fn group(c: &mut Criterion, name: &str, ring: &Ring, asked: &[(&str, Asked)]) {
    let mut group = c.benchmark_group(name);
    group.throughput(Throughput::Bytes(ring.frame(0).len() as u64));
    group.sample_size(20);
    let mut next = 0;
    group.bench_function("read floor", |bench| {
        bench.iter(|| {
            next += 1;
            read(black_box(ring.frame(next)))
        });
    });
    for (name, asked) in asked {
        plain::check(asked, ring, CHECKED);
        let mut meter = asked.meter(&ring.format);
        asked.add(&mut meter, ring, next, false);
        group.bench_function(*name, |bench| {
            bench.iter(|| {
                next += 1;
                asked.add(&mut meter, black_box(ring), next, true);
            });
        });
        assert!(meter.close().is_some(), "frames were measured");
    }
    group.finish();
}

/// Small frames of every layout, in every way.
fn check_all() {
    for layout in Layout::ALL {
        let ring = Ring::new(layout, 320, 180, CHECKED);
        let patches = |full| Asked::patches(&ring.format, 24, full);
        [patches(false), patches(true), Asked::grid()]
            .iter()
            .for_each(|asked| plain::check(asked, &ring, CHECKED));
    }
}

fn uhd(c: &mut Criterion) {
    check_all();
    let ring = Ring::new(Layout::I422Ten, 3840, 2160, 10);
    let patches = |full| Asked::patches(&ring.format, 200, full);
    let asked = [
        ("none", Asked::default()),
        ("W1 pairwise", patches(false)),
        ("W1 full set", patches(true)),
        ("W3 grid", Asked::grid()),
    ];
    group(c, "UHD I422_10", &ring, &asked);
}

fn hd(c: &mut Criterion) {
    let ring = Ring::new(Layout::Nv12, 1920, 1080, 40);
    let patches = |full| Asked::patches(&ring.format, 100, full);
    group(c, "HD NV12", &ring, &[("W2 pairwise", patches(false)), ("W2 full set", patches(true))]);
}

criterion_group!(benches, uhd, hd);
criterion_main!(benches);
