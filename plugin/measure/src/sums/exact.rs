//! Quadratic sums over the two-way residual, from exact integer sums of the samples themselves.
//!
//! With y = sample i of frame l, S_l = Σᵢy, T_i = Σₗy, S = ΣS_l, P samples and N frames, the residual is
//! e = y − S_l/P − T_i/N + S/(PN). For any symmetric form B over the samples of a frame (squares, products of
//! neighbours, far pairs of blocks …) the cross terms vanish in the sum over frames, so that
//!
//! P²·N·Σₗ B(e_l) = P²·(N·ΣB(y_l) − B(T)) − P·(N·ΣS_l·b_l − S·Σb_l) + κ·(N·ΣS_l² − S²),
//!
//! where b_l = 2·B(1, y_l) and κ = B(1, 1). Every term is an integer and none changes when a constant is added to all
//! samples, so nothing is lost to cancellation before the one division at the end.

/// Sums of one form over the frames of a stack.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FormSums {
    /// ΣB(y_l).
    quadratic: i128,
    /// Σb_l.
    linear: i128,
    /// ΣS_l·b_l.
    weighted: i128,
}

impl FormSums {
    /// Adds a frame with B(y_l), b_l and S_l.
    pub fn add(&mut self, quadratic: i128, linear: i128, frame_sum: u64) {
        self.quadratic += quadratic;
        self.linear += linear;
        self.weighted += i128::from(frame_sum) * linear;
    }

    /// Σₗ B(e_l), given B(T) of the per-sample sums and κ = B(1, 1).
    #[must_use]
    pub fn residual(&self, totals: &StackTotals, of_pixel_sums: i128, kappa: i128) -> f64 {
        let (p, n) = (totals.samples, totals.frames);
        if p == 0 || n == 0 {
            return 0.0;
        }
        let form = n * self.quadratic - of_pixel_sums;
        // N·ΣS_l·b_l − S·Σb_l with ⌊S/N⌋ taken from every S_l first, which changes nothing but the size of the products:
        // far pairs of blocks over long windows of large 16-bit frames would leave 127 bits.
        let level = totals.sum / n;
        let (above, rest) = (self.weighted - level * self.linear, totals.sum - n * level);
        let levels = totals.level_spread();
        let exact = (|| {
            let mixed = n.checked_mul(above)?.checked_sub(rest.checked_mul(self.linear)?)?;
            let a = p.checked_mul(p)?.checked_mul(form)?;
            let b = p.checked_mul(mixed)?;
            let c = kappa.checked_mul(levels)?;
            a.checked_sub(b)?.checked_add(c)
        })();
        let (pf, nf) = (p as f64, n as f64);
        match exact {
            Some(numerator) => numerator as f64 / (pf * pf * nf),
            // Beyond 127 bits the exact integers are rounded before they are joined.
            None => {
                let mixed = nf * above as f64 - rest as f64 * self.linear as f64;
                (form as f64 - mixed / pf + kappa as f64 * (levels as f64 / (pf * pf))) / nf
            }
        }
    }
}

/// Totals of a stack of frames.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct StackTotals {
    /// P, samples a frame.
    pub samples: i128,
    /// N, frames.
    pub frames: i128,
    /// S.
    pub sum: i128,
    /// ΣS_l².
    pub level_square: i128,
}

impl StackTotals {
    /// N·ΣS_l² − S².
    fn level_spread(&self) -> i128 {
        self.frames * self.level_square - self.sum * self.sum
    }
}

/// Sums over pairs of frames at one distance.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct LagSums {
    /// Pairs.
    pub pairs: u64,
    /// ΣΣ y_l·y_m.
    product: i128,
    /// ΣS_l·S_m.
    levels: i128,
}

impl LagSums {
    /// Adds a pair with Σᵢ y_l·y_m, S_l and S_m.
    pub fn add(&mut self, product: u64, sums: (u64, u64)) {
        self.pairs += 1;
        self.product += i128::from(product);
        self.levels += i128::from(sums.0) * i128::from(sums.1);
    }

