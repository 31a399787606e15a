//! The mean image: its quadratic trend, what stands in it beyond the trend, and lines.

use crate::stack::BLOCK;

/// A mean image taken apart.
#[derive(Debug, Clone, Copy, Default)]
pub struct Standing {
    /// Coefficients of the trend that was fitted: 6, fewer under 3 samples a side.
    pub coefficients: usize,
    /// Σ of squares of what is left.
    pub residual: f64,
    /// Σ of squares of the trend about its mean.
    pub trend: f64,
    /// Mean product of far samples in a row of what is left.
    pub row: Option<f64>,
    /// Mean product of far samples in a column of what is left.
    pub column: Option<f64>,
}

/// Polynomials 0, 1, 2 that are orthogonal over `size` equidistant points, with their squares summed.
fn polynomials(size: usize) -> Vec<(Vec<f64>, f64)> {
    let centre = (size as f64 - 1.0) / 2.0;
    let moment = (size as f64 * size as f64 - 1.0) / 12.0;
    (0..size.min(3))
        .map(|degree| {
            let values: Vec<f64> = (0..size)
                .map(|i| {
                    let x = i as f64 - centre;
                    match degree {
                        0 => 1.0,
                        1 => x,
                        _ => x * x - moment,
                    }
                })
                .collect();
            let norm = values.iter().map(|v| v * v).sum();
            (values, norm)
        })
        .collect()
}

/// Takes `image` (row by row, `width` a row) apart by least squares on 1, x, y, x², xy, y².
///
/// On a full rectangle the products of the two axes' orthogonal polynomials are orthogonal too, so that each coefficient
/// is a projection of its own.
#[must_use]
pub fn take_apart(image: &[f64], width: usize, height: usize) -> Standing {
    let count = width * height;
    if count == 0 || image.len() != count {
        return Standing::default();
    }
    let mean = image.iter().sum::<f64>() / count as f64;
    let mut left: Vec<f64> = image.iter().map(|value| value - mean).collect();
    let (across, down) = (polynomials(width), polynomials(height));
    let mut coefficients = 1;
    let mut trend = 0.0;
    for (i, (px, nx)) in across.iter().enumerate() {
        for (j, (py, ny)) in down.iter().enumerate() {
            if i + j == 0 || i + j > 2 {
                continue;
            }
            let projection: f64 = left
                .chunks_exact(width)
                .zip(py)
                .map(|(row, y)| y * row.iter().zip(px).map(|(value, x)| value * x).sum::<f64>())
                .sum();
            let factor = projection / (nx * ny);
            for (row, y) in left.chunks_exact_mut(width).zip(py) {
                for (value, x) in row.iter_mut().zip(px) {
                    *value -= factor * x * y;
                }
            }
            trend += factor * projection;
            coefficients += 1;
        }
    }
    let residual = left.iter().map(|value| value * value).sum();
    let row_blocks = |y: usize, j: usize| left[y * width + j * BLOCK..][..BLOCK].iter().sum::<f64>();
    let column_blocks =
        |x: usize, j: usize| (0..BLOCK).map(|k| left[(j * BLOCK + k) * width + x]).sum::<f64>();
    Standing {
        coefficients,
        residual,
        trend,
        row: far_product(height, width / BLOCK, row_blocks),
        column: far_product(width, height / BLOCK, column_blocks),
    }
}

/// Mean over lines of the mean product of samples in blocks at least two apart.
fn far_product(lines: usize, blocks: usize, block: impl Fn(usize, usize) -> f64) -> Option<f64> {
    if blocks < 3 {
        return None;
    }
    let mut total = 0.0;
    for line in 0..lines {
        let (mut sum, mut square, mut adjacent, mut last) = (0.0, 0.0, 0.0, 0.0);
        for j in 0..blocks {
            let value = block(line, j);
            sum += value;
            square += value * value;
            adjacent += value * last;
            last = value;
        }
        total += sum * sum - square - 2.0 * adjacent;
    }
    Some(total / (lines * BLOCK * BLOCK * (blocks - 1) * (blocks - 2)) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quadratic_surface_leaves_nothing() {
        for (w, h) in [(48, 50), (3, 3), (1, 20), (20, 2), (2, 2), (7, 1)] {
            let image: Vec<f64> = (0..w * h)
                .map(|i| {
                    let (x, y) = ((i % w) as f64, (i / w) as f64);
                    400.0 + 0.3 * x - 0.7 * y + 0.01 * x * x + 0.02 * x * y - 0.015 * y * y
                })
                .collect();
            let mean = image.iter().sum::<f64>() / image.len() as f64;
            let spread: f64 = image.iter().map(|v| (v - mean) * (v - mean)).sum();
            let got = take_apart(&image, w, h);
            assert!(got.residual <= 1e-20 * image.len() as f64 * 160_000.0, "{w}x{h}: {}", got.residual);
            assert!((got.trend - spread).abs() <= 1e-9 * spread.max(1e-9), "{w}x{h}");
            let columns = [1, 2, 3][w.min(3) - 1];
            let rows = [1, 2, 3][h.min(3) - 1];
            let terms = (0..columns).map(|i| (0..rows).filter(|j| i + j <= 2).count()).sum::<usize>();
            assert_eq!(got.coefficients, terms);
        }
    }

    #[test]
    fn a_pattern_orthogonal_to_the_trend_is_left_whole() {
        let (w, h) = (64, 64);
        let image: Vec<f64> =
            (0..w * h).map(|i| if (i % w + i / w) % 2 == 0 { 101.0 } else { 99.0 }).collect();
        let got = take_apart(&image, w, h);
        // A checkerboard of an even size meets only the xy term, and hardly that.
        assert!((got.residual / (w * h) as f64 - 1.0).abs() < 1e-3, "{}", got.residual);
    }
}
