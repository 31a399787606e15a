//! Curves between samples and light, from open standards alone.

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
