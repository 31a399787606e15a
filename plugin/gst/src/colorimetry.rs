//! Range, matrix and transfer of a stream, read part by part from the text in its caps.
//!
//! The library's own reading replaces parts that are missing by a guess without saying so. Here a part is known, given
//! by a setting, or assumed and listed.

use noise_measure::format::{Matrix, Model, Range};
use noise_measure::meter::{LightConfig, TransferSource};
use noise_measure::transfer::Transfer;

/// What the `colorimetry` field of caps says, part by part; `None` is unknown or not one of ours.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Parts {
    /// Narrow or full.
    pub range: Option<Range>,
    /// Luma weights.
    pub matrix: Option<Matrix>,
    /// Whether the matrix says that components are R, G, B.
    pub rgb: bool,
    /// Curve.
    pub transfer: Option<Transfer>,
    /// Luma weights that fit the primaries, for R, G, B components.
    pub primaries: Option<Matrix>,
}

/// Numbers that GStreamer's names stand for: range, matrix, transfer, primaries.
const NAMES: [(&str, [u32; 4]); 8] = [
    ("bt601", [2, 4, 16, 4]),
    ("bt709", [2, 3, 5, 1]),
    ("smpte240m", [2, 5, 6, 5]),
    ("sRGB", [1, 1, 7, 1]),
    ("bt2020", [2, 6, 11, 7]),
    ("bt2020-10", [2, 6, 13, 7]),
    ("bt2100-pq", [2, 6, 14, 7]),
    ("bt2100-hlg", [2, 6, 15, 7]),
];

impl Parts {
    /// Reads a name such as `bt709`, or four numbers `RANGE:MATRIX:TRANSFER:PRIMARIES` where 0 is unknown.
    ///
    /// Any other text leaves all parts unknown.
    #[must_use]
    pub fn parse(text: &str) -> Self {
        let Some([range, matrix, transfer, primaries]) = numbers(text) else {
            return Self::default();
        };
        Self {
            range: match range {
                1 => Some(Range::Full),
                2 => Some(Range::Narrow),
                _ => None,
            },
            matrix: match matrix {
                3 => Some(Matrix::Bt709),
                4 => Some(Matrix::Bt601),
                6 => Some(Matrix::Bt2020),
                _ => None,
            },
            rgb: matrix == 1,
            transfer: TRANSFERS.iter().find(|(number, _)| *number == transfer).map(|(_, curve)| *curve),
            primaries: match primaries {
                1 => Some(Matrix::Bt709),
                3 | 4 => Some(Matrix::Bt601),
                7 => Some(Matrix::Bt2020),
                _ => None,
            },
        }
    }
}

/// Curves of GStreamer's numbers; the first number of a curve is the one to write.
const TRANSFERS: [(u32, Transfer); 13] = [
    (1, Transfer::Linear),
    (2, Transfer::Gamma(1.8)),
    (3, Transfer::Gamma(2.0)),
    (4, Transfer::Gamma(2.2)),
    (5, Transfer::Bt709),
    (11, Transfer::Bt709),
    (13, Transfer::Bt709),
    (16, Transfer::Bt709),
    (7, Transfer::Srgb),
    (8, Transfer::Gamma(2.8)),
    // Adobe RGB (1998), 4.3.1.2: 2 + 51/256.
    (12, Transfer::Gamma(2.199_218_75)),
    (14, Transfer::Pq),
    (15, Transfer::Hlg),
];

/// GStreamer's number for a curve; 0, unknown, for those that have none.
#[must_use]
pub fn transfer_number(transfer: Transfer) -> u32 {
    TRANSFERS.iter().find(|(_, curve)| *curve == transfer).map_or(0, |(number, _)| *number)
}

/// Range, matrix, transfer and primaries as caps say them: by name where GStreamer has one.
#[must_use]
pub fn text(numbers: [u32; 4]) -> String {
    let named = NAMES.iter().find(|(_, known)| *known == numbers);
    named.map_or_else(|| numbers.map(|number| number.to_string()).join(":"), |(name, _)| (*name).to_owned())
}

