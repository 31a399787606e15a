//! Mean and spread of one place's signal behind sensor, noise reduction and curve, before any matrix.

use noise_measure::quantile;

use crate::exposure::{Exposure, PEDESTAL_STEPS};
use crate::reduction::gaussian;
use crate::sensor::{COUNTED, HOT};
use crate::shot::Shot;

/// Variances of one signal, by how they spread over the picture.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Parts {
    /// Moving, each sample for itself.
    pub own: f64,
    /// Moving, whole rows.
    pub row: f64,
    /// Moving, whole columns.
    pub column: f64,
    /// Standing, each sample for itself.
    pub fixed: f64,
}

impl Parts {
    /// All that moves.
    pub fn moving(self) -> f64 {
        self.own + self.row + self.column
    }
}

/// What filters leave of white noise along one axis.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axis {
    /// Share of its variance.
    pub power: f64,
    /// Correlation of neighbours.
    pub lag: f64,
    /// Share of its third cumulant.
    pub skew: f64,
}

impl Axis {
    /// A Gaussian of `sigma` pixels, then means of `footprint` pixels every `step`.
    pub fn new(sigma: f64, step: u32, footprint: u32) -> Self {
        let (h, n) = (gaussian(sigma), footprint as usize);
        let mut joined = vec![0.0; h.len() + n - 1];
        for (k, weight) in h.iter().enumerate() {
            joined[k..k + n].iter_mut().for_each(|sum| *sum += weight / f64::from(footprint));
        }
        let power: f64 = joined.iter().map(|w| w * w).sum();
        let shifted = joined.iter().skip(step as usize);
        let lagged: f64 = joined.iter().zip(shifted).map(|(a, b)| a * b).sum();
        Self { power, lag: lagged / power, skew: joined.iter().map(|w| w * w * w).sum() }
    }
}

/// Pixels that stand for a patch's standing differences.
pub(super) const PIXELS: usize = 15;

/// Offsets of that many pixels, in standard deviations: middles of equal shares of a normal variable, with variance 1.
pub(super) fn even_shares() -> impl Iterator<Item = f64> {
    let place = |i: usize| quantile::normal((i as f64 + 0.5) / PIXELS as f64);
    let square = (0..PIXELS).map(|i| place(i) * place(i)).sum::<f64>() / PIXELS as f64;
    (0..PIXELS).map(move |i| place(i) / square.sqrt())
}

/// Points of a standard normal variable and their weights: ±7 in steps of 0.05.
///
/// The sum of a smooth function over them is its expectation to the last digits; where a clip bends it, to a
/// thousandth of the variance.
fn normal_points() -> impl Iterator<Item = (f64, f64)> {
    const STEP: f64 = 0.05;
    let scale = STEP / std::f64::consts::TAU.sqrt();
    (-140..=140).map(move |i| {
        let z = f64::from(i) * STEP;
        (z, scale * (-0.5 * z * z).exp())
    })
}

/// Mean and variances of a place's signal, the same for R, G and B.
#[derive(Debug, Clone, Copy)]
pub(super) struct Signal {
    /// Mean over pixels and time.
    pub mean: f64,
    /// Variances, averaged over pixels.
    pub parts: Parts,
}

impl Signal {
    /// Signal of a place with `light` (white = 1).
    pub fn new(shot: &Shot, level: &Exposure, light: f64) -> Self {
        let lit = in_light(shot, level, light);
        // Where the curve bends, pixels that stand apart have noise of different strength.
        let apart = pixels_apart(shot, level, light).sqrt();
        let mut sum = Self { mean: 0.0, parts: Parts::default() };
        let mut values = Vec::with_capacity(PIXELS);
        for offset in even_shares() {
            let moments = Moments::new(shot, level, light, light + offset * apart, lit.moving());
            let gain = if lit.moving() > 0.0 { moments.variance / lit.moving() } else { 0.0 };
            values.push(moments.mean);
            sum.mean += moments.mean / PIXELS as f64;
            sum.parts.own += gain * lit.own / PIXELS as f64;
            sum.parts.row += gain * lit.row / PIXELS as f64;
            sum.parts.column += gain * lit.column / PIXELS as f64;
        }
        let spread = values.iter().map(|v| (v - sum.mean) * (v - sum.mean)).sum::<f64>() / PIXELS as f64;
        // Hot pixels are too few and too far off for the shares above: they add by the curve's slope.
        let slope = shot.transfer.slope(sum.mean).recip();
        let hot = lit.fixed - apart * apart;
        sum.parts.fixed = spread + if slope.is_finite() { hot * slope * slope } else { 0.0 };
        sum
    }
}

/// Variance of light between pixels, without hot ones, behind the spatial filter.
fn pixels_apart(shot: &Shot, level: &Exposure, light: f64) -> f64 {
    let power = Axis::new(shot.reduction.spatial, 1, 1).power;
    let dark = shot.camera.dsnu_e / level.electrons;
    power * power * ((shot.camera.prnu * light).powi(2) + dark * dark)
}

