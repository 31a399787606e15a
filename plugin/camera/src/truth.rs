//! What a meter should find in a recording, worked out from the camera's description and not from its frames.
//!
//! Names and units are those of a window's record. Spreads are those of an endless recording: `temporal` is what
//! `temporal_long` estimates, since a recursive filter makes short windows read low.

use std::collections::BTreeMap;

use noise_measure::format::{FrameFormat, Scale};
use noise_measure::quantile::normal_cdf;
use serde::{Deserialize, Serialize};

use crate::develop::Writer;
use crate::exposure::Exposure;
use crate::reduction::gaussian;
use crate::scene::Target;
use crate::sensor::{HOT, fall_off};
use crate::shot::Shot;

/// The truth of a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// ISO speed.
    pub iso_speed: f64,
    /// Seconds.
    pub exposure_time: f64,
    /// Stops above the exposure that puts the card on its level.
    pub exposure: f64,
    /// Name of the scene.
    pub scene: String,
    /// Conversion stage in use, 0 or 1.
    pub stage: usize,
    /// Electrons of the grey card, at the middle of the picture.
    pub grey_e: f64,
    /// Read noise of the stage, electrons.
    pub read_noise_e: f64,
    /// Light at which the stage clips; white is 1.
    pub clip_light: f64,
    /// The even patches of the scene, in layout order.
    pub regions: Vec<RegionTruth>,
}

/// The truth of an even patch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RegionTruth {
    /// Its name.
    pub name: String,
    /// Mean electrons of a pixel.
    pub electrons: f64,
    /// Its components by name.
    pub components: BTreeMap<String, ComponentTruth>,
    /// Light and signal-to-noise ratio of Y, as a meter takes them from codes; absent for R′G′B′.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub light: Option<LightTruth>,
}

/// The truth of one component of a patch; levels and spreads in percent of nominal range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ComponentTruth {
    /// Mean level.
    pub mean: f64,
    /// Mean level in codes.
    pub mean_codes: f64,
    /// Sd of all moving noise, rows, columns and rounding included.
    pub temporal: f64,
    /// The same in codes.
    pub temporal_codes: f64,
    /// Sd of moving offsets of rows.
    pub row: f64,
    /// Sd of moving offsets of columns.
    pub column: f64,
    /// Sd of what stands still, pixel by pixel.
    pub fixed_pixel: f64,
    /// Correlation of neighbours in a row, rows and columns taken out.
    pub corr_x: f64,
    /// Correlation of neighbours in a column, rows and columns taken out.
    pub corr_y: f64,
    /// Correlation of a pixel with itself a frame later.
    pub corr_t: f64,
}

/// Y in light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LightTruth {
    /// Light of the mean level.
    pub mean: f64,
    /// Its ratio to the moving noise in light, dB; absent without light or noise.
    pub snr_temporal_db: Option<f64>,
}

/// Variances of one signal, by how they spread over the picture.
#[derive(Debug, Clone, Copy, Default)]
struct Parts {
    own: f64,
    row: f64,
    column: f64,
    fixed: f64,
}

impl Parts {
    fn moving(self) -> f64 {
        self.own + self.row + self.column
    }
}

/// Mean and variances of a place's signal, the same for R, G and B.
#[derive(Debug, Clone, Copy)]
struct Signal {
    mean: f64,
    parts: Parts,
}

/// Power that filters leave of white noise, and the correlation that they make, along one axis.
#[derive(Debug, Clone, Copy)]
struct Axis {
    power: f64,
    lag: f64,
}

impl Axis {
    /// A Gaussian of `sigma` pixels, then means of `footprint` pixels every `step`.
    fn new(sigma: f64, step: u32, footprint: u32) -> Self {
        let (h, n) = (gaussian(sigma), footprint as usize);
        let mut joined = vec![0.0; h.len() + n - 1];
        for (k, weight) in h.iter().enumerate() {
            joined[k..k + n].iter_mut().for_each(|sum| *sum += weight / f64::from(footprint));
        }
        let power: f64 = joined.iter().map(|w| w * w).sum();
        let shifted = joined.iter().skip(step as usize);
        let lagged: f64 = joined.iter().zip(shifted).map(|(a, b)| a * b).sum();
        Self { power, lag: lagged / power }
    }
}