/// Range, matrix, transfer and primaries of a name or of four numbers; `None` for other texts.
#[must_use]
pub fn numbers(text: &str) -> Option<[u32; 4]> {
    if let Some((_, numbers)) = NAMES.iter().find(|(name, _)| *name == text) {
        return Some(*numbers);
    }
    let mut numbers = [0; 4];
    let mut parts = text.split(':');
    for number in &mut numbers {
        *number = parts.next()?.parse().ok()?;
    }
    parts.next().is_none().then_some(numbers)
}

/// Settings that stand above the caps; `None` is `auto`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Overrides {
    /// Narrow or full.
    pub range: Option<Range>,
    /// Luma weights.
    pub matrix: Option<Matrix>,
    /// Curve.
    pub transfer: Option<Transfer>,
}

/// Everything that turns codes into percent and light.
#[derive(Debug, Clone, PartialEq)]
pub struct Colorimetry {
    /// Meaning of codes.
    pub range: Range,
    /// Luma weights.
    pub matrix: Matrix,
    /// Curve and where it came from.
    pub light: LightConfig,
    /// `range`, `matrix`, `transfer`: those that neither caps nor a setting gave.
    pub assumed: Vec<&'static str>,
}

impl Colorimetry {
    /// Joins settings, caps and the assumptions for `model`.
    ///
    /// Assumed are BT.709 and narrow range for Y′CbCr, sRGB and full range for R′G′B′, BT.709 and full range for grey,
    /// linear and full range for colour filter mosaics. `fixed_point` marks fixed point of linear light.
    #[must_use]
    pub fn resolve(text: Option<&str>, fixed_point: bool, model: Model, overrides: Overrides) -> Self {
        let parts = text.map(Parts::parse).unwrap_or_default();
        let mut assumed = Vec::new();
        let fixed_point = fixed_point && matches!(model, Model::Gray | Model::Rgb);
        let (range, transfer) = match model {
            Model::Yuv => (Range::Narrow, Transfer::Bt709),
            Model::Rgb => (Range::Full, Transfer::Srgb),
            Model::Gray => (Range::Full, Transfer::Bt709),
            Model::Bayer => (Range::Full, Transfer::Linear),
        };
        let range = if fixed_point {
            Range::Fixed
        } else {
            overrides.range.or(parts.range).unwrap_or_else(|| {
                assumed.push("range");
                range
            })
        };
        let from_caps = if model == Model::Rgb { parts.primaries } else { parts.matrix };
        let matrix = overrides.matrix.or(from_caps).unwrap_or_else(|| {
            // Grey and mosaic frames use no weights.
            if matches!(model, Model::Yuv | Model::Rgb) {
                assumed.push("matrix");
            }
            Matrix::Bt709
        });
        let known = if fixed_point { Some(Transfer::Linear) } else { parts.transfer };
        let light = match (overrides.transfer, known) {
            (Some(transfer), _) => LightConfig { transfer, source: TransferSource::User },
            (None, Some(transfer)) => LightConfig { transfer, source: TransferSource::Caps },
            (None, None) => {
                assumed.push("transfer");
                LightConfig { transfer, source: TransferSource::Assumed }
            }
        };
        Self { range, matrix, light, assumed }
    }
}

/// The name of a curve in records.
#[must_use]
pub fn transfer_name(transfer: Transfer) -> String {
    match transfer {
        Transfer::Bt709 => "bt709".into(),
        Transfer::Bt1886 => "bt1886".into(),
        Transfer::Srgb => "srgb".into(),
        Transfer::Pq => "pq".into(),
        Transfer::Hlg => "hlg".into(),
        Transfer::AcesCct => "acescct".into(),
        Transfer::AcesCc => "acescc".into(),
        Transfer::Linear => "linear".into(),
        Transfer::Gamma(gamma) => format!("gamma:{gamma}"),
    }
}

