//! The demo session: an invented shoot, and every clip of it.

use simulated_camera::Camera;
use simulated_camera::lamp::Lamp;

/// Title of the session.
pub const TITLE: &str = "Night market: three simulated cameras";

/// Frames a second of every clip.
pub const RATE: u32 = 24;

/// Nanoseconds from the first row's exposure to the last one's; with the steady lamp it changes nothing.
pub const READOUT: u64 = 16_000_000;

/// Strength of the filtered mode's noise reduction, 0..=1: a Gaussian of 0.6 pixels and 0.19 of the frame before, 8 dB.
/// More would bury most steps under the rounding of 10 bits.
pub const STRENGTH: f64 = 0.2;

/// The cameras, by preset.
pub const CAMERAS: [&str; 3] = ["juniper", "larch", "rowan"];

/// ISO and shutter (one over …) of the finest ladder, by thirds of a stop; the numbers that cameras write.
const LADDER: [(u32, u32); 25] = [
    (250, 25),
    (320, 30),
    (400, 40),
    (500, 50),
    (640, 60),
    (800, 80),
    (1000, 100),
    (1250, 125),
    (1600, 160),
    (2000, 200),
    (2500, 250),
    (3200, 320),
    (4000, 400),
    (5000, 500),
    (6400, 640),
    (8000, 800),
    (10_000, 1000),
    (12_500, 1250),
    (16_000, 1600),
    (20_000, 2000),
    (25_000, 2500),
    (32_000, 3200),
    (40_000, 4000),
    (50_000, 5000),
    (64_000, 6400),
];

/// Fewest and most steps of a ladder.
pub const STEPS: std::ops::RangeInclusive<i64> = 2..=LADDER.len() as i64;

/// Steps from which on two of them are spoiled: fewer would hardly leave a ladder.
pub const SPOILED_FROM: u32 = 5;

/// Stops by which the spoiled exposure is off.
const DARKENED: f64 = -0.5;

/// The lamp of the other spoiled step: mains of 50 Hz, which swings 100 times a second.
const LAMP: Lamp = Lamp { frequency: 100.0, depth: 0.2 };

/// A recording mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// As the sensor gives it.
    Unfiltered,
    /// Noise reduction in space and time.
    Filtered,
}

impl Mode {
    /// Both, in the order of the session.
    pub const ALL: [Self; 2] = [Self::Unfiltered, Self::Filtered];

    /// The name in the session and in names of clips.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Unfiltered => "unfiltered",
            Self::Filtered => "filtered",
        }
    }
}

/// One clip of the session.
#[derive(Debug, Clone, PartialEq)]
pub struct Take {
    /// Preset and name of the camera.
    pub camera: &'static str,
    /// How it recorded.
    pub mode: Mode,
    /// ISO speed.
    pub iso: u32,
    /// Exposure time: one over so many seconds.
    pub shutter: u32,
    /// Stops off the right exposure.
    pub exposure: f64,
    /// The lamp; steady but where it spoils the step.
    pub lamp: Lamp,
    /// Decides every random number of the clip.
    pub seed: u64,
}

impl Take {
    /// File name of the clip; names sort by camera, mode and ISO.
    #[must_use]
    pub fn clip(&self) -> String {
        format!("{}-{}-{:05}.mkv", self.camera, self.mode.name(), self.iso)
    }

    /// The shutter as sessions write it.
    #[must_use]
    pub fn shutter(&self) -> String {
        format!("1/{}", self.shutter)
    }

    /// What is wrong with the step, in words.
    #[must_use]
    pub fn spoiled(&self) -> Option<String> {
        if self.lamp.flickers() {
            let (depth, frequency) = (100.0 * self.lamp.depth, self.lamp.frequency);
            return Some(format!(
                "lit by a lamp on alternating current, whose light swings by ±{depth:.0} % {frequency:.0} times a second"
            ));
        }
        (self.exposure != 0.0).then(|| {
            let way = if self.exposure < 0.0 { "too dark" } else { "too bright" };
            format!("exposed by {} stops {way}", self.exposure.abs())
        })
    }
}