/// The truth of `shot` in `format`.
#[must_use]
pub fn truth(shot: &Shot, format: &FrameFormat) -> Truth {
    let level = shot.level();
    let even = |target: &Target| target.reflectance.is_some();
    let regions = shot.scene.targets().into_iter().filter(|target| even(target)).map(|target| {
        let reflectance = target.reflectance.unwrap_or_default();
        let lights = lights(shot, format, &target, reflectance);
        region(shot, format, &target.name, &lights)
    });
    Truth {
        iso_speed: shot.iso,
        exposure_time: shot.exposure_time,
        exposure: shot.exposure,
        scene: shot.scene.name().to_owned(),
        stage: level.stage,
        grey_e: level.electrons * shot.light(crate::exposure::GREY),
        read_noise_e: level.read_noise_e,
        clip_light: level.clip,
        regions: regions.collect(),
    }
}

/// The truth of an even patch that gives `lights` (white = 1), each on an equal share of its pixels.
#[must_use]
pub fn region(shot: &Shot, format: &FrameFormat, name: &str, lights: &[f64]) -> RegionTruth {
    let level = shot.level();
    let signals: Vec<Signal> = lights.iter().map(|&light| signal(shot, &level, light)).collect();
    let mut components = BTreeMap::new();
    for writer in Writer::all(format) {
        components
            .insert(writer.format.channel.name().to_owned(), component(shot, format, &writer, &signals));
    }
    let light = components.get("Y").map(|y: &ComponentTruth| {
        let mean = shot.transfer.to_light(y.mean / 100.0);
        let spread = shot.transfer.slope(y.mean / 100.0) * y.temporal / 100.0;
        let known = mean > 0.0 && spread > 0.0;
        LightTruth { mean, snr_temporal_db: known.then(|| 20.0 * (mean / spread).log10()) }
    });
    let mean = lights.iter().sum::<f64>() / lights.len().max(1) as f64;
    RegionTruth { name: name.to_owned(), electrons: mean * level.electrons, components, light }
}

/// Points an axis at which a patch's light is taken.
const POINTS: usize = 12;

/// Light over a patch: one value where it is even, a grid of them where the lens takes some away.
fn lights(shot: &Shot, format: &FrameFormat, target: &Target, reflectance: f64) -> Vec<f64> {
    let full = shot.light(reflectance);
    if shot.vignetting <= 0.0 {
        return vec![full];
    }
    let (width, height) = (f64::from(format.width), f64::from(format.height));
    let place = |start: f64, size: f64, i: usize, pixels: f64| {
        (((start + size * (i as f64 + 0.5) / POINTS as f64) * pixels) as usize).min(pixels as usize - 1)
    };
    (0..POINTS * POINTS)
        .map(|i| {
            let x = place(target.x, target.width, i % POINTS, width);
            let y = place(target.y, target.height, i / POINTS, height);
            full * fall_off(shot.vignetting, x, y, format.width as usize, format.height as usize)
        })
        .collect()
}

/// Quadrature over a standard normal variable: ±8 in steps of 0.02, far finer than any curve bends.
fn normal_points() -> impl Iterator<Item = (f64, f64)> {
    const STEP: f64 = 0.02;
    let scale = STEP / std::f64::consts::TAU.sqrt();
    (-400..=400).map(move |i| {
        let z = f64::from(i) * STEP;
        (z, scale * (-0.5 * z * z).exp())
    })
}

