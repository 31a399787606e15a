//! The mean image: its quadratic trend, what stands in it beyond the trend, and lines.

use crate::numbers::moving::FEWEST_LINES;
use crate::numbers::spatial::Correlation;
use crate::sums::blocks::BLOCK;
use crate::sums::finished::StackNumbers;

/// Orders in x and y of the terms of the trend.
const TERMS: [(usize, usize); 6] = [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)];
/// A term takes at least this much of one sample's variance away.
const LEAST_SHARE: f64 = 0.05;

/// Polynomials of order 0, 1, 2 over `size` equidistant points, orthogonal and with squares that sum to 1; fewer for
/// fewer than 3 points.
fn polynomials(size: usize) -> Vec<Vec<f64>> {
    let centre = (size as f64 - 1.0) / 2.0;
    let moment = (size as f64 * size as f64 - 1.0) / 12.0;
    (0..size.min(3))
        .map(|order| {
            let at = |i: usize| {
                let x = i as f64 - centre;
                [1.0, x, x * x - moment][order]
            };
            let norm = (0..size).map(|i| at(i) * at(i)).sum::<f64>().sqrt();
            (0..size).map(|i| at(i) / norm).collect()
        })
        .collect()
}

/// The terms of a trend over a rectangle: pairs of polynomials. On a full rectangle products of the two axes' orthogonal
/// polynomials are orthogonal too, so that each coefficient is a projection of its own.
struct Surface {
    across: Vec<Vec<f64>>,
    down: Vec<Vec<f64>>,
}

impl Surface {
    fn new(width: usize, height: usize) -> Self {
        Self { across: polynomials(width), down: polynomials(height) }
    }

    fn terms(&self) -> impl Iterator<Item = (&[f64], &[f64])> {
        TERMS
            .iter()
            .filter_map(|&(i, j)| Some((self.across.get(i)?.as_slice(), self.down.get(j)?.as_slice())))
    }
}

/// One mean image taken apart.
#[derive(Debug, Clone, Copy, Default)]
struct Standing {
    /// Σ of squares of what is left.
    residual: f64,
    /// Σ of squares of the trend about its mean.
    trend: f64,
    /// Mean product of far samples in a row, and in a column, of what is left.
    row: Option<f64>,
    column: Option<f64>,
}

/// Takes `image` (row by row, `width` a row) apart by least squares on 1, x, y, x², xy, y².
fn take_apart(image: &[f64], width: usize, surface: &Surface) -> Standing {
    if image.is_empty() {
        return Standing::default();
    }
    let mean = image.iter().sum::<f64>() / image.len() as f64;
    let mut left: Vec<f64> = image.iter().map(|value| value - mean).collect();
    let mut trend = 0.0;
    let mut along = vec![0.0; left.len() / width];
    for (k, (px, py)) in surface.terms().enumerate() {
        project(&left, px, &mut along);
        let factor: f64 = along.iter().zip(py).map(|(along, y)| y * along).sum();
        for (row, y) in left.chunks_exact_mut(width).zip(py) {
            for (value, x) in row.iter_mut().zip(px) {
                *value -= factor * x * y;
            }
        }
        if k > 0 {
            trend += factor * factor;
        }
    }
    let height = left.len() / width;
    let row_block = |y: usize, j: usize| left[y * width + j * BLOCK..][..BLOCK].iter().sum::<f64>();
    // Row by row, as they lie in memory; each sum adds its samples from above.
    let mut sums = vec![0.0; height / BLOCK * width];
    for (sums, rows) in sums.chunks_exact_mut(width).zip(left.chunks_exact(BLOCK * width)) {
        for row in rows.chunks_exact(width) {
            sums.iter_mut().zip(row).for_each(|(sum, value)| *sum += value);
        }
    }
    let column_block = |x: usize, j: usize| sums[j * width + x];
    Standing {
        residual: left.iter().map(|value| value * value).sum(),
        trend,
        row: far_product(height, width / BLOCK, row_block),
        column: far_product(width, height / BLOCK, column_block),
    }
}

