//! Lamps on alternating current: which ones a recording shows, whether the meter says so, and what it keeps of those that
//! stand still.

use noise_measure::format::{Channel, Matrix, Range};
use noise_measure::record::{NoteCode, RegionRecord};
use noise_measure::region::{Length, RegionSpec, Role};
use noise_measure::summary;
use simulated_camera::lamp::Lamp;

use super::case::seed;
use super::formats;
use super::stage::{Patch, Stage};

/// Frames a second.
pub const RATES: [(u32, u32); 7] =
    [(24_000, 1001), (24, 1), (25, 1), (30_000, 1001), (30, 1), (50, 1), (60_000, 1001)];

/// Swings a second.
pub const LAMPS: [f64; 2] = [100.0, 120.0];

/// One over the shutter times that a tester would use, in seconds; those longer than a frame are left out.
pub const SHUTTERS: [f64; 9] = [50.0, 60.0, 100.0, 120.0, 125.0, 250.0, 500.0, 1000.0, 2000.0];

/// Seconds from the first row to the last: a rolling shutter and a global one.
pub const READOUTS: [f64; 2] = [0.012, 0.0];

/// Depths of the lamps' swing.
pub const DEPTHS: [f64; 3] = [0.02, 0.1, 0.4];

/// Seconds of a clip.
pub const SECONDS: u64 = 10;

/// Movement of level or noise from which a lamp must be told, decibels.
const MOVES_DB: f64 = 0.1;

/// Cycles in a clip below which a lamp stands still, or nearly: locked to the rate.
const CYCLES: f64 = 3.0;

/// Pixels of the picture.
const SIZE: (u32, u32) = (72, 128);

/// Rows of the cards in it: one that fills most of it, and one too low for bands to be looked for.
pub const CARDS: [std::ops::Range<u32>; 2] = [16..112, 52..76];

/// Spread of the noise of R, G and B over their level.
const NOISE: f64 = 0.02;

/// A lamp, and a camera before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scene {
    /// Swings a second, and their depth.
    pub lamp: Lamp,
    /// Frames a second.
    pub rate: (u32, u32),
    /// One over the shutter time.
    pub shutter: f64,
    /// Seconds from the first row to the last.
    pub readout: f64,
}

/// What the lamp does to a card, by the lamp's closed form.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// Swing of the card's level in a clip, peak to peak, dB.
    pub level_db: f64,
    /// What it adds to the moving noise, dB.
    pub noise_db: f64,
}

/// What the meter says of a card in a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// `flicker_hz`.
    pub flicker_hz: Option<f64>,
    /// Whether the note `lamp` names the lamp.
    pub lamp: bool,
    /// Whether there is the note `band`.
    pub band: bool,
}