/// Signal of a place with `light` behind sensor, noise reduction and curve, before any matrix.
fn signal(shot: &Shot, level: &Exposure, light: f64) -> Signal {
    let camera = &shot.camera;
    let square = level.electrons * level.electrons;
    let electrons = light.max(0.0) * level.electrons;
    let hot = camera.hot_ppm / 1e6;
    let axis = Axis::new(shot.reduction.spatial, 1, 1);
    let a = shot.reduction.temporal;
    let kept = (1.0 - a) / (1.0 + a);
    // Frames differ in the strength of their noise: on average its variance is that of the mean square.
    let gain = (1.0 + camera.gain_change * camera.gain_change)
        * shot.pulse.map_or(1.0, |p| 1.0 + p.depth * p.depth / 2.0);
    let shot_read = electrons + hot * (HOT.0 + HOT.1) + level.read_noise_e * level.read_noise_e;
    let rounding = level.step() * level.step() / 12.0;
    let filter = axis.power * axis.power;
    let lit = Parts {
        own: kept * filter * (gain * shot_read / square + rounding),
        row: kept * axis.power * gain * camera.row_e * camera.row_e / square,
        column: kept * axis.power * gain * camera.column_e * camera.column_e / square,
        fixed: filter
            * ((camera.prnu * light).powi(2)
                + (camera.dsnu_e * camera.dsnu_e
                    + hot * (2.0 * HOT.1 * HOT.1 + 2.0 * HOT.0 * HOT.1 + HOT.0 * HOT.0)
                    - (hot * (HOT.0 + HOT.1)).powi(2))
                    / square),
    };
    let moving = lit.moving();
    // Shot noise's skewness, (its third cumulant)/(6·variance) of the normal's square, as the sensor draws it;
    // filters average it away.
    let unfiltered = a == 0.0 && shot.reduction.spatial == 0.0;
    let bend =
        if unfiltered && moving > 0.0 { electrons / level.electrons.powi(3) / (6.0 * moving) } else { 0.0 };
    let spread = (moving - 2.0 * bend * bend).max(0.0).sqrt();
    let centre = light + hot * (HOT.0 + HOT.1) / level.electrons;
    let floor = -crate::exposure::PEDESTAL_STEPS * level.step();
    let value = |z: f64| {
        let light = centre + spread * z + bend * (z * z - 1.0);
        shot.transfer.from_light(light.clamp(floor, level.clip))
    };
    let (mut mean, mut squares) = (0.0, 0.0);
    let reference = value(0.0);
    for (z, weight) in normal_points() {
        let difference = value(z) - reference;
        mean += weight * difference;
        squares += weight * difference * difference;
    }
    let variance = (squares - mean * mean).max(0.0);
    let gain = if moving > 0.0 { variance / moving } else { 0.0 };
    let slope = shot.transfer.slope(reference).recip();
    let fixed = if slope.is_finite() { lit.fixed * slope * slope } else { 0.0 };
    Signal {
        mean: reference + mean,
        parts: Parts { own: gain * lit.own, row: gain * lit.row, column: gain * lit.column, fixed },
    }
}

