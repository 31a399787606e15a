//! A sensor measured by hand: photon transfer, and ladders of exposures.

use noise_measure::format::{Channel, Range};
use simulated_camera::Shot;

use super::case::seed;
use super::formats;
use super::parallel;
use super::quantity::Quantity;
use super::stage::{Patch, Stage};
use super::statistics::{Scores, moments};
use super::table::Row;

/// A straight line through points of known error, and how well it is known.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    /// Value at 0.
    pub start: f64,
    /// Slope.
    pub slope: f64,
    /// Variance of `start`, covariance, variance of `slope`.
    pub errors: [f64; 3],
}

impl Line {
    /// Weighted least squares on (x, y, standard error of y).
    #[must_use]
    pub fn fit(points: &[(f64, f64, f64)]) -> Self {
        let sum =
            |of: &dyn Fn(f64, f64) -> f64| points.iter().map(|&(x, y, e)| of(x, y) / (e * e)).sum::<f64>();
        let (one, x, xx) = (sum(&|_, _| 1.0), sum(&|x, _| x), sum(&|x, _| x * x));
        let (y, xy) = (sum(&|_, y| y), sum(&|x, y| x * y));
        let determinant = one * xx - x * x;
        Self {
            start: (xx * y - x * xy) / determinant,
            slope: (one * xy - x * y) / determinant,
            errors: [xx / determinant, -x / determinant, one / determinant],
        }
    }
}

/// Electrons of white, read noise: a small sensor at a middling ISO.
const OF_WHITE: f64 = 20_000.0;
const READ_E: f64 = 20.0;
const FRAMES: u64 = 24;

/// Stops from the card's right exposure at which the transfer is taken.
const STOPS: [f64; 7] = [-5.0, -4.0, -3.0, -2.0, -1.0, 0.0, 1.0];

fn stage(patch: Patch, side: u32) -> Stage {
    Stage::new(patch.shot(), formats::rgb((side, side), 16, Range::Narrow), FRAMES)
}

/// Steps of the converter in electrons.
fn step_e(shot: &Shot) -> f64 {
    let level = shot.level();
    level.step() * level.electrons
}

/// Codes an electron gives, at light 1 for white.
fn codes_per_electron(stage: &Stage) -> f64 {
    stage.format.scale(Channel::R, 16).span / OF_WHITE
}

/// Photon transfer: variance against level over [`STOPS`], the slope being codes an electron and the value in the dark
/// the read noise's.
#[must_use]
pub fn photon_transfer(seeds: usize) -> Vec<Row> {
    const NAME: &str = "photon transfer, 7 exposures";
    let found = parallel::map(seeds, |index| {
        let points: Vec<(f64, f64, f64)> = STOPS
            .iter()
            .enumerate()
            .map(|(k, stops)| {
                let light = 0.18 * stops.exp2();
                let patch = Patch { light, electrons: light * OF_WHITE, read_e: READ_E };
                let stage = stage(patch, 96);
                let record = stage.window(seed(NAME, index * STOPS.len() + k));
                let read = |quantity: Quantity| quantity.read(&record, Channel::R).expect("nothing is null");
                let (level, noise) = (read(Quantity::Mean).value, read(Quantity::Temporal));
                // The level's own error is left out: of photons it shares so much with that of the variance that the
                // fit is better without it. (Var(s² − K·x̄) = K⁴·(2(μ + r²)² + r²)/n for a Poisson μ.)
                let level = level / 100.0 * stage.format.scale(Channel::R, 16).span;
                (level, noise.value, noise.error.expect("a record's own error"))
            })
            .collect();
        Line::fit(&points)
    });
    let stage = stage(Patch { light: 0.18, electrons: 0.18 * OF_WHITE, read_e: READ_E }, 96);
    let gain = codes_per_electron(&stage);
    // What the converter's steps and the codes round adds to the read noise.
    let read = (READ_E.powi(2) + (step_e(&stage.shot).powi(2) + gain.powi(-2)) / 12.0).sqrt();
    let slopes: Vec<(f64, f64)> = found.iter().map(|line| (line.slope, line.errors[2].sqrt())).collect();
    let reads: Vec<(f64, f64)> = found
        .iter()
        .map(|line| {
            let value = line.start.sqrt() / line.slope;
            // ln r = ½·ln start − ln slope.
            let [start, both, slope] = line.errors;
            let relative = start / (4.0 * line.start * line.start) - both / (line.start * line.slope)
                + slope / (line.slope * line.slope);
            (value, value * relative.sqrt())
        })
        .collect();
    vec![
        Row::of_values(NAME, "gain, codes an electron", gain, &slopes, 4, ""),
        Row::of_values(NAME, "read noise", read, &reads, 3, " e"),
    ]
}

