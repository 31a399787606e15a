//! What is measured and how, checked before anything starts.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use gstnoisemeter::noisemeter::settings as meter;
use noise_measure::region;
use serde::{Deserialize, Serialize};

use crate::cli::SettingsArgs;
use crate::errors::Error;
use crate::inputs::in_words;
use crate::text::shown;

/// Shortest window, nanoseconds; the element's minimum.
const SHORTEST_INTERVAL: u64 = 10_000_000;
/// An interval that no clip fills: one window to the end.
pub const WHOLE_CLIP: u64 = u64::MAX;
/// Frames a second of an image sequence, unless told.
const ASSUMED_RATE: Rate = Rate { numerator: 25, denominator: 1 };
const TRANSFERS: &[&str] = &["auto", "bt709", "bt1886", "srgb", "pq", "hlg", "acescct", "acescc", "linear"];
const RANGES: &[&str] = &["auto", "narrow", "full"];
const MATRICES: &[&str] = &["auto", "bt601", "bt709", "bt2020"];

/// Frames a second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rate {
    /// Frames.
    pub numerator: u32,
    /// Seconds.
    pub denominator: u32,
}

/// Everything that a result depends on beside the clip and the program; held in the state file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// What the layout file says.
    pub layout: Option<String>,
    /// As the option.
    pub regions: Option<String>,
    /// As the option.
    pub grid: Option<String>,
    /// Nanoseconds; [`WHOLE_CLIP`] for one window.
    pub interval: u64,
    /// Name of the curve, or `gamma`.
    pub transfer: String,
    /// The exponent, with `gamma` alone.
    pub gamma: Option<f64>,
    /// As the option.
    pub range: String,
    /// As the option.
    pub matrix: String,
    /// As the option.
    pub crop: Option<String>,
    /// As the option.
    pub delivery_heights: Option<String>,
    /// Of so many frames the first two are measured; 1 is all.
    pub every: u32,
    /// For image sequences; assumed where absent.
    pub rate: Option<Rate>,
}

/// Settings, and the file that the layout came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// What a result depends on.
    pub settings: Settings,
    /// The layout file; its name changes no result.
    pub layout: Option<PathBuf>,
}

impl Settings {
    /// Checks every option with the parsers that the element uses.
    ///
    /// # Errors
    /// The first option or file that cannot be used, by name.
    pub fn check(args: &SettingsArgs) -> Result<Checked, Error> {
        let text = |option: &str| {
            let option = option.to_owned();
            move |source| Error::Text { option, source }
        };
        let layout = args.layout.as_deref().map(read_layout).transpose()?;
        let mut names: Vec<String> = Vec::new();
        if let Some((_, specs)) = &layout {
            names.extend(specs.iter().map(|spec| spec.name.clone()));
        }
        if let Some(regions) = &args.regions {
            let specs = region::parse_regions(regions).map_err(text("--regions"))?;
            names.extend(specs.into_iter().map(|spec| spec.name));
        }
        check_names(&names)?;
        if let Some(grid) = &args.grid {
            region::parse_grid(grid).map_err(text("--grid"))?;
        }
        if let Some(crop) = &args.crop {
            region::parse_crop(crop).map_err(text("--crop"))?;
        }
        if let Some(heights) = &args.delivery_heights {
            check_heights(heights)?;
        }
        let (transfer, gamma) = transfer(&args.transfer)?;
        let settings = Self {
            layout: layout.map(|(text, _)| text),
            regions: args.regions.clone(),
            grid: args.grid.clone(),
            interval: interval(&args.interval)?,
            transfer,
            gamma,
            range: one_of("--range", &args.range, RANGES)?,
            matrix: one_of("--matrix", &args.matrix, MATRICES)?,
            crop: args.crop.clone(),
            delivery_heights: args.delivery_heights.clone(),
            every: args.every.unwrap_or(1),
            rate: args.rate.as_deref().map(rate).transpose()?,
        };
        Ok(Checked { settings, layout: args.layout.clone() })
    }

