//! Whether the moving noise is as even from block to block as one noise is: what a codec leaves is not.
//!
//! A codec spends its bits unevenly: blocks that it copies from the frame before keep no noise of their own, others some.
//! A sensor's noise, filtered or not, has one strength at a place; the energies of 8 × 8 blocks then scatter by chance
//! alone, and by how much follows from the measured correlation.

use crate::numbers::spatial::Correlation;
use crate::sums::stack::{StackNumbers, piece_rect};

/// Edge of a block: the smallest that codecs decide on.
const BLOCK: usize = 8;

/// Blocks and kept frames below which nothing is said.
const FEWEST: (usize, usize) = (16, 3);

/// Independent samples of a block below which its energy scatters too widely to say anything: noise as coarse as blocks.
const FEWEST_SAMPLES: f64 = 3.0;

/// Scatter over that of chance from which noise counts as uneven, in ratio and in standard errors; both are needed, so
/// that long windows do not call a harmless departure a codec's doing. One window in some hundred thousand exceeds the
/// latter by chance.
const LIMIT: (f64, f64) = (1.15, 4.5);

/// Share of the mean energy that a block is taken to have at least.
const STILL: f64 = 1e-3;

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

/// Scatter of the energies of the two-way residual in the pieces of `stacks`, whose correlation is `rho`; `None` where
/// there is too little to judge.
///
/// Energies are taken relative to the mean of their block over the frames and of their frame over the blocks: shading,
/// texture and a strength that changes from frame to frame are no scatter. For Gaussian noise their variance is
/// 2·Σρ²(i−j)/n² over all pairs of the n samples of a block; the measured kurtosis κ adds κ/n.
#[must_use]
pub fn scatter(stacks: &[StackNumbers], rho: &Correlation) -> Option<Scatter> {
    let samples = (BLOCK * BLOCK) as f64;
    let reach = BLOCK as i32;
    let pairs = rho.sum(|dx, dy, rho| {
        f64::from((reach - dx.abs()).max(0)) * f64::from((reach - dy.abs()).max(0)) * rho * rho
    });
    let by_chance = 2.0 * pairs / (samples * samples);
    let independent = 2.0 / by_chance;
    if independent < FEWEST_SAMPLES {
        return None;
    }
    let (mut squares, mut freedom, mut fourth, mut count) = (0.0, 0.0, 0.0, 0.0);
    for stack in stacks {
        let table = Table::new(stack)?;
        let (blocks, frames) = (table.blocks as f64, table.frames as f64);
        squares += table.relative.iter().map(|r| (r - 1.0) * (r - 1.0)).sum::<f64>();
        freedom += (blocks - 1.0) * (frames - 1.0);
        fourth += table.fourth;
        count += blocks * frames;
    }
    let kurtosis = fourth / count - 3.0;
    let expected = by_chance + kurtosis / samples;
    if expected <= 0.0 || freedom <= 0.0 {
        return None;
    }
    let ratio = squares / freedom / expected;
    // Energies are about χ² with `independent` degrees of freedom, whose excess kurtosis is 12 over those.
    let error = ((2.0 + 12.0 / independent) / freedom).sqrt();
    Some(Scatter { ratio, deviation: (ratio - 1.0) / error })
}

/// Energies of the blocks of a stack's piece.
struct Table {
    blocks: usize,
    frames: usize,
    /// Energies over those of their block and frame, frame by frame.
    relative: Vec<f64>,
    /// Sum over blocks and frames of the mean fourth power of the residual, each over its block's and frame's square.
    fourth: f64,
}

impl Table {
    fn new(stack: &StackNumbers) -> Option<Self> {
        let (x0, y0, w, h) = piece_rect(stack.width, stack.height);
        let (across, down) = (w / BLOCK, h / BLOCK);
        let (blocks, frames) = (across * down, stack.piece.len());
        if blocks < FEWEST.0 || frames < FEWEST.1 {
            return None;
        }
        let mean = stack.mean?;
        let mut energies = Vec::with_capacity(blocks * frames);
        let mut fourths = Vec::with_capacity(blocks * frames);
        for frame in &stack.piece {
            let level = stack.frame_means.get(frame.index).copied().unwrap_or(mean) - mean;
            for block in 0..blocks {
                let (left, top) = (block % across * BLOCK, block / across * BLOCK);
                let (mut square, mut fourth) = (0.0, 0.0);
                for y in top..top + BLOCK {
                    for x in left..left + BLOCK {
                        let pixel = stack.mean_image[(y0 + y) * stack.width + x0 + x];
                        let e = frame.samples[y * w + x] - level - pixel;
                        square += e * e;
                        fourth += e * e * e * e;
                    }
                }
                energies.push(square / (BLOCK * BLOCK) as f64);
                fourths.push(fourth / (BLOCK * BLOCK) as f64);
            }
        }
        let overall = energies.iter().sum::<f64>() / energies.len() as f64;
        if overall <= 0.0 {
            return None;
        }
        // A block that never moves has no mean to be judged by: it counts as one without energy, which it is.
        let least = STILL * overall;
        let of_block: Vec<f64> = (0..blocks)
            .map(|b| (energies.iter().skip(b).step_by(blocks).sum::<f64>() / frames as f64).max(least))
            .collect();
        let relative: Vec<f64> = energies.iter().enumerate().map(|(i, e)| e / of_block[i % blocks]).collect();
        let of_frame: Vec<f64> =
            relative.chunks_exact(blocks).map(|frame| frame.iter().sum::<f64>() / blocks as f64).collect();
        if of_frame.iter().any(|&energy| energy <= 0.0) {
            return None;
        }
        let scale = |i: usize| of_block[i % blocks] * of_frame[i / blocks];
        let fourth = fourths.iter().enumerate().map(|(i, fourth)| fourth / (scale(i) * scale(i))).sum();
        let relative = relative.iter().enumerate().map(|(i, r)| r / of_frame[i / blocks]).collect();
        Some(Self { blocks, frames, relative, fourth })
    }
}
