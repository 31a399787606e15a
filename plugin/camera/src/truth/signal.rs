//! Mean and spread of one place's signal behind sensor, noise reduction and curve, before any matrix.

use std::ops::Range;

use noise_measure::quantile;

use crate::exposure::{Exposure, PEDESTAL_STEPS};
use crate::random::{Line, Normals, Purpose};
use crate::reduction::{blur, gaussian};
use crate::sensor::{COUNTED, HOT};
use crate::shot::{Reduction, Shot};

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
        // A sum of nothing is -0.0; a fold from 0 is not.
        let lagged = joined.iter().zip(shifted).fold(0.0, |sum, (a, b)| sum + a * b);
        Self { power, lag: lagged / power, skew: joined.iter().map(|w| w * w * w).sum() }
    }
}

/// Pixels that stand for a patch's standing differences where no patch is given.
pub(super) const PIXELS: usize = 15;

/// Offsets of that many pixels, in standard deviations: middles of equal shares of a normal variable, with variance 1.
pub(super) fn even_shares() -> impl Iterator<Item = f64> {
    let place = |i: usize| quantile::normal((i as f64 + 0.5) / PIXELS as f64);
    let square = (0..PIXELS).map(|i| place(i) * place(i)).sum::<f64>() / PIXELS as f64;
    (0..PIXELS).map(move |i| place(i) / square.sqrt())
}

/// Points of a standard normal variable and their weights: ±6 in steps of `step`, weights of sum 1.
///
/// The sum of a smooth function over them is its expectation to the last digits, if it does not turn within a step.
fn normal_points(step: f64) -> impl Iterator<Item = (f64, f64)> + Clone {
    let reach = (6.0 / step).round() as i32;
    let weight = move |i: i32| (-0.5 * (f64::from(i) * step).powi(2)).exp();
    let sum: f64 = (-reach..=reach).map(weight).sum();
    (-reach..=reach).map(move |i| (f64::from(i) * step, weight(i) / sum))
}

/// Steps over a sample's own noise; over the same where counted electrons smooth it already; over what rows and columns
/// share.
const OWN: f64 = 0.1;
const OWN_COUNTED: f64 = 0.25;
const SHARED: f64 = 0.75;

/// Mean and variances of a place's signal in one channel.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Signal {
    /// Mean over pixels and time.
    pub mean: f64,
    /// Variances, averaged over pixels.
    pub parts: Parts,
}

impl Signal {
    /// Signals of R, G and B at a place with `light` (white = 1) whose pixels are `pixels`.
    pub fn new(shot: &Shot, level: &Exposure, light: f64, pixels: &Pixels) -> [Self; 3] {
        let lit = in_light(shot, level, light);
        let response = Response::new(shot, level, light, lit);
        pixels.offsets(shot, level, light).map(|offsets| {
            let mut sum = Point::default();
            let mut squares = 0.0;
            let n = offsets.len().max(1) as f64;
            let middle = response.at(0.0).mean;
            for offset in offsets {
                let here = response.at(offset);
                sum.mean += (here.mean - middle) / n;
                squares += (here.mean - middle) * (here.mean - middle) / n;
                sum.own += here.own / n;
                sum.shared += here.shared / n;
            }
            let mean = middle + sum.mean;
            // Hot pixels are too few to be drawn with the others: they add by the curve's slope.
            let slope = shot.transfer.slope(mean).recip();
            let hot = lit.fixed - pixels_apart(shot, level, light);
            let hot = if slope.is_finite() { hot * slope * slope } else { 0.0 };
            let lines = (lit.row + lit.column).max(f64::MIN_POSITIVE);
            let parts = Parts {
                own: sum.own,
                row: sum.shared * lit.row / lines,
                column: sum.shared * lit.column / lines,
                fixed: (squares - sum.mean * sum.mean).max(0.0) + hot,
            };
            Self { mean, parts }
        })
    }
}

/// What sets a patch's pixels apart, in standard deviations: of sensitivity and of dark offset, for R, G and B.
#[derive(Debug)]
pub(super) struct Pixels([Vec<(f32, f32)>; 3]);

impl Pixels {
    /// Pixels of no patch in particular.
    pub fn any() -> Self {
        let shares: Vec<f32> = even_shares().map(|z| z as f32).collect();
        // Each share of one with each of the other, so that both keep their spread when they are added.
        let all: Vec<(f32, f32)> = shares.iter().flat_map(|&a| shares.iter().map(move |&b| (a, b))).collect();
        Self(std::array::from_fn(|_| all.clone()))
    }

    /// The pixels that the camera of `shot` has at columns `x` and rows `y`, behind the spatial filter.
    pub fn of(shot: &Shot, x: Range<usize>, y: Range<usize>) -> Self {
        let sigma = shot.reduction.spatial;
        let margin = gaussian(sigma).len() / 2;
        let (left, top) = (x.start.saturating_sub(margin), y.start.saturating_sub(margin));
        let (width, height) = (x.end + margin - left, y.end + margin - top);
        let plane = |purpose: Purpose, channel: usize| {
            let mut plane: Vec<f32> = (top..top + height)
                .flat_map(|y| {
                    let line = Line::new(shot.seed, purpose, channel as u64, y as u64);
                    (left..left + width).map(move |x| Normals::shared().get(line.bits(x as u64)))
                })
                .collect();
            blur(&mut plane, width, height, sigma);
            plane
        };
        Self(std::array::from_fn(|channel| {
            let both = plane(Purpose::Sensitivity, channel).into_iter().zip(plane(Purpose::Offsets, channel));
            let inside =
                |(i, _): &(usize, _)| x.contains(&(left + i % width)) && y.contains(&(top + i / width));
            both.enumerate().filter(inside).map(|(_, pixel)| pixel).collect()
        }))
    }

