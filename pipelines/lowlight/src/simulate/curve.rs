//! The curve of the simulated cameras as a file of the Common LUT Format (Academy S-2014-006, version 3).

/// Name of the file in the session.
pub const FILE: &str = "acescct.clf";

/// Name of the curve where `measure` and `simcamsrc` want one.
pub const NAME: &str = "acescct";

/// ACES S-2016-001: V = (log₂ x + 9.72)/17.52, and its tangent up to x = 2⁻⁷.
const SLOPE: f64 = 1.0 / 17.52;
const OFFSET: f64 = 9.72 / 17.52;
const BREAK: f64 = 0.007_812_5;

/// The file: from signal to scene light. Offset and slope of the straight part are those that the format takes by
/// default, the tangent at the break, which is how ACEScct's two constants are made.
#[must_use]
pub fn text() -> String {
    format!(
        r#"<?xml version="1.0" encoding="UTF-8"?>
<ProcessList xmlns="urn:AMPAS:CLF:v3.0" compCLFversion="3.0" id="lowlight-acescct" name="ACEScct to light">
    <Description>The curve that the simulated cameras record with, undone: ACES S-2016-001.</Description>
    <InputDescriptor>signal, 0 black, 1 white</InputDescriptor>
    <OutputDescriptor>light of the scene, a grey card of 18 % at 0.18</OutputDescriptor>
    <Log inBitDepth="32f" outBitDepth="32f" style="cameraLogToLin">
        <LogParams base="2" logSideSlope="{SLOPE}" logSideOffset="{OFFSET}" linSideSlope="1" linSideOffset="0" linSideBreak="{BREAK}"/>
    </Log>
</ProcessList>
"#
    )
}
