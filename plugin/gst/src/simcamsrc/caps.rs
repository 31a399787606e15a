//! Which caps the camera chooses, and what the chosen ones ask it to make.

use noise_measure::format::{FrameFormat, Matrix, Model, Range, Scan};
use noise_measure::transfer::Transfer;

use super::timing::Rate;
use crate::colorimetry::{self, Parts};
use crate::frames::Layout;

/// What is made where downstream leaves it open.
const FORMAT: &str = "I422_10LE";
const SIZE: (i32, i32) = (1920, 1080);
const FRAMERATE: i32 = 25;

/// Most pixels a frame: the camera keeps some fifty bytes for each.
const MAX_PIXELS: u64 = 1 << 27;

/// Frames that caps ask for.
#[derive(Debug, Clone)]
pub struct Stream {
    /// Where samples go.
    pub layout: Layout,
    /// What they mean.
    pub format: FrameFormat,
    /// From light to signal.
    pub transfer: Transfer,
    /// Frames a second.
    pub rate: Rate,
}

/// What colorimetry asks for.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Colours {
    range: Range,
    matrix: Matrix,
    transfer: Transfer,
}

impl Stream {
    /// Reads fixed `caps`; `wish` is the curve that the user asks for.
    ///
    /// # Errors
    /// One line that says what cannot be made, and what can.
    pub fn new(caps: &gst::CapsRef, wish: Option<Transfer>) -> Result<Self, String> {
        let structure = caps.structure(0).ok_or("empty caps cannot be made")?;
        if let Ok(mode) = structure.get::<&str>("interlace-mode")
            && mode != "progressive"
        {
            return Err(format!(
                "interlace-mode={mode} cannot be made; the camera has whole frames, interlace-mode=progressive"
            ));
        }
        let framerate = structure.get::<gst::Fraction>("framerate").unwrap_or(gst::Fraction::new(0, 1));
        let rate = Rate::new(framerate).ok_or_else(|| {
            format!(
                "framerate={}/{} cannot be made; the camera needs a rate above 0",
                framerate.numer(),
                framerate.denom()
            )
        })?;
        let size = |field| structure.get::<i32>(field).ok().and_then(|size| u64::try_from(size).ok());
        let (width, height) = (size("width").unwrap_or(0), size("height").unwrap_or(0));
        if width * height > MAX_PIXELS {
            return Err(format!("{width}x{height} cannot be made; {MAX_PIXELS} pixels a frame are the most"));
        }
        let layout = Layout::from_caps(caps).map_err(|error| error.to_string())?;
        if layout.scan() != Scan::Progressive {
            return Err("only whole frames can be made, interlace-mode=progressive".into());
        }
        if layout.cut_short().is_some() {
            let name = layout.name();
            return Err(format!(
                "{name} of width {width} cannot be made: its rows have no room for the last chroma sample; an even width has"
            ));
        }
        let text = structure.get::<&str>("colorimetry").ok();
        let Colours { range, matrix, transfer } = colours(text, layout.model(), wish)?;
        let format = layout.frame_format(&layout.whole(), range, matrix);
        Ok(Self { layout, format, transfer, rate })
    }
}

/// Fixes what `caps` leave open, colorimetry last; `wish` is the curve that the user asks for.
#[must_use]
pub fn fixate(caps: &gst::CapsRef, wish: Option<Transfer>) -> gst::Caps {
    let mut fixed = gst::Caps::new_empty();
    let Some(structure) = caps.structure(0) else { return fixed };
    let mut structure = structure.to_owned();
    structure.fixate_field_str("format", FORMAT);
    structure.fixate_field_nearest_int("width", SIZE.0);
    structure.fixate_field_nearest_int("height", SIZE.1);
    structure.fixate_field_nearest_fraction("framerate", gst::Fraction::new(FRAMERATE, 1));
    if structure.has_field("pixel-aspect-ratio") {
        structure.fixate_field_nearest_fraction("pixel-aspect-ratio", gst::Fraction::new(1, 1));
    } else {
        structure.set("pixel-aspect-ratio", gst::Fraction::new(1, 1));
    }
    if structure.has_field("interlace-mode") {
        structure.fixate_field_str("interlace-mode", "progressive");
    } else {
        structure.set("interlace-mode", "progressive");
    }
    let offered = offers(&structure);
    structure.remove_field("colorimetry");
    fixed.make_mut().append_structure(structure);
    fixed.fixate();
    let chosen = match Layout::from_caps(&fixed) {
        Ok(layout) => choose(offered.as_deref(), layout.model(), wish),
        // Refused when the caps are set, with the reason.
        Err(_) => offered.and_then(|offered| offered.into_iter().next()),
    };
    if let Some(chosen) = chosen
        && let Some(structure) = fixed.make_mut().structure_mut(0)
    {
        structure.set("colorimetry", chosen);
    }
    fixed
}

