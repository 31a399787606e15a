//! Curves between samples and light, from open standards alone.
//!
//! Noise leaves the range 0..1 that the standards define, so each curve is continued: see [`Transfer::to_light`].

use std::f64::consts::LN_2;

use crate::error::Error;

/// A curve; V is the nominal signal (0 black, 1 white), light is linear with white = 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Transfer {
    /// ITU-R BT.709 / BT.601 / BT.2020 camera curve, inverted: scene light.
    Bt709,
    /// ITU-R BT.1886 display curve, γ 2.4 and black 0: display light.
    Bt1886,
    /// IEC 61966-2-1: display light.
    Srgb,
    /// SMPTE ST 2084, in units of 203 cd/m²: display light.
    Pq,
    /// ITU-R BT.2100 hybrid log-gamma, inverse camera curve without OOTF: scene light.
    Hlg,
    /// ACES S-2016-001: scene light.
    AcesCct,
    /// ACES S-2014-003: scene light.
    AcesCc,
    /// Samples are light already: scene light.
    Linear,
    /// V = light^(1/γ): display light.
    Gamma(f64),
}

/// Exponents that [`Transfer::Gamma`] may have by name.
const GAMMAS: std::ops::RangeInclusive<f64> = 0.1..=10.0;

/// ITU-R BT.709-6, item 1.2: V = 4.5·L below L = 0.018, 1.099·L^0.45 − 0.099 from there on.
mod bt709 {
    pub const SLOPE: f64 = 4.5;
    pub const SCALE: f64 = 1.099;
    pub const EXPONENT: f64 = 0.45;
    pub const BREAK: f64 = 0.018;
}

/// IEC 61966-2-1: V = 12.92·L up to L = 0.0031308, 1.055·L^(1/2.4) − 0.055 above.
mod srgb {
    pub const SLOPE: f64 = 12.92;
    pub const SCALE: f64 = 1.055;
    pub const EXPONENT: f64 = 2.4;
    pub const BREAK: f64 = 0.003_130_8;
}

/// ITU-R BT.2100-2, table 4 (SMPTE ST 2084:2014).
mod pq {
    pub const M1: f64 = 0.159_301_757_812_5;
    pub const M2: f64 = 78.843_75;
    pub const C1: f64 = 0.835_937_5;
    pub const C2: f64 = 18.851_562_5;
    pub const C3: f64 = 18.687_5;
    /// Peak over the reference white of ITU-R BT.2408, cd/m².
    pub const PEAK: f64 = 10_000.0 / 203.0;
    /// Continuation ends here; the formula has a pole at 1.99.
    pub const LAST: f64 = 1.5;
}

/// ITU-R BT.2100-2, table 5: V = √(3·E) up to E = 1/12, a·ln(12·E − b) + c above.
mod hlg {
    pub const A: f64 = 0.178_832_77;
    pub const B: f64 = 0.284_668_92;
    pub const C: f64 = 0.559_910_73;
}

/// ACES S-2014-003 and S-2016-001: V = (log₂ x + 9.72)/17.52 and what takes its place at low x.
mod aces {
    pub const OFFSET: f64 = 9.72;
    pub const SCALE: f64 = 17.52;
    /// ACEScc below x = 2⁻¹⁵: (log₂(2⁻¹⁶ + x/2) + 9.72)/17.52.
    pub const CC_BREAK: f64 = (OFFSET - 15.0) / SCALE;
    /// ACEScct up to x = 2⁻⁷: 10.54·x + 0.0729.
    pub const CCT_BREAK: f64 = 0.155_251_141_552_511;
    pub const CCT_LIGHT_BREAK: f64 = 0.007_812_5;
    pub const CCT_SLOPE: f64 = 10.540_237_741_654_5;
    pub const CCT_OFFSET: f64 = 0.072_905_534_195_835_5;
}