    /// Frames a second for image sequences; a guess where `rate` is absent.
    #[must_use]
    pub fn sequence_rate(&self) -> Rate {
        self.rate.unwrap_or(ASSUMED_RATE)
    }

    /// Whether frames are left out.
    #[must_use]
    pub fn pairs_only(&self) -> bool {
        // Of every two frames, the first two are all.
        self.every > 2
    }
}

fn read_layout(path: &Path) -> Result<(String, Vec<region::RegionSpec>), Error> {
    let option = format!("--layout {}", shown(path.as_os_str()));
    if path.to_str().is_none() {
        return Err(Error::usage(option, "the name of a layout file must be UTF-8"));
    }
    let unreadable = |error: std::io::Error| Error::usage(&option, in_words(&error));
    // A pipe would keep the program waiting.
    if !std::fs::metadata(path).map_err(unreadable)?.is_file() {
        return Err(Error::usage(option, "is not a regular file"));
    }
    let text = std::fs::read_to_string(path).map_err(unreadable)?;
    let specs = region::parse_layout(&text).map_err(|source| Error::Text { option, source })?;
    Ok((text, specs))
}

fn check_names(names: &[String]) -> Result<(), Error> {
    let mut seen = HashSet::new();
    for name in names {
        if !seen.insert(name) {
            return Err(Error::usage(
                "--regions",
                format!("region {name} is in the layout file too; names must be unique"),
            ));
        }
    }
    if names.len() > region::MAX_REGIONS {
        let problem =
            format!("{} regions with those of the layout file; at most {}", names.len(), region::MAX_REGIONS);
        return Err(Error::usage("--regions", problem));
    }
    Ok(())
}

/// The heights by the element's own reader.
fn check_heights(text: &str) -> Result<(), Error> {
    let settings = meter::Settings { delivery_heights: text.to_owned(), ..meter::Settings::default() };
    settings.plan().map(|_| ()).map_err(|problem| {
        let problem = problem.strip_prefix("delivery-heights: ").unwrap_or(&problem);
        Error::usage("--delivery-heights", format!("{problem}, as in 2160,1080"))
    })
}

fn one_of(option: &str, value: &str, allowed: &[&str]) -> Result<String, Error> {
    if allowed.contains(&value) {
        return Ok(value.to_owned());
    }
    Err(Error::usage(option, format!("{value:?} is not one of {}", allowed.join(", "))))
}

fn transfer(text: &str) -> Result<(String, Option<f64>), Error> {
    if let Some(number) = text.strip_prefix("gamma:") {
        let gamma =
            number.parse::<f64>().ok().filter(|gamma| (0.1..=10.0).contains(gamma)).ok_or_else(|| {
                Error::usage(
                    "--transfer",
                    format!("{number:?} is not an exponent; write gamma:G with G from 0.1 to 10"),
                )
            })?;
        return Ok(("gamma".to_owned(), Some(gamma)));
    }
    if TRANSFERS.contains(&text) {
        return Ok((text.to_owned(), None));
    }
    Err(Error::usage("--transfer", format!("{text:?} is not one of {}, gamma:G", TRANSFERS.join(", "))))
}

fn interval(text: &str) -> Result<u64, Error> {
    let wrong = || {
        let form = "write seconds, or a number with ms or s after it, from 10ms, or clip for one window";
        Error::usage("--interval", format!("{text:?} is not a length of time; {form}"))
    };
    if text == "clip" {
        return Ok(WHOLE_CLIP);
    }
    let (number, unit) = match text.strip_suffix("ms") {
        Some(number) => (number, 1e6),
        None => (text.strip_suffix('s').unwrap_or(text), 1e9),
    };
    if number.is_empty() || !number.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.') {
        return Err(wrong());
    }
    let length = number.parse::<f64>().map_err(|_| wrong())? * unit;
    // The cast is exact enough far beyond the length of any clip and saturates above.
    let length = length.round() as u64;
    if !(SHORTEST_INTERVAL..WHOLE_CLIP).contains(&length) {
        return Err(wrong());
    }
    Ok(length)
}

