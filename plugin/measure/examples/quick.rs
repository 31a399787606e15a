use noise_measure::format::*;
use noise_measure::kernels::levels;
use noise_measure::meter::*;
use noise_measure::region::*;
use noise_measure::view::*;
use std::time::Instant;
fn cpu() -> f64 {
    static T: std::sync::LazyLock<Instant> = std::sync::LazyLock::new(Instant::now);
    T.elapsed().as_secs_f64() * 1e3
}
fn main() {
    let (w, h) = (3840usize, 2160usize);
    let mode = std::env::args().nth(1).unwrap_or("w1".into());
    if mode == "hd" {
        return hd();
    }
    let want = std::env::args().nth(2).unwrap_or("Avx2".into());
    let comp = |channel, sub| ComponentFormat {
        channel,
        depth: 10,
        horizontal: if sub { Sampling::subsampled(2) } else { Sampling::FULL },
        vertical: Sampling::FULL,
    };
    let format = FrameFormat {
        width: w as u32,
        height: h as u32,
        components: vec![comp(Channel::Y, false), comp(Channel::Cb, true), comp(Channel::Cr, true)],
        model: Model::Yuv,
        range: Range::Narrow,
        matrix: Matrix::Bt709,
        scan: Scan::Progressive,
    };
    let frame = Rect { x: 0, y: 0, width: w as u32, height: h as u32 };
    let n = if mode == "none" {
        0
    } else if mode == "one" {
        1
    } else {
        24
    };
    let mut regions: Vec<Region> = (0..n)
        .map(|i| Region {
            name: format!("r{i}"),
            role: None,
            reflectance: None,
            rect: Rect { x: 100 + (i % 6) * 600, y: 100 + (i / 6) * 500, width: 200, height: 200 },
            inside: true,
        })
        .collect();
    if mode == "small" {
        regions = (0..4096)
            .map(|i| Region {
                name: format!("r{i}"),
                role: None,
                reflectance: None,
                rect: Rect { x: 40 + (i % 64) * 58, y: 40 + (i / 64) * 32, width: 14, height: 14 },
                inside: true,
            })
            .collect();
    }
    if mode == "large" {
        regions = (0..16)
            .map(|i| Region {
                name: format!("r{i}"),
                role: None,
                reflectance: None,
                rect: Rect { x: 40 + (i % 4) * 900, y: 40 + (i / 4) * 500, width: 224, height: 224 },
                inside: true,
            })
            .collect();
    }
    if mode == "small32" {
        regions = (0..4096)
            .map(|i| Region {
                name: format!("r{i}"),
                role: None,
                reflectance: None,
                rect: Rect { x: (i % 64) * 60, y: (i / 64) * 33, width: 32, height: 32 },
                inside: true,
            })
            .collect();
    }
    if mode == "large32" {
        regions = (0..64)
            .map(|i| Region {
                name: format!("r{i}"),
                role: None,
                reflectance: None,
                rect: Rect { x: (i % 8) * 470, y: (i / 8) * 266, width: 256, height: 256 },
                inside: true,
            })
            .collect();
    }
    let grid = (mode == "w3").then_some(Grid { cols: 16, rows: 9 });
    if mode == "w3" {
        regions.clear();
    }
    let config = MeterConfig {
        format,
        active: frame,
        regions,
        grid,
        full_set_share: if mode == "stack" { None } else { Some(0.0) },
    };
    let flat = std::env::args().nth(3).is_some();
    let mut state = 1u64;
    let mut sizes = vec![w * h, w * h / 2, w * h / 2];
    let frames: Vec<Vec<Vec<u8>>> = (0..10)
        .map(|_| {
            sizes
                .iter_mut()
                .map(|s| {
                    let mut v = Vec::with_capacity(*s * 2);
                    for _ in 0..*s {
                        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                        let c = 400
                            + (0..6)
                                .map(|k| {
                                    (state >> (16 + 8 * k)) as u16
                                        & if flat { if k == 0 { 1 } else { 0 } } else { 7 }
                                })
                                .sum::<u16>();
                        v.extend_from_slice(&c.to_le_bytes());
                    }
                    v
                })
                .collect()
        })
        .collect();
    let views = |f: &'static Vec<Vec<u8>>| -> Vec<ComponentView<'static>> {
        [Channel::Y, Channel::Cb, Channel::Cr]
            .iter()
            .zip(f.iter())
            .enumerate()
            .map(|(i, (&c, d))| {
                let width = if i == 0 { w } else { w / 2 };
                ComponentView::new(
                    c,
                    d,
                    Placement { offset: 0, row_stride: 2 * width, sample_stride: 2, width, height: h },
                    Packing { word: Word::U16Le, shift: 0, depth: 10 },
                )
                .unwrap()
            })
            .collect()
    };
    let frames: &'static Vec<Vec<Vec<u8>>> = Box::leak(Box::new(frames));
    let all: Vec<Vec<ComponentView<'static>>> = frames.iter().map(views).collect();
    for level in levels() {
        let name = format!("{level:?}");
        if !name.starts_with(&want) && want != "all" {
            continue;
        }
        let mut meter = Meter::at_level(config.clone(), level);
        let (mut times, mut floors) = (vec![], vec![]);
        let mut sink = 0u64;
        for i in 0..80 {
            let f = &frames[(i + 5) % 10];
            let t = cpu();
            for p in f {
                let (c, _) = p.as_chunks::<8>();
                let mut s = [0u64; 8];
                let (cc, _) = c.as_chunks::<8>();
                for b in cc {
                    for k in 0..8 {
                        s[k] = s[k].wrapping_add(u64::from_le_bytes(b[k]));
                    }
                }
                sink = sink.wrapping_add(s.iter().sum());
            }
            floors.push(cpu() - t);
            let before = if grid.is_some() && i > 0 { &all[(i + 9) % 10][..] } else { &[] };
            let t = cpu();
            meter.add(&all[i % 10], before, FrameTags::default()).unwrap();
            times.push(cpu() - t);
        }
        times.drain(..5);
        times.sort_by(f64::total_cmp);
        floors.sort_by(f64::total_cmp);
        println!(
            "{mode} {name:.10} meter {:.2} [{:.2}] floor {:.2} [{:.2}] ratio {:.2} {}",
            times[times.len() / 2],
            times[5],
            floors[40],
            floors[5],
            times[times.len() / 2] / floors[40],
            sink & 1
        );
    }
}

