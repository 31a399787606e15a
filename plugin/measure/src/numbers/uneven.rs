//! Whether the moving noise is as even from block to block as one noise is: what a codec leaves is not.
//!
//! A codec spends its bits unevenly: blocks that it copies from the frame before keep no noise of their own, others some.
//! A sensor's noise, filtered or not, has one strength at a place; the energies of 8 × 8 blocks then scatter by chance
//! alone, and by how much follows from the measured correlation.

use crate::numbers::spatial::Correlation;
use crate::sums::energies::EDGE;
use crate::sums::finished::StackNumbers;
use crate::sums::stack::piece_rect;

/// Changes below which nothing is said.
const FEWEST: u64 = 3;

/// Independent samples of a block below which its energy scatters too widely to say anything: noise as coarse as blocks.
const FEWEST_SAMPLES: f64 = 1.5;

/// Scatter over that of chance from which noise counts as uneven, in ratio and in standard errors; both are needed, so
/// that long windows do not call a harmless departure a codec's doing. One window in some hundred thousand exceeds the
/// latter by chance.
const LIMIT: (f64, f64) = (1.15, 4.5);

/// Share of the mean energy that a block is taken to have at least: one that never changes has no mean to be judged by.
const STILL: f64 = 1e-3;

/// By how much changes that follow each other overlap: neighbouring differences of independent frames correlate by −½,
/// their energies by ¼, and 1 + 2·(¼)² of them count for one.
const OVERLAP: f64 = 1.125;

/// Scatter of block energies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Variance of the energies of blocks over what chance gives: 1 for one noise.
    pub ratio: f64,
    /// Its departure from 1 in standard errors.
    pub deviation: f64,
}

impl Scatter {
    /// Whether it is more than chance.
    #[must_use]
    pub fn is_uneven(self) -> bool {
        self.ratio > LIMIT.0 && self.deviation > LIMIT.1
    }
}

/// Scatter of the energies of frame differences in the pieces of `stacks`, whose noise has the correlation `rho`; `None`
/// where there is too little to judge.
///
/// Energies are taken relative to their frame's and to the mean of their block over the frames: shading, texture and a
/// strength that changes from frame to frame are no scatter. A piece that stands still from one frame to the next while
/// the region does not has more than any. For Gaussian noise their variance is 2·Σρ²(i−j)/n² over all
/// pairs of the n samples of a block; of a kurtosis κ of the samples, differences keep half, which adds κ/(2n).
#[must_use]
pub fn scatter(stacks: &[StackNumbers], rho: &Correlation) -> Option<Scatter> {
    let samples = (EDGE * EDGE) as f64;
    let reach = EDGE as i32;
    let pairs = rho.sum(|dx, dy, rho| {
        f64::from((reach - dx.abs()).max(0)) * f64::from((reach - dy.abs()).max(0)) * rho * rho
    });
    let by_chance = 2.0 * pairs / (samples * samples);
    let independent = 2.0 / by_chance;
    if independent < FEWEST_SAMPLES {
        return None;
    }
    let (mut found, mut expected, mut freedom, mut tails) = (0.0, 0.0, 0.0, 0.0_f64);
    for stack in stacks {
        let energies = stack.energies.as_ref()?;
        if energies.still > 0 {
            // No noise that shows in the codes leaves a thousand samples as they were.
            return Some(Scatter { ratio: f64::INFINITY, deviation: f64::INFINITY });
        }
        if energies.first.is_empty() || energies.changes < FEWEST {
            return None;
        }
        let changes = energies.changes as f64;
        for (first, second) in energies.first.iter().zip(&energies.second) {
            let mean = first / changes;
            let variance = (second / changes - mean * mean).max(0.0) * changes / (changes - 1.0);
            found += variance / (mean * mean).max(STILL * STILL);
        }
        let blocks = energies.first.len() as f64;
        let kurtosis = kurtosis(stack).unwrap_or(0.0);
        expected += blocks * (by_chance + kurtosis / (2.0 * samples));
        tails = tails.max(kurtosis);
        freedom += (blocks - 1.0) * (changes - 1.0) / OVERLAP;
    }
    if expected <= 0.0 || freedom <= 0.0 {
        return None;
    }
    let ratio = found / expected;
    // Energies are about χ² with `independent` degrees of freedom, whose excess kurtosis is 12 over those. Where samples
    // have long tails, as in the dark behind a logarithm, a few decide and the error is larger; by how much rests on a
    // moment that no window tells: up to three times, which a codec that matters exceeds all the same.
    let error = ((2.0 + 12.0 / independent) / freedom).sqrt() * (1.0 + tails.min(4.0) / 2.0);
    Some(Scatter { ratio, deviation: (ratio - 1.0) / error })
}

/// Excess kurtosis of the two-way residual in the kept frames of the piece, each frame of spread 1 and block by block, so
/// that neither places nor frames of different strength count; `None` without spread.
fn kurtosis(stack: &StackNumbers) -> Option<f64> {
    let (x0, y0, w, h) = piece_rect(stack.width, stack.height);
    let (across, down) = (w / EDGE, h / EDGE);
    let mean = stack.mean?;
    let frames: Vec<Vec<f64>> = stack
        .piece
        .iter()
        .filter_map(|frame| {
            let level = stack.frame_means.get(frame.index).copied().unwrap_or(mean) - mean;
            let mut squares = Vec::with_capacity(frame.samples.len());
            for (y, row) in frame.samples.chunks_exact(w.max(1)).enumerate() {
                let pixels = &stack.mean_image[(y0 + y) * stack.width + x0..][..w];
                squares.extend(row.iter().zip(pixels).map(|(sample, pixel)| {
                    let e = sample - level - pixel;
                    e * e
                }));
            }
            let strength = squares.iter().sum::<f64>() / squares.len() as f64;
            (strength > 0.0).then(|| squares.into_iter().map(|square| square / strength).collect())
        })
        .collect();
    let samples = (EDGE * EDGE * frames.len()) as f64;
    let (mut sum, mut blocks) = (0.0, 0.0);
    for block in 0..across * down {
        let corner = block / across * EDGE * w + block % across * EDGE;
        let (mut square, mut fourth) = (0.0, 0.0);
        for frame in &frames {
            for row in (0..EDGE).map(|y| corner + y * w) {
                square += frame[row..row + EDGE].iter().sum::<f64>();
                fourth += frame[row..row + EDGE].iter().map(|s| s * s).sum::<f64>();
            }
        }
        if square > 0.0 {
            sum += samples * fourth / (square * square) - 3.0;
            blocks += 1.0;
        }
    }
    (blocks > 0.0).then(|| sum / blocks)
}
