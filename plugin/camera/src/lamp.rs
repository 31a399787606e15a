//! A lamp on alternating current, seen through a rolling shutter.

use std::f64::consts::TAU;

/// Light that swings about its mean: 1 + depth·cos(2π·frequency·t).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Lamp {
    /// Swings a second, in Hz: twice the mains frequency. 0 is a steady lamp.
    pub frequency: f64,
    /// (max − min)/(max + min), 0..=1.
    pub depth: f64,
}

impl Lamp {
    /// Mean light from second `begin` on over `seconds`, over that of the steady lamp.
    ///
    /// The integral of the cosine in closed form: its middle value times sin(x)/x, x = π·frequency·seconds.
    #[must_use]
    pub fn over(&self, begin: f64, seconds: f64) -> f64 {
        if !self.flickers() {
            return 1.0;
        }
        let half = 0.5 * TAU * self.frequency * seconds;
        let left = if half.abs() < 1e-9 { 1.0 } else { half.sin() / half };
        1.0 + self.depth * left * (TAU * self.frequency * (begin + 0.5 * seconds)).cos()
    }

    /// Whether it does at all.
    #[must_use]
    pub fn flickers(&self) -> bool {
        self.frequency > 0.0 && self.depth > 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_whole_period_sees_the_mean_and_a_short_one_the_moment() {
        let lamp = Lamp { frequency: 100.0, depth: 0.4 };
        assert!((lamp.over(0.123, 0.01) - 1.0).abs() < 1e-12);
        assert!((lamp.over(0.0, 1e-12) - 1.4).abs() < 1e-9);
        assert!((lamp.over(0.005, 1e-12) - 0.6).abs() < 1e-9);
    }

    #[test]
    fn the_closed_form_is_the_mean_of_many_moments() {
        let lamp = Lamp { frequency: 120.0, depth: 0.3 };
        let (begin, seconds, n) = (0.0031, 1.0 / 210.0, 20_000);
        let moments = (0..n).map(|i| lamp.over(begin + seconds * (f64::from(i) + 0.5) / f64::from(n), 0.0));
        assert!((lamp.over(begin, seconds) - moments.sum::<f64>() / f64::from(n)).abs() < 1e-9);
    }
}
