//! Moving noise from the sums of one or more stacks: spread, lines, correlations, degrees of freedom.

use crate::numbers::ar1;
use crate::numbers::spatial::Correlation;

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
    /// corr_t, and whether a first-order recursion explains the frames.
    Known {
        /// Lag 1, corrected for the window's length.
        a: f64,
        /// Whether the noise of a longer window follows from it.
        fit: Fit,
    },
    /// At 0.95 or over.
    TooHigh,
    /// Too few frames, or below any filter.
    Unknown,
}

/// Whether a first-order recursion explains the frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// It does.
    Recursive,
    /// Lag 2 is more than 0.1 from what the recursion makes it.
    OtherMemory,
    /// Holes hide how far apart frames are, and the frames remember each other too well for that not to matter.
    Holes,
}

impl InTime {
    /// corr_t where it is known.
    #[must_use]
    pub fn known(self) -> Option<f64> {
        if let Self::Known { a, .. } = self { Some(a) } else { None }
    }

    /// corr_t where the recursion explains the frames.
    #[must_use]
    pub fn recursive(self) -> Option<f64> {
        if let Self::Known { a, fit: Fit::Recursive } = self { Some(a) } else { None }
    }

    /// corr_t for degrees of freedom: the strongest that can be told where it is stronger, 0 where nothing is known.
    #[must_use]
    pub fn for_freedom(self) -> f64 {
        match self {
            Self::Known { a, .. } => a,
            Self::TooHigh => ar1::HIGHEST,
            Self::Unknown => 0.0,
        }
    }
}

/// Largest departure of lag 2 from the recursion's.
const LAG_2_TOLERANCE: f64 = 0.1;
/// Strongest correlation whose bias by holes stays under a few percent.
const HOLES_TOLERANCE: f64 = 0.5;
/// Σρ is not taken for less: chance must not make it zero or negative.
const LEAST_SUM: f64 = 0.05;
/// Fewest lines for their offsets to be told from the frame's level.
pub const FEWEST_LINES: f64 = 4.0;

/// What lines and neighbours show, codes².
#[derive(Debug, Clone)]
pub struct Lines {
    /// Variance of a row's moving offset.
    pub row: Option<f64>,
    /// Variance of a column's moving offset.
    pub column: Option<f64>,
    /// m², the variance of a frame's mean that moving noise makes.
    pub frame_mean: f64,
    /// s², the variance of a sample.
    pub sample: f64,
    /// ρ of the noise, frame means put back.
    pub whole: Correlation,
    /// ρ of the noise without lines.
    pub free: Correlation,
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

    /// Correlation of successive frames; `holes` tells whether some adjacent pairs are missing.
    #[must_use]
    pub fn in_time(&self, holes: bool) -> InTime {
        let Some(ct) = self.ct.filter(|_| self.c0 > 0.0) else { return InTime::Unknown };
        match ar1::correlation(&self.stacks, ct / self.c0) {
            ar1::Correlation::Value(a) => {
                let departure = self
                    .ct2
                    .zip(ar1::expected(&self.stacks, 2, a))
                    .map(|(ct2, expected)| (ct2 / self.c0 - expected).abs());
                // Without a pair at distance 2 nothing speaks against the recursion.
                let fit = if departure.is_some_and(|departure| departure > LAG_2_TOLERANCE) {
                    Fit::OtherMemory
                } else if holes && a.abs() > HOLES_TOLERANCE {
                    Fit::Holes
                } else {
                    Fit::Recursive
                };
                InTime::Known { a, fit }
            }
            ar1::Correlation::TooHigh => InTime::TooHigh,
            ar1::Correlation::Unknown => InTime::Unknown,
        }
    }

    /// Lines and the variance of frame means, from the mean products of far samples in rows and columns.
    ///
    /// Each rests on the others: taking frame means out lowers all products by m², and m² is what lines and
    /// correlation add up to over a frame. The iteration shrinks its error about fivefold a step.
    #[must_use]
    pub fn lines(&self, row: Option<f64>, column: Option<f64>, seen: &Correlation) -> Option<Lines> {
        let (w, h, p) = (self.width, self.height, self.samples());
        let within = self.variance()? * (p - 1.0) / p;
        if within <= 0.0 {
            return None;
        }
        let row = row.filter(|_| h >= FEWEST_LINES).map(|product| product * self.lift());
        let column = column.filter(|_| w >= FEWEST_LINES).map(|product| product * self.lift());
        let mut frame_mean = 0.0;
        let mut lines = None;
        for _ in 0..1000 {
            let sample = within + frame_mean;
            let (of_rows, of_columns) = (row.map(|v| v + frame_mean), column.map(|v| v + frame_mean));
            let (r, c) = (of_rows.unwrap_or(0.0), of_columns.unwrap_or(0.0));
            let whole = seen.map(|_, _, rho| (rho * (sample - frame_mean) + frame_mean) / sample);
            let rest = 1.0 - (r + c) / sample;
            let free = whole.map(|dx, dy, rho| {
                if dx == 0 && dy == 0 {
                    return 1.0;
                }
                let shared = if dy == 0 { r } else { 0.0 } + if dx == 0 { c } else { 0.0 };
                if rest > 0.0 { (rho - shared / sample) / rest } else { 0.0 }
            });
            let sum = free.sum(|dx, dy, rho| self.overlap(dx, dy) * rho).max(LEAST_SUM);
            let next = (sample - r - c) * sum / p + r / h + c / w;
            let settled = (next - frame_mean).abs() <= 1e-12 * sample;
            frame_mean = next;
            lines = Some(Lines { row: of_rows, column: of_columns, frame_mean, sample, whole, free });
            if settled {
                break;
            }
        }
        lines
    }

    /// Share of pairs of samples at a lag that lie inside the region.
    fn overlap(&self, dx: i32, dy: i32) -> f64 {
        let inside = |lag: i32, size: f64| (1.0 - f64::from(lag.abs()) / size).max(0.0);
        inside(dx, self.width) * inside(dy, self.height)
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

    /// R_xy, by how much correlation in space lowers the degrees of freedom; at least 1.
    ///
    /// Σρ² over the pairs of samples that the region has, with the lines beyond the box, less what chance adds to it.
    #[must_use]
    pub fn spatial_redundancy(&self, lines: &Lines) -> f64 {
        let share = |line: Option<f64>| line.unwrap_or(0.0) / lines.sample;
        let (qr, qc) = (share(lines.row), share(lines.column));
        let rho = &lines.whole;
        let along = |lags: usize, size: f64| -> f64 {
            (-(lags as i32)..=lags as i32).map(|lag| (1.0 - f64::from(lag.abs()) / size).max(0.0)).sum()
        };
        let near = rho.sum(|dx, dy, rho| self.overlap(dx, dy) * rho * rho);
        let far = qr * qr * (self.width - along(rho.lags.0, self.width))
            + qc * qc * (self.height - along(rho.lags.1, self.height));
        let chance =
            rho.sum(
                |dx, dy, _| {
                    if dx == 0 && dy == 0 { 0.0 } else { self.overlap(dx, dy) / rho.products(dx, dy) }
                },
            );
        ((near + far) / (1.0 + chance * self.lift())).max(1.0)
    }

    /// Effective degrees of freedom of the variance under redundancy in space and a recursion `a` in time.
    #[must_use]
    pub fn effective_freedom(&self, redundancy: f64, a: f64) -> f64 {
        ar1::freedom(&self.stacks, a) / redundancy
    }
}
