//! Correlation of the moving noise in space, from the kept frames of a region's central piece.

use rustfft::num_complex::Complex64;
use rustfft::{Fft, FftPlannerScalar};
use std::sync::Arc;

use crate::sums::finished::StackNumbers;
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

/// ρ̂ of the two-way residual over all stacks; `None` without spread.
#[must_use]
pub fn correlation(stacks: &[StackNumbers]) -> Option<Correlation> {
    let w = stacks.iter().map(|stack| piece_rect(stack.width, stack.height).2).min()?;
    let h = stacks.iter().map(|stack| piece_rect(stack.width, stack.height).3).min()?;
    if w == 0 || h == 0 {
        return None;
    }
    let lags = (reach(w), reach(h));
    let (fw, fh) = (w + lags.0, h + lags.1);
    let mut planner = FftPlannerScalar::new();
    let plans = [planner.plan_fft_forward(fw), planner.plan_fft_forward(fh)];
    let mut power = vec![0.0; fw * fh];
    let mut field = vec![Complex64::default(); fw * fh];
    let mut kept = 0;
    for stack in stacks {
        let (x0, y0, pw, _) = piece_rect(stack.width, stack.height);
        let mean = stack.mean?;
        // Two frames a transform: their cross terms are odd in frequency and do not reach the real part of the result.
        for pair in stack.piece.chunks(2) {
            field.fill(Complex64::default());
            for (slot, frame) in pair.iter().enumerate() {
                let level = stack.frame_means.get(frame.index).copied().unwrap_or(mean) - mean;
                for y in 0..h {
                    for x in 0..w {
                        let pixel = stack.mean_image[(y0 + y) * stack.width + x0 + x];
                        let e = frame.samples[y * pw + x] - level - pixel;
                        let at = &mut field[y * fw + x];
                        *(if slot == 0 { &mut at.re } else { &mut at.im }) = e;
                    }
                }
                kept += 1;
            }
            transform(&mut field, fw, fh, &plans);
            for (power, value) in power.iter_mut().zip(&field) {
                *power += value.norm_sqr();
            }
        }
    }
    for (value, &power) in field.iter_mut().zip(&power) {
        *value = Complex64::new(power, 0.0);
    }
    transform(&mut field, fw, fh, &plans);
    let origin = field[0].re / (w * h) as f64;
    if origin <= 0.0 || origin.is_nan() {
        return None;
    }
    let mut half = Vec::with_capacity((lags.1 + 1) * (2 * lags.0 + 1));
    for dy in 0..=lags.1 {
        for dx in -(lags.0 as isize)..=lags.0 as isize {
            let column = dx.rem_euclid(fw as isize) as usize;
            let products = (w - dx.unsigned_abs()) * (h - dy);
            half.push(field[dy * fw + column].re / products as f64 / origin);
        }
    }
    Some(Correlation { lags, half, piece: (w, h), kept })
}

/// Two-dimensional transform in place: rows, then columns.
fn transform(field: &mut [Complex64], width: usize, height: usize, plans: &[Arc<dyn Fft<f64>>; 2]) {
    for row in field.chunks_exact_mut(width) {
        plans[0].process(row);
    }
    let mut column = vec![Complex64::default(); height];
    for x in 0..width {
        for (y, value) in column.iter_mut().enumerate() {
            *value = field[y * width + x];
        }
        plans[1].process(&mut column);
        for (y, value) in column.iter().enumerate() {
            field[y * width + x] = *value;
        }
    }
}