/// Variances in light, behind noise reduction.
fn in_light(shot: &Shot, level: &Exposure, light: f64) -> Parts {
    let camera = &shot.camera;
    let square = level.electrons * level.electrons;
    let electrons = light.max(0.0) * level.electrons;
    let hot = camera.hot_ppm / 1e6;
    let axis = Axis::new(shot.reduction.spatial, 1, 1);
    let a = shot.reduction.temporal;
    let kept = (1.0 - a) / (1.0 + a);
    // Frames differ in the strength of their noise: on average its variance is that of the mean square.
    let unsteady = camera.gain_change * camera.gain_change;
    let gain = 1.0 + unsteady + shot.pulse.map_or(0.0, |p| p.depth * p.depth / 2.0);
    let shot_read = electrons + hot * (HOT.0 + HOT.1) + level.read_noise_e * level.read_noise_e;
    let rounding = level.step() * level.step() / 12.0;
    let filter = axis.power * axis.power;
    // Second moment of a constant and an exponential, less the mean's square.
    let current = hot * (2.0 * HOT.1 * HOT.1 + 2.0 * HOT.0 * HOT.1 + HOT.0 * HOT.0);
    let current = current - (hot * (HOT.0 + HOT.1)).powi(2);
    Parts {
        own: kept * filter * (gain * shot_read / square + rounding),
        row: kept * axis.power * gain * camera.row_e * camera.row_e / square,
        column: kept * axis.power * gain * camera.column_e * camera.column_e / square,
        fixed: pixels_apart(shot, level, light) + filter * current / square,
    }
}

/// Mean and variance of one pixel's signal.
struct Moments {
    mean: f64,
    variance: f64,
}

impl Moments {
    /// A pixel whose light is `centre` where the patch's is `light`, with moving noise of variance `moving` in light.
    fn new(shot: &Shot, level: &Exposure, light: f64, centre: f64, moving: f64) -> Self {
        let floor = -PEDESTAL_STEPS * level.step();
        let signal = |light: f64| shot.transfer.from_light(light.clamp(floor, level.clip));
        let mut sum = Sum::new(signal(centre));
        let electrons = light.max(0.0) * level.electrons;
        let unfiltered = shot.reduction == crate::shot::Reduction::default();
        if unfiltered && electrons > 0.0 && electrons < f64::from(COUNTED) {
            // Electrons are counted, and all other noise is normal.
            let photons = electrons / (level.electrons * level.electrons);
            let spread = (moving - photons).max(0.0).sqrt();
            let mut share = (-electrons).exp();
            for count in 0..(electrons + 12.0 * electrons.sqrt() + 12.0) as u32 {
                let off = centre + (f64::from(count) - electrons) / level.electrons;
                for (z, weight) in normal_points() {
                    sum.add(signal(off + spread * z), share * weight);
                }
                share *= electrons / f64::from(count + 1);
            }
        } else {
            // A normal variable bent to the third cumulant that filters leave of the photons'.
            let (a, axis) = (shot.reduction.temporal, Axis::new(shot.reduction.spatial, 1, 1));
            let kept = (1.0 - a).powi(3) / (1.0 - a.powi(3)) * axis.skew * axis.skew;
            let third = kept * electrons / level.electrons.powi(3);
            let bend = if moving > 0.0 { third / (6.0 * moving) } else { 0.0 };
            let spread = (moving - 2.0 * bend * bend).max(0.0).sqrt();
            for (z, weight) in normal_points() {
                sum.add(signal(centre + spread * z + bend * (z * z - 1.0)), weight);
            }
        }
        sum.moments()
    }
}

/// Weighted sums about a reference.
struct Sum {
    reference: f64,
    weight: f64,
    first: f64,
    second: f64,
}

impl Sum {
    fn new(reference: f64) -> Self {
        Self { reference, weight: 0.0, first: 0.0, second: 0.0 }
    }

    fn add(&mut self, value: f64, weight: f64) {
        let off = value - self.reference;
        self.weight += weight;
        self.first += weight * off;
        self.second += weight * off * off;
    }

    fn moments(&self) -> Moments {
        let mean = self.first / self.weight;
        Moments { mean: self.reference + mean, variance: (self.second / self.weight - mean * mean).max(0.0) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_have_the_published_powers() {
        // A mean of two: half the power, and neighbours two pixels apart share nothing.
        let pair = Axis::new(0.0, 2, 2);
        assert!((pair.power - 0.5).abs() < 1e-12 && pair.lag.abs() < 1e-12);
        let blurred = Axis::new(1.0, 1, 1);
        assert!((blurred.power - 0.282_124).abs() < 1e-5 && (blurred.lag - 0.778_640).abs() < 1e-4);
    }

    #[test]
    fn shares_are_a_standard_normal_variable() {
        let moment = |power: i32| even_shares().map(|z| z.powi(power)).sum::<f64>() / PIXELS as f64;
        assert!(moment(1).abs() < 1e-12 && (moment(2) - 1.0).abs() < 1e-12);
    }
}
