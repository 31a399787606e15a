//! Levels of whole frames over time: their slope, and a periodicity that is no accident.

use crate::numbers::ar1;
use rustfft::FftPlannerScalar;
use rustfft::num_complex::Complex;

use crate::numbers::quantile::fisher_f;

/// Chance at which white frame means are called periodic.
const FALSE_ALARM: f64 = 0.01;

/// Cycles that a periodicity must have in the record, so that a slope or a bend is not taken for one.
const LEAST_CYCLES: usize = 3;

/// Lamps are looked for among these mains-doubled frequencies, in Hz, …
const LAMPS: [u32; 2] = [100, 120];

/// … and this many multiples of each: beyond the fourth a lamp's ripple is far below its first.
const LAMP_HARMONICS: u32 = 4;

/// A least-squares line through frame means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Slope, units of the means a second.
    pub slope: f64,
    /// Variance about the line, divisor N − 2.
    pub variance: f64,
}

/// The strongest periodicity of frame means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Frequency as sampled, 0..frame rate/2: an alias of what the lamp does.
    pub hz: f64,
    /// Its share of the periodogram, 0..1: Fisher's g.
    pub g: f64,
}

/// The line through `means` at `times_s` seconds.
///
/// `None` for fewer than three points, unequal lengths, equal times, or numbers that are not finite.
#[must_use]
pub fn line(times_s: &[f64], means: &[f64]) -> Option<Line> {
    let n = means.len();
    if n < 3 || times_s.len() != n {
        return None;
    }
    let fit = Fit::new(times_s, means);
    let squares: f64 = times_s.iter().zip(means).map(|(&t, &m)| fit.residual(t, m).powi(2)).sum();
    let line = Line { slope: fit.slope, variance: squares / (n - 2) as f64 };
    (line.slope.is_finite() && line.variance.is_finite()).then_some(line)
}

/// Expectation of [`Line::variance`] over the variance of one mean, for means that remember each other by `a` a frame.
///
/// 1 for white ones. A line takes more from a series with memory: with u its constant and its slope, both of length 1,
/// (N − Σuᵀ R u)/(N − 2) is left.
#[must_use]
pub fn left_by_line(times_s: &[f64], a: Option<f64>) -> f64 {
    let n = times_s.len() as f64;
    let Some(a) = a.filter(|_| n > 2.0) else { return 1.0 };
    let time = centre(times_s);
    let length = times_s.iter().map(|t| (t - time) * (t - time)).sum::<f64>().sqrt();
    let constant = vec![n.sqrt().recip(); times_s.len()];
    let slope: Vec<f64> = times_s.iter().map(|t| (t - time) / length).collect();
    (n - ar1::quadratic(&constant, a) - ar1::quadratic(&slope, a)) / (n - 2.0)
}

/// A line through its own centre: no product of large times and levels is ever formed.
struct Fit {
    time: f64,
    mean: f64,
    slope: f64,
}

impl Fit {
    fn new(times: &[f64], means: &[f64]) -> Self {
        let (time, mean) = (centre(times), centre(means));
        let (products, squares) =
            times.iter().zip(means).fold((0.0, 0.0), |(products, squares), (&t, &m)| {
                (products + (t - time) * (m - mean), squares + (t - time) * (t - time))
            });
        Self { time, mean, slope: products / squares }
    }

    fn residual(&self, time: f64, mean: f64) -> f64 {
        (mean - self.mean) - self.slope * (time - self.time)
    }
}

/// The mean, by way of the first value so that a large common part costs no digits.
fn centre(values: &[f64]) -> f64 {
    let first = values.first().copied().unwrap_or_default();
    first + values.iter().map(|value| value - first).sum::<f64>() / values.len().max(1) as f64
}

