//! Components that are not in the frames: Y, Cb and Cr of RGB, from sums of R, G, B and of pairs of them.

use crate::config::MeterConfig;
use crate::frame::format::{Channel, Model, Scale};
use crate::sums::finished::{PieceFrame, Quadratic, StackNumbers};

/// Which components are derived: Y, Cb and Cr of RGB.
pub fn derived_channels(config: &MeterConfig) -> impl Iterator<Item = Channel> {
    let derived: &[Channel] =
        if config.format.model == Model::Rgb { &[Channel::Y, Channel::Cb, Channel::Cr] } else { &[] };
    derived.iter().copied()
}

/// One derived component of RGB: weights of the codes of R, G and B, and the scale of what they give.
pub struct Derived {
    /// Which one.
    pub channel: Channel,
    /// Weights of the codes of R, G and B.
    pub weights: [f64; 3],
    /// From its codes to percent.
    pub scale: Scale,
}

impl Derived {
    /// Y, Cb and Cr in the code units of the deepest of R, G and B.
    pub fn all(config: &MeterConfig) -> Vec<Self> {
        let scales: Vec<Scale> =
            config.format.components.iter().map(|c| config.format.scale(c.channel, c.depth)).collect();
        let [r, g, b] = scales[..] else { return Vec::new() };
        let span = r.span.max(g.span).max(b.span);
        derived_channels(config)
            .zip(config.format.matrix.rows())
            .map(|(channel, row)| {
                let weights = [row[0] * span / r.span, row[1] * span / g.span, row[2] * span / b.span];
                let black = weights[0] * r.black + weights[1] * g.black + weights[2] * b.black;
                Self { channel, weights, scale: Scale { black, span } }
            })
            .collect()
    }

    /// Factors of R, G, B, R+G, R+B, G+B in a quadratic form of the derived component:
    /// B(Σwy) = Σw²B + 2Σww′·½(B(y + y′) − B(y) − B(y′)).
    pub fn quadratic(&self) -> [f64; 6] {
        let [r, g, b] = self.weights;
        [r * r - r * (g + b), g * g - g * (r + b), b * b - b * (r + g), r * g, r * b, g * b]
    }

    /// Half a code step of the derived component, from those of R, G and B.
    pub fn half_step(&self, steps: &[Option<u32>]) -> f64 {
        self.weights.iter().zip(steps).map(|(w, step)| w.abs() * f64::from(step.unwrap_or(1)) / 2.0).sum()
    }
}

/// A stack of derived samples from those of R, G, B and their sums.
pub fn mix(derived: &Derived, native: &[StackNumbers], mixed: &[StackNumbers]) -> Option<StackNumbers> {
    let first = native.first()?;
    let weigh = |get: &dyn Fn(&StackNumbers) -> &[f64]| -> Vec<f64> {
        (0..get(first).len())
            .map(|i| native.iter().zip(derived.weights).map(|(s, w)| w * get(s)[i]).sum())
            .collect()
    };
    let all: Vec<(f64, &Quadratic)> =
        derived.quadratic().into_iter().zip(native.iter().chain(mixed).map(|s| &s.quadratic)).collect();
    Some(StackNumbers {
        width: first.width,
        height: first.height,
        frames: first.frames,
        mean: native.iter().zip(derived.weights).map(|(s, w)| s.mean.map(|mean| w * mean)).sum(),
        frame_means: weigh(&|s| &s.frame_means),
        mean_image: weigh(&|s| &s.mean_image),
        piece: (0..first.piece.len())
            .map(|k| PieceFrame { index: first.piece[k].index, samples: weigh(&|s| &s.piece[k].samples) })
            .collect(),
        energies: None,
        pairs: first.pairs,
        bins: first.bins,
        quadratic: Quadratic::combine(&all),
    })
}