/// Colorimetries that downstream takes; `None` is any.
fn offers(structure: &gst::StructureRef) -> Option<Vec<String>> {
    if let Ok(one) = structure.get::<String>("colorimetry") {
        return Some(vec![one]);
    }
    let list = structure.get::<gst::List>("colorimetry").ok()?;
    Some(list.iter().filter_map(|item| item.get().ok()).collect())
}

/// The colorimetry to write: our own where that is open, else the first that can be made.
fn choose(offered: Option<&[String]>, model: Model, wish: Option<Transfer>) -> Option<String> {
    let own = own(model, wish);
    let Some(offered) = offered else { return Some(own) };
    let possible = |text: &&String| colours(Some(text), model, wish).is_ok();
    let best = offered.iter().find(|text| **text == own).or_else(|| offered.iter().find(possible));
    best.or_else(|| offered.first()).cloned()
}

/// The curve of `auto` where the caps have none.
fn default_transfer(model: Model) -> Transfer {
    if model == Model::Rgb { Transfer::Srgb } else { Transfer::Bt709 }
}

/// What is written into caps that have no colorimetry: narrow range for Y′CbCr, full for the others; BT.709, and for the
/// two curves of BT.2100 its matrix.
fn own(model: Model, wish: Option<Transfer>) -> String {
    let transfer = wish.unwrap_or_else(|| default_transfer(model));
    let wide = matches!(transfer, Transfer::Pq | Transfer::Hlg);
    let primaries = if wide { 7 } else { 1 };
    let (range, matrix) = match model {
        Model::Rgb => (1, 1),
        Model::Gray | Model::Bayer => (1, if wide { 6 } else { 3 }),
        Model::Yuv => (2, if wide { 6 } else { 3 }),
    };
    colorimetry::text([range, matrix, colorimetry::transfer_number(transfer), primaries])
}

