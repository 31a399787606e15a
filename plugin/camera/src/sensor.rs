//! Photons to electrons to converter steps: everything that makes noise.

use crate::exposure::{CONVERTER_STEPS, Exposure, PEDESTAL_STEPS};
use crate::random::{Line, Normals, Purpose, poisson, uniform};
use crate::shot::Shot;

/// Mean electrons below which shot noise is drawn as a whole number of electrons.
///
/// Above, shot and read noise are one draw with the sum's mean, variance and nearly its skewness (Cornish–Fisher, to
/// second order): from 16 electrons on its distribution function stays within 0.0006 of the true one.
pub(crate) const COUNTED: f32 = 16.0;

/// Least and mean further dark signal of a hot pixel in electrons; the rest is distributed exponentially.
pub(crate) const HOT: (f64, f64) = (20.0, 80.0);

/// A sensor before one scene: what stays the same from frame to frame.
#[derive(Debug)]
pub(crate) struct Sensor {
    width: usize,
    height: usize,
    level: Exposure,
    row_e: f64,
    column_e: f64,
    /// Mean electrons of light, for R, G and B, with the pixels' sensitivity.
    light: [Vec<f32>; 3],
    /// Electrons that are there without light: offsets, and the mean of hot pixels' dark current.
    dark: [Vec<f32>; 3],
    /// Mean electrons of hot pixels' dark current, which has shot noise too; empty without such pixels.
    hot: [Vec<f32>; 3],
    /// Rows that have places with fewer electrons than [`COUNTED`], or hot pixels.
    special: Vec<bool>,
}

/// Rows that a thread works on.
#[derive(Debug, Default)]
pub(crate) struct Scratch {
    deviates: [Vec<f32>; 3],
}

/// What is new in a frame, for all rows.
#[derive(Debug)]
pub(crate) struct Moment {
    n: u64,
    gain: f32,
    seed: u64,
    columns: Vec<f32>,
}

impl Sensor {
    /// The sensor of `shot` before light `picture` (white = 1).
    pub fn new(shot: &Shot, picture: &[f32], width: usize, height: usize) -> Self {
        let level = shot.level();
        let camera = &shot.camera;
        let normals = Normals::shared();
        let map = |purpose: Purpose, channel: usize, each: &dyn Fn(u64, usize) -> f32| {
            let mut plane = Vec::with_capacity(width * height);
            for y in 0..height {
                let line = Line::new(shot.seed, purpose, channel as u64, y as u64);
                plane.extend((0..width).map(|x| each(line.bits(x as u64), y * width + x)));
            }
            plane
        };
        let electrons = level.electrons as f32;
        let light = std::array::from_fn(|channel| {
            map(Purpose::Sensitivity, channel, &|bits, at| {
                let sensitivity = 1.0 + camera.prnu as f32 * normals.get(bits);
                electrons * picture[at] * sensitivity.max(0.0)
            })
        });
        let current = |bits: u64| {
            if uniform(bits) >= camera.hot_ppm / 1e6 {
                return 0.0;
            }
            // Independent of the choice: another round of the same generator.
            let u = Line::new(bits, Purpose::Hot, 0, 0).uniform(0);
            (HOT.0 - HOT.1 * u.ln()) as f32
        };
        let hot: [Vec<f32>; 3] = std::array::from_fn(|channel| {
            if camera.hot_ppm > 0.0 {
                map(Purpose::Hot, channel, &|bits, _| current(bits))
            } else {
                Vec::new()
            }
        });
        let dark = std::array::from_fn(|channel| {
            map(Purpose::Offsets, channel, &|bits, at| {
                let offset = camera.dsnu_e as f32 * normals.get(bits);
                offset + hot[channel].get(at).copied().unwrap_or(0.0)
            })
        });
        let mut sensor = Self {
            width,
            height,
            level,
            row_e: camera.row_e,
            column_e: camera.column_e,
            light,
            dark,
            hot,
            special: Vec::new(),
        };
        sensor.special = (0..height).map(|y| sensor.is_special(y)).collect();
        sensor
    }

    fn is_special(&self, y: usize) -> bool {
        let at = y * self.width..(y + 1) * self.width;
        // A lamp can double the light at most or take it all away: below twice the limit each pixel is looked at.
        let dim = |light: &Vec<f32>| light[at.clone()].iter().any(|&mean| mean > 0.0 && mean < 2.0 * COUNTED);
        let hot = |hot: &Vec<f32>| hot.get(at.clone()).is_some_and(|hot| hot.iter().any(|&mean| mean > 0.0));
        self.light.iter().any(dim) || self.hot.iter().any(hot)
    }

    /// What frame `n` has of its own.
    pub fn moment(&self, shot: &Shot, n: u64) -> Moment {
        let line = Line::new(shot.seed, Purpose::Columns, n, 0);
        let normals = Normals::shared();
        let gain = shot.noise_gain(n) as f32;
        let offset = self.column_e as f32 * gain;
        let columns = if self.column_e > 0.0 {
            (0..self.width).map(|x| offset * normals.get(line.bits(x as u64))).collect()
        } else {
            vec![0.0; self.width]
        };
        Moment { n, gain, seed: shot.seed, columns }
    }

    /// Frame `n` as it would be without moving noise.
    pub fn stillness(&self, shot: &Shot, n: u64) -> Moment {
        Moment { n, gain: 0.0, seed: shot.seed, columns: vec![0.0; self.width] }
    }

