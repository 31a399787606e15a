//! Moving noise from the sums of one or more stacks: spread, lines, correlations, degrees of freedom.

use crate::ar1;
use crate::spatial::Correlation;

/// Sums of all stacks of a component, added: two fields of a window, or the windows of a clip.
#[derive(Debug, Clone, Default)]
pub struct MovingSums {
    /// Weight P − 1 and frames N of every stack.
    pub stacks: Vec<ar1::Stack>,
    /// Samples a row and rows, of a field where there are fields.
    pub width: f64,
    /// Rows.
    pub height: f64,
    /// Σe².
    pub c0: f64,
    /// Σe·e_right, brought to W products a row; none with one column.
    pub cx: Option<f64>,
    /// Σe·e_below, brought to H products a column; none with one row.
    pub cy: Option<f64>,
    /// Σe·e_next, brought to N − 1 pairs.
    pub ct: Option<f64>,
    /// Σe·e_next-but-one, brought to N − 2 pairs.
    pub ct2: Option<f64>,
}

/// Correlation of successive frames as it can be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum InTime {
    /// corr_t, and whether lag 2 agrees with a first-order recursion.
    Known {
        /// Lag 1, corrected for the window's length.
        a: f64,
        /// Whether lag 2 is within 0.1 of what `a` makes it.
        recursive: bool,
    },
    /// At 0.95 or over.
    TooHigh,
    /// Too few frames.
    Unknown,
}

/// Largest departure of lag 2 from the recursion's.
const LAG_2_TOLERANCE: f64 = 0.1;

/// What lines and neighbours show, codes².
#[derive(Debug, Clone, Copy, Default)]
pub struct Lines {
    /// Variance of a row's moving offset.
    pub row: Option<f64>,
    /// Variance of a column's moving offset.
    pub column: Option<f64>,
    /// m², the variance of a frame's mean that moving noise makes.
    pub frame_mean: f64,
    /// s², the variance of a sample.
    pub sample: f64,
    /// Σρ of the noise without lines over the ±15 box.
    pub integral: f64,
}

impl MovingSums {
    /// Σ(P − 1)(N − 1).
    #[must_use]
    pub fn freedom(&self) -> f64 {
        self.stacks.iter().map(|stack| stack.weight * (stack.frames.saturating_sub(1)) as f64).sum()
    }

    /// Variance of the two-way residual; `None` with fewer than two frames or samples.
    #[must_use]
    pub fn variance(&self) -> Option<f64> {
        let freedom = self.freedom();
        (freedom > 0.0).then(|| self.c0 / freedom)
    }

    /// Mean samples a frame.
    fn samples(&self) -> f64 {
        self.width * self.height
    }

    /// N/(N − 1), pooled.
    fn lift(&self) -> f64 {
        let frames: f64 = self.stacks.iter().map(|stack| stack.weight * stack.frames as f64).sum();
        frames / self.freedom()
    }

    /// Σ over stacks of samples times frames.
    fn values(&self) -> f64 {
        self.stacks.iter().map(|stack| (stack.weight + 1.0) * stack.frames as f64).sum()
    }

    /// Correlation of successive frames.
    #[must_use]
    pub fn in_time(&self) -> InTime {
        let Some(ct) = self.ct.filter(|_| self.c0 > 0.0) else { return InTime::Unknown };
        match ar1::correlation(&self.stacks, ct / self.c0) {
            ar1::Correlation::Value(a) => {
                let recursive = match (self.ct2, ar1::expected(&self.stacks, 2, a)) {
                    (Some(ct2), Some(expected)) => (ct2 / self.c0 - expected).abs() <= LAG_2_TOLERANCE,
                    // Without a pair at distance 2 nothing speaks against the recursion.
                    _ => true,
                };
                InTime::Known { a, recursive }
            }
            ar1::Correlation::TooHigh => InTime::TooHigh,
            ar1::Correlation::Unknown => InTime::Unknown,
        }
    }

    /// Lines and the variance of frame means, from the mean products of far samples in rows and columns.
    #[must_use]
    pub fn lines(&self, row: Option<f64>, column: Option<f64>, rho: Option<&Correlation>) -> Option<Lines> {
        let p = self.samples();
        let within = self.variance()? * (p - 1.0) / p;
        // A row's offset cannot be told from the frame's level with one row, and hardly with few.
        let row = row.filter(|_| self.height >= 4.0).map(|product| product * self.lift());
        let column = column.filter(|_| self.width >= 4.0).map(|product| product * self.lift());
        let mut lines = Lines { row, column, frame_mean: 0.0, sample: within, integral: 1.0 };
        for _ in 0..200 {
            let before = lines.frame_mean;
            lines.sample = within + before;
            lines.row = row.map(|product| product + before);
            lines.column = column.map(|product| product + before);
            let (r, c) = (lines.row.unwrap_or(0.0), lines.column.unwrap_or(0.0));
            lines.integral = rho.map_or(1.0, |rho| integral(rho, r / lines.sample, c / lines.sample));
            let spread = lines.integral.min(p / 2.0) / p;
            lines.frame_mean = (lines.sample - r - c) * spread + r / self.height + c / self.width;
            if (lines.frame_mean - before).abs() <= 1e-12 * lines.sample {
                break;
            }
        }
        Some(lines)
    }

    /// Correlation of horizontal and vertical neighbours with lines taken out.
    #[must_use]
    pub fn neighbours(&self, lines: &Lines) -> [Option<f64>; 2] {
        let (r, c) = (lines.row.unwrap_or(0.0), lines.column.unwrap_or(0.0));
        let spread = lines.sample - r - c;
        let values = self.values();
        let one = |sum: Option<f64>, line: f64| {
            let product = sum? / values * self.lift();
            (spread > 0.0).then(|| (product + lines.frame_mean - line) / spread)
        };
        [one(self.cx, r), one(self.cy, c)]
    }

    /// R_xy: Σρ² over the ±15 box less what chance adds, and lines beyond it; at least 1.
    #[must_use]
    pub fn spatial_redundancy(&self, lines: &Lines, rho: Option<&Correlation>) -> f64 {
        let share = |line: Option<f64>| line.unwrap_or(0.0) / lines.sample;
        let (qr, qc) = (share(lines.row), share(lines.column));
        let far = (self.width - 31.0).max(0.0) * qr * qr + (self.height - 31.0).max(0.0) * qc * qc;
        let near = rho.map_or(1.0, |rho| rho.sum(|_, _, rho| rho * rho) - rho.count() as f64 / rho.samples);
        (near + far).max(1.0)
    }
}

/// Σρ over the box once shares `qr` and `qc` of rows and columns are taken out; at least 0.05.
fn integral(rho: &Correlation, qr: f64, qc: f64) -> f64 {
    let rest = 1.0 - qr - qc;
    if rest <= 0.0 {
        return 1.0;
    }
    let sum = rho.sum(|dx, dy, rho| {
        if dx == 0 && dy == 0 {
            return 1.0;
        }
        let lines = if dy == 0 { qr } else { 0.0 } + if dx == 0 { qc } else { 0.0 };
        (rho - lines) / rest
    });
    sum.max(0.05)
}