    /// Offsets in light at a place with `light`.
    fn offsets(&self, shot: &Shot, level: &Exposure, light: f64) -> [Vec<f64>; 3] {
        let (bright, dark) = (shot.camera.prnu * light, shot.camera.dsnu_e / level.electrons);
        std::array::from_fn(|channel| {
            let offset = |&(a, b): &(f32, f32)| bright * f64::from(a) + dark * f64::from(b);
            if bright == 0.0 && dark == 0.0 {
                vec![0.0]
            } else {
                self.0[channel].iter().map(offset).collect()
            }
        })
    }
}

/// A pixel's signal: mean, variance that is its own, and variance that it shares with its row or column.
#[derive(Debug, Clone, Copy, Default)]
struct Point {
    mean: f64,
    own: f64,
    shared: f64,
}

/// What becomes of a pixel by its offset in light: points at even distances, lines between them.
struct Response {
    distance: f64,
    points: Vec<Point>,
}

/// Points on either side of no offset, a fifth of a standard deviation apart.
const REACH: usize = 30;
const PART: f64 = 0.2;

impl Response {
    fn new(shot: &Shot, level: &Exposure, light: f64, lit: Parts) -> Self {
        let apart = pixels_apart(shot, level, light).sqrt();
        // What the spatial filter leaves of drawn offsets; the points reach beyond any of them.
        let distance = PART * apart;
        let reach = if apart > 0.0 { REACH as i32 } else { 0 };
        let point = |i: i32| Point::new(shot, level, light, light + f64::from(i) * distance, lit);
        Self { distance, points: (-reach..=reach).map(point).collect() }
    }

    fn at(&self, offset: f64) -> Point {
        let last = self.points.len() - 1;
        if last == 0 {
            return self.points[0];
        }
        let place = (offset / self.distance + (last / 2) as f64).clamp(0.0, last as f64);
        let index = (place as usize).min(last - 1);
        let (here, next, share) = (self.points[index], self.points[index + 1], place - index as f64);
        let between = |a: f64, b: f64| a + share * (b - a);
        Point {
            mean: between(here.mean, next.mean),
            own: between(here.own, next.own),
            shared: between(here.shared, next.shared),
        }
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
    let unsteady = 1.0 + camera.gain_change * camera.gain_change;
    let gain = unsteady * shot.pulse.map_or(1.0, |p| 1.0 + p.depth * p.depth / 2.0);
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

impl Point {
    /// A pixel whose light is `centre` where the patch's is `light`, with moving noise `lit` in light.
    fn new(shot: &Shot, level: &Exposure, light: f64, centre: f64, lit: Parts) -> Self {
        let floor = -PEDESTAL_STEPS * level.step();
        let signal = |light: f64| shot.transfer.from_light(light.clamp(floor, level.clip));
        let electrons = light.max(0.0) * level.electrons;
        let unfiltered = shot.reduction == Reduction::default();
        let counted = unfiltered && electrons > 0.0 && electrons < f64::from(COUNTED);
        let of_own = |centre: f64| {
            let mut sum = Sum::new(signal(centre));
            if counted {
                // Electrons are counted, and all other noise is normal.
                let photons = electrons / (level.electrons * level.electrons);
                let spread = (lit.own - photons).max(0.0).sqrt();
                let mut share = (-electrons).exp();
                for count in 0..(electrons + 12.0 * electrons.sqrt() + 12.0) as u32 {
                    let off = centre + (f64::from(count) - electrons) / level.electrons;
                    for (z, weight) in normal_points(OWN_COUNTED) {
                        sum.add(signal(off + spread * z), share * weight);
                    }
                    share *= electrons / f64::from(count + 1);
                }
            } else {
                // A normal variable bent to the third cumulant that filters leave of the photons'.
                let (a, axis) = (shot.reduction.temporal, Axis::new(shot.reduction.spatial, 1, 1));
                let kept = (1.0 - a).powi(3) / (1.0 - a.powi(3)) * axis.skew * axis.skew;
                let third = kept * electrons / level.electrons.powi(3);
                let bend = if lit.own > 0.0 { third / (6.0 * lit.own) } else { 0.0 };
                let spread = (lit.own - 2.0 * bend * bend).max(0.0).sqrt();
                for (z, weight) in normal_points(OWN) {
                    sum.add(signal(centre + spread * z + bend * (z * z - 1.0)), weight);
                }
            }
            sum.moments()
        };
        let lines = (lit.row + lit.column).sqrt();
        if lines == 0.0 {
            let (mean, own) = of_own(centre);
            return Self { mean, own, shared: 0.0 };
        }
        let mut own = 0.0;
        let mut means = Sum::new(signal(centre));
        for (z, weight) in normal_points(SHARED) {
            let (mean, variance) = of_own(centre + lines * z);
            own += weight * variance;
            means.add(mean, weight);
        }
        let (mean, shared) = means.moments();
        Self { mean, own, shared }
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

    /// Mean and variance.
    fn moments(&self) -> (f64, f64) {
        let mean = self.first / self.weight;
        (self.reference + mean, (self.second / self.weight - mean * mean).max(0.0))
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
