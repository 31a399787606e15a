//! Sums of every pixel over the frames.

use crate::sums::kernels::Sample;
use crate::sums::kernels::lanes::padded;

/// Per-pixel sums over frames: 16 bits each where the samples leave room for it, spilled into 64 before any can overflow.
#[derive(Debug, Clone)]
pub struct PixelSums {
    width: usize,
    stride: usize,
    /// [`padded`] sums a row; empty where the samples are too wide.
    fine: Vec<u16>,
    /// The same in 64 bits; empty until needed.
    wide: Vec<u64>,
    rows: usize,
    added: u32,
    capacity: u32,
}

impl PixelSums {
    /// Sums of `width` × `height` values up to `max`, in 16 bits at first if `fine`.
    #[must_use]
    pub fn new(width: usize, height: usize, max: u32, fine: bool) -> Self {
        let stride = padded(width);
        let sums = stride * height;
        Self {
            width,
            stride,
            fine: vec![0; if fine { sums } else { 0 }],
            wide: vec![0; if fine { 0 } else { sums }],
            rows: height,
            added: 0,
            capacity: u32::from(u16::MAX) / max.max(1),
        }
    }

    /// Says that every sum may grow by one value; call once before the rows of a frame are added.
    #[inline(always)]
    pub fn begin(&mut self) {
        if self.added == self.capacity && !self.fine.is_empty() {
            self.wide.resize(self.fine.len(), 0);
            for (wide, fine) in self.wide.iter_mut().zip(&mut self.fine) {
                *wide += u64::from(*fine);
                *fine = 0;
            }
            self.added = 0;
        }
        self.added += 1;
    }

    /// The 16-bit sums from row `y` on.
    pub fn rows_from(&mut self, y: usize) -> &mut [u16] {
        self.fine.get_mut(y * self.stride..).unwrap_or_default()
    }

    /// Adds row `y` where there are no 16-bit sums.
    #[inline(always)]
    pub fn add_row<T: Sample>(&mut self, y: usize, row: &[T]) {
        let wide = self.wide.get_mut(y * self.stride..).unwrap_or_default();
        wide.iter_mut().zip(row).for_each(|(sum, &x)| *sum += u64::from(x.wide()));
    }

    /// Takes back the frame that was added last, whose rows are [`padded`].
    pub fn take_back<T: Sample>(&mut self, frame: &[T]) {
        let width = self.width.max(1);
        let rows = frame.chunks(self.stride.max(1));
        if self.fine.is_empty() {
            for (sums, row) in self.wide.chunks_mut(self.stride.max(1)).zip(rows) {
                sums.iter_mut().zip(row).take(width).for_each(|(sum, &x)| *sum -= u64::from(x.wide()));
            }
        } else {
            for (sums, row) in self.fine.chunks_mut(self.stride.max(1)).zip(rows) {
                sums.iter_mut().zip(row).take(width).for_each(|(sum, &x)| *sum -= x.wide() as u16);
            }
        }
        self.added -= 1;
    }

    /// Sets all sums to zero; their room stays.
    pub fn reset(&mut self) {
        self.fine.fill(0);
        self.wide.fill(0);
        self.added = 0;
    }

    /// All sums, row by row, where 32 bits hold them.
    #[must_use]
    #[inline(always)]
    pub fn short(&self) -> Option<Vec<u32>> {
        let mut bits = 0;
        for &wide in &self.wide {
            bits |= wide;
        }
        // No sum has other bits; the 16-bit ones come on top.
        if bits > u64::from(u32::MAX - u32::from(u16::MAX)) {
            return None;
        }
        let mut all = vec![0; self.width * self.rows];
        let rows = all.chunks_exact_mut(self.width.max(1));
        for (y, all) in rows.enumerate() {
            let at = y * self.stride..y * self.stride + self.width;
            for (sum, &fine) in all.iter_mut().zip(self.fine.get(at.clone()).unwrap_or_default()) {
                *sum = u32::from(fine);
            }
            for (sum, &wide) in all.iter_mut().zip(self.wide.get(at).unwrap_or_default()) {
                *sum += wide as u32;
            }
        }
        Some(all)
    }

    /// All sums, row by row.
    #[must_use]
    pub fn all(&self) -> Vec<u64> {
        let mut all = Vec::with_capacity(self.width * self.rows);
        for y in 0..self.rows {
            let at = y * self.stride..y * self.stride + self.width;
            let (fine, wide) = (self.fine.get(at.clone()), self.wide.get(at));
            match (fine, wide) {
                (Some(fine), Some(wide)) => {
                    all.extend(fine.iter().zip(wide).map(|(&fine, &wide)| u64::from(fine) + wide));
                }
                (Some(fine), None) => all.extend(fine.iter().map(|&fine| u64::from(fine))),
                (None, wide) => all.extend(wide.unwrap_or_default()),
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_beyond_32_bits_are_not_short() {
        let code = u32::from(u16::MAX);
        let mut sums = PixelSums::new(1, 1, code, false);
        let code = u64::from(code);
        for frames in 1..=code + 2 {
            sums.begin();
            sums.add_row(0, &[u32::from(u16::MAX)]);
            let short = sums.short().map(|sums| sums.into_iter().map(u64::from).collect());
            assert!(short.is_none_or(|short: Vec<u64>| short == [frames * code]), "{frames}");
        }
        assert_eq!((sums.short(), sums.all()), (None, vec![code * (code + 2)]));
    }

    #[test]
    fn pixel_sums_spill_before_they_overflow() {
        let max = 1023u16;
        let mut sums = PixelSums::new(3, 2, u32::from(max), true);
        for _ in 0..1000 {
            sums.begin();
            sums.rows_from(0)[..3].iter_mut().for_each(|sum| *sum += max);
            sums.rows_from(1)[..3].iter_mut().for_each(|sum| *sum += 1);
        }
        let max = u64::from(max);
        assert_eq!(sums.all(), [1000 * max, 1000 * max, 1000 * max, 1000, 1000, 1000]);
        let max = max as u32;
        assert_eq!(sums.short(), Some(vec![1000 * max, 1000 * max, 1000 * max, 1000, 1000, 1000]));
        sums.reset();
        assert_eq!(sums.all(), [0; 6]);
    }

    #[test]
    fn a_frame_can_be_taken_back_whatever_the_width() {
        for fine in [false, true] {
            let mut sums = PixelSums::new(2, 1, 40_000, fine);
            let (first, second) = ([40_000u16, 1], [7u16, 30_000]);
            for frame in [&first, &second] {
                sums.begin();
                sums.add_row(0, if fine { &[] } else { frame });
                sums.rows_from(0).iter_mut().zip(frame).for_each(|(sum, x)| *sum += x);
            }
            sums.take_back(&second);
            assert_eq!(sums.all(), [40_000, 1], "{fine}");
        }
    }
}