impl Transfer {
    /// Curves by name; `gamma` needs its exponent beside it.
    const NAMED: [(&'static str, Self); 8] = [
        ("bt709", Self::Bt709),
        ("bt1886", Self::Bt1886),
        ("srgb", Self::Srgb),
        ("pq", Self::Pq),
        ("hlg", Self::Hlg),
        ("acescct", Self::AcesCct),
        ("acescc", Self::AcesCc),
        ("linear", Self::Linear),
    ];

    /// Light at signal `v`, white = 1.
    ///
    /// Beyond 0..1: BT.709, sRGB and ACEScct go on with their straight part below 0, linear everywhere; HLG below 0 is
    /// its square root mirrored; ACEScc goes on as it is (it defines negative light); BT.1886, PQ and gamma have no
    /// light below 0 and stay there, with slope 0. Above 1 every curve goes on as it is, PQ up to 1.5.
    #[must_use]
    pub fn to_light(self, v: f64) -> f64 {
        self.expand(v)[0]
    }

    /// d light/dV at `v`.
    #[must_use]
    pub fn slope(self, v: f64) -> f64 {
        self.expand(v)[1]
    }

    /// d² light/dV² at `v`.
    #[must_use]
    pub fn curvature(self, v: f64) -> f64 {
        self.expand(v)[2]
    }

    /// Light and its first two derivatives at `v`.
    fn expand(self, v: f64) -> [f64; 3] {
        match self {
            Self::Bt709 => {
                let knee = bt709::SCALE * (bt709::BREAK.powf(bt709::EXPONENT) - 1.0) + 1.0;
                if v < knee {
                    [v / bt709::SLOPE, 1.0 / bt709::SLOPE, 0.0]
                } else {
                    power(v, bt709::SCALE, 1.0 / bt709::EXPONENT)
                }
            }
            Self::Bt1886 => gamma(v, 2.4),
            Self::Srgb => {
                if v <= srgb::SLOPE * srgb::BREAK {
                    [v / srgb::SLOPE, 1.0 / srgb::SLOPE, 0.0]
                } else {
                    power(v, srgb::SCALE, srgb::EXPONENT)
                }
            }
            Self::Pq => perceptual_quantiser(v),
            Self::Hlg => {
                if v <= 0.5 {
                    [v * v.abs() / 3.0, 2.0 * v.abs() / 3.0, 2.0_f64.copysign(v) / 3.0]
                } else {
                    let e = ((v - hlg::C) / hlg::A).exp() / 12.0;
                    [e + hlg::B / 12.0, e / hlg::A, e / (hlg::A * hlg::A)]
                }
            }
            Self::AcesCct => {
                if v <= aces::CCT_BREAK {
                    [(v - aces::CCT_OFFSET) / aces::CCT_SLOPE, 1.0 / aces::CCT_SLOPE, 0.0]
                } else {
                    aces_log(v)
                }
            }
            Self::AcesCc => {
                let [light, slope, curvature] = aces_log(v);
                if v < aces::CC_BREAK {
                    [2.0 * light - 15.0_f64.exp2().recip(), 2.0 * slope, 2.0 * curvature]
                } else {
                    [light, slope, curvature]
                }
            }
            Self::Linear => [v, 1.0, 0.0],
            Self::Gamma(exponent) => gamma(v, exponent),
        }
    }

    /// The signal of `light`: the inverse of [`Transfer::to_light`] where that rises, its lowest signal where not.
    #[must_use]
    pub fn from_light(self, light: f64) -> f64 {
        match self {
            Self::Bt709 => {
                if light < bt709::BREAK {
                    bt709::SLOPE * light
                } else {
                    bt709::SCALE * (light.powf(bt709::EXPONENT) - 1.0) + 1.0
                }
            }
            Self::Bt1886 => light.max(0.0).powf(1.0 / 2.4),
            Self::Srgb => {
                if light <= srgb::BREAK {
                    srgb::SLOPE * light
                } else {
                    srgb::SCALE * (light.powf(1.0 / srgb::EXPONENT) - 1.0) + 1.0
                }
            }
            Self::Pq => {
                let y = (light.max(0.0) / pq::PEAK).powf(pq::M1);
                ((pq::C1 + pq::C2 * y) / (1.0 + pq::C3 * y)).powf(pq::M2)
            }
            Self::Hlg => {
                if light <= 1.0 / 12.0 {
                    (3.0 * light.abs()).sqrt().copysign(light)
                } else {
                    hlg::A * (12.0 * light - hlg::B).ln() + hlg::C
                }
            }
            Self::AcesCct => {
                if light <= aces::CCT_LIGHT_BREAK {
                    aces::CCT_SLOPE * light + aces::CCT_OFFSET
                } else {
                    (light.log2() + aces::OFFSET) / aces::SCALE
                }
            }
            Self::AcesCc => {
                let least = 15.0_f64.exp2().recip();
                let argument = if light < least { 0.5 * (light.max(0.0) + least) } else { light };
                (argument.log2() + aces::OFFSET) / aces::SCALE
            }
            Self::Linear => light,
            Self::Gamma(exponent) => light.max(0.0).powf(1.0 / exponent),
        }
    }

    /// `scene` or `display`: whose light it is.
    #[must_use]
    pub const fn domain(self) -> &'static str {
        match self {
            Self::Bt709 | Self::Hlg | Self::AcesCct | Self::AcesCc | Self::Linear => "scene",
            Self::Bt1886 | Self::Srgb | Self::Pq | Self::Gamma(_) => "display",
        }
    }

