//! What stands before the lens: reflectances over the picture, and where the even patches are.

mod chart;

use noise_measure::region::{Length, RegionSpec, Role};
use serde_json::{Value, json};

use crate::exposure::GREY;

/// A scene.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Scene {
    /// Our own chart: a grey card, fifteen greys in two rings round it, slanted edges, a texture and a fine ruling.
    #[default]
    Rings,
    /// The grey card, filling the picture.
    Flat,
    /// The lens cap.
    Dark,
}

/// A part of the scene that a meter can be pointed at; place and size as shares of the picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Name.
    pub name: String,
    /// What it is for.
    pub role: Option<Role>,
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// Reflectance, where it has one.
    pub reflectance: Option<f64>,
}

impl Target {
    /// The target as a region of a meter.
    #[must_use]
    pub fn region(&self) -> RegionSpec {
        RegionSpec {
            name: self.name.clone(),
            x: Length::Share(self.x),
            y: Length::Share(self.y),
            width: Length::Share(self.width),
            height: Length::Share(self.height),
            role: self.role,
            reflectance: self.reflectance,
        }
    }
}

impl Scene {
    /// All scenes.
    pub const ALL: [Self; 3] = [Self::Rings, Self::Flat, Self::Dark];

    /// The name in settings.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Rings => "rings",
            Self::Flat => "flat",
            Self::Dark => "dark",
        }
    }

    /// What a meter can be pointed at.
    #[must_use]
    pub fn targets(self) -> Vec<Target> {
        let whole = |name: &str, role, reflectance| Target {
            name: name.to_owned(),
            role: Some(role),
            x: 0.1,
            y: 0.1,
            width: 0.8,
            height: 0.8,
            reflectance: Some(reflectance),
        };
        match self {
            Self::Rings => chart::targets(),
            Self::Flat => vec![whole("grey", Role::Grey, GREY)],
            Self::Dark => vec![whole("black", Role::Black, 0.0)],
        }
    }

    /// The targets as a layout file.
    #[must_use]
    pub fn layout(self) -> Value {
        // Five digits are a tenth of a pixel of the largest pictures; more would only be noise in the file.
        let share = |value: f64| (value * 1e5).round() / 1e5;
        let regions: Vec<Value> = self
            .targets()
            .iter()
            .map(|target| {
                let mut region = json!({
                    "name": target.name,
                    "x": share(target.x),
                    "y": share(target.y),
                    "width": share(target.width),
                    "height": share(target.height),
                    "units": "fraction",
                });
                if let Some(role) = target.role {
                    region["role"] = json!(role.name());
                }
                if let Some(reflectance) = target.reflectance {
                    region["reflectance"] = json!(share(reflectance));
                }
                region
            })
            .collect();
        json!({ "regions": regions })
    }

    /// Reflectance of every pixel, row by row, averaged over the pixel's area.
    #[must_use]
    pub fn reflectances(self, width: usize, height: usize) -> Vec<f32> {
        match self {
            Self::Rings => chart::draw(width, height),
            Self::Flat => vec![GREY as f32; width * height],
            Self::Dark => vec![0.0; width * height],
        }
    }
}