/// One exposure of a ladder: ISO is doubled where the electrons are halved.
fn rung(electrons: f64, read_e: f64) -> Stage {
    Stage::new(
        Patch { light: 0.18, electrons, read_e }.shot(),
        formats::grey((128, 128), 16, Range::Narrow),
        FRAMES,
    )
}

/// Fall of `snr_temporal_db` over each stop of a ladder that begins with `electrons`.
fn ladder(name: &str, electrons: f64, read_e: f64, stops: usize, seeds: usize) -> Vec<Row> {
    let rungs: Vec<Stage> =
        (0..=stops).map(|stop| rung(electrons * (-(stop as f64)).exp2(), read_e)).collect();
    // 20·log₁₀ of μ/√(μ + r²), what rounding adds to r² included.
    let snr = |stage: &Stage| {
        let electrons = stage.shot.level().electrons * 0.18;
        let rounding = step_e(&stage.shot).powi(2) / 12.0;
        20.0 * (electrons / (electrons + read_e * read_e + rounding).sqrt()).log10()
    };
    let measured = parallel::map(seeds, |index| {
        let read = |(k, stage): (usize, &Stage)| {
            let record = stage.window(seed(name, index * (stops + 1) + k));
            let reading = Quantity::Snr.read(&record, Channel::Y).expect("light and noise are known");
            (reading.value, reading.error.expect("a record's own error"))
        };
        rungs.iter().enumerate().map(read).collect::<Vec<_>>()
    });
    (0..stops)
        .map(|stop| {
            let falls: Vec<(f64, f64)> = measured
                .iter()
                .map(|snrs| {
                    let ((before, first), (after, second)) = (snrs[stop], snrs[stop + 1]);
                    (before - after, first.hypot(second))
                })
                .collect();
            let what = format!("fall from {:.0} to {:.0} e", rungs[stop].shot.level().electrons * 0.18, {
                rungs[stop + 1].shot.level().electrons * 0.18
            });
            Row::of_values(name, &what, snr(&rungs[stop]) - snr(&rungs[stop + 1]), &falls, 3, " dB")
        })
        .collect()
}

/// Ladders that photons limit (3.01 dB a stop) and that read noise limits (6.02 dB, as nearly as a signal can be that
/// is not lost in it).
#[must_use]
pub fn ladders(seeds: usize) -> Vec<Row> {
    let photons = ladder("ladder, photons alone", 64_000.0, 0.0, 6, seeds);
    let read = ladder("ladder, read noise 1000 e", 32_000.0, 1000.0, 3, seeds);
    photons.into_iter().chain(read).collect()
}

impl Row {
    /// A row of a number whose values and claimed errors are given, shown with `digits` and a `unit`.
    #[must_use]
    pub fn of_values(
        case: &str,
        number: &str,
        truth: f64,
        values: &[(f64, f64)],
        digits: usize,
        unit: &str,
    ) -> Self {
        let z: Vec<f64> = values.iter().map(|(value, error)| (value - truth) / error).collect();
        let measured = moments(&values.iter().map(|(value, _)| *value).collect::<Vec<_>>()).0;
        let error = values.iter().map(|(_, error)| error).sum::<f64>() / values.len() as f64;
        let scores = Scores::of(&z);
        Self {
            case: case.to_owned(),
            number: number.to_owned(),
            shown: [truth, measured, measured - truth, error].map(|value| format!("{value:.digits$}{unit}")),
            scores,
            fault: if scores.hold() { String::new() } else { "out of bounds".to_owned() },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_given_back_with_its_textbook_errors() {
        // y = 2 + 3x at x = 0, 1, 2 with error 0.1: Var(slope) = 0.01/2, Var(start) = 0.01·5/6, covariance −0.01/2.
        let line = Line::fit(&[(0.0, 2.0, 0.1), (1.0, 5.0, 0.1), (2.0, 8.0, 0.1)]);
        assert!((line.start - 2.0).abs() < 1e-12 && (line.slope - 3.0).abs() < 1e-12);
        for (found, known) in line.errors.into_iter().zip([0.05 / 6.0, -0.005, 0.005]) {
            assert!((found - known).abs() < 1e-12);
        }
    }
}