/// One component of a patch whose pixels have `signals` in equal shares.
fn component(shot: &Shot, format: &FrameFormat, writer: &Writer, signals: &[Signal]) -> ComponentTruth {
    let sigma = shot.reduction.spatial;
    let plain = Axis::new(sigma, 1, 1);
    let [across, down] = [writer.format.horizontal, writer.format.vertical]
        .map(|sampling| Axis::new(sigma, sampling.step, sampling.footprint));
    let (x, y) = (across.power / plain.power, down.power / plain.power);
    let weights = writer.weights();
    let (sum, squares): (f64, f64) = (weights.iter().sum(), weights.iter().map(|w| w * w).sum());
    let (black, least, most) = writer.levels();
    let mut mean = 0.0;
    let mut total = 0.0;
    let mut exact = Parts::default();
    for signal in signals {
        let parts = Parts {
            own: signal.parts.own * squares * x * y,
            row: signal.parts.row * sum * sum * y,
            column: signal.parts.column * sum * sum * x,
            fixed: signal.parts.fixed * squares * x * y,
        };
        let centre = black + sum * signal.mean;
        let (code, variance) = rounded(centre, parts.moving().sqrt(), least, most);
        mean += code;
        total += variance;
        exact.own += parts.own;
        exact.row += parts.row;
        exact.column += parts.column;
        exact.fixed += parts.fixed;
    }
    let n = signals.len().max(1) as f64;
    let (mean, total) = (mean / n, total / n);
    let (own, row, column, fixed) = (exact.own / n, exact.row / n, exact.column / n, exact.fixed / n);
    // Rounding is as good as white: it is no part of what correlates.
    let white = (total - row - column).max(f64::MIN_POSITIVE);
    let colour = (own / white).min(1.0);
    let scale: Scale = format.scale(writer.format.channel, writer.format.depth);
    let percent = |variance: f64| scale.spread(variance.max(0.0).sqrt());
    ComponentTruth {
        mean: scale.percent(mean),
        mean_codes: mean,
        temporal: percent(total),
        temporal_codes: total.max(0.0).sqrt(),
        row: percent(row),
        column: percent(column),
        fixed_pixel: percent(fixed),
        corr_x: colour * across.lag,
        corr_y: colour * down.lag,
        corr_t: shot.reduction.temporal
            * if total > 0.0 { (own + row + column).min(total) / total } else { 0.0 },
    }
}

/// Codes either side of the mean, in spreads, that are summed one by one.
const REACH: f64 = 8.0;

/// Mean and variance of a normal variable rounded to whole codes and held between `least` and `most`.
fn rounded(mean: f64, spread: f64, least: f64, most: f64) -> (f64, f64) {
    let below = |edge: f64| {
        if spread > 0.0 { normal_cdf((edge - mean) / spread) } else { f64::from(u8::from(mean < edge)) }
    };
    let first = (mean - REACH * spread).round().clamp(least, most);
    let last = (mean + REACH * spread).round().clamp(least, most);
    let (mut sum, mut squares, mut before) = (0.0, 0.0, 0.0);
    let mut code = first;
    while code <= last {
        let upto = if code >= last { 1.0 } else { below(code + 0.5) };
        let share = upto - before;
        sum += share * (code - first);
        squares += share * (code - first) * (code - first);
        before = upto;
        code += 1.0;
    }
    (first + sum, (squares - sum * sum).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_has_the_known_variances() {
        // Sd 0.3 on a whole number and half-way between two, and the 1/12 of wide spreads.
        assert!((rounded(50.0, 0.3, 0.0, 255.0).1 - 0.095_58).abs() < 1e-5);
        assert!((rounded(50.5, 0.3, 0.0, 255.0).1 - 0.251_72).abs() < 1e-5);
        assert!((rounded(50.2, 3.0, 0.0, 255.0).1 - (9.0 + 1.0 / 12.0)).abs() < 1e-9);
        assert_eq!(rounded(50.2, 0.0, 0.0, 255.0), (50.0, 0.0));
    }

    #[test]
    fn clipping_at_the_mean_has_the_known_moments() {
        // Half of a normal variable: mean σ/√(2π), variance σ²·(½ − 1/(2π)); sd 30 codes makes rounding small.
        let (mean, variance) = rounded(0.0, 30.0, 0.0, 1023.0);
        assert!((mean - 30.0 / std::f64::consts::TAU.sqrt()).abs() < 0.01, "{mean}");
        let want = 900.0 * (0.5 - 1.0 / std::f64::consts::TAU);
        assert!((variance / want - 1.0).abs() < 1e-3, "{variance} {want}");
    }

    #[test]
    fn filters_have_the_published_powers() {
        // A mean of two: half the power, and neighbours two pixels apart share nothing.
        let pair = Axis::new(0.0, 2, 2);
        assert!((pair.power - 0.5).abs() < 1e-12 && pair.lag.abs() < 1e-12);
        let blurred = Axis::new(1.0, 1, 1);
        assert!((blurred.power - 0.282_124).abs() < 1e-5 && (blurred.lag - 0.778_640).abs() < 1e-4);
    }
}
