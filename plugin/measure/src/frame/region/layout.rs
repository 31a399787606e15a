//! Layout files: regions with roles and reflectances, as JSON.

use serde_json::{Map, Value};

use super::{Length, Names, RegionSpec, Role, check_length, check_name, positive, quoted};
use crate::error::Error;

const KEYS: [&str; 8] = ["name", "x", "y", "width", "height", "units", "role", "reflectance"];

/// Parses a layout file's JSON; unknown keys are refused with their name.
///
/// `{"regions":[{"name","x","y","width","height","units","role","reflectance"}]}`, the last three optional: units are
/// `pixels` or `fraction` (of the active picture), pixels where none are given; a region named grey, white or black has
/// that role unless it says otherwise.
///
/// # Errors
/// [`Error::Text`] naming the region and key.
pub fn parse_layout(json: &str) -> Result<Vec<RegionSpec>, Error> {
    let form = r#"write {"regions":[…]}"#;
    let top: Value =
        serde_json::from_str(json).map_err(|error| Error::text("layout", format!("not JSON: {error}")))?;
    let Value::Object(top) = top else {
        return Err(Error::text("layout", format!("is {}; {form}", kind(&top))));
    };
    if let Some(key) = top.keys().find(|key| *key != "regions") {
        return Err(Error::text("layout", format!("unknown key {}; `regions` is the only one", quoted(key))));
    }
    let entries = match top.get("regions") {
        Some(Value::Array(entries)) => entries,
        Some(other) => {
            return Err(Error::text("layout, key `regions`", format!("is {}; {form}", kind(other))));
        }
        None => return Err(Error::text("layout", format!("no key `regions`; {form}"))),
    };
    let mut regions = Vec::new();
    let mut names = Names::default();
    for (index, entry) in entries.iter().enumerate() {
        let name = entry.get("name").and_then(Value::as_str);
        let what = || match name {
            Some(name) => format!("layout, region {} {}", index + 1, quoted(name)),
            None => format!("layout, region {}", index + 1),
        };
        let region = parse_region(entry).map_err(|problem| Error::text(what(), problem))?;
        names.add(&region.name).map_err(|problem| Error::text(what(), format!("key `name`: {problem}")))?;
        regions.push(region);
    }
    Ok(regions)
}

fn parse_region(entry: &Value) -> Result<RegionSpec, String> {
    let Value::Object(entry) = entry else {
        return Err(format!("is {}; write an object with {}", kind(entry), KEYS.join(", ")));
    };
    if let Some(key) = entry.keys().find(|key| !KEYS.contains(&key.as_str())) {
        return Err(format!("unknown key {}; known are {}", quoted(key), KEYS.join(", ")));
    }
    let name = text(entry, "name")?.ok_or("no key `name`; each region needs one")?;
    check_name(name).map_err(|problem| format!("key `name`: {problem}"))?;
    let fraction = match text(entry, "units")? {
        None | Some("pixels") => false,
        Some("fraction") => true,
        Some(other) => return Err(format!("key `units`: {}; write pixels or fraction", quoted(other))),
    };
    let length = |key: &str| {
        let value = number(entry, key)?.ok_or_else(|| format!("no key `{key}`; a place needs it"))?;
        if !fraction && value.fract() != 0.0 && value > 0.0 && value < 1.0 {
            return Err(format!(
                "key `{key}` is {value}; pixels are whole numbers, or write \"units\":\"fraction\""
            ));
        }
        let length = if fraction { Length::Share(value) } else { Length::Pixels(value) };
        check_length(&format!("key `{key}`"), length)
    };
    let size = |key: &str| positive(&format!("key `{key}`"), length(key)?);
    let role = match text(entry, "role")? {
        Some(role) => Some(Role::from_name(role).ok_or_else(|| {
            let known: Vec<&str> = Role::ALL.iter().map(|role| role.name()).collect();
            format!("key `role`: {}; known are {}", quoted(role), known.join(", "))
        })?),
        None => Role::of_region(name),
    };
    let reflectance = number(entry, "reflectance")?;
    if let Some(value) = reflectance.filter(|value| !(0.0..=1.0).contains(value)) {
        return Err(format!("key `reflectance` is {value}; write a share 0..1, 0.18 for an 18 % grey card"));
    }
    Ok(RegionSpec {
        name: name.to_owned(),
        x: length("x")?,
        y: length("y")?,
        width: size("width")?,
        height: size("height")?,
        role,
        reflectance,
    })
}

/// The text at `key`; an absent key and null are the same.
fn text<'a>(entry: &'a Map<String, Value>, key: &str) -> Result<Option<&'a str>, String> {
    match entry.get(key) {
        None | Some(Value::Null) => Ok(None),
        Some(Value::String(text)) => Ok(Some(text)),
        Some(other) => Err(format!("key `{key}` is {}; write a text in quotes", kind(other))),
    }
}

/// The number at `key`; an absent key and null are the same.
fn number(entry: &Map<String, Value>, key: &str) -> Result<Option<f64>, String> {
    match entry.get(key) {
        None | Some(Value::Null) => Ok(None),
        Some(Value::Number(number)) => number
            .as_f64()
            .filter(|value| value.is_finite())
            .map(Some)
            .ok_or_else(|| format!("key `{key}` is not a finite number")),
        Some(other) => Err(format!("key `{key}` is {}; write a number", kind(other))),
    }
}

/// What a value is, for people.
fn kind(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "a truth value",
        Value::Number(_) => "a number",
        Value::String(_) => "a text",
        Value::Array(_) => "a list",
        Value::Object(_) => "an object",
    }
}
