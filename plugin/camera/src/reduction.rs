//! Linear filters of known gain: a Gaussian in the picture, a recursive one in time.

/// The weights of a sampled Gaussian of `sigma` pixels, from −radius to +radius; they sum to 1. A single 1 for 0.
pub(crate) fn gaussian(sigma: f64) -> Vec<f64> {
    if sigma <= 0.0 {
        return vec![1.0];
    }
    // At four sigma the left-out weight is 6·10⁻⁵.
    let radius = (4.0 * sigma).ceil() as i32;
    let raw: Vec<f64> = (-radius..=radius).map(|k| (-0.5 * (f64::from(k) / sigma).powi(2)).exp()).collect();
    let sum: f64 = raw.iter().sum();
    raw.into_iter().map(|weight| weight / sum).collect()
}

/// Filters a plane along both axes; what lies outside is the picture mirrored at its edge.
pub(crate) fn blur(plane: &mut [f32], width: usize, height: usize, sigma: f64) {
    let kernel: Vec<f32> = gaussian(sigma).into_iter().map(|weight| weight as f32).collect();
    let radius = kernel.len() / 2;
    if radius == 0 || width == 0 || height == 0 {
        return;
    }
    let mut padded = vec![0.0_f32; width + 2 * radius];
    for row in plane.chunks_exact_mut(width) {
        for (i, value) in padded.iter_mut().enumerate() {
            *value = row[mirrored(i, radius, width)];
        }
        row.fill(0.0);
        for (k, &weight) in kernel.iter().enumerate() {
            for (value, &source) in row.iter_mut().zip(&padded[k..]) {
                *value += weight * source;
            }
        }
    }
    let source = plane.to_vec();
    for (y, row) in plane.chunks_exact_mut(width).enumerate() {
        row.fill(0.0);
        for (k, &weight) in kernel.iter().enumerate() {
            let from = mirrored(y + k, radius, height) * width;
            for (value, &source) in row.iter_mut().zip(&source[from..from + width]) {
                *value += weight * source;
            }
        }
    }
}

/// The sample for place `i` of a line of `size` samples with `radius` mirrored ones before and after it.
fn mirrored(i: usize, radius: usize, size: usize) -> usize {
    let period = 2 * size;
    let place = (i + period * radius.div_ceil(period) - radius) % period;
    place.min(period - 1 - place)
}

/// yₙ = a·yₙ₋₁ + (1−a)·xₙ, in place: `frame` comes in as xₙ and leaves as yₙ, and so does `state`.
pub(crate) fn recurse(state: &mut [f32], frame: &mut [f32], a: f32) {
    for (y, x) in state.iter_mut().zip(frame) {
        *y += (1.0 - a) * (*x - *y);
        *x = *y;
    }
}

/// Frames after which a recursive filter has forgotten its start: a^n = 2⁻²⁴, the last bit of a sample.
pub(crate) fn memory(a: f64) -> u64 {
    if a <= 0.0 { 0 } else { (-24.0 * std::f64::consts::LN_2 / a.ln()).ceil() as u64 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_have_the_published_sums() {
        // Sum of squares and lag-1 correlation of sampled Gaussians, summed once more with numpy 2.4.6.
        for (sigma, square, lag) in [(1.0, 0.282_124, 0.778_640), (0.5, 0.641_357, 0.261_193)] {
            let h = gaussian(sigma);
            let squares: f64 = h.iter().map(|w| w * w).sum();
            let lagged: f64 = h.windows(2).map(|w| w[0] * w[1]).sum();
            assert!((squares - square).abs() < 1e-5, "{squares}");
            assert!((lagged / squares - lag).abs() < 1e-4, "{}", lagged / squares);
        }
    }

    #[test]
    fn blur_keeps_even_planes_and_spreads_a_point() {
        let mut even = vec![0.25_f32; 7 * 3];
        blur(&mut even, 7, 3, 4.0);
        assert!(even.iter().all(|v| (v - 0.25).abs() < 1e-6));
        let mut point = vec![0.0_f32; 41 * 41];
        point[20 * 41 + 20] = 1.0;
        blur(&mut point, 41, 41, 1.5);
        let h = gaussian(1.5);
        for (dx, dy) in [(0, 0), (3, 1), (-2, 5)] {
            let want = h[(6 + dx) as usize] * h[(6 + dy) as usize];
            let got = point[((20 + dy) * 41 + 20 + dx) as usize];
            assert!((f64::from(got) - want).abs() < 1e-7);
        }
    }

    #[test]
    fn places_outside_are_mirrored() {
        let line: Vec<usize> = (0..9).map(|i| mirrored(i, 3, 3)).collect();
        assert_eq!(line, [2, 1, 0, 0, 1, 2, 2, 1, 0]);
    }
}
