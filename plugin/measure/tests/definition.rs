//! The sums of a window against the definition written out: the two-way residual formed sample by sample.

use noise_measure::blocks::BLOCK;
use noise_measure::kernels::Level;
use noise_measure::stack::Stack;

/// Splitmix64: the same numbers everywhere.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }
}

struct Frames {
    width: usize,
    height: usize,
    frames: Vec<Vec<u16>>,
    /// Indices of frames that follow a hole.
    holes: Vec<usize>,
}

impl Frames {
    fn random(seed: u64, width: usize, height: usize, count: usize, spread: u64, level: u16) -> Self {
        let mut random = Random(seed);
        let fixed: Vec<u16> = (0..width * height).map(|_| random.below(50) as u16).collect();
        let frames = (0..count)
            .map(|_| {
                let bounce = random.below(30) as u16;
                fixed.iter().map(|f| level + f + bounce + random.below(spread) as u16).collect()
            })
            .collect();
        Self { width, height, frames, holes: Vec::new() }
    }

    fn stack(&self) -> noise_measure::finished::StackNumbers {
        let max = self.frames.iter().flatten().copied().max().unwrap_or(0);
        let mut stack = Stack::new(self.width, self.height, u32::from(max));
        for (l, frame) in self.frames.iter().enumerate() {
            if self.holes.contains(&l) {
                stack.break_run();
            }
            stack.add(Level::new(), frame);
        }
        stack.finish()
    }

    fn residual(&self) -> Vec<Vec<f64>> {
        let (n, p) = (self.frames.len() as f64, (self.width * self.height) as f64);
        let levels: Vec<f64> =
            self.frames.iter().map(|f| f.iter().map(|&x| f64::from(x)).sum::<f64>() / p).collect();
        let mean = levels.iter().sum::<f64>() / n;
        let pixels: Vec<f64> = (0..self.width * self.height)
            .map(|i| self.frames.iter().map(|f| f64::from(f[i])).sum::<f64>() / n)
            .collect();
        self.frames
            .iter()
            .zip(&levels)
            .map(|(f, level)| {
                f.iter().zip(&pixels).map(|(&x, pixel)| f64::from(x) - level - pixel + mean).collect()
            })
            .collect()
    }

    fn joined(&self, l: usize, distance: usize) -> bool {
        l + distance < self.frames.len() && !(l + 1..=l + distance).any(|m| self.holes.contains(&m))
    }
}

fn close(name: &str, got: f64, want: f64, scale: f64) {
    // f64 sums of a few thousand terms; the integers behind `got` are exact.
    assert!((got - want).abs() <= 1e-10 * scale, "{name}: {got} instead of {want}");
}