    /// Σ over pairs and samples of e_l·e_m.
    ///
    /// `square` = ΣT², `with_ends` = ΣT·E and `ends` = ΣE, where E_i = 2·T_i − Σ over pairs of (y_l + y_m): the samples of
    /// the frames that open or close a run of frames.
    #[must_use]
    pub fn residual(&self, totals: &StackTotals, square: i128, with_ends: i128, ends: i128) -> f64 {
        let (p, n, s) = (totals.samples, totals.frames, totals.sum);
        if p == 0 || n == 0 {
            return 0.0;
        }
        let products = p * self.product - self.levels;
        let against_mean = p * (2 * square - with_ends) - s * (2 * s - ends);
        let means = p * square - s * s;
        let pairs = i128::from(self.pairs);
        let exact = (|| {
            let a = n.checked_mul(n)?.checked_mul(products)?;
            let b = n.checked_mul(against_mean)?;
            let c = pairs.checked_mul(means)?;
            a.checked_sub(b)?.checked_add(c)
        })();
        let (pf, nf) = (p as f64, n as f64);
        match exact {
            Some(numerator) => numerator as f64 / (pf * nf * nf),
            None => {
                (products as f64 - against_mean as f64 / nf + pairs as f64 * (means as f64 / (nf * nf))) / pf
            }
        }
    }
}

/// Sums over differences of adjacent frames, whose level is taken out frame by frame.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DifferenceSums {
    /// Pairs.
    pub pairs: u64,
    /// ΣΣd².
    square: i128,
    /// Σ(Σd)².
    level_square: i128,
}

impl DifferenceSums {
    /// Adds a pair with Σd² and Σd.
    pub fn add(&mut self, square: i128, sum: i128) {
        self.pairs += 1;
        self.square += square;
        self.level_square += sum * sum;
    }

    /// ½ ΣΣ(d − d̄)² over all pairs.
    #[must_use]
    pub fn half_residual(&self, samples: i128) -> f64 {
        if samples == 0 {
            return 0.0;
        }
        (samples * self.square - self.level_square) as f64 / (2.0 * samples as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Far pairs of blocks along the rows of an hour of 7680 × 4320 at the highest sum of two 16-bit codes.
    #[test]
    fn an_hour_of_large_bright_frames_does_not_overflow() {
        let (width, height, code, frames) = (7680i128, 4320i128, 131_070i128, 216_000i128);
        let blocks = width / 16;
        let kappa = 256 * (blocks - 1) * (blocks - 2) * height;
        let sum = width * height * code;
        let mut form = FormSums::default();
        for _ in 0..frames {
            form.add(kappa * code * code, 2 * kappa * code, sum as u64);
        }
        let totals = StackTotals {
            samples: width * height,
            frames,
            sum: frames * sum,
            level_square: frames * sum * sum,
        };
        // All samples are equal, so nothing is left of them.
        assert_eq!(form.residual(&totals, frames * frames * kappa * code * code, kappa), 0.0);
    }

    /// A level that goes from black to white makes the products of level and far pairs as large as they can be.
    #[test]
    fn an_hour_of_large_frames_half_of_them_black_does_not_overflow() {
        let (width, height, code, frames) = (7680i128, 4320i128, 131_070i128, 216_000i128);
        let blocks = width / 16;
        let kappa = 256 * (blocks - 1) * (blocks - 2) * height;
        let sum = width * height * code;
        let mut form = FormSums::default();
        for frame in 0..frames {
            let level = frame & 1;
            form.add(level * kappa * code * code, level * 2 * kappa * code, (level * sum) as u64);
        }
        let half = frames / 2;
        let totals =
            StackTotals { samples: width * height, frames, sum: half * sum, level_square: half * sum * sum };
        let left = form.residual(&totals, half * half * kappa * code * code, kappa);
        // Nothing is left but the rounding of three terms, 1, 2 and 1 times this, of at most eight operations each.
        let term = (half * kappa * code * code) as f64 / 2.0;
        assert!(left.abs() <= 4.0 * term * 8.0 * f64::EPSILON / 2.0, "{left} of {term}");
    }
}