/// All clips of a session of `steps` steps a ladder, by camera, then mode, then ISO; another `seed` makes other noise.
///
/// The steps are spread evenly over the ladder, so that nine of them are a stop apart.
#[must_use]
pub fn takes(steps: u32, seed: u32) -> Vec<Take> {
    let places = places(steps);
    let mut takes = Vec::new();
    for (c, camera) in CAMERAS.into_iter().enumerate() {
        for (m, mode) in Mode::ALL.into_iter().enumerate() {
            for (i, &k) in places.iter().enumerate() {
                let (iso, shutter) = LADDER[k];
                let (exposure, lamp) = spoil(camera, mode, i as u32, steps);
                // One number a clip of any session of this seed; the same step has it whatever the others are.
                let seed = 10_000 * u64::from(seed) + (1000 * c + 100 * m + k) as u64;
                takes.push(Take { camera, mode, iso, shutter, exposure, lamp, seed });
            }
        }
    }
    takes
}

/// Places in the finest ladder of `steps` steps.
fn places(steps: u32) -> Vec<usize> {
    let gaps = steps.saturating_sub(1).max(1);
    let last = LADDER.len() as u32 - 1;
    (0..steps)
        .map(|i| ((2 * i * last + gaps) / (2 * gaps)) as usize)
        .filter(|&k| k <= last as usize)
        .collect()
}

/// What happened at step `i` of `steps`: exposure and lamp.
fn spoil(camera: &str, mode: Mode, i: u32, steps: u32) -> (f64, Lamp) {
    if steps >= SPOILED_FROM {
        match (camera, mode) {
            ("larch", Mode::Unfiltered) if i == steps / 2 => return (DARKENED, Lamp::default()),
            ("rowan", Mode::Filtered) if i == steps - 2 => return (0.0, LAMP),
            _ => {}
        }
    }
    (0.0, Lamp::default())
}

/// The body behind a preset of [`CAMERAS`].
///
/// # Errors
/// Names a preset that is not known.
pub fn body(preset: &str) -> Result<Camera, String> {
    Camera::preset(preset).ok_or_else(|| format!("no camera is called {preset}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nine_steps_are_a_stop_apart_and_all_exposures_hold() {
        let isos: Vec<u32> = places(9).into_iter().map(|k| LADDER[k].0).collect();
        assert_eq!(isos, [250, 500, 1000, 2000, 4000, 8000, 16_000, 32_000, 64_000]);
        for (iso, shutter) in LADDER {
            // Rounded labels: 1/30 s is 1/31.5; none is off by a tenth of a stop.
            let stops = (f64::from(iso) / f64::from(shutter) / 10.0).log2();
            assert!(stops.abs() < 0.1, "ISO {iso} at 1/{shutter}: {stops}");
        }
    }

    #[test]
    fn every_number_of_steps_gives_so_many_different_ones_from_end_to_end() {
        for steps in STEPS.map(|steps| steps as u32) {
            let places = places(steps);
            assert_eq!(places.len(), steps as usize);
            assert!(places.windows(2).all(|pair| pair[0] < pair[1]), "{places:?}");
            assert_eq!((places[0], places[places.len() - 1]), (0, LADDER.len() - 1));
        }
    }

    #[test]
    fn clips_have_names_and_seeds_of_their_own() {
        let takes = takes(*STEPS.end() as u32, 3);
        let names: std::collections::BTreeSet<String> = takes.iter().map(Take::clip).collect();
        let seeds: std::collections::BTreeSet<u64> = takes.iter().map(|take| take.seed).collect();
        assert_eq!((names.len(), seeds.len()), (takes.len(), takes.len()));
        assert_eq!(takes.iter().filter(|take| take.spoiled().is_some()).count(), 2);
        assert!(super::takes(4, 3).iter().all(|take| take.spoiled().is_none()));
        // A step has its seed whatever the others are.
        let few = super::takes(4, 3);
        assert!(
            few.iter()
                .all(|take| takes.iter().any(|other| other.clip() == take.clip() && other.seed == take.seed))
        );
    }
}