fn check(frames: &Frames) {
    let (w, h, n) = (frames.width, frames.height, frames.frames.len());
    let got = frames.stack();
    let e = frames.residual();
    let q = &got.quadratic;
    let c0: f64 = e.iter().flatten().map(|e| e * e).sum();
    close("c0", q.c0, c0, c0);
    let mut right = 0.0;
    let mut below = 0.0;
    for e in &e {
        for y in 0..h {
            for x in 0..w {
                if x + 1 < w {
                    right += e[y * w + x] * e[y * w + x + 1];
                }
                if y + 1 < h {
                    below += e[y * w + x] * e[(y + 1) * w + x];
                }
            }
        }
    }
    close("cx", q.cx, right, c0);
    close("cy", q.cy, below, c0);
    for (distance, got) in [(1, q.ct), (2, q.ct2)] {
        let pairs: Vec<usize> = (0..n).filter(|&l| frames.joined(l, distance)).collect();
        let sum: f64 =
            pairs.iter().map(|&l| e[l].iter().zip(&e[l + distance]).map(|(a, b)| a * b).sum::<f64>()).sum();
        match got {
            Some(got) => close("lag", got, sum * (n - distance) as f64 / pairs.len() as f64, c0),
            None => assert!(pairs.is_empty()),
        }
    }
    let far = |lines: usize, blocks: usize, at: &dyn Fn(&[f64], usize, usize) -> f64| {
        (blocks >= 3).then(|| {
            let mut sum = 0.0;
            for e in &e {
                for line in 0..lines {
                    let b: Vec<f64> =
                        (0..blocks).map(|j| (0..BLOCK).map(|k| at(e, line, j * BLOCK + k)).sum()).collect();
                    for (j, bj) in b.iter().enumerate() {
                        for (k, bk) in b.iter().enumerate() {
                            if j.abs_diff(k) >= 2 {
                                sum += bj * bk;
                            }
                        }
                    }
                }
            }
            sum / (n * lines * BLOCK * BLOCK * (blocks - 1) * (blocks - 2)) as f64
        })
    };
    let row = far(h, w / BLOCK, &|e, y, x| e[y * w + x]);
    let column = far(w, h / BLOCK, &|e, x, y| e[y * w + x]);
    let scale = c0 / (n * w * h) as f64;
    // The naive side sums products of hundreds of times the size of their mean.
    for (name, got, want) in [("row", q.row, row), ("column", q.column, column)] {
        match (got, want) {
            (Some(got), Some(want)) => close(name, got, want, 1e3 * scale),
            (got, want) => assert_eq!(got.is_some(), want.is_some(), "{name}"),
        }
    }
    let pairs: Vec<usize> = (0..n).filter(|&l| frames.joined(l, 1)).collect();
    let half: f64 = pairs
        .iter()
        .map(|&l| {
            let d: Vec<f64> = frames.frames[l + 1]
                .iter()
                .zip(&frames.frames[l])
                .map(|(&a, &b)| f64::from(a) - f64::from(b))
                .collect();
            let mean = d.iter().sum::<f64>() / d.len() as f64;
            d.iter().map(|d| (d - mean) * (d - mean)).sum::<f64>() / 2.0
        })
        .sum();
    if let Some(pair) = q.pair {
        close("pair", pair, half, half);
    }
}

#[test]
fn sums_are_those_of_the_residual() {
    for (seed, (w, h, n)) in
        [(64, 49, 7), (50, 80, 3), (48, 48, 2), (17, 5, 9), (1, 1, 4), (5, 1, 4), (1, 6, 5), (100, 3, 25)]
            .into_iter()
            .enumerate()
    {
        check(&Frames::random(seed as u64, w, h, n, 9, 200));
        check(&Frames::random(seed as u64, w, h, n, 65_535 - 200 - 80, 200));
    }
}

#[test]
fn holes_break_pairs_and_nothing_else() {
    for holes in [vec![3], vec![1, 2], vec![1, 2, 3, 4, 5, 6], vec![2, 6], vec![6]] {
        let mut frames = Frames::random(7, 20, 18, 7, 12, 500);
        frames.holes = holes;
        check(&frames);
    }
}

#[test]
fn extreme_codes_over_many_frames_stay_exact() {
    // Black and white in turn: the largest sums there are; variance per sample is 65535²/4·N/(N−1), all of it flicker.
    let (w, h, n) = (33, 17, 70_000);
    let mut stack = Stack::new(w, h, u32::from(u16::MAX));
    let (black, white) = (vec![0u16; w * h], vec![u16::MAX; w * h]);
    for l in 0..n {
        stack.add(Level::new(), if l % 2 == 0 { &black } else { &white });
    }
    let got = stack.finish();
    assert_eq!(got.quadratic.c0, 0.0);
    assert_eq!(got.mean, Some(32767.5));
    // One sample of each row opposes the rest: now it moves against the frame.
    let mut stack = Stack::new(w, h, u32::from(u16::MAX));
    let (mut a, mut b) = (black.clone(), white.clone());
    (0..h).for_each(|y| (a[y * w], b[y * w]) = (u16::MAX, 0));
    for l in 0..n {
        stack.add(Level::new(), if l % 2 == 0 { &a } else { &b });
    }
    let c0 = stack.finish().quadratic.c0;
    // ±½·65535 with one of 33 opposed: residual ½·65535·(1 − m) or −½·65535·(1 + m), m = 31/33 of the frame's swing.
    let (half, m) = (32767.5f64, 31.0 / 33.0);
    let want = (n * h) as f64 * half * half * (32.0 * (1.0 - m) * (1.0 - m) + (1.0 + m) * (1.0 + m));
    assert!((c0 / want - 1.0).abs() < 1e-12, "{c0} {want}");
}
