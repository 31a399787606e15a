//! Correlation of the moving noise in space, from the kept frames of a region's central piece.

use rustfft::FftPlannerScalar;
use rustfft::num_complex::Complex64;

use crate::stack::{StackNumbers, piece_rect};

/// Farthest lag along either axis.
pub const MAX_LAG: usize = 15;

/// Normalised autocorrelation ρ over |Δx|, |Δy| ≤ 15 (less in a smaller piece).
#[derive(Debug, Clone)]
pub struct Correlation {
    /// Farthest lags along x and y.
    pub lags: (usize, usize),
    /// ρ for Δy = 0 ..= lag y and Δx = −lag x ..= lag x, row by row; the other half is its mirror image.
    half: Vec<f64>,
    /// Samples that it rests on, times (N − 1)/N.
    pub samples: f64,
}

impl Correlation {
    /// Number of lags in the whole box.
    #[must_use]
    pub fn count(&self) -> usize {
        (2 * self.lags.0 + 1) * (2 * self.lags.1 + 1)
    }

    /// Σ over the whole box of f(Δx, Δy, ρ).
    pub fn sum(&self, f: impl Fn(i32, i32, f64) -> f64) -> f64 {
        let (lx, ly) = (self.lags.0 as i32, self.lags.1 as i32);
        let mut total = 0.0;
        let mut at = self.half.iter();
        for dy in 0..=ly {
            for dx in -lx..=lx {
                let Some(&rho) = at.next() else { return total };
                // Each row below has its mirror image above.
                total += if dy == 0 { f(dx, dy, rho) } else { 2.0 * f(dx, dy, rho) };
            }
        }
        total
    }
}

/// ρ of the two-way residual over all stacks; `None` without spread.
#[must_use]
pub fn correlation(stacks: &[StackNumbers]) -> Option<Correlation> {
    let first = stacks.first()?;
    let (_, _, w, h) = piece_rect(first.width, first.height);
    let h = stacks.iter().map(|stack| piece_rect(stack.width, stack.height).3).min().unwrap_or(h);
    if w == 0 || h == 0 {
        return None;
    }
    let lags = (MAX_LAG.min(w - 1), MAX_LAG.min(h - 1));
    let (fw, fh) = (w + lags.0, h + lags.1);
    let mut planner = FftPlannerScalar::new();
    let transforms = [planner.plan_fft_forward(fw), planner.plan_fft_forward(fh)];
    let mut power = vec![0.0; fw * fh];
    let mut samples = 0.0;
    let mut field = vec![Complex64::default(); fw * fh];
    for stack in stacks {
        let n = stack.frames as f64;
        let (x0, y0, pw, _) = piece_rect(stack.width, stack.height);
        let mean = stack.mean?;
        // Two frames a transform: the cross terms are odd in frequency and leave the real part of the result alone.
        for pair in stack.piece.chunks(2) {
            field.fill(Complex64::default());
            for (slot, frame) in pair.iter().enumerate() {
                let level = stack.frame_means.get(frame.index).copied().unwrap_or(mean) - mean;
                for y in 0..h {
                    for x in 0..w {
                        let pixel = stack.mean_image[(y0 + y) * stack.width + x0 + x];
                        let e = frame.samples[y * pw + x] - level - pixel;
                        let at = &mut field[y * fw + x];
                        if slot == 0 { at.re = e } else { at.im = e }
                    }
                }
                samples += (w * h) as f64 * (n - 1.0) / n;
            }
            transform(&mut field, fw, fh, &transforms);
            for (power, value) in power.iter_mut().zip(&field) {
                *power += value.norm_sqr();
            }
        }
    }
    for (value, &power) in field.iter_mut().zip(&power) {
        *value = Complex64::new(power, 0.0);
    }
    transform(&mut field, fw, fh, &transforms);
    let origin = field[0].re / (w * h) as f64;
    if !(origin > 0.0) {
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
    Some(Correlation { lags, half, samples })
}

/// Two-dimensional transform in place: rows, then columns.
fn transform(
    field: &mut [Complex64],
    width: usize,
    height: usize,
    plans: &[std::sync::Arc<dyn rustfft::Fft<f64>>; 2],
) {
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
