//! Regions of the picture: their text and file forms, and their place on a frame of a given size.

use crate::error::Error;

/// Largest number of regions.
pub const MAX_REGIONS: usize = 4096;

/// What a region of the chart is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// An even patch.
    Flat,
    /// The grey card.
    Grey,
    /// The white patch.
    White,
    /// The black patch.
    Black,
    /// One step of a grey wedge.
    Step,
    /// A slanted edge.
    Edge,
    /// A texture at rest.
    Texture,
    /// A moving texture.
    Motion,
}

/// A length along one axis, as the user wrote it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Length {
    /// Pixels.
    Pixels(f64),
    /// Share of the active picture, 0..=1.
    Share(f64),
}

/// A region as the user wrote it.
#[derive(Debug, Clone, PartialEq)]
pub struct RegionSpec {
    /// Unique name: letters, digits, `_`, `-`, at most 32 bytes.
    pub name: String,
    /// Left edge.
    pub x: Length,
    /// Upper edge.
    pub y: Length,
    /// Width.
    pub width: Length,
    /// Height.
    pub height: Length,
    /// What it is for; a region named grey, white or black has that role unless it says otherwise.
    pub role: Option<Role>,
    /// Reflectance of the patch, 0..
    pub reflectance: Option<f64>,
}

/// A rectangle in pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rect {
    /// Left edge.
    pub x: u32,
    /// Upper edge.
    pub y: u32,
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
}

/// A region on a frame of known size.
#[derive(Debug, Clone, PartialEq)]
pub struct Region {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub role: Option<Role>,
    /// Reflectance of the patch.
    pub reflectance: Option<f64>,
    /// Its place; not checked against the picture.
    pub rect: Rect,
    /// Whether the place lies wholly inside the picture and holds at least one pixel.
    pub inside: bool,
}

/// Cells over the active picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Grid {
    /// Cells a row.
    pub cols: u32,
    /// Rows of cells.
    pub rows: u32,
}

/// Parses the `regions` text: `NAME=X,Y,W,H` joined by `;`, pixels or percent with `%`.
///
/// # Errors
/// [`Error::Text`] naming the entry: bad form, name, number, duplicates, more than [`MAX_REGIONS`].
pub fn parse_regions(text: &str) -> Result<Vec<RegionSpec>, Error> {
    let _ = text;
    Err(Error::text("regions", "not written yet"))
}

/// Parses a layout file's JSON; unknown keys are refused with their name.
///
/// # Errors
/// [`Error::Text`] naming the region and key.
pub fn parse_layout(json: &str) -> Result<Vec<RegionSpec>, Error> {
    let _ = json;
    Err(Error::text("layout", "not written yet"))
}

/// Parses `COLSxROWS`.
///
/// # Errors
/// [`Error::Text`] where the form or a number is wrong (1..=256 each).
pub fn parse_grid(text: &str) -> Result<Grid, Error> {
    let _ = text;
    Err(Error::text("grid", "not written yet"))
}

/// Parses the `crop` text `X,Y,W,H` (pixels).
///
/// # Errors
/// [`Error::Text`] where the form or a number is wrong.
pub fn parse_crop(text: &str) -> Result<Rect, Error> {
    let _ = text;
    Err(Error::text("crop", "not written yet"))
}

/// Places specs on a picture of `width` × `height` pixels whose active part is `active`.
///
/// Pixel numbers count from the picture's corner; shares count in the active part, both edges at ⌊p·size + ½⌋.
#[must_use]
pub fn resolve(specs: &[RegionSpec], width: u32, height: u32, active: Rect) -> Vec<Region> {
    let _ = (specs, width, height, active);
    Vec::new()
}