/// Rates that are customarily written by a rounded decimal (SMPTE ST 2036-1: 24, 30, 60 and 120 over 1.001).
const ROUNDED_RATES: &[(&str, u32)] = &[
    ("23.976", 24_000),
    ("23.98", 24_000),
    ("29.97", 30_000),
    ("47.952", 48_000),
    ("47.95", 48_000),
    ("59.94", 60_000),
    ("119.88", 120_000),
];

fn rate(text: &str) -> Result<Rate, Error> {
    let wrong =
        || Error::usage("--rate", format!("{text:?} is not a frame rate; write 25, 23.976 or 30000/1001"));
    if let Some((_, numerator)) = ROUNDED_RATES.iter().find(|(name, _)| *name == text) {
        return Ok(Rate { numerator: *numerator, denominator: 1001 });
    }
    let (numerator, denominator) = match (text.split_once('/'), text.split_once('.')) {
        (Some((numerator, denominator)), _) => (numerator.parse().ok(), denominator.parse().ok()),
        (None, Some((whole, digits))) if (1..=3).contains(&digits.len()) => {
            (format!("{whole}{digits}").parse().ok(), 10_u32.checked_pow(digits.len() as u32))
        }
        (None, _) => (text.parse().ok(), Some(1)),
    };
    let (numerator, denominator): (u32, u32) = numerator.zip(denominator).ok_or_else(wrong)?;
    let frames = f64::from(numerator) / f64::from(denominator);
    // GStreamer's fractions are signed 32-bit numbers.
    let fits = numerator <= i32::MAX as u32 && denominator <= i32::MAX as u32;
    if !fits || !(0.001..=100_000.0).contains(&frames) {
        return Err(wrong());
    }
    Ok(Rate { numerator, denominator })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals() {
        assert_eq!(interval("1").unwrap(), 1_000_000_000);
        assert_eq!(interval("0.5s").unwrap(), 500_000_000);
        assert_eq!(interval("10ms").unwrap(), SHORTEST_INTERVAL);
        assert_eq!(interval("clip").unwrap(), WHOLE_CLIP);
        for text in ["", "s", "9ms", "-1", "1e3", "nan", "inf", "1 s", "1m", "99999999999999", "1..2"] {
            assert!(interval(text).unwrap_err().to_string().contains("--interval"), "{text}");
        }
    }

    #[test]
    fn rates() {
        assert_eq!(rate("25").unwrap(), Rate { numerator: 25, denominator: 1 });
        assert_eq!(rate("23.976").unwrap(), Rate { numerator: 24_000, denominator: 1001 });
        assert_eq!(rate("12.5").unwrap(), Rate { numerator: 125, denominator: 10 });
        assert_eq!(rate("30000/1001").unwrap(), Rate { numerator: 30_000, denominator: 1001 });
        for text in ["", "0", "-25", "25/0", "a", "1/2/3", "0.0001", "9999999999", "nan"] {
            assert!(rate(text).is_err(), "{text}");
        }
    }

    #[test]
    fn transfers() {
        assert_eq!(transfer("pq").unwrap(), ("pq".to_owned(), None));
        assert_eq!(transfer("gamma:2.4").unwrap(), ("gamma".to_owned(), Some(2.4)));
        for text in ["", "PQ", "gamma", "gamma:", "gamma:nan", "gamma:0", "gamma:-2", "gamma:inf"] {
            assert!(transfer(text).is_err(), "{text}");
        }
    }

    #[test]
    fn state_files_keep_settings_to_the_bit() {
        let args = SettingsArgs {
            interval: "40ms".to_owned(),
            transfer: "gamma:2.2".to_owned(),
            range: "full".to_owned(),
            matrix: "auto".to_owned(),
            rate: Some("59.94".to_owned()),
            every: Some(5),
            ..SettingsArgs::default()
        };
        let settings = Settings::check(&args).unwrap().settings;
        let text = serde_json::to_string(&settings).unwrap();
        assert_eq!(serde_json::from_str::<Settings>(&text).unwrap(), settings);
    }
}
