//! Correlation of the moving noise in space, from the kept frames of a region's central piece.

use crate::numbers::transform::{Plans, Power};
use crate::sums::finished::{PieceFrame, StackNumbers};
use crate::sums::stack::piece_rect;

/// Farthest lag along either axis.
const MAX_LAG: usize = 15;

/// Farthest lag along a side of a piece: a quarter of it, so that few lags share the piece's own mean.
fn reach(side: usize) -> usize {
    MAX_LAG.min(side / 4)
}

/// Autocorrelation ρ over a box of lags; its lower half alone, as the upper one mirrors it.
#[derive(Debug, Clone)]
pub struct Correlation {
    /// Farthest lags along x and y.
    pub lags: (usize, usize),
    half: Vec<f64>,
    /// Size of the piece, and how many frames of it were kept.
    piece: (usize, usize),
    kept: usize,
}

impl Correlation {
    /// ρ of samples that do not depend on each other.
    #[must_use]
    pub fn white() -> Self {
        Self { lags: (0, 0), half: vec![1.0], piece: (1, 1), kept: 1 }
    }

    /// Δx, Δy and ρ of the lower half, with the number of places where each stands in the whole box (1 or 2).
    fn entries(&self) -> impl Iterator<Item = (i32, i32, f64, f64)> + '_ {
        let (lx, ly) = (self.lags.0 as i32, self.lags.1 as i32);
        let places = (0..=ly).flat_map(move |dy| (-lx..=lx).map(move |dx| (dx, dy)));
        places.zip(&self.half).map(|((dx, dy), &rho)| (dx, dy, rho, if dy == 0 { 1.0 } else { 2.0 }))
    }

    /// Σ over the whole box of f(Δx, Δy, ρ), for f that is equal at opposite lags.
    pub fn sum(&self, f: impl Fn(i32, i32, f64) -> f64) -> f64 {
        self.entries().map(|(dx, dy, rho, times)| times * f(dx, dy, rho)).sum()
    }

    /// The box with ρ replaced by f(Δx, Δy, ρ).
    #[must_use]
    pub fn map(&self, f: impl Fn(i32, i32, f64) -> f64) -> Self {
        Self { half: self.entries().map(|(dx, dy, rho, _)| f(dx, dy, rho)).collect(), ..self.clone() }
    }

    /// Number of products that ρ at a lag rests on.
    #[must_use]
    pub fn products(&self, dx: i32, dy: i32) -> f64 {
        let (w, h) = (self.piece.0 as i32 - dx.abs(), self.piece.1 as i32 - dy.abs());
        (self.kept as i32 * w * h) as f64
    }
}

/// The next length that transforms take apart into small factors: 2, 3 and 5 alone.
fn smooth(least: usize) -> usize {
    let is_smooth = |&length: &usize| {
        let mut rest = length.max(1);
        for factor in [2, 3, 5] {
            while rest.is_multiple_of(factor) {
                rest /= factor;
            }
        }
        rest == 1
    };
    (least..).find(is_smooth).unwrap_or(least)
}

/// ρ̂ of the two-way residual over all stacks; `None` without spread.
#[must_use]
pub fn correlation(stacks: &[StackNumbers], plans: &mut Plans) -> Option<Correlation> {
    let w = stacks.iter().map(|stack| piece_rect(stack.width, stack.height).2).min()?;
    let h = stacks.iter().map(|stack| piece_rect(stack.width, stack.height).3).min()?;
    if w == 0 || h == 0 {
        return None;
    }
    let lags = (reach(w), reach(h));
    let mut power = Power::new(smooth(w + lags.0), smooth(h + lags.1), plans);
    let mut kept = 0;
    for stack in stacks {
        let (x0, y0, pw, _) = piece_rect(stack.width, stack.height);
        let mean = stack.mean?;
        let residual = |frame: &PieceFrame, x: usize, y: usize| {
            let level = stack.frame_means.get(frame.index).copied().unwrap_or(mean) - mean;
            let pixel = stack.mean_image[(y0 + y) * stack.width + x0 + x];
            frame.samples[y * pw + x] - level - pixel
        };
        // Two frames a transform: their cross terms are odd in frequency and do not reach the real part of the result.
        for pair in stack.piece.chunks(2) {
            match pair {
                [a, b] => power.add(w, h, |x, y| (residual(a, x, y), residual(b, x, y))),
                [a] => power.add(w, h, |x, y| (residual(a, x, y), 0.0)),
                _ => {}
            }
            kept += pair.len();
        }
    }
    let sums = power.lags(lags.0, lags.1);
    let origin = sums[lags.0] / (w * h) as f64;
    if origin <= 0.0 || origin.is_nan() {
        return None;
    }
    let (lx, ly) = (lags.0 as isize, lags.1);
    let places = (0..=ly).flat_map(|dy| (-lx..=lx).map(move |dx| (dx, dy)));
    let half = places
        .zip(sums)
        .map(|((dx, dy), sum)| sum / ((w - dx.unsigned_abs()) * (h - dy)) as f64 / origin)
        .collect();
    Some(Correlation { lags, half, piece: (w, h), kept })
}