/// The largest peak of the periodogram of `means`, taken at `frame_rate` frames a second, their line taken out first,
/// if it has three cycles or more in the record and is significant at 1 %.
///
/// Ordinates are those at whole cycles a record. Below rate/2 the test is Fisher's g, the largest ordinate over the sum
/// of all (R. A. Fisher 1929, Proc. R. Soc. A 125:54). An even record has an ordinate at rate/2 too, with one degree
/// of freedom where the others have two, so it belongs in neither part of g: its ratio to the mean of the others is
/// tested against F(1, 2m). Each of the m + 1 ordinates gets an equal part of the 1 %.
///
/// `None` for fewer than eight means and for a level that stands still.
#[must_use]
pub fn periodogram_peak(means: &[f64], frame_rate: f64) -> Option<Peak> {
    let n = means.len();
    if n < 8 || !(frame_rate > 0.0 && frame_rate.is_finite()) {
        return None;
    }
    let powers = periodogram(means)?;
    let (paired, half_rate) = if n.is_multiple_of(2) {
        (powers.get(1..n / 2)?, powers.last().copied())
    } else {
        (powers.get(1..)?, None)
    };
    let count = paired.len();
    let sum: f64 = paired.iter().sum();
    let (at, largest) = paired.iter().copied().enumerate().max_by(|(_, a), (_, b)| a.total_cmp(b))?;

    // What rounding of the means alone would leave must not be tested.
    let scale = means.iter().fold(0.0, |size, mean| mean.abs().max(size)) * n as f64;
    if sum + half_rate.unwrap_or(0.0) <= (1e-13 * scale).powi(2) {
        return None;
    }
    let part = FALSE_ALARM / (count + usize::from(half_rate.is_some())) as f64;

    // The ordinate at rate/2 has the whole of its oscillation, the others half of theirs each side of zero.
    if let Some(power) = half_rate.filter(|&power| power > 2.0 * largest) {
        let ratio = power / (sum / count as f64);
        let significant = ratio > fisher_f(1.0 - part, 1.0, 2.0 * count as f64);
        return significant.then(|| Peak { hz: 0.5 * frame_rate, g: power / (power + 2.0 * sum) });
    }
    let (cycles, g) = (at + 1, largest / sum);
    (cycles >= LEAST_CYCLES && fisher_probability(g, count) <= part * count as f64)
        .then(|| Peak { hz: cycles as f64 * frame_rate / n as f64, g })
}

/// Chance that the largest of `count` ordinates of white noise has a share above `g`:
/// Σ_j (−1)^(j−1)·C(m, j)·(1 − j·g)^(m−1) over j·g < 1.
fn fisher_probability(g: f64, count: usize) -> f64 {
    let m = count as f64;
    let mut log_choose = 0.0;
    let mut sum = 0.0;
    for j in 1..=count {
        let left = 1.0 - j as f64 * g;
        if left <= 0.0 {
            break;
        }
        log_choose += ((m - j as f64 + 1.0) / j as f64).ln();
        let term = (log_choose + (m - 1.0) * left.ln()).exp();
        // Terms grow to e^first before they fall. Beyond 20 they would drown the sum in rounding, and it is 1 to 2e-9.
        if j == 1 && term > 20.0 {
            return 1.0;
        }
        sum += if j % 2 == 1 { term } else { -term };
        if term < 1e-18 {
            break;
        }
    }
    sum.clamp(0.0, 1.0)
}

/// Lamp frequencies that frames at `frame_rate` show as `alias_hz`: 100 and 120 Hz and their multiples up to the
/// fourth for which |k·rate ± alias| comes within `tolerance_hz` for a whole k; lowest first.
///
/// A tolerance of one bin of the periodogram, rate/N, admits what the record could not tell apart.
#[must_use]
pub fn lamp_candidates(alias_hz: f64, frame_rate: f64, tolerance_hz: f64) -> Vec<f64> {
    if !(frame_rate > 0.0 && frame_rate.is_finite()) {
        return Vec::new();
    }
    let mut lamps: Vec<f64> = LAMPS
        .iter()
        .flat_map(|lamp| (1..=LAMP_HARMONICS).map(move |harmonic| f64::from(lamp * harmonic)))
        .filter(|lamp| {
            let seen = (lamp - frame_rate * (lamp / frame_rate).round()).abs();
            (seen - alias_hz).abs() <= tolerance_hz
        })
        .collect();
    lamps.sort_by(f64::total_cmp);
    lamps
}

