//! Bands that move over the picture: means over bins of rows, frame against frame.

/// Fewest rows of a bin of the profile. Bins two apart then have as many between them, more than filters reach over.
const BIN_ROWS: usize = 8;
/// Most bins of the profile.
const BINS: usize = 64;
/// Fewest bins of a profile.
const FEWEST_BINS: usize = 8;

/// Means over bins of rows, frame against frame.
#[derive(Debug, Clone, Default)]
pub struct BandSums {
    /// Bins; 0 where the region is too low for them.
    pub bins: usize,
    /// Rows of a bin.
    pub rows: usize,
    /// Pairs of frames.
    pub pairs: u64,
    current: Vec<u64>,
    previous: Vec<u64>,
    square: i128,
    level_square: i128,
    step_square: i128,
}

impl BandSums {
    /// No frames yet.
    pub fn new(height: usize) -> Self {
        let bins = (height / BIN_ROWS).min(BINS);
        if bins < FEWEST_BINS {
            return Self::default();
        }
        Self { bins, rows: height / bins, current: vec![0; bins], previous: vec![0; bins], ..Self::default() }
    }

    /// Takes in the sum of row `y`.
    #[inline(always)]
    pub fn row(&mut self, y: usize, sum: u64) {
        if let Some(bin) = y.checked_div(self.rows).and_then(|bin| self.current.get_mut(bin)) {
            *bin += sum;
        }
    }

    /// Closes the frame; `paired` where the one before is its neighbour.
    pub fn end_frame(&mut self, paired: bool) {
        if self.bins == 0 {
            return;
        }
        if paired {
            self.pairs += 1;
            let mut total = 0i128;
            // Of the bin before and the one before that.
            let mut last = [None, None];
            for (&now, &before) in self.current.iter().zip(&self.previous) {
                let d = i128::from(now) - i128::from(before);
                total += d;
                self.square += d * d;
                if let [_, Some(apart)] = last {
                    self.step_square += (d - apart) * (d - apart);
                }
                last = [Some(d), last[0]];
            }
            self.level_square += total * total;
        }
        std::mem::swap(&mut self.current, &mut self.previous);
        self.current.fill(0);
    }

    /// Forgets the rows of the open frame.
    pub fn clear(&mut self) {
        self.current.fill(0);
    }

    /// Forgets all frames.
    pub fn reset(&mut self) {
        let Self { bins: _, rows: _, pairs, current, previous, square, level_square, step_square } = self;
        *pairs = 0;
        current.fill(0);
        previous.fill(0);
        (*square, *level_square, *step_square) = (0, 0, 0);
    }

    /// Half the variance of bin sums' differences d over the bins, mean over the pairs; and the same as independent bins
    /// two apart would have it, from ¼(d − d′)².
    pub fn variances(&self) -> Option<[f64; 2]> {
        let (bins, pairs) = (self.bins as f64, self.pairs as f64);
        if self.pairs == 0 || self.bins < 3 {
            return None;
        }
        let about_mean = (self.bins as i128 * self.square - self.level_square) as f64 / bins;
        Some([
            about_mean / (2.0 * (bins - 1.0) * pairs),
            self.step_square as f64 / (4.0 * (bins - 2.0) * pairs),
        ])
    }
}