/// All scenes with lamps of `depth`.
#[must_use]
pub fn scenes(depth: f64) -> Vec<Scene> {
    let mut all = Vec::new();
    for frequency in LAMPS {
        for rate in RATES {
            for shutter in SHUTTERS {
                for readout in READOUTS {
                    let scene = Scene { lamp: Lamp { frequency, depth }, rate, shutter, readout };
                    if shutter >= scene.rate() {
                        all.push(scene);
                    }
                }
            }
        }
    }
    all
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

impl Scene {
    /// Frames a second.
    #[must_use]
    pub fn rate(self) -> f64 {
        f64::from(self.rate.0) / f64::from(self.rate.1)
    }

    /// Swings a second as frames sample them.
    #[must_use]
    pub fn alias(self) -> f64 {
        let rate = self.rate();
        (self.lamp.frequency - rate * (self.lamp.frequency / rate).round()).abs()
    }

    /// Whether the lamp stands still in the frames of a clip, or nearly.
    #[must_use]
    pub fn locked(self) -> bool {
        self.alias() * SECONDS as f64 * self.frames() as f64 / self.rate() < CYCLES
    }

    /// Frames of a window of about a second.
    fn frames(self) -> u64 {
        self.rate().round() as u64
    }

    /// The recording.
    fn stage(self) -> Stage {
        let patch = Patch::with_spread(0.18, 0.18 * NOISE);
        let mut stage = Stage::new(patch.shot(), formats::grey(SIZE, 12, Range::Narrow), self.frames());
        stage.rate = self.rate;
        let pixels = |count: u32| Length::Pixels(f64::from(count));
        stage.regions = CARDS
            .into_iter()
            .map(|rows| RegionSpec {
                name: format!("card of {} rows", rows.len()),
                x: pixels(8),
                y: pixels(rows.start),
                width: pixels(SIZE.0 - 16),
                height: pixels(rows.end - rows.start),
                role: Some(Role::Grey),
                reflectance: None,
            })
            .collect();
        stage.with(|shot| {
            shot.lamp = self.lamp;
            shot.exposure_time = 1.0 / self.shutter;
            shot.readout_time = self.readout;
        })
    }

    /// Level of each of `rows`, frame by frame, over that under a steady lamp.
    fn levels(self, frames: u64, rows: &std::ops::Range<u32>) -> Vec<Vec<f64>> {
        let shot = self.stage().seeded(0);
        let row = |n: u64, y: u32| shot.lamp_factor(n, y as usize, SIZE.1 as usize);
        (0..frames).map(|n| rows.clone().map(|y| row(n, y)).collect()).collect()
    }

    /// What the lamp does to the card on `rows`.
    #[must_use]
    pub fn effect(self, rows: &std::ops::Range<u32>) -> Effect {
        let clip: Vec<f64> =
            self.levels(SECONDS * self.frames(), rows).iter().map(|frame| mean(frame)).collect();
        let (least, most) = clip.iter().fold((f64::MAX, f64::MIN), |(a, b), &v| (a.min(v), b.max(v)));
        // The two-way residual of the levels in a window is what joins the moving noise.
        let window = self.levels(self.frames(), rows);
        let frames: Vec<f64> = window.iter().map(|frame| mean(frame)).collect();
        let by_row: Vec<f64> =
            (0..rows.len()).map(|y| mean(&window.iter().map(|frame| frame[y]).collect::<Vec<_>>())).collect();
        let whole = mean(&frames);
        let squares = window.iter().zip(&frames).flat_map(|(frame, level)| {
            frame.iter().zip(&by_row).map(move |(v, row)| (v - level - row + whole).powi(2))
        });
        let residual = squares.sum::<f64>() / ((window.len() - 1) * rows.len()) as f64;
        Effect {
            level_db: 20.0 * (most / least).log10(),
            noise_db: 10.0 * (1.0 + residual / noise_of_luma().powi(2)).log10(),
        }
    }

    /// Records a clip of `seconds` and reads what the meter says of each of [`CARDS`].
    ///
    /// # Panics
    /// Where a clip has no summary: a mistake in the meter.
    #[must_use]
    pub fn told(self, index: usize, seconds: u64) -> Vec<Told> {
        let windows = self.stage().measure(seed("lamps", index), 0, seconds);
        let clip = summary::summarize(&windows).expect("windows have a summary");
        let named = format!("{:.0} Hz", self.lamp.frequency);
        let of_card = |card: &RegionRecord| {
            let noted = |code: NoteCode, text: &str| {
                card.notes.iter().any(|n| n.code == code && n.text.contains(text))
            };
            Told {
                flicker_hz: card.components.get(Channel::Y).and_then(|y| y.flicker_hz),
                lamp: noted(NoteCode::Lamp, &named),
                band: noted(NoteCode::Band, ""),
            }
        };
        clip.regions.iter().map(of_card).collect()
    }
}

/// Spread of Y, which has Σw² of the variance that R, G and B do not share, over its level.
fn noise_of_luma() -> f64 {
    NOISE * Matrix::Bt709.luma_weights().iter().map(|w| w * w).sum::<f64>().sqrt()
}

impl Effect {
    /// Whether a tester must hear of it.
    #[must_use]
    pub fn matters(self) -> bool {
        self.level_db > MOVES_DB || self.noise_db > MOVES_DB
    }
}

impl Told {
    /// Whether anything is said.
    #[must_use]
    pub fn anything(&self) -> bool {
        self.flicker_hz.is_some() || self.lamp || self.band
    }
}

/// A lamp that stands still, in the profile of rows of a short shutter over that of the longest: how strongly its known
/// pattern is found there, 1 being right, with the standard error; `None` where the pattern swings by less than 0.1 dB.
#[must_use]
pub fn pattern(scene: Scene, index: usize) -> Option<(f64, f64)> {
    let longest = SHUTTERS.into_iter().find(|shutter| *shutter >= scene.rate())?;
    let long = Scene { shutter: longest, ..scene };
    let rows = 0..SIZE.1;
    let by_row = |scene: Scene| -> Vec<f64> {
        let window = scene.levels(scene.frames(), &rows);
        (0..rows.len()).map(|y| mean(&window.iter().map(|frame| frame[y]).collect::<Vec<_>>())).collect()
    };
    let expected: Vec<f64> =
        by_row(scene).iter().zip(by_row(long)).map(|(short, long)| short / long).collect();
    let (least, most) = expected.iter().fold((f64::MAX, f64::MIN), |(a, b), &v| (a.min(v), b.max(v)));
    if 20.0 * (most / least).log10() <= MOVES_DB {
        return None;
    }
    let profile = |scene: Scene, seed: u64| -> Vec<f64> {
        let record = scene.stage().window(seed);
        // 256 slices of fewer rows: each row stands in as many of them.
        let slices = record.frame.row_profile.unwrap_or_default();
        (0..rows.len()).map(|y| slices[y * slices.len() / rows.len()]).collect()
    };
    let measured: Vec<f64> = profile(scene, seed("pattern", 2 * index))
        .iter()
        .zip(profile(long, seed("pattern", 2 * index + 1)))
        .map(|(short, long)| short / long)
        .collect();
    let (centre, level) = (mean(&expected), mean(&measured));
    let squares: f64 = expected.iter().map(|x| (x - centre).powi(2)).sum();
    let products: f64 = expected.iter().zip(&measured).map(|(x, y)| (x - centre) * (y - level)).sum();
    // Noise of a row's mean over a window, in both profiles.
    let noise = noise_of_luma() * (2.0 / (f64::from(SIZE.0) * scene.frames() as f64)).sqrt();
    Some((products / squares, noise / squares.sqrt()))
}