/// The name of a range in records.
#[must_use]
pub fn range_name(range: Range) -> &'static str {
    match range {
        Range::Narrow => "narrow",
        Range::Full => "full",
        Range::Fixed => "fixed",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_parts_stay_unknown() {
        for text in ["0:0:0:0", "", "nonsense", "1:2:3", "1:2:3:4:5", "-1:3:5:1", "9:9:99:99"] {
            let parts = Parts::parse(text);
            assert_eq!((parts.range, parts.matrix, parts.primaries), (None, None, None), "{text}");
        }
        let parts = Parts::parse("2:0:0:0");
        assert_eq!((parts.range, parts.matrix, parts.transfer), (Some(Range::Narrow), None, None));
        let parts = Parts::parse("0:3:0:0");
        assert_eq!((parts.range, parts.matrix, parts.transfer), (None, Some(Matrix::Bt709), None));
        let parts = Parts::parse("1:4:0:0");
        assert_eq!(
            (parts.range, parts.matrix, parts.transfer),
            (Some(Range::Full), Some(Matrix::Bt601), None)
        );
    }

    #[test]
    fn names_mean_what_the_library_says() {
        use gst_video::{VideoColorMatrix, VideoColorRange, VideoColorimetry, VideoTransferFunction};
        gst::init().expect("GStreamer starts");
        for (name, _) in NAMES {
            let library: VideoColorimetry = name.parse().expect("a name of the library");
            let ours = Parts::parse(name);
            let range = match library.range() {
                VideoColorRange::Range0_255 => Some(Range::Full),
                VideoColorRange::Range16_235 => Some(Range::Narrow),
                _ => None,
            };
            let matrix = match library.matrix() {
                VideoColorMatrix::Bt709 => Some(Matrix::Bt709),
                VideoColorMatrix::Bt601 => Some(Matrix::Bt601),
                VideoColorMatrix::Bt2020 => Some(Matrix::Bt2020),
                _ => None,
            };
            let transfer = match library.transfer() {
                VideoTransferFunction::Bt709
                | VideoTransferFunction::Bt601
                | VideoTransferFunction::Bt202010
                | VideoTransferFunction::Bt202012 => Some(Transfer::Bt709),
                VideoTransferFunction::Srgb => Some(Transfer::Srgb),
                VideoTransferFunction::Smpte2084 => Some(Transfer::Pq),
                VideoTransferFunction::AribStdB67 => Some(Transfer::Hlg),
                _ => None,
            };
            assert_eq!((ours.range, ours.matrix, ours.transfer), (range, matrix, transfer), "{name}");
            assert_eq!(ours.rgb, library.matrix() == VideoColorMatrix::Rgb, "{name}");
        }
    }

    #[test]
    fn every_guess_is_listed() {
        let none = Overrides::default();
        let yuv = Colorimetry::resolve(None, false, Model::Yuv, none);
        assert_eq!(yuv.assumed, ["range", "matrix", "transfer"]);
        assert_eq!(
            (yuv.range, yuv.matrix, yuv.light.transfer),
            (Range::Narrow, Matrix::Bt709, Transfer::Bt709)
        );
        let rgb = Colorimetry::resolve(None, false, Model::Rgb, none);
        assert_eq!((rgb.range, rgb.light.transfer), (Range::Full, Transfer::Srgb));
        let gray = Colorimetry::resolve(None, false, Model::Gray, none);
        assert_eq!((gray.range, gray.assumed.as_slice()), (Range::Full, &["range", "transfer"][..]));
        let known = Colorimetry::resolve(Some("bt2100-pq"), false, Model::Yuv, none);
        assert_eq!((known.assumed.len(), known.light.source), (0, TransferSource::Caps));
        let set = Overrides {
            range: Some(Range::Full),
            matrix: Some(Matrix::Bt601),
            transfer: Some(Transfer::Gamma(2.4)),
        };
        let set = Colorimetry::resolve(Some("bt709"), false, Model::Yuv, set);
        assert_eq!(
            (set.range, set.matrix, set.light.source),
            (Range::Full, Matrix::Bt601, TransferSource::User)
        );
        let fixed = Colorimetry::resolve(None, true, Model::Rgb, none);
        assert_eq!((fixed.range, fixed.light.transfer), (Range::Fixed, Transfer::Linear));
    }
}