    /// The name in settings and results; `gamma:2.2` with its exponent.
    #[must_use]
    pub fn name(self) -> String {
        match self {
            Self::Gamma(exponent) => format!("gamma:{exponent}"),
            _ => Self::NAMED
                .iter()
                .find(|(_, curve)| *curve == self)
                .map_or_else(String::new, |(name, _)| (*name).to_owned()),
        }
    }

    /// The curve called `name`: one of the standards', `gamma` with the exponent in `gamma`, or `gamma:G`.
    ///
    /// # Errors
    /// [`Error::Text`] for an unknown name, and for an exponent that is missing or not within 0.1..=10.
    pub fn parse(name: &str, gamma: Option<f64>) -> Result<Self, Error> {
        let wrong = |problem: String| Error::text(format!("transfer {name:?}"), problem);
        if let Some((_, curve)) = Self::NAMED.iter().find(|(known, _)| *known == name) {
            return Ok(*curve);
        }
        let exponent = match name.strip_prefix("gamma:") {
            Some(text) => text.parse().ok(),
            None if name == "gamma" => gamma,
            None => {
                let known: Vec<&str> = Self::NAMED.iter().map(|(name, _)| *name).collect();
                return Err(wrong(format!("unknown; known are {} and gamma:G", known.join(", "))));
            }
        };
        exponent.filter(|exponent| GAMMAS.contains(exponent)).map(Self::Gamma).ok_or_else(|| {
            wrong(format!("needs an exponent {}..{}, for instance gamma:2.2", GAMMAS.start(), GAMMAS.end()))
        })
    }
}

/// ((v + scale − 1)/scale)^exponent and its derivatives.
fn power(v: f64, scale: f64, exponent: f64) -> [f64; 3] {
    let base = (v + scale - 1.0) / scale;
    let light = base.powf(exponent);
    let slope = exponent * light / (base * scale);
    [light, slope, (exponent - 1.0) * slope / (base * scale)]
}

/// v^exponent and its derivatives, nothing below 0.
fn gamma(v: f64, exponent: f64) -> [f64; 3] {
    if v > 0.0 { power(v, 1.0, exponent) } else { [0.0; 3] }
}

/// 2^(17.52·v − 9.72) and its derivatives.
fn aces_log(v: f64) -> [f64; 3] {
    let light = (aces::SCALE * v - aces::OFFSET).exp2();
    let rate = LN_2 * aces::SCALE;
    [light, rate * light, rate * rate * light]
}

/// ST 2084: light = peak·((p − c₁)/(c₂ − c₃·p))^(1/m₁) with p = v^(1/m₂).
fn perceptual_quantiser(v: f64) -> [f64; 3] {
    let v = v.min(pq::LAST);
    let p = v.max(0.0).powf(1.0 / pq::M2);
    let (numerator, denominator) = (p - pq::C1, pq::C2 - pq::C3 * p);
    if numerator <= 0.0 {
        return [0.0; 3];
    }
    let ratio = numerator / denominator;
    let p1 = p / (pq::M2 * v);
    let p2 = p1 * (1.0 / pq::M2 - 1.0) / v;
    let gain = (pq::C2 - pq::C3 * pq::C1) / (denominator * denominator);
    let ratio1 = gain * p1;
    let ratio2 = gain * (p2 + 2.0 * pq::C3 * p1 * p1 / denominator);
    let light = pq::PEAK * ratio.powf(1.0 / pq::M1);
    let relative = ratio1 / (pq::M1 * ratio);
    [light, light * relative, light * (relative * relative * (1.0 - pq::M1) + ratio2 / (pq::M1 * ratio))]
}