/// Σ over each row of `image` of its products with `factors`.
fn project(image: &[f64], factors: &[f64], out: &mut [f64]) {
    /// Rows that go side by side: a sum alone waits for each of its additions.
    const ROWS: usize = 8;
    let width = factors.len().max(1);
    let mut groups = image.chunks_exact(ROWS * width);
    let mut out = out.chunks_exact_mut(ROWS);
    for (group, out) in groups.by_ref().zip(out.by_ref()) {
        let mut rows = [&group[..0]; ROWS];
        rows.iter_mut().zip(group.chunks_exact(width)).for_each(|(row, part)| *row = part);
        let mut sums = [-0.0; ROWS];
        for (x, factor) in factors.iter().enumerate() {
            for (sum, row) in sums.iter_mut().zip(rows) {
                *sum += row[x] * factor;
            }
        }
        out.copy_from_slice(&sums);
    }
    for (row, out) in groups.remainder().chunks_exact(width).zip(out.into_remainder()) {
        *out = row.iter().zip(factors).map(|(value, factor)| value * factor).sum();
    }
}

/// Mean over lines of the mean product of samples in blocks at least two apart; `None` with fewer than three blocks.
fn far_product(lines: usize, blocks: usize, block: impl Fn(usize, usize) -> f64) -> Option<f64> {
    if blocks < 3 || lines == 0 {
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

/// The far product of one line.
fn far_of_line(line: &[f64]) -> f64 {
    far_product(1, line.len() / BLOCK, |_, j| line[j * BLOCK..][..BLOCK].iter().sum()).unwrap_or(0.0)
}

/// The mean images of all fields of a component.
#[derive(Debug)]
pub struct StandingSums {
    parts: Vec<Standing>,
    width: usize,
    height: usize,
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

impl StandingSums {
    /// Takes the mean images apart.
    #[must_use]
    pub fn new(stacks: &[StackNumbers]) -> Self {
        let samples: usize = stacks.iter().map(StackNumbers::samples).sum();
        let first = stacks.first().map_or((0, 0), |stack| (stack.width, stack.height));
        let parts = stacks
            .iter()
            .map(|s| take_apart(&s.mean_image, s.width, &Surface::new(s.width, s.height)))
            .collect();
        Self { parts, width: first.0, height: first.1, samples: samples as f64 }
    }

    /// Variance of the trend over the region.
    #[must_use]
    pub fn shading(&self) -> Option<f64> {
        let freedom = self.samples - self.parts.len() as f64;
        (freedom > 0.0).then(|| self.parts.iter().map(|part| part.trend).sum::<f64>() / freedom)
    }

    /// Variances of single samples and lines in the mean image, with what the trend took of each given back.
    ///
    /// The trend is a projection. Of offsets of rows it takes 3 of H, of columns 3 of W; of single samples whose
    /// correlation is `free` it takes Σ q'Rq over its terms q. What it takes leaves traces in the far products too.
    /// Three expectations, three unknowns. `None` where the region is too small for a trend.
    #[must_use]
    pub fn solve(&self, free: &Correlation) -> Option<StandingParts> {
        let fields = self.parts.len() as f64;
        let (w, h, p) = (self.width as f64, self.height as f64, self.samples / fields);
        let surface = Surface::new(self.width, self.height);
        let terms = surface.terms().count() as f64;
        if p <= terms {
            return None;
        }
        let lost = taken(&surface, free).max(LEAST_SHARE * terms);
        let residual = self.parts.iter().map(|part| part.residual).sum::<f64>() / self.samples;
        let mean = |get: fn(&Standing) -> Option<f64>| {
            self.parts.iter().map(get).sum::<Option<f64>>().map(|sum| sum / fields)
        };
        let row = mean(|part| part.row).filter(|_| h >= FEWEST_LINES);
        let column = mean(|part| part.column).filter(|_| w >= FEWEST_LINES);
        let kept_rows = 1.0 - surface.down.len() as f64 / h;
        let kept_columns = 1.0 - surface.across.len() as f64 / w;
        let far = |polynomials: &[Vec<f64>]| polynomials.iter().map(|u| far_of_line(u)).sum::<f64>();
        // Σ over lines of the far product of a term is that of one axis, times the other's squares, which sum to 1.
        let far_terms = |get: fn((&[f64], &[f64])) -> f64| surface.terms().map(get).sum::<f64>();
        let mut system =
            [[1.0 - lost / p, kept_rows, kept_columns, residual], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]];
        if let Some(product) = row {
            let single = -lost / terms * far_terms(|(px, _)| far_of_line(px)) / h;
            system[1] = [single, kept_rows, -far(&surface.across), product];
        }
        if let Some(product) = column {
            let single = -lost / terms * far_terms(|(_, py)| far_of_line(py)) / w;
            system[2] = [single, -far(&surface.down), kept_columns, product];
        }
        let [pixel, r, c] = solve(system)?;
        Some(StandingParts {
            whole: pixel + r + c,
            row: row.map(|_| r),
            column: column.map(|_| c),
            samples: self.samples,
        })
    }
}

/// Σ q'Rq over the terms q of the trend: how many samples' worth of variance it takes of noise whose ρ is `free`.
fn taken(surface: &Surface, free: &Correlation) -> f64 {
    let own = |u: &[f64], lags: usize| -> Vec<f64> {
        (0..=lags).map(|d| u.iter().zip(u.get(d..).unwrap_or_default()).map(|(a, b)| a * b).sum()).collect()
    };
    surface
        .terms()
        .map(|(px, py)| {
            let (x, y) = (own(px, free.lags.0), own(py, free.lags.1));
            free.sum(|dx, dy, rho| rho * x[dx.unsigned_abs() as usize] * y[dy.unsigned_abs() as usize])
        })
        .sum()
}

/// Solves three linear equations (rows: three factors and the right side); `None` where they do not decide.
fn solve(mut system: [[f64; 4]; 3]) -> Option<[f64; 3]> {
    for k in 0..3 {
        let best = (k..3).max_by(|&a, &b| system[a][k].abs().total_cmp(&system[b][k].abs()))?;
        system.swap(k, best);
        let pivot = system[k];
        if pivot[k].abs() < 1e-9 {
            return None;
        }
        for (i, row) in system.iter_mut().enumerate() {
            if i != k {
                let factor = row[k] / pivot[k];
                row.iter_mut().zip(pivot).for_each(|(value, p)| *value -= factor * p);
            }
        }
    }
    Some([0, 1, 2].map(|k| system[k][3] / system[k][k]))
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
            let got = take_apart(&image, w, &Surface::new(w, h));
            assert!(got.residual <= 1e-20 * image.len() as f64 * 160_000.0, "{w}x{h}: {}", got.residual);
            assert!((got.trend - spread).abs() <= 1e-9 * spread.max(1e-9), "{w}x{h}");
            let columns = [1, 2, 3][w.min(3) - 1];
            let rows = [1, 2, 3][h.min(3) - 1];
            let terms = (0..columns).map(|i| (0..rows).filter(|j| i + j <= 2).count()).sum::<usize>();
            assert_eq!(Surface::new(w, h).terms().count(), terms);
        }
    }

    #[test]
    fn a_pattern_orthogonal_to_the_trend_is_left_whole() {
        let (w, h) = (64, 64);
        let image: Vec<f64> =
            (0..w * h).map(|i| if (i % w + i / w) % 2 == 0 { 101.0 } else { 99.0 }).collect();
        let got = take_apart(&image, w, &Surface::new(w, h));
        // A checkerboard of an even size meets only the xy term, and hardly that.
        assert!((got.residual / (w * h) as f64 - 1.0).abs() < 1e-3, "{}", got.residual);
    }
}
