//! Light to codes: curve, matrix, subsampling, quantising.

use noise_measure::format::{ComponentFormat, FrameFormat, Model, Range, Scale};
use noise_measure::transfer::Transfer;

use crate::exposure::{CONVERTER_STEPS, Exposure, PEDESTAL_STEPS};

/// Rows that are developed together; a multiple of every vertical subsampling.
pub(crate) const STRIP: usize = 16;

/// The curve at every step of the converter.
#[derive(Debug)]
pub(crate) struct Curve {
    steps_per_light: f32,
    signal: Box<[f32]>,
}

impl Curve {
    /// `transfer` over what the converter gives at `level`.
    pub fn new(transfer: Transfer, level: &Exposure) -> Self {
        let step = level.step();
        let count = (PEDESTAL_STEPS + CONVERTER_STEPS) as usize + 1;
        let signal =
            (0..count).map(|i| transfer.from_light((i as f64 - PEDESTAL_STEPS) * step) as f32).collect();
        Self { steps_per_light: (1.0 / step) as f32, signal }
    }

    /// Replaces light in whole steps by signal.
    pub fn apply_to_steps(&self, row: &mut [f32]) {
        let last = self.signal.len() - 1;
        for value in row {
            // Half a step more makes the cut to a whole number a rounding.
            let place = *value * self.steps_per_light + (PEDESTAL_STEPS as f32 + 0.5);
            *value = self.signal[(place as usize).min(last)];
        }
    }

    /// Replaces light by signal; between two steps, where a filter leaves light, by the line between them.
    pub fn apply(&self, row: &mut [f32]) {
        let last = self.signal.len() - 2;
        for value in row {
            let place = (*value * self.steps_per_light + PEDESTAL_STEPS as f32).max(0.0);
            let index = (place as usize).min(last);
            let (here, next) = (self.signal[index], self.signal[index + 1]);
            *value = here + (place - index as f32).min(1.0) * (next - here);
        }
    }
}

/// From signal to the codes of one component.
#[derive(Debug, Clone)]
pub(crate) struct Writer {
    /// Its place.
    pub format: ComponentFormat,
    /// Weights of R, G, B, in codes; their sum times a grey's signal, with `black`, is its code.
    weights: [f32; 3],
    black: f32,
    least: f32,
    most: f32,
}

impl Writer {
    /// The writers of all components of `format`.
    pub fn all(format: &FrameFormat) -> Vec<Self> {
        let rows = format.matrix.rows();
        let of = |component: &ComponentFormat| {
            let unit = match (format.model, component.channel.name()) {
                (Model::Rgb, "R") => [1.0, 0.0, 0.0],
                (Model::Rgb, "G") => [0.0, 1.0, 0.0],
                (Model::Rgb, _) => [0.0, 0.0, 1.0],
                (_, "Cb") => rows[1],
                (_, "Cr") => rows[2],
                _ => rows[0],
            };
            let Scale { black, span } = format.scale(component.channel, component.depth);
            let (least, most) = limits(format.range, component.depth);
            Self {
                format: *component,
                weights: unit.map(|weight| (weight * span) as f32),
                black: black as f32,
                least: least as f32,
                most: most as f32,
            }
        };
        format.components.iter().map(of).collect()
    }

    /// What R, G and B weigh in the component, in codes.
    pub fn weights(&self) -> [f64; 3] {
        self.weights.map(f64::from)
    }

    /// Code of black, least and largest code.
    pub fn levels(&self) -> (f64, f64, f64) {
        (self.black.into(), self.least.into(), self.most.into())
    }

    /// Writes the component's rows of a strip: `signal` holds `rows` rows of R, G and B, `out` the codes.
    pub fn write(&self, signal: [&[f32]; 3], width: usize, rows: usize, out: &mut [u16]) {
        let (across, down) = (self.format.horizontal, self.format.vertical);
        let [wr, wg, wb] = self.weights;
        let per_row = across.count(width as u32) as usize;
        if per_row == 0 {
            return;
        }
        let mut sums = vec![0.0_f32; width];
        for (j, codes) in out.chunks_exact_mut(per_row).enumerate() {
            let first = j * down.step as usize;
            let lines = first..(first + down.footprint as usize).min(rows);
            sums.fill(0.0);
            for line in lines.clone() {
                let at = line * width..(line + 1) * width;
                let [r, g, b] = signal.map(|plane| &plane[at.clone()]);
                for (sum, ((r, g), b)) in sums.iter_mut().zip(r.iter().zip(g).zip(b)) {
                    *sum += wr * r + wg * g + wb * b;
                }
            }
            if across.step == 1 {
                let share = 1.0 / lines.len() as f32;
                for (code, sum) in codes.iter_mut().zip(&sums) {
                    *code = self.quantise(sum * share);
                }
            } else {
                for (code, part) in codes.iter_mut().zip(sums.chunks(across.step as usize)) {
                    let share = 1.0 / (lines.len() * part.len()) as f32;
                    *code = self.quantise(part.iter().sum::<f32>() * share);
                }
            }
        }
    }

    #[inline]
    fn quantise(&self, codes: f32) -> u16 {
        // Halves go up: the addition and the cut make the nearest code of a number that is not negative.
        ((codes + self.black).clamp(self.least, self.most) + 0.5) as i32 as u16
    }
}

/// Least and largest code that is written: video data levels in narrow range (ITU-R BT.2100, table 9), all in full.
pub(crate) fn limits(range: Range, depth: u32) -> (f64, f64) {
    let all = f64::from(depth).exp2() - 1.0;
    match range {
        Range::Narrow if depth >= 8 => {
            let unit = (f64::from(depth) - 8.0).exp2();
            (unit, 255.0 * unit - 1.0)
        }
        _ => (0.0, all),
    }
}
