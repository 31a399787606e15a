//! The mean image: its quadratic trend, what stands in it beyond the trend, and lines.

use crate::stack::{BLOCK, StackNumbers};

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

/// The mean images of all fields of a component.
#[derive(Debug)]
pub struct StandingSums {
    parts: Vec<Standing>,
    width: f64,
    /// Rows of a field, on average.
    height: f64,
    /// Samples of all fields.
    samples: f64,
}

/// Variances in the mean image, moving noise's share still in them, codes².
#[derive(Debug, Clone, Copy)]
pub struct StandingParts {
    /// Of the image less its trend.
    pub whole: f64,
    /// Of offsets that rows share.
    pub row: Option<f64>,
    /// Of offsets that columns share.
    pub column: Option<f64>,
    /// Samples that they rest on.
    pub samples: f64,
}

/// Fewest lines for an offset of lines to be told from the trend, which takes three of them away.
const FEWEST_LINES: f64 = 8.0;

impl StandingSums {
    /// Takes the mean images apart.
    #[must_use]
    pub fn new(stacks: &[StackNumbers]) -> Self {
        let samples: usize = stacks.iter().map(StackNumbers::samples).sum();
        let fields = stacks.len().max(1) as f64;
        Self {
            parts: stacks.iter().map(|s| take_apart(&s.mean_image, s.width, s.height)).collect(),
            width: stacks.iter().map(|s| s.width as f64).sum::<f64>() / fields,
            height: stacks.iter().map(|s| s.height as f64).sum::<f64>() / fields,
            samples: samples as f64,
        }
    }

    /// Variance of the trend over the region.
    #[must_use]
    pub fn shading(&self) -> Option<f64> {
        let freedom = self.samples - self.parts.len() as f64;
        (freedom > 0.0).then(|| self.parts.iter().map(|part| part.trend).sum::<f64>() / freedom)
    }

    /// Variances of the image and its lines, with what the trend took of each given back.
    ///
    /// The fit takes its coefficients' share of the single samples (each worth Σρ = `integral` samples) and three of
    /// the offsets of rows and of columns. `None` where the region is too small for a trend.
    #[must_use]
    pub fn solve(&self, integral: f64) -> Option<StandingParts> {
        let fields = self.parts.len() as f64;
        let (w, h, p) = (self.width, self.height, self.samples / fields);
        let coefficients = self.parts.iter().map(|part| part.coefficients).max()? as f64;
        if coefficients * integral > p / 2.0 {
            return None;
        }
        let residual = self.parts.iter().map(|part| part.residual).sum::<f64>() / self.samples;
        let mean = |get: fn(&Standing) -> Option<f64>| {
            self.parts.iter().map(get).sum::<Option<f64>>().map(|sum| sum / fields)
        };
        let row = mean(|part| part.row).filter(|_| h >= FEWEST_LINES);
        let column = mean(|part| part.column).filter(|_| w >= FEWEST_LINES);
        let (mut whole, mut r, mut c) = (residual, row.unwrap_or(0.0), column.unwrap_or(0.0));
        for _ in 0..200 {
            let before = [whole, r, c];
            let single = (whole - r - c) * integral / p;
            whole = residual + 3.0 * r / h + 3.0 * c / w + coefficients * single;
            r = row.map_or(0.0, |product| product + 3.0 * before[1] / h + 3.0 * single + before[2] / w);
            c = column.map_or(0.0, |product| product + 3.0 * before[2] / w + 3.0 * single + before[1] / h);
            let moved: f64 = [whole, r, c].iter().zip(before).map(|(now, before)| (now - before).abs()).sum();
            if moved <= 1e-12 * whole.abs() {
                break;
            }
        }
        Some(StandingParts { whole, row: row.map(|_| r), column: column.map(|_| c), samples: self.samples })
    }
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