    /// Light that row `y` reads in R, G and B: clipped, and in whole steps of the converter.
    pub fn row(&self, shot: &Shot, moment: &Moment, y: usize, scratch: &mut Scratch, out: [&mut [f32]; 3]) {
        let normals = Normals::shared();
        let Moment { n, gain, seed, ref columns } = *moment;
        let pixels = Line::new(seed, Purpose::Pixels, n, y as u64);
        let [red, green, blue] = &mut scratch.deviates;
        for deviates in [&mut *red, green, blue] {
            deviates.resize(self.width, 0.0);
        }
        for (x, ((r, g), b)) in red.iter_mut().zip(green.iter_mut()).zip(blue.iter_mut()).enumerate() {
            let bits = pixels.bits(x as u64);
            (*r, *g, *b) = (normals.get(bits), normals.get(bits >> 16), normals.get(bits >> 32));
        }
        let row = self.row_e as f32 * gain * normals.get(Line::new(seed, Purpose::Rows, n, y as u64).bits(0));
        let lamp = shot.lamp_factor(n, y, self.height) as f32;
        let read = (self.level.read_noise_e * self.level.read_noise_e) as f32;
        let converter = Converter::new(&self.level);
        let at = y * self.width..(y + 1) * self.width;
        for (channel, out) in out.into_iter().enumerate() {
            let (light, dark) = (&self.light[channel][at.clone()], &self.dark[channel][at.clone()]);
            let hot = self.hot[channel].get(at.clone());
            let photons = Line::new(seed, Purpose::Photons, n, (3 * y + channel) as u64);
            let deviates = &scratch.deviates[channel];
            let places = light.iter().zip(dark).zip(columns).zip(deviates);
            for (value, (((&light, &dark), &column), &z)) in out.iter_mut().zip(places) {
                let mean = light * lamp;
                *value = mean + dark + row + column + gain * shot_and_read(mean, read, z);
            }
            if self.special[y] {
                for (x, value) in out.iter_mut().enumerate() {
                    let mean = light[x] * lamp;
                    let current = hot.map_or(0.0, |hot| hot[x]);
                    let usual = current == 0.0 && (mean >= COUNTED || mean == 0.0);
                    if !usual {
                        let u = photons.uniform(x as u64);
                        let noise = few_electrons(mean + current, read, deviates[x], u);
                        *value = mean + dark[x] + row + columns[x] + gain * noise;
                    }
                }
            }
            converter.convert(out);
        }
    }
}

/// Shot noise of `mean` electrons and read noise of variance `read` in one draw; its mean is 0, its variance their sum.
#[inline]
fn shot_and_read(mean: f32, read: f32, z: f32) -> f32 {
    let variance = mean + read;
    // A sum's third cumulant is that of its Poisson part, the mean; the guard keeps 0/0 out of the dark.
    let bend = mean / (6.0 * variance.max(f32::MIN_POSITIVE));
    (variance - 2.0 * bend * bend).max(0.0).sqrt() * z + bend * (z * z - 1.0)
}

/// The same where few electrons are counted one by one, from a deviate `z` and a number `u` in 0..1.
fn few_electrons(mean: f32, read: f32, z: f32, u: f64) -> f32 {
    if mean < COUNTED { poisson(mean, u) - mean + read.sqrt() * z } else { shot_and_read(mean, read, z) }
}

/// From here on whole numbers are all that single precision has: 1.5·2²³.
const ROUND: f32 = 12_582_912.0;

/// Electrons to light in whole steps.
struct Converter {
    steps_per_electron: f32,
    light_per_step: f32,
}

impl Converter {
    fn new(level: &Exposure) -> Self {
        let step = level.step();
        Self { steps_per_electron: (1.0 / (level.electrons * step)) as f32, light_per_step: step as f32 }
    }

    fn convert(&self, values: &mut [f32]) {
        for value in values {
            let steps = *value * self.steps_per_electron;
            let steps = steps.clamp(-PEDESTAL_STEPS as f32, CONVERTER_STEPS as f32);
            // Rounds to the nearest whole number; `round` would be a call for each sample on the oldest processors
            // that this is built for.
            *value = ((steps + ROUND) - ROUND) * self.light_per_step;
        }
    }
}

/// Light of the steady scene from the image of its reflectances: exposure and fall-off.
pub(crate) fn picture(shot: &Shot, reflectances: &[f32], width: usize, height: usize) -> Vec<f32> {
    let light = |(at, &value): (usize, &f32)| {
        let fall = fall_off(shot.vignetting, at % width, at / width, width, height);
        (shot.light(f64::from(value)) * fall) as f32
    };
    reflectances.iter().enumerate().map(light).collect()
}

/// Share of light that reaches pixel (x, y): cos⁴ of an angle whose tangent grows from the middle, 1 − `loss` in the
/// corners.
pub(crate) fn fall_off(loss: f64, x: usize, y: usize, width: usize, height: usize) -> f64 {
    if loss <= 0.0 {
        return 1.0;
    }
    let (dx, dy) = (x as f64 + 0.5 - width as f64 / 2.0, y as f64 + 0.5 - height as f64 / 2.0);
    let corner = (width * width + height * height) as f64 / 4.0;
    let square = (1.0 / (1.0 - loss).sqrt() - 1.0) * (dx * dx + dy * dy) / corner;
    (1.0 + square).powi(-2)
}
