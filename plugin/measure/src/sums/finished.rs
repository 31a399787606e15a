//! What is left of a stack once its sums are turned into numbers.

use crate::sums::energies::Energies;

/// One kept frame of the piece.
#[derive(Debug, Clone)]
pub struct PieceFrame {
    /// Its place among the distinct frames of the window.
    pub index: usize,
    /// Samples, row by row, codes.
    pub samples: Vec<f64>,
}

/// Everything of a stack that is quadratic in the samples, so that a weighted sum of components follows from sums of pairs
/// of them. Codes².
#[derive(Debug, Clone, Copy, Default)]
pub struct Quadratic {
    /// Σe².
    pub c0: f64,
    /// Σe·e_right.
    pub cx: f64,
    /// Σe·e_below.
    pub cy: f64,
    /// Σe·e_next, brought to N − 1 pairs.
    pub ct: Option<f64>,
    /// Σe·e_next-but-one, brought to N − 2 pairs.
    pub ct2: Option<f64>,
    /// ½Σ(d − d̄)² over `pairs` adjacent differences.
    pub pair: Option<f64>,
    /// Mean product of far samples in a row.
    pub row: Option<f64>,
    /// Mean product of far samples in a column.
    pub column: Option<f64>,
    /// Half the variance of the profile's frame differences.
    pub band: Option<f64>,
    /// The same from the differences of neighbouring bins: what independent bins would give.
    pub band_null: Option<f64>,
}

impl Quadratic {
    /// Σ factorₖ·partₖ; `None` in any part makes the sum `None`.
    #[must_use]
    pub fn combine(parts: &[(f64, &Self)]) -> Self {
        let plain = |get: fn(&Self) -> f64| parts.iter().map(|(factor, part)| factor * get(part)).sum();
        let maybe = |get: fn(&Self) -> Option<f64>| {
            parts.iter().map(|(factor, part)| get(part).map(|value| factor * value)).sum()
        };
        Self {
            c0: plain(|q| q.c0),
            cx: plain(|q| q.cx),
            cy: plain(|q| q.cy),
            ct: maybe(|q| q.ct),
            ct2: maybe(|q| q.ct2),
            pair: maybe(|q| q.pair),
            row: maybe(|q| q.row),
            column: maybe(|q| q.column),
            band: maybe(|q| q.band),
            band_null: maybe(|q| q.band_null),
        }
    }
}

/// A finished stack.
#[derive(Debug, Clone)]
pub struct StackNumbers {
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Distinct frames.
    pub frames: u64,
    /// Mean code.
    pub mean: Option<f64>,
    /// Mean code of each frame.
    pub frame_means: Vec<f64>,
    /// Mean code of each sample over the frames.
    pub mean_image: Vec<f64>,
    /// Kept frames of the central piece.
    pub piece: Vec<PieceFrame>,
    /// How changes spread over the blocks of the piece; none for derived components, whose samples were never formed.
    pub energies: Option<Energies>,
    /// Adjacent pairs of frames.
    pub pairs: u64,
    /// Bins of the row profile.
    pub bins: usize,
    /// Quadratic sums.
    pub quadratic: Quadratic,
}

impl StackNumbers {
    /// Samples a frame.
    #[must_use]
    pub const fn samples(&self) -> usize {
        self.width * self.height
    }
}
