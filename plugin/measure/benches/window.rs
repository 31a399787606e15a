//! What the end of a window costs: 24 regions of 200 × 200 pixels, 4:2:2 at 10 bits, 25 frames, the full set.

#[expect(dead_code, reason = "shared with tests, which use more of it")]
#[path = "../tests/support/mod.rs"]
mod support;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use noise_measure::format::{Model, Sampling};
use noise_measure::meter::{Carry, ClosedWindow, FrameTags};
use noise_measure::region::Rect;
use std::hint::black_box;
use support::{Picture, Random, Setup, region};

const FRAMES: u64 = 25;
const EDGE: u32 = 200;
const COLUMNS: u32 = 8;
const ROWS: u32 = 3;

fn setup() -> Setup {
    let mut setup = Setup::new(Model::Yuv, COLUMNS * EDGE, ROWS * EDGE, 10);
    for chroma in &mut setup.config.format.components[1..] {
        chroma.horizontal = Sampling::subsampled(2);
    }
    let rect = |i: u32| Rect { x: i % COLUMNS * EDGE, y: i / COLUMNS * EDGE, width: EDGE, height: EDGE };
    setup.config.regions = (0..COLUMNS * ROWS).map(|i| region(&format!("p{i}"), rect(i))).collect();
    setup
}

fn closed(setup: &Setup, pictures: &[Picture]) -> ClosedWindow {
    let mut meter = setup.meter();
    for frame in 0..FRAMES {
        // Each frame differs from the one before, and none of them comes at a fixed distance.
        let picture = &pictures[((frame * frame / 3 + frame) % pictures.len() as u64) as usize];
        setup.add(
            &mut meter,
            picture,
            0,
            FrameTags { time_ns: Some(frame * 40_000_000), ..FrameTags::default() },
        );
    }
    meter.close().expect("frames came")
}

fn window(c: &mut Criterion) {
    let setup = setup();
    let mut random = Random(1);
    let pictures: Vec<Picture> = (0..7)
        .map(|_| {
            let format = &setup.config.format;
            let samples = |c: usize| format.components[c].horizontal.count(format.width) * format.height;
            (0..3)
                .map(|c| (0..samples(c)).map(|_| (500.0 + 3.0 * random.normal()) as u16).collect())
                .collect()
        })
        .collect();
    let mut carry = Carry::default();
    let mut group = c.benchmark_group("window");
    group.sample_size(10);
    group.bench_function("24 regions", |bench| {
        bench.iter_batched(
            || closed(&setup, &pictures),
            |closed| black_box(closed.evaluate(&mut carry, setup.info(0))),
            BatchSize::PerIteration,
        );
    });
    group.finish();
}

criterion_group!(benches, window);
criterion_main!(benches);
