//! What deviations over many seeds say, and how many of many intervals must hold the truth.

/// Deviations over their standard errors, of one number over many recordings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scores {
    /// Mean; 0 without bias.
    pub mean: f64,
    /// Root of the mean square; 1 where the error claimed is the error made.
    pub rms: f64,
}

impl Scores {
    /// Of `z`, which must not be empty.
    #[must_use]
    pub fn of(z: &[f64]) -> Self {
        let count = z.len() as f64;
        let mean = z.iter().sum::<f64>() / count;
        Self { mean, rms: (z.iter().map(|z| z * z).sum::<f64>() / count).sqrt() }
    }

    /// Whether neither bias nor error is out of bounds: over 64 seeds the mean of honest deviations has a standard error
    /// of 0.125, so that 0.5 is four of them, and their rms one of 0.088, so that 0.3 is three and a half.
    #[must_use]
    pub fn hold(self) -> bool {
        self.mean.abs() < 0.5 && (0.7..=1.3).contains(&self.rms)
    }
}

/// Mean and standard deviation (divisor n − 1).
#[must_use]
pub fn moments(values: &[f64]) -> (f64, f64) {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|value| (value - mean) * (value - mean)).sum();
    (mean, (squares / (count - 1.0)).sqrt())
}

/// Least and largest number of successes in `count` trials of chance `p` that lie inside the central `level` of the
/// binomial distribution: outside on either side lies at most (1 − level)/2.
#[must_use]
pub fn binomial_band(count: usize, p: f64, level: f64) -> (usize, usize) {
    let tail = 0.5 * (1.0 - level);
    let mut logs = vec![0.0; count + 1];
    for (k, log) in logs.iter_mut().enumerate() {
        // ln C(n, k) by a sum of logarithms: n is some thousands.
        let choose: f64 = (1..=k).map(|i| ((count - k + i) as f64 / i as f64).ln()).sum();
        *log = choose + k as f64 * p.ln() + (count - k) as f64 * (1.0 - p).ln();
    }
    let reach = |order: &mut dyn Iterator<Item = usize>| {
        let mut below = 0.0;
        for k in order {
            below += logs[k].exp();
            if below > tail {
                return k;
            }
        }
        0
    };
    (reach(&mut (0..=count)), reach(&mut (0..=count).rev()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_band_of_a_fair_coin_is_that_of_the_tables() {
        // Two-sided 95 % acceptance region of the sign test: n = 20: 6..14, n = 10: 2..8 (closed form, by summing 2⁻ⁿ).
        assert_eq!(binomial_band(20, 0.5, 0.95), (6, 14));
        assert_eq!(binomial_band(10, 0.5, 0.95), (2, 8));
    }

    #[test]
    fn long_bands_come_near_the_normal_ones() {
        let (low, high) = binomial_band(2000, 0.95, 0.999);
        let reach = 3.2905 * (2000.0_f64 * 0.95 * 0.05).sqrt();
        assert!((low as f64 - (1900.0 - reach)).abs() < 2.0 && (high as f64 - (1900.0 + reach)).abs() < 2.0);
    }

    #[test]
    fn scores_of_honest_deviations_hold() {
        let z: Vec<f64> = (0..64).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        assert!(Scores::of(&z).hold());
        let biased: Vec<f64> = z.iter().map(|z| z + 0.6).collect();
        assert!(!Scores::of(&biased).hold());
        let boastful: Vec<f64> = z.iter().map(|z| 1.4 * z).collect();
        assert!(!Scores::of(&boastful).hold());
    }
}