fn hd() {
    let (w, h) = (1920usize, 1080usize);
    let comp = |channel, sub| ComponentFormat {
        channel,
        depth: 8,
        horizontal: if sub { Sampling::subsampled(2) } else { Sampling::FULL },
        vertical: if sub { Sampling::subsampled(2) } else { Sampling::FULL },
    };
    let format = FrameFormat {
        width: w as u32,
        height: h as u32,
        components: vec![comp(Channel::Y, false), comp(Channel::Cb, true), comp(Channel::Cr, true)],
        model: Model::Yuv,
        range: Range::Narrow,
        matrix: Matrix::Bt709,
        scan: Scan::Progressive,
    };
    let frame = Rect { x: 0, y: 0, width: w as u32, height: h as u32 };
    let regions: Vec<Region> = (0..24)
        .map(|i| Region {
            name: format!("r{i}"),
            role: None,
            reflectance: None,
            rect: Rect { x: 50 + (i % 6) * 300, y: 50 + (i / 6) * 250, width: 100, height: 100 },
            inside: true,
        })
        .collect();
    let config = MeterConfig { format, active: frame, regions, grid: None, full_set_share: Some(0.0) };
    let mut state = 1u64;
    let frames: Vec<Vec<u8>> = (0..40)
        .map(|_| {
            (0..w * h * 3 / 2)
                .map(|_| {
                    state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                    100 + (0..6).map(|k| (state >> (16 + 8 * k)) as u8 & 3).sum::<u8>()
                })
                .collect()
        })
        .collect();
    for level in levels() {
        let name = format!("{level:?}");
        if !name.starts_with("Avx2") {
            continue;
        }
        let mut meter = Meter::at_level(config.clone(), level);
        let mut times = vec![];
        for i in 0..200 {
            let d = &frames[i % 40];
            let p = Packing { word: Word::U8, shift: 0, depth: 8 };
            let v = [
                ComponentView::new(
                    Channel::Y,
                    d,
                    Placement { offset: 0, row_stride: w, sample_stride: 1, width: w, height: h },
                    p,
                )
                .unwrap(),
                ComponentView::new(
                    Channel::Cb,
                    d,
                    Placement { offset: w * h, row_stride: w, sample_stride: 2, width: w / 2, height: h / 2 },
                    p,
                )
                .unwrap(),
                ComponentView::new(
                    Channel::Cr,
                    d,
                    Placement {
                        offset: w * h + 1,
                        row_stride: w,
                        sample_stride: 2,
                        width: w / 2,
                        height: h / 2,
                    },
                    p,
                )
                .unwrap(),
            ];
            let t = cpu();
            meter.add(&v, &[], FrameTags::default()).unwrap();
            times.push(cpu() - t);
        }
        times.drain(..5);
        times.sort_by(f64::total_cmp);
        println!("hd {name:.10} {:.3} [{:.3}]", times[times.len() / 2], times[20]);
    }
}