/// |DFT|² of the means less their line, at 0, 1, … n/2 cycles a record.
fn periodogram(means: &[f64]) -> Option<Vec<f64>> {
    let times: Vec<f64> = (0..means.len()).map(|index| index as f64).collect();
    let fit = Fit::new(&times, means);
    let mut buffer: Vec<Complex<f64>> =
        times.iter().zip(means).map(|(&t, &m)| Complex::new(fit.residual(t, m), 0.0)).collect();
    FftPlannerScalar::new().plan_fft_forward(buffer.len()).process(&mut buffer);
    buffer.truncate(means.len() / 2 + 1);
    let powers: Vec<f64> = buffer.iter().map(Complex::norm_sqr).collect();
    powers.iter().all(|power| power.is_finite()).then_some(powers)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Steele, Lea & Flood's SplitMix64: number `index` of stream `seed`.
    fn random(seed: u64, index: u64) -> f64 {
        let mut bits = (seed << 32).wrapping_add(index).wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn gaussian(seed: u64, index: u64) -> f64 {
        let radius = (-2.0 * (1.0 - random(seed, 2 * index)).ln()).sqrt();
        radius * (2.0 * PI * random(seed, 2 * index + 1)).cos()
    }

    #[test]
    fn a_line_is_found_exactly() {
        let times: Vec<f64> = (0..9).map(|i| 1e6 + f64::from(i) * 0.04).collect();
        let means: Vec<f64> = (0..9).map(|i| 50_000.0 + 0.25 * f64::from(i)).collect();
        let found = line(&times, &means).expect("nine points");
        // Times of 1e6 s carry 1e-10 s of rounding over a span of 0.32 s.
        assert!((found.slope - 6.25).abs() < 1e-8, "{found:?}");
        assert!(found.variance < 1e-16, "{found:?}");
        // By hand: S_tt = 35/4, S_tm = 31/4, S_mm = 35/4, and (S_mm − S_tm²/S_tt)/2. numpy 2.4.6 polyfit agrees.
        let found = line(&[0.0, 1.0, 2.0, 4.0], &[1.0, 3.0, 2.0, 5.0]).expect("four points");
        assert!((found.slope - 31.0 / 35.0).abs() < 1e-14);
        assert!((found.variance - 33.0 / 35.0).abs() < 1e-14);
    }

    #[test]
    fn no_line_without_points() {
        assert_eq!(line(&[0.0, 1.0], &[1.0, 2.0]), None);
        assert_eq!(line(&[0.0, 1.0, 2.0], &[1.0, 2.0]), None);
        assert_eq!(line(&[1.0; 5], &[1.0, 2.0, 3.0, 4.0, 5.0]), None);
        assert_eq!(line(&[0.0, 1.0, 2.0], &[1.0, f64::NAN, 2.0]), None);
        assert_eq!(periodogram_peak(&[1.0, 2.0, 1.0], 25.0), None);
        assert_eq!(periodogram_peak(&[f64::NAN; 25], 25.0), None);
        assert_eq!(periodogram_peak(&[7.3; 64], 25.0), None);
        assert_eq!(periodogram_peak(&[0.0; 64], 25.0), None);
        let ramp: Vec<f64> = (0..200).map(|i| 0.1 * f64::from(i)).collect();
        assert_eq!(periodogram_peak(&ramp, 25.0), None, "a slope has no period");
        assert_eq!(periodogram_peak(&ramp, f64::NAN), None);
        assert_eq!(periodogram_peak(&ramp, 0.0), None);
    }

    #[test]
    fn probabilities_of_g() {
        // Fisher (1929), table of g at 5 %: m = 5: 0.68377, m = 10: 0.44495, m = 50: 0.13135.
        for (m, g) in [(5, 0.683_77), (10, 0.444_95), (50, 0.131_35)] {
            let p = fisher_probability(g, m);
            // Half of the table's last digit, times the slope of the first term, m(m − 1)(1 − g)^(m − 2).
            let slope = (m * (m - 1)) as f64 * (1.0 - g).powi(m as i32 - 2);
            assert!((p - 0.05).abs() < 0.5e-5 * slope + 1e-9, "{m}: {p}");
        }
        assert_eq!(fisher_probability(1.0, 9), 0.0);
        assert_eq!(fisher_probability(0.0, 1000), 1.0);
        assert!((fisher_probability(1.0 / 3.0, 3) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn white_noise_is_rarely_called_periodic() {
        const RECORDS: u64 = 20_000;
        for n in [50_u64, 51, 240] {
            let alarms = (0..RECORDS)
                .filter(|seed| {
                    let means: Vec<f64> =
                        (0..n).map(|frame| 400.0 + gaussian(seed * 1000 + n, frame)).collect();
                    periodogram_peak(&means, 25.0).is_some()
                })
                .count();
            // The two lowest ordinates cannot alarm (−2/m), and the line takes one of 2m degrees of freedom from the
            // sum that g is a share of (+(ln m + ln 100)/2m at most); the rest is 4 binomial standard errors.
            let m = 0.5 * n as f64;
            let (least, most) =
                (FALSE_ALARM * (1.0 - 2.0 / m), FALSE_ALARM * (1.0 + (100.0 * m).ln() / (2.0 * m)));
            let error = 4.0 * (most / RECORDS as f64).sqrt();
            let rate = alarms as f64 / RECORDS as f64;
            assert!(rate > least - error && rate < most + error, "{n}: {rate} for {least}..{most}");
        }
    }

    #[test]
    fn a_sine_is_found_at_its_alias() {
        for (lamp, rate, alias) in
            [(100.0, 24.0, 4.0), (120.0, 25.0, 5.0), (100.0, 30.0, 10.0), (120.0, 50.0, 20.0)]
        {
            for n in [120_u64, 121, 600] {
                let means: Vec<f64> = (0..n)
                    .map(|frame| {
                        500.0
                            + 0.01 * frame as f64
                            + 0.5 * (2.0 * PI * lamp * frame as f64 / rate + 0.3).cos()
                            + 0.3 * gaussian(n, frame)
                    })
                    .collect();
                let peak = periodogram_peak(&means, rate).expect("a peak");
                let bin = rate / n as f64;
                assert!((peak.hz - alias).abs() <= 0.5 * bin + 1e-9, "{peak:?}");
                assert!(lamp_candidates(peak.hz, rate, bin).contains(&lamp));
            }
        }
    }

    #[test]
    fn frames_in_alternation_beat_at_half_the_rate() {
        let means: Vec<f64> = (0..48)
            .map(|frame| 100.0 + if frame % 2 == 0 { 0.4 } else { -0.4 } + 0.3 * gaussian(3, frame))
            .collect();
        let peak = periodogram_peak(&means, 25.0).expect("a peak");
        assert!((peak.hz - 12.5).abs() < 1e-12);
        assert!(peak.g > 0.3 && peak.g < 1.0);
    }

    #[test]
    fn slow_waves_are_no_flicker() {
        let means: Vec<f64> =
            (0..100).map(|frame| (2.0 * PI * 2.0 * f64::from(frame) / 100.0).sin()).collect();
        assert_eq!(periodogram_peak(&means, 25.0), None);
    }

    #[test]
    fn lamps_by_their_alias() {
        assert_eq!(lamp_candidates(4.0, 24.0, 0.1), [100.0]);
        assert_eq!(lamp_candidates(8.0, 24.0, 0.1), [200.0, 400.0]);
        // 24000/1001: 100 Hz at 4.0959 Hz; 120 Hz crawls at 0.1199 Hz, its multiples at twice that and on.
        assert_eq!(lamp_candidates(4.0959, 24000.0 / 1001.0, 0.01), [100.0]);
        assert_eq!(lamp_candidates(0.1199, 24000.0 / 1001.0, 0.01), [120.0]);
        assert_eq!(lamp_candidates(0.0, 25.0, 0.05), [100.0, 200.0, 300.0, 400.0]);
        assert_eq!(lamp_candidates(7.0, 24.0, 0.1), [0.0; 0]);
        assert_eq!(lamp_candidates(4.0, f64::NAN, 0.1), [0.0; 0]);
    }
}
