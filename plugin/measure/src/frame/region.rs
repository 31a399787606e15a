//! Regions of the picture: their text and file forms, and their place on a frame of a given size.

mod layout;

use std::collections::HashSet;

use crate::error::Error;

pub use layout::parse_layout;

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

impl Role {
    /// All roles, by the order of their names' documentation.
    pub const ALL: [Self; 8] = [
        Self::Flat,
        Self::Grey,
        Self::White,
        Self::Black,
        Self::Step,
        Self::Edge,
        Self::Texture,
        Self::Motion,
    ];

    /// The name in layout files and results.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Flat => "flat",
            Self::Grey => "grey",
            Self::White => "white",
            Self::Black => "black",
            Self::Step => "step",
            Self::Edge => "edge",
            Self::Texture => "texture",
            Self::Motion => "motion",
        }
    }

    /// The role called `name`.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.name() == name)
    }

    /// The role that a region's name alone gives it: `grey`, `white` and `black` do.
    #[must_use]
    pub fn of_region(name: &str) -> Option<Self> {
        Self::from_name(name).filter(|role| matches!(role, Self::Grey | Self::White | Self::Black))
    }
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

/// Longest name of a region, in bytes.
const MAX_NAME: usize = 32;

/// Most cells a grid may have along one axis.
const MAX_CELLS: u32 = 256;

/// The one region that is measured where neither regions nor a grid were asked for: `centre`, 20 % × 20 %.
#[must_use]
pub fn default_regions() -> Vec<RegionSpec> {
    vec![RegionSpec {
        name: "centre".to_owned(),
        x: Length::Share(0.4),
        y: Length::Share(0.4),
        width: Length::Share(0.2),
        height: Length::Share(0.2),
        role: None,
        reflectance: None,
    }]
}

/// Parses the `regions` text: `NAME=X,Y,W,H` joined by `;`, pixels or percent with `%`; one `;` may end it.
///
/// An empty text has no regions. A number above 100 % is an error; a place outside the picture is not, as the picture
/// is not known here: [`resolve`] marks it.
///
/// # Errors
/// [`Error::Text`] naming the entry: bad form, name, number, duplicates, more than [`MAX_REGIONS`].
pub fn parse_regions(text: &str) -> Result<Vec<RegionSpec>, Error> {
    let text = text.trim();
    let text = text.strip_suffix(';').unwrap_or(text);
    if text.is_empty() {
        return Ok(Vec::new());
    }
    let mut regions = Vec::new();
    let mut names = Names::default();
    for (index, entry) in text.split(';').enumerate() {
        let what = || format!("regions, entry {} {}", index + 1, quoted(entry.trim()));
        let region = parse_entry(entry).map_err(|problem| Error::text(what(), problem))?;
        names.add(&region.name).map_err(|problem| Error::text(what(), problem))?;
        regions.push(region);
    }
    Ok(regions)
}

fn parse_entry(entry: &str) -> Result<RegionSpec, String> {
    let form = "write NAME=X,Y,W,H, for instance grey=40%,40%,20%,20%";
    let Some((name, place)) = entry.split_once('=') else {
        return Err(format!("no `=` between name and place; {form}"));
    };
    let name = name.trim();
    check_name(name)?;
    let numbers: Vec<&str> = place.split(',').map(str::trim).collect();
    let [x, y, width, height] = numbers[..] else {
        return Err(format!("a place has 4 numbers, here are {}; {form}", numbers.len()));
    };
    Ok(RegionSpec {
        name: name.to_owned(),
        x: parse_length("X", x)?,
        y: parse_length("Y", y)?,
        width: positive("W", parse_length("W", width)?)?,
        height: positive("H", parse_length("H", height)?)?,
        role: Role::of_region(name),
        reflectance: None,
    })
}

fn parse_length(axis: &str, text: &str) -> Result<Length, String> {
    let (number, percent) = match text.strip_suffix('%') {
        Some(number) => (number.trim_end(), true),
        None => (text, false),
    };
    // Digits and a point only: what else the float parser knows (inf, nan, 1e9) is a slip here.
    let plain = number.strip_prefix('-').unwrap_or(number);
    let value = if plain.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.') {
        number.parse().map_err(|_| ())
    } else {
        Err(())
    };
    let Ok(value) = value else {
        return Err(format!("{axis} {} is not a number; write pixels or percent with `%`", quoted(text)));
    };
    let length = if percent { Length::Share(value / 100.0) } else { Length::Pixels(value) };
    check_length(axis, length)
}

