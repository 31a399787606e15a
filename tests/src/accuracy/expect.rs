//! Closed forms of what a meter should find, written out here apart from the meter's own.

use std::collections::BTreeMap;

use noise_measure::format::Channel;
use simulated_camera::truth::{self, ComponentTruth, RegionTruth};

use super::case::Truth;
use super::stage::Stage;

/// The truth of the first region of `stage` in an endless recording, in codes of what the camera writes.
///
/// # Panics
/// Where the scene has no even patch of the region's name: a mistake in a case.
#[must_use]
pub fn region(stage: &Stage) -> RegionTruth {
    let (name, shot) = (&stage.regions[0].name, &stage.shot);
    let of_scene = truth::truth(shot, &stage.format).regions;
    if let Some(region) = of_scene.into_iter().find(|region| region.name == *name) {
        return region;
    }
    let reflectance = shot.scene.targets()[0].reflectance.expect("flat and dark scenes are even");
    truth::region(shot, &stage.format, name, &[shot.light(reflectance)])
}

/// The truth of one component of it.
///
/// # Panics
/// Where the format has no such component: a mistake in a case.
#[must_use]
pub fn component(stage: &Stage, channel: Channel) -> ComponentTruth {
    let components: BTreeMap<String, ComponentTruth> = region(stage).components;
    components[channel.name()]
}

/// Codes that the meter sees for one of the camera's.
#[must_use]
pub fn codes_seen(stage: &Stage) -> f64 {
    let depth = |format: &noise_measure::format::FrameFormat| f64::from(format.components[0].depth);
    (depth(&stage.seen()) - depth(&stage.format)).exp2()
}

/// Expectation of the sample variance of `frames` values over the variance of one, where values k apart correlate by
/// rho(k): 1 − 2/(N−1)·Σ(1 − k/N)·ρ(k), N. B. not with the meter's own sums but straight from the definition.
#[must_use]
pub fn within_window(frames: u64, rho: impl Fn(u64) -> f64) -> f64 {
    let n = frames as f64;
    1.0 - 2.0 / (n - 1.0) * (1..frames).map(|k| (1.0 - k as f64 / n) * rho(k)).sum::<f64>()
}

/// Expectation of temporal² in a window of `stage`, in codes² as the meter sees them.
///
/// Behind a recursive filter a window reads low; what rounding adds does not remember.
#[must_use]
pub fn temporal(stage: &Stage, channel: Channel) -> f64 {
    let a = stage.shot.reduction.temporal;
    let corr_t = component(stage, channel).corr_t;
    endless(stage, channel)
        * within_window(stage.frames, |k| if k == 0 { 1.0 } else { corr_t * a.powi(k as i32 - 1) })
}

/// Expectation of temporal_long², in codes² as the meter sees them: as [`temporal`], but of an endless window.
///
/// The level of each frame is taken out, and with it what moving noise puts there: a sample's variance s² becomes
/// (s² − m²)·P/(P − 1), m² being the variance of a frame's mean over the P samples of the region.
#[must_use]
pub fn endless(stage: &Stage, channel: Channel) -> f64 {
    let truth = component(stage, channel);
    let (width, height) = stage.extent(channel);
    let rho = blurred(stage.shot.reduction.spatial);
    // Σ over the pairs that lie inside, over their number at lag 0.
    let along = |size: f64| {
        let pair = |(lag, rho): (usize, &f64)| {
            (1.0 - lag as f64 / size).max(0.0) * rho * if lag == 0 { 1.0 } else { 2.0 }
        };
        rho.iter().enumerate().map(pair).sum::<f64>()
    };
    let whole = (truth.temporal_codes * codes_seen(stage)).powi(2);
    let [row, column] = [truth.row, truth.column].map(|percent| codes_square(stage, channel, percent));
    let samples = width * height;
    let of_mean =
        (whole - row - column) * along(width) * along(height) / samples + row / height + column / width;
    (whole - of_mean) * samples / (samples - 1.0)
}

/// Expectation of temporal² in `frames` frames without filters as a function of seed and first frame, which decide how
/// strong each frame's noise is: what is multiplied by the frames' gain, and what rounding adds to it.
#[must_use]
pub fn drawn(stage: &Stage, channel: Channel, frames: u64) -> Truth {
    let with_gain = |change: f64| {
        let steady = stage.clone().with(|shot| {
            shot.camera.gain_change = change;
            shot.pulse = None;
        });
        endless(&steady, channel)
    };
    // The camera's truth is linear in the mean square of the gain, 1 + change².
    const CHANGE: f64 = 0.25;
    let steady = with_gain(0.0);
    let multiplied = (with_gain(CHANGE) - steady) / (CHANGE * CHANGE);
    let stage = stage.clone();
    Truth::Drawn(Box::new(move |seed, first| {
        let shot = stage.seeded(seed);
        let square = (first..first + frames).map(|n| shot.noise_gain(n).powi(2)).sum::<f64>() / frames as f64;
        steady + multiplied * (square - 1.0)
    }))
}

/// Spread of codes² of what the camera knows in percent.
#[must_use]
pub fn codes_square(stage: &Stage, channel: Channel, percent: f64) -> f64 {
    let depth = stage.format.components[0].depth;
    (percent / 100.0 * stage.format.scale(channel, depth).span * codes_seen(stage)).powi(2)
}

