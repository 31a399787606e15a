//! Power spectra of small fields and what they mean for lags, several lines of a field at a time.

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlannerScalar};
use std::sync::Arc;

use super::lanes::{COUNT, Lanes};

type Value = Complex<Lanes>;

/// Plans of transforms, kept from one region to the next.
///
/// The scalar planner on purpose: the results of others depend on the machine's vector instructions.
#[derive(Default)]
pub struct Plans(Option<FftPlannerScalar<Lanes>>);

impl std::fmt::Debug for Plans {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Plans").finish_non_exhaustive()
    }
}

/// Sum of the power spectra of fields of one size, zeros around them.
pub struct Power {
    width: usize,
    height: usize,
    across: Arc<dyn Fft<Lanes>>,
    down: Arc<dyn Fft<Lanes>>,
    /// [`COUNT`] rows side by side, group after group; the lines of a group follow each other.
    rows: Vec<Value>,
    /// The same of columns.
    columns: Vec<Value>,
    /// |F|², placed as `columns` are.
    power: Vec<Lanes>,
    scratch: Vec<Value>,
}

impl Power {
    /// No spectrum yet, of fields of `width` × `height` with their zeros.
    pub fn new(width: usize, height: usize, plans: &mut Plans) -> Self {
        let planner = plans.0.get_or_insert_with(FftPlannerScalar::new);
        let (across, down) = (planner.plan_fft_forward(width), planner.plan_fft_forward(height));
        let scratch = across.get_inplace_scratch_len().max(down.get_inplace_scratch_len());
        let zero = Value::default();
        Self {
            width,
            height,
            across,
            down,
            rows: vec![zero; width * height.div_ceil(COUNT)],
            columns: vec![zero; height * width.div_ceil(COUNT)],
            power: vec![Lanes::default(); height * width.div_ceil(COUNT)],
            scratch: vec![zero; scratch],
        }
    }

    /// Adds the spectrum of a complex field, given by its upper left `width` × `height` values; the rest is zero.
    pub fn add(&mut self, width: usize, height: usize, at: impl Fn(usize, usize) -> (f64, f64)) {
        let groups = height.div_ceil(COUNT);
        let rows = &mut self.rows[..groups * self.width];
        rows.fill(Value::default());
        for y in 0..height {
            let group = &mut rows[y / COUNT * self.width..][..width];
            for (x, value) in group.iter_mut().enumerate() {
                (value.re.0[y % COUNT], value.im.0[y % COUNT]) = at(x, y);
            }
        }
        // Rows of zeros stay what they are.
        self.across.process_with_scratch(rows, &mut self.scratch);
        self.turn(height, self.width.div_ceil(COUNT));
        self.down.process_with_scratch(&mut self.columns, &mut self.scratch);
        for (power, value) in self.power.iter_mut().zip(&self.columns) {
            *power = *power + (value.re * value.re + value.im * value.im);
        }
    }

    /// Real parts of the transform of the power at `dy` of `0..=down` and `dx` of `−across..=across`, row by row.
    pub fn lags(mut self, across: usize, down: usize) -> Vec<f64> {
        for (group, rows) in self.rows.chunks_exact_mut(self.width).enumerate() {
            for (x, value) in rows.iter_mut().enumerate() {
                *value = Value::default();
                for lane in 0..COUNT.min(self.height - group * COUNT) {
                    let power = self.power[x / COUNT * self.height + group * COUNT + lane];
                    value.re.0[lane] = power.0[x % COUNT];
                }
            }
        }
        self.across.process_with_scratch(&mut self.rows, &mut self.scratch);
        self.turn(self.height, self.width.div_ceil(COUNT));
        // Of the columns those of the lags alone are wanted.
        for (group, columns) in self.columns.chunks_exact_mut(self.height).enumerate() {
            let (first, last) = (group * COUNT, group * COUNT + COUNT - 1);
            if first <= across || last + across >= self.width {
                self.down.process_with_scratch(columns, &mut self.scratch);
            }
        }
        let column = |dx: isize| dx.rem_euclid(self.width as isize) as usize;
        let reach = across as isize;
        (0..=down)
            .flat_map(|dy| (-reach..=reach).map(move |dx| (column(dx), dy)))
            .map(|(x, dy)| self.columns[x / COUNT * self.height + dy].re.0[x % COUNT])
            .collect()
    }

    /// Places the upper `height` rows as columns, of which there are `groups` groups.
    fn turn(&mut self, height: usize, groups: usize) {
        for (group, columns) in self.columns.chunks_exact_mut(self.height).take(groups).enumerate() {
            columns[height..].fill(Value::default());
            let lanes = COUNT.min(self.width - group * COUNT);
            for (y, value) in columns[..height].iter_mut().enumerate() {
                let row = &self.rows[y / COUNT * self.width + group * COUNT..][..lanes];
                for (lane, from) in row.iter().enumerate() {
                    value.re.0[lane] = from.re.0[y % COUNT];
                    value.im.0[lane] = from.im.0[y % COUNT];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use rustfft::num_complex::Complex64;

    use super::*;

    /// Two-dimensional transform in place: rows, then columns, one after the other.
    fn plain(field: &mut [Complex64], width: usize, height: usize) {
        let mut planner = FftPlannerScalar::new();
        for row in field.chunks_exact_mut(width) {
            planner.plan_fft_forward(width).process(row);
        }
        for x in 0..width {
            let mut column: Vec<_> = (0..height).map(|y| field[y * width + x]).collect();
            planner.plan_fft_forward(height).process(&mut column);
            column.iter().enumerate().for_each(|(y, value)| field[y * width + x] = *value);
        }
    }

    #[test]
    fn lines_side_by_side_get_the_bits_that_they_get_alone() {
        let mut plans = Plans::default();
        for (w, h) in [(64, 64), (1, 1), (1, 9), (3, 2), (5, 64), (31, 17), (40, 4)] {
            let (across, down) = (15.min(w / 4), 15.min(h / 4));
            let (fw, fh) = (w + across, h + down);
            let mut power = Power::new(fw, fh, &mut plans);
            let mut sums = vec![0.0; fw * fh];
            for frame in 0..3u32 {
                let at = |x: usize, y: usize| {
                    let code = |k: u32| {
                        let mixed = (x as u32 * 7919 + y as u32 * 104_729 + frame * 31 + k)
                            .wrapping_mul(2_654_435_761);
                        f64::from(mixed >> 20) / 7.0 - 290.0
                    };
                    (code(1), code(2))
                };
                power.add(w, h, at);
                let mut field = vec![Complex64::default(); fw * fh];
                for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
                    let (re, im) = at(x, y);
                    field[y * fw + x] = Complex64::new(re, im);
                }
                plain(&mut field, fw, fh);
                sums.iter_mut().zip(&field).for_each(|(sum, value)| *sum += value.norm_sqr());
            }
            let mut field: Vec<_> = sums.iter().map(|&power| Complex64::new(power, 0.0)).collect();
            plain(&mut field, fw, fh);
            let ours = power.lags(across, down);
            let reach = across as isize;
            let mut place = ours.iter();
            for dy in 0..=down {
                for dx in -reach..=reach {
                    let wanted = field[dy * fw + dx.rem_euclid(fw as isize) as usize].re;
                    assert_eq!(place.next(), Some(&wanted), "{w}x{h} at {dx},{dy}");
                }
            }
            assert_eq!(place.next(), None);
        }
    }
}