/// Refuses what can be right on no picture at all.
fn check_length(axis: &str, length: Length) -> Result<Length, String> {
    let (Length::Pixels(value) | Length::Share(value)) = length;
    if !value.is_finite() {
        return Err(format!("{axis} is not a finite number"));
    }
    if value < 0.0 {
        return Err(format!("{axis} is negative; the picture begins at 0"));
    }
    match length {
        Length::Share(share) if share > 1.0 => Err(format!(
            "{axis} is {} %, more than the whole picture; 100 % is the most",
            (share * 1e11).round() / 1e9
        )),
        Length::Pixels(pixels) if pixels.fract() != 0.0 => {
            Err(format!("{axis} is {pixels}; pixels are whole numbers"))
        }
        _ => Ok(length),
    }
}

fn positive(axis: &str, length: Length) -> Result<Length, String> {
    let (Length::Pixels(value) | Length::Share(value)) = length;
    if value > 0.0 { Ok(length) } else { Err(format!("{axis} is 0; a region needs some size")) }
}

fn check_name(name: &str) -> Result<(), String> {
    if name.is_empty() {
        return Err("the name is missing; write letters, digits, `_` or `-`".to_owned());
    }
    if name.len() > MAX_NAME {
        return Err(format!("name {} has {} bytes, {MAX_NAME} is the most", quoted(name), name.len()));
    }
    if let Some(wrong) = name.chars().find(|&c| !(c.is_ascii_alphanumeric() || c == '_' || c == '-')) {
        return Err(format!("name {} has {wrong:?}; letters, digits, `_` and `-` are allowed", quoted(name)));
    }
    if name == "frame" || is_cell_name(name) {
        return Err(format!(
            "name {} is reserved for the frame or a grid's cells; choose another",
            quoted(name)
        ));
    }
    Ok(())
}

/// Whether `name` has the form of a grid cell's, `r1c1`.
fn is_cell_name(name: &str) -> bool {
    let number = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    name.strip_prefix('r')
        .and_then(|rest| rest.split_once('c'))
        .is_some_and(|(row, column)| number(row) && number(column))
}

/// Names so far, to find duplicates and stop at [`MAX_REGIONS`].
#[derive(Default)]
struct Names(HashSet<String>);

impl Names {
    fn add(&mut self, name: &str) -> Result<(), String> {
        if self.0.len() == MAX_REGIONS {
            return Err(format!("more than {MAX_REGIONS} regions; {MAX_REGIONS} is the most"));
        }
        if self.0.insert(name.to_owned()) {
            Ok(())
        } else {
            Err(format!("name {} was used before; each region needs a name of its own", quoted(name)))
        }
    }
}

/// Text from outside, fit to stand in a one-line message: escaped, and cut where it is long.
fn quoted(text: &str) -> String {
    const LONGEST: usize = 48;
    if text.chars().nth(LONGEST).is_none() {
        return format!("{text:?}");
    }
    let start: String = text.chars().take(LONGEST - 1).collect();
    format!("{:?}", start + "…")
}

/// Parses `COLSxROWS`.
///
/// # Errors
/// [`Error::Text`] where the form or a number is wrong (1..=256 each).
pub fn parse_grid(text: &str) -> Result<Grid, Error> {
    let wrong = |problem: String| Error::text(format!("grid {}", quoted(text.trim())), problem);
    let Some((cols, rows)) = text.trim().split_once('x') else {
        return Err(wrong("no `x` between columns and rows; write COLSxROWS, for instance 16x9".to_owned()));
    };
    let number = |name: &str, text: &str| {
        whole(text)
            .filter(|count| (1..=MAX_CELLS).contains(count))
            .ok_or_else(|| wrong(format!("{name} {} is not a whole number 1..{MAX_CELLS}", quoted(text))))
    };
    Ok(Grid { cols: number("COLS", cols)?, rows: number("ROWS", rows)? })
}