/// What colorimetry `text` asks frames of `model` to be.
fn colours(text: Option<&str>, model: Model, wish: Option<Transfer>) -> Result<Colours, String> {
    let unknown = || text.map(str::to_owned).unwrap_or_default();
    let cannot = |problem: &str| Err(format!("colorimetry={} cannot be made: {problem}", unknown()));
    let numbers = match text {
        Some(text) => colorimetry::numbers(text).ok_or_else(|| {
            format!("colorimetry={text} is not known; bt709 or 2:3:5:1, for instance, would be")
        })?,
        None => [0; 4],
    };
    let parts = text.map(Parts::parse).unwrap_or_default();
    let [range, matrix, transfer, _] = numbers;
    if range > 0 && parts.range.is_none() {
        return cannot("range 1 (full) or 2 (narrow) would be right");
    }
    let matrix = match model {
        Model::Rgb if matrix > 1 => return cannot("R'G'B' needs matrix 1, or 0 for unknown"),
        Model::Rgb => parts.primaries.unwrap_or(Matrix::Bt709),
        Model::Yuv if matrix > 0 && parts.matrix.is_none() => {
            return cannot("Y'CbCr needs matrix 3 (BT.709), 4 (BT.601) or 6 (BT.2020)");
        }
        _ => parts.matrix.unwrap_or(Matrix::Bt709),
    };
    let transfer = match (wish, parts.transfer) {
        (None, None) if transfer > 0 => return cannot("the camera has no such curve"),
        (None, known) => known.unwrap_or_else(|| default_transfer(model)),
        (Some(wish), None) if transfer == 0 => wish,
        (Some(wish), Some(known)) if wish == known => wish,
        (Some(wish), _) => {
            let name = wish.name();
            return cannot(&format!(
                "its transfer is not that of transfer={name}; write the same or unknown (0) into the caps, or leave one of both out"
            ));
        }
    };
    let full = Range::Full;
    let range = parts.range.unwrap_or(if model == Model::Yuv { Range::Narrow } else { full });
    Ok(Colours { range, matrix, transfer })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colorimetry::{Colorimetry, Overrides};

    const MODELS: [Model; 3] = [Model::Yuv, Model::Rgb, Model::Gray];

    #[test]
    fn a_meter_reads_from_the_caps_what_was_made() {
        let wishes = [Transfer::Bt709, Transfer::Srgb, Transfer::Pq, Transfer::Hlg, Transfer::Linear];
        for wish in wishes.into_iter().chain([Transfer::Gamma(2.2)]).map(Some).chain([None]) {
            for model in MODELS {
                let text = own(model, wish);
                let made = colours(Some(&text), model, wish).expect("our own can be made");
                let read = Colorimetry::resolve(Some(&text), false, model, Overrides::default());
                assert!(read.assumed.is_empty(), "{text}: {:?}", read.assumed);
                assert_eq!((read.range, read.matrix), (made.range, made.matrix), "{text}");
                assert_eq!(read.light.transfer, made.transfer, "{text}");
            }
        }
        for wish in [Transfer::AcesCct, Transfer::AcesCc, Transfer::Bt1886, Transfer::Gamma(2.4)] {
            let text = own(Model::Yuv, Some(wish));
            assert_eq!(text, "2:3:0:1");
            assert_eq!(colours(Some(&text), Model::Yuv, Some(wish)).map(|made| made.transfer), Ok(wish));
        }
        let names = [(Model::Yuv, None, "bt709"), (Model::Rgb, None, "sRGB"), (Model::Gray, None, "1:3:5:1")];
        let wide =
            [(Model::Yuv, Some(Transfer::Pq), "bt2100-pq"), (Model::Yuv, Some(Transfer::Hlg), "bt2100-hlg")];
        for (model, wish, text) in names.into_iter().chain(wide) {
            assert_eq!(own(model, wish), text);
        }
    }

    #[test]
    fn what_downstream_asks_for_is_obeyed_part_by_part() {
        let made = |text, model| colours(Some(text), model, None).expect("possible");
        assert_eq!(
            made("1:4:0:0", Model::Yuv),
            Colours { range: Range::Full, matrix: Matrix::Bt601, transfer: Transfer::Bt709 }
        );
        assert_eq!(
            made("2:0:14:7", Model::Rgb),
            Colours { range: Range::Narrow, matrix: Matrix::Bt2020, transfer: Transfer::Pq }
        );
        assert_eq!(made("0:0:0:0", Model::Gray).range, Range::Full);
    }

    #[test]
    fn contradictions_are_named() {
        let error = |text, model, wish| colours(Some(text), model, wish).expect_err("impossible");
        assert!(error("sRGB", Model::Yuv, None).contains("needs matrix 3"));
        assert!(error("bt709", Model::Rgb, None).contains("needs matrix 1"));
        assert!(error("smpte240m", Model::Yuv, None).contains("needs matrix 3"));
        assert!(error("2:3:9:1", Model::Yuv, None).contains("no such curve"));
        assert!(error("7:3:5:1", Model::Yuv, None).contains("range 1 (full)"));
        assert!(error("rainbow", Model::Yuv, None).contains("rainbow"));
        let against = error("bt709", Model::Yuv, Some(Transfer::Pq));
        assert!(against.contains("colorimetry=bt709") && against.contains("transfer=pq"), "{against}");
        assert!(error("2:3:9:1", Model::Yuv, Some(Transfer::AcesCct)).contains("transfer=acescct"));
    }

    #[test]
    fn of_several_colorimetries_the_first_possible_is_taken() {
        let offered = ["sRGB", "bt601", "bt709"].map(str::to_owned);
        assert_eq!(choose(Some(&offered), Model::Yuv, None).as_deref(), Some("bt709"));
        assert_eq!(choose(Some(&offered[..2]), Model::Yuv, None).as_deref(), Some("bt601"));
        assert_eq!(choose(Some(&offered), Model::Yuv, Some(Transfer::Pq)).as_deref(), Some("sRGB"));
    }
}
