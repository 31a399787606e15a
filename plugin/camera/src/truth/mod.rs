//! What a meter should find in a recording, worked out from the camera's description and not from its frames.
//!
//! Names and units are those of a window's record. Spreads are those of an endless recording: `temporal` is what
//! `temporal_long` estimates, since a recursive filter makes short windows read low.

mod signal;

use std::collections::BTreeMap;

use noise_measure::format::{FrameFormat, Scale};
use noise_measure::quantile::normal_cdf;
use serde::{Deserialize, Serialize};

use self::signal::{Axis, PIXELS, Parts, Pixels, Signal, even_shares};
use crate::develop::Writer;
use crate::scene::Target;
use crate::sensor::fall_off;
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

/// The truth of `shot` in `format`.
#[must_use]
pub fn truth(shot: &Shot, format: &FrameFormat) -> Truth {
    let level = shot.level();
    let even = |target: &Target| target.reflectance.is_some();
    let regions = shot.scene.targets().into_iter().filter(|target| even(target)).map(|target| {
        let reflectance = target.reflectance.unwrap_or_default();
        let lights = lights(shot, format, &target, reflectance);
        let along = |start: f64, size: f64, pixels: u32| {
            let edge =
                |place: f64| ((place * f64::from(pixels) + 0.5).max(0.0) as usize).min(pixels as usize);
            edge(start)..edge(start + size).max(edge(start) + 1)
        };
        let (x, y) =
            (along(target.x, target.width, format.width), along(target.y, target.height, format.height));
        patch(shot, format, &target.name, &lights, &Pixels::of(shot, x, y))
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

/// The truth of an even patch, of no pixels in particular, that gives `lights` (white = 1), each on an equal share of it.
#[must_use]
pub fn region(shot: &Shot, format: &FrameFormat, name: &str, lights: &[f64]) -> RegionTruth {
    patch(shot, format, name, lights, &Pixels::any())
}

fn patch(shot: &Shot, format: &FrameFormat, name: &str, lights: &[f64], pixels: &Pixels) -> RegionTruth {
    let level = shot.level();
    let signals: Vec<[Signal; 3]> =
        lights.iter().map(|&light| Signal::new(shot, &level, light, pixels)).collect();
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
const POINTS: usize = 4;

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

/// One component of a patch whose pixels have `signals` in equal shares.
fn component(shot: &Shot, format: &FrameFormat, writer: &Writer, signals: &[[Signal; 3]]) -> ComponentTruth {
    let sigma = shot.reduction.spatial;
    let plain = Axis::new(sigma, 1, 1);
    let [across, down] = [writer.format.horizontal, writer.format.vertical]
        .map(|sampling| Axis::new(sigma, sampling.step, sampling.footprint));
    let (x, y) = (across.power / plain.power, down.power / plain.power);
    let weights = writer.weights();
    let (black, least, most) = writer.levels();
    let mut mean = 0.0;
    let mut total = 0.0;
    let mut exact = Parts::default();
    for signal in signals {
        // What is a sample's own adds by its square; a row or column moves all three channels together.
        let own = |of: fn(&Parts) -> f64| {
            weights.iter().zip(signal).map(|(w, channel)| w * w * of(&channel.parts)).sum::<f64>()
        };
        let joint = |of: fn(&Parts) -> f64| {
            weights.iter().zip(signal).map(|(w, channel)| w * of(&channel.parts).sqrt()).sum::<f64>().powi(2)
        };
        let parts = Parts {
            own: own(|p| p.own) * x * y,
            row: joint(|p| p.row) * y,
            column: joint(|p| p.column) * x,
            fixed: own(|p| p.fixed) * x * y,
        };
        let level: f64 = weights.iter().zip(signal).map(|(w, channel)| w * channel.mean).sum();
        // Pixels stand apart by what is fixed, and each rounds at a place of its own.
        let (spread, apart) = (parts.moving().sqrt(), parts.fixed.sqrt());
        for offset in even_shares() {
            let (code, variance) = rounded(black + level + apart * offset, spread, least, most);
            mean += code / PIXELS as f64;
            total += variance / PIXELS as f64;
        }
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
}