/// Parses the `crop` text `X,Y,W,H` (pixels).
///
/// # Errors
/// [`Error::Text`] where the form or a number is wrong.
pub fn parse_crop(text: &str) -> Result<Rect, Error> {
    let wrong = |problem: String| Error::text(format!("crop {}", quoted(text.trim())), problem);
    let fields: Vec<&str> = text.split(',').map(str::trim).collect();
    let [x, y, width, height] = fields[..] else {
        return Err(wrong(format!("a crop has 4 numbers X,Y,W,H, here are {}", fields.len())));
    };
    let number = |name: &str, least: u32, text: &str| {
        whole(text).filter(|&value| value >= least).ok_or_else(|| {
            wrong(format!("{name} {} is not a whole number of pixels from {least} on", quoted(text)))
        })
    };
    Ok(Rect {
        x: number("X", 0, x)?,
        y: number("Y", 0, y)?,
        width: number("W", 1, width)?,
        height: number("H", 1, height)?,
    })
}

/// A whole number in digits alone.
fn whole(text: &str) -> Option<u32> {
    if text.bytes().all(|byte| byte.is_ascii_digit()) { text.parse().ok() } else { None }
}

/// Places specs on a picture of `width` × `height` pixels whose active part is `active`.
///
/// Pixel numbers count from the picture's corner; shares count in the active part, both edges at ⌊p·size + ½⌋.
/// A place that reaches out of the picture, or is so small a share that no pixel is left, is marked, never cut.
#[must_use]
pub fn resolve(specs: &[RegionSpec], width: u32, height: u32, active: Rect) -> Vec<Region> {
    specs
        .iter()
        .map(|spec| {
            let (left, right) = edges(spec.x, spec.width, active.x, active.width);
            let (top, bottom) = edges(spec.y, spec.height, active.y, active.height);
            let inside =
                left < right && top < bottom && right <= u64::from(width) && bottom <= u64::from(height);
            let pixels = |value: u64| u32::try_from(value).unwrap_or(u32::MAX);
            let rect = Rect {
                x: pixels(left),
                y: pixels(top),
                width: pixels(right.saturating_sub(left)),
                height: pixels(bottom.saturating_sub(top)),
            };
            Region { name: spec.name.clone(), role: spec.role, reflectance: spec.reflectance, rect, inside }
        })
        .collect()
}

/// First pixel and end of a length from a position, on an axis whose active part has `size` pixels from `offset` on.
fn edges(position: Length, length: Length, offset: u32, size: u32) -> (u64, u64) {
    // A cast of a float to an integer saturates; half the range keeps the sums below from overflowing.
    let whole = |pixels: f64| ((pixels + 0.5).floor() as u64).min(u64::MAX / 4);
    let offset = u64::from(offset);
    match (position, length) {
        (Length::Share(start), Length::Share(extent)) => {
            let (start, extent) = (nano_percent(start), nano_percent(extent));
            (offset + share_edge(start, size), offset + share_edge(start + extent, size))
        }
        (Length::Share(start), Length::Pixels(extent)) => {
            let left = offset + share_edge(nano_percent(start), size);
            (left, left + whole(extent))
        }
        (Length::Pixels(start), Length::Share(extent)) => {
            let left = whole(start);
            (left, left + share_edge(nano_percent(extent), size))
        }
        (Length::Pixels(start), Length::Pixels(extent)) => {
            let left = whole(start);
            (left, left + whole(extent))
        }
    }
}

/// A share in units of 1e-9 percent: decimal percentages become whole, so that edges at exact halves and sums of
/// shares do not hang on how binary fractions round.
fn nano_percent(share: f64) -> u64 {
    ((share * 1e11).round() as u64).min(u64::MAX / 4)
}

/// ⌊p·size/100 + ½⌋.
fn share_edge(nano_percent: u64, size: u32) -> u64 {
    const WHOLE: u128 = 100_000_000_000;
    let edge = (2 * u128::from(nano_percent) * u128::from(size) + WHOLE) / (2 * WHOLE);
    u64::try_from(edge).unwrap_or(u64::MAX / 4)
}
