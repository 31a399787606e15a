//! Noise slower than a window: how much pixel means move from window to window beyond what moving noise explains.

use crate::sums::finished::StackNumbers;

/// Σ of every pixel's window means, and of their squares, since the segment began.
#[derive(Debug, Default)]
pub struct SlowNoise {
    windows: f64,
    sums: Vec<f64>,
    square: f64,
    explained: f64,
}

impl SlowNoise {
    /// Takes in a window's pixel means, less the window's level, with the variance that moving noise gives them; returns
    /// the cumulative signed variance of the slow part, codes², from the second window on.
    pub fn add(&mut self, stacks: &[StackNumbers], explained: f64) -> Option<f64> {
        let count: usize = stacks.iter().map(|stack| stack.mean_image.len()).sum();
        if self.sums.len() != count {
            *self = Self { sums: vec![0.0; count], ..Self::default() };
        }
        let mut at = self.sums.iter_mut();
        let mut of_means = 0.0;
        for stack in stacks {
            let level = stack.mean?;
            for (&mean, sum) in stack.mean_image.iter().zip(&mut at) {
                *sum += mean - level;
                self.square += (mean - level) * (mean - level);
                of_means += *sum * *sum;
            }
        }
        self.windows += 1.0;
        self.explained += explained;
        let freedom = (self.windows - 1.0) * (count as f64 - stacks.len() as f64);
        if freedom <= 0.0 {
            return None;
        }
        Some((self.square - of_means / self.windows) / freedom - self.explained / self.windows)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sums::kernels::Level;
    use crate::sums::stack::Stack;

    #[test]
    fn a_picture_that_moves_between_windows_alone_is_slow_noise() {
        let mut slow = SlowNoise::default();
        let mut last = None;
        for window in 0..4u16 {
            let mut stack = Stack::<u16>::new(8, 8, 1023);
            // Two pixels trade 4 codes from window to window.
            let frame: Vec<u16> =
                (0..64u16).map(|i| 100 + 4 * u16::from((i % 8 + window + i / 8).is_multiple_of(2))).collect();
            for _ in 0..3 {
                stack.add(Level::new(), &frame);
            }
            last = slow.add(&[stack.finish()], 0.0);
        }
        // Means of ±2 about the level, alternating: Σ over 4 windows is 0, so the variance is 4·4·64/(3·63).
        let want = 4.0 * 4.0 * 64.0 / (3.0 * 63.0);
        assert!((last.unwrap() - want).abs() < 1e-12, "{last:?}");
    }
}