/// Standard error of `corr_t` in one window of `frames` frames of a recursive filter `a`, told by `samples` pixels that
/// do not depend on each other, to first order.
///
/// With M = I − J/N and C = M·R·M, e'e and e'Se (S: ½ beside the diagonal) have the covariances 2·tr(ACBC), A and B being
/// I or S; corr_t is what their ratio r is turned into by the inverse of tr(SC)/tr C as a function of a. Matrices are
/// multiplied out as they are written here, nothing is summed up beforehand.
#[must_use]
pub fn corr_t_error(a: f64, frames: u64, samples: f64) -> f64 {
    let n = frames as usize;
    let matrix = |of: &dyn Fn(usize, usize) -> f64| -> Vec<Vec<f64>> {
        (0..n).map(|i| (0..n).map(|j| of(i, j)).collect()).collect()
    };
    let times = |a: &[Vec<f64>], b: &[Vec<f64>]| matrix(&|i, j| (0..n).map(|k| a[i][k] * b[k][j]).sum());
    let trace = |a: &[Vec<f64>]| (0..n).map(|i| a[i][i]).sum::<f64>();
    let centred = |a: f64| {
        let m = matrix(&|i, j| f64::from(u8::from(i == j)) - 1.0 / n as f64);
        times(&times(&m, &matrix(&|i, j| a.powi(i.abs_diff(j) as i32))), &m)
    };
    let beside = matrix(&|i, j| if i.abs_diff(j) == 1 { 0.5 } else { 0.0 });
    let ratio = |a: f64| {
        let c = centred(a);
        trace(&times(&beside, &c)) / trace(&c)
    };
    const STEP: f64 = 1e-4;
    let slope = (ratio(a + STEP) - ratio(a - STEP)) / (2.0 * STEP);
    let (c, r) = (centred(a), ratio(a));
    let form = times(&matrix(&|i, j| beside[i][j] - if i == j { r } else { 0.0 }), &c);
    (2.0 * trace(&times(&form, &form)) / samples).sqrt() / (trace(&c) * slope.abs())
}

/// Correlations, from lag 0 on, that a sampled Gaussian of `sigma` pixels makes of white noise.
#[must_use]
pub fn blurred(sigma: f64) -> Vec<f64> {
    if sigma <= 0.0 {
        return vec![1.0];
    }
    let radius = (4.0 * sigma).ceil() as i32;
    let weights: Vec<f64> =
        (-radius..=radius).map(|k| (-0.5 * (f64::from(k) / sigma).powi(2)).exp()).collect();
    let product = |lag: usize| weights.iter().zip(&weights[lag..]).map(|(a, b)| a * b).sum::<f64>();
    (0..weights.len()).map(|lag| product(lag) / product(0)).collect()
}

/// Variance over that of the unclipped one, of a normal variable cut at α standard deviations from its mean, on one
/// side: Φ − αφ + α²(1 − Φ) − (αΦ̄ − φ)²; and its kurtosis about its mean, both by quadrature over the part that is left.
#[must_use]
pub fn clipped(alpha: f64) -> (f64, f64) {
    const STEP: f64 = 1e-3;
    let density = |z: f64| (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
    // Midpoints from the limit to ten standard deviations beyond, and the mass at the limit itself.
    let points: Vec<(f64, f64)> = (0..((10.0 + alpha) / STEP) as usize)
        .map(|i| {
            let z = -alpha + (i as f64 + 0.5) * STEP;
            (z, STEP * density(z))
        })
        .collect();
    let at_limit = 1.0 - points.iter().map(|(_, weight)| weight).sum::<f64>();
    let mean = points.iter().map(|(z, w)| z * w).sum::<f64>() - alpha * at_limit;
    let moment = |power: i32| {
        points.iter().map(|(z, w)| (z - mean).powi(power) * w).sum::<f64>()
            + at_limit * (-alpha - mean).powi(power)
    };
    let variance = moment(2);
    (variance, moment(4) / (variance * variance))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clipping_has_the_published_ratios() {
        // Half-normal: variance ½ − 1/(2π); the other ratios of spreads were computed with scipy 1.17.1.
        let (variance, _) = clipped(0.0);
        assert!((variance - (0.5 - 0.5 / std::f64::consts::PI)).abs() < 1e-6);
        assert!((clipped(1.0).0.sqrt() - 0.866_653).abs() < 1e-5);
        assert!((clipped(2.0).0.sqrt() - 0.979_896).abs() < 1e-5);
        assert!((clipped(8.0).1 - 3.0).abs() < 1e-6);
    }

    #[test]
    fn short_windows_of_a_filter_read_low() {
        // Recursive noise, a = 0.6: 0.4, 0.703 108 and 0.8312 of the variance in 2, 8 and 16 frames (numpy 2.4.6).
        for (frames, expected) in [(2, 0.4), (8, 0.703_108), (16, 0.8312)] {
            let kept = within_window(frames, |k| 0.6_f64.powi(k as i32));
            assert!((kept - expected).abs() < 5e-5, "{frames}: {kept}");
        }
    }

    #[test]
    fn errors_of_correlations_tend_to_the_closed_form() {
        // Bartlett's √((1 − a²)/n) for endless recordings, n = pixels times pairs; at 200 frames the window's own mean and
        // the correction for it still cost some percent, (1 + a)/(1 − a)/200 being 2.8 %.
        let long = corr_t_error(0.7, 200, 2.0);
        assert!((long / (0.51_f64 / 398.0).sqrt() - 1.0).abs() < 0.056, "{long}");
        assert!((corr_t_error(0.0, 200, 2.0) / 398.0_f64.sqrt().recip() - 1.0).abs() < 0.02);
    }
}
