//! How the change from frame to frame spreads over the blocks of a region's central piece, for what codecs do to it.

use crate::sums::kernels::Sample;
use crate::sums::stack::piece_rect;

/// Edge of a block: the smallest that codecs decide on.
pub const EDGE: usize = 8;

/// Blocks below which nothing is kept: too few to judge.
pub const FEWEST: usize = 16;

/// Running sums of the blocks' shares in each change; constant in memory.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Energies {
    /// Changes taken in.
    pub changes: u64,
    /// Frames whose piece equals that of the frame before, to the last sample.
    pub still: u64,
    /// Σ over changes of a block's share u, in units of the mean share.
    pub first: Vec<f64>,
    /// Σ u².
    pub second: Vec<f64>,
    /// Energies of the newest change.
    newest: Vec<f64>,
}

impl Energies {
    /// Takes in the change between two frames of `width` × `height` samples whose means differ by `level`.
    ///
    /// A block's energy is Σ(d − level)² over its differences d; only its share in the piece is kept, so that a strength
    /// that changes from frame to frame does not count. A piece that did not change at all has no shares; it is counted.
    pub fn add<T: Sample>(&mut self, this: &[T], before: &[T], width: usize, height: usize, level: f64) {
        let (x0, y0, w, h) = piece_rect(width, height);
        let (across, down) = (w / EDGE, h / EDGE);
        let blocks = across * down;
        self.newest.clear();
        for block in 0..blocks {
            let (left, top) = (x0 + block % across * EDGE, y0 + block / across * EDGE);
            let (mut sum, mut square) = (0_i64, 0_i64);
            for y in top..top + EDGE {
                let at = y * width + left..y * width + left + EDGE;
                for (&a, &b) in this[at.clone()].iter().zip(&before[at]) {
                    let d = a.wide() as i64 - b.wide() as i64;
                    sum += d;
                    square += d * d;
                }
            }
            // Exact sums of 64 samples; the level is the one number that is not whole.
            let samples = (EDGE * EDGE) as f64;
            self.newest.push(square as f64 - 2.0 * level * sum as f64 + samples * level * level);
        }
        let mean = self.newest.iter().sum::<f64>() / blocks as f64;
        if blocks < FEWEST {
            return;
        }
        if mean <= 0.0 {
            self.still += 1;
            return;
        }
        self.first.resize(blocks, 0.0);
        self.second.resize(blocks, 0.0);
        for ((first, second), energy) in self.first.iter_mut().zip(&mut self.second).zip(&self.newest) {
            let share = energy / mean;
            *first += share;
            *second += share * share;
        }
        self.changes += 1;
    }
}
