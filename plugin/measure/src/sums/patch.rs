//! Rows of samples in memory: what the kernels read.

/// `rows` rows of `width` samples, `stride` samples from a row to the next.
///
/// Rows may run on past `width`: what lies there belongs to someone else, but a vector load may touch it.
#[derive(Debug, Clone, Copy)]
pub struct Patch<'a, T = u16> {
    samples: &'a [T],
    stride: usize,
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub rows: usize,
}

impl<'a, T> Patch<'a, T> {
    /// The first `rows` rows of `width` samples in `samples`; fewer where `samples` ends before.
    #[must_use]
    pub fn new(samples: &'a [T], stride: usize, width: usize, rows: usize) -> Self {
        let width = width.min(stride).min(samples.len());
        // The last row need not have a whole stride behind it.
        let whole = samples.len().saturating_sub(width).checked_div(stride).map_or(0, |steps| steps + 1);
        Self { samples, stride, width, rows: if width == 0 { 0 } else { rows.min(whole) } }
    }

    /// Samples of row `y` and whatever follows it; the first `width` are the row.
    #[inline(always)]
    #[must_use]
    pub fn from_row(&self, y: usize) -> &'a [T] {
        self.samples.get(y * self.stride..).unwrap_or_default()
    }

    /// Row `y`, `width` samples; empty past the last row.
    #[inline(always)]
    #[must_use]
    pub fn row(&self, y: usize) -> &'a [T] {
        self.from_row(y).get(..self.width).unwrap_or_default()
    }

    /// The rectangle of `width` × `rows` samples whose first is sample `x` of row `y`; smaller where the patch ends before.
    #[inline(always)]
    #[must_use]
    pub fn part(&self, x: usize, y: usize, width: usize, rows: usize) -> Self {
        Self {
            samples: self.samples.get(y * self.stride + x..).unwrap_or_default(),
            stride: self.stride,
            width: width.min(self.width.saturating_sub(x)),
            rows: rows.min(self.rows.saturating_sub(y)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_patch_has_no_more_than_there_is() {
        let samples: Vec<u16> = (0..23).collect();
        let patch = Patch::new(&samples, 8, 7, 9);
        assert_eq!((patch.width, patch.rows), (7, 3));
        assert_eq!(patch.row(2), [16, 17, 18, 19, 20, 21, 22]);
        let part = patch.part(5, 1, 9, 9);
        assert_eq!((part.width, part.rows, part.row(0), part.row(1)), (2, 2, &[13, 14][..], &[21, 22][..]));
        assert_eq!(Patch::new(&samples[..22], 8, 7, 9).rows, 2);
        assert_eq!(Patch::<u16>::new(&[], 8, 7, 9).rows, 0);
    }
}
