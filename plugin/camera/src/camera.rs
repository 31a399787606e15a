//! A camera's body: how many electrons its pixels hold, and what noise they add.

use serde::{Deserialize, Serialize};

use crate::error::{Error, within};

/// The unvarying properties of a camera; all spreads are standard deviations, `_e` counts electrons.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Camera {
    /// ISO at which each conversion stage holds its full well; one or two, rising. A stage serves from its base up to
    /// the next one's, the first one below its base too.
    pub base: Vec<f64>,
    /// Electrons at which each stage clips.
    pub full_well_e: Vec<f64>,
    /// Read noise of each stage.
    pub read_noise_e: Vec<f64>,
    /// Offset that all pixels of a row share, new in every frame.
    #[serde(default)]
    pub row_e: f64,
    /// Offset that all pixels of a column share, new in every frame.
    #[serde(default)]
    pub column_e: f64,
    /// Standing differences of the pixels' sensitivity, as a share.
    #[serde(default)]
    pub prnu: f64,
    /// Standing differences of the pixels' dark level.
    #[serde(default)]
    pub dsnu_e: f64,
    /// Pixels per million with a dark current of their own, 20 to some hundred electrons.
    #[serde(default)]
    pub hot_ppm: f64,
    /// Change of all moving noise from frame to frame, as a share; the level stays.
    #[serde(default)]
    pub gain_change: f64,
    /// The lens's blur on the scene: sd of a Gaussian in pixels. Noise is not blurred.
    #[serde(default)]
    pub blur: f64,
}

/// The invented cameras and what they are for.
pub const PRESETS: [(&str, &str); 3] = [
    ("juniper", "two bases, ISO 640 and 4000"),
    ("larch", "one base, ISO 1000"),
    ("rowan", "two bases, ISO 320 and 1600"),
];

/// Least and largest ISO.
pub const ISO: std::ops::RangeInclusive<f64> = 25.0..=1_638_400.0;

impl Camera {
    /// A camera of one stage that adds read noise to its photons' own, and nothing else.
    #[must_use]
    pub fn plain(base: f64, full_well_e: f64, read_noise_e: f64) -> Self {
        Self {
            base: vec![base],
            full_well_e: vec![full_well_e],
            read_noise_e: vec![read_noise_e],
            row_e: 0.0,
            column_e: 0.0,
            prnu: 0.0,
            dsnu_e: 0.0,
            hot_ppm: 0.0,
            gain_change: 0.0,
            blur: 0.0,
        }
    }

    /// The invented camera called `name`, one of [`PRESETS`].
    #[must_use]
    pub fn preset(name: &str) -> Option<Self> {
        Some(match name {
            "juniper" => Self {
                base: vec![640.0, 4000.0],
                full_well_e: vec![45_000.0, 7_200.0],
                read_noise_e: vec![9.0, 2.4],
                row_e: 0.5,
                column_e: 0.3,
                prnu: 0.004,
                dsnu_e: 1.0,
                hot_ppm: 20.0,
                gain_change: 0.0,
                blur: 0.5,
            },
            "larch" => Self {
                row_e: 0.3,
                column_e: 0.2,
                prnu: 0.006,
                dsnu_e: 0.8,
                hot_ppm: 10.0,
                blur: 0.6,
                ..Self::plain(1000.0, 30_000.0, 4.0)
            },
            "rowan" => Self {
                base: vec![320.0, 1600.0],
                full_well_e: vec![60_000.0, 12_000.0],
                read_noise_e: vec![12.0, 3.0],
                row_e: 0.8,
                column_e: 0.4,
                prnu: 0.005,
                dsnu_e: 1.5,
                hot_ppm: 40.0,
                gain_change: 0.0,
                blur: 0.5,
            },
            _ => return None,
        })
    }

    /// Reads a camera file: a JSON object with the fields of this type. `base`, `full_well_e` and `read_noise_e` are
    /// needed, the others are 0 where absent.
    ///
    /// # Errors
    /// Names the field that is missing, unknown, of another type or out of its range.
    pub fn from_json(text: &str) -> Result<Self, Error> {
        let camera: Self = serde_json::from_str(text).map_err(|problem| {
            // serde's words name the field and the line; the list of known ones is long enough for one line.
            Error::new("camera file", problem.to_string())
        })?;
        camera.check()?;
        Ok(camera)
    }

    /// Whether every field is in its range.
    ///
    /// # Errors
    /// Names the first field that is not.
    pub fn check(&self) -> Result<(), Error> {
        let stages = self.base.len();
        if !(1..=2).contains(&stages) {
            return Err(Error::new(
                "base",
                format!("has {stages} entries; one or two conversion stages are known"),
            ));
        }
        let lists = [
            ("base", &self.base, ISO, ""),
            ("full_well_e", &self.full_well_e, 100.0..=1e7, " electrons"),
            ("read_noise_e", &self.read_noise_e, 0.0..=1000.0, " electrons"),
        ];
        for (name, list, range, unit) in lists {
            if list.len() != stages {
                let problem =
                    format!("has {} entries, base has {stages}; write one for each base", list.len());
                return Err(Error::new(name, problem));
            }
            for (index, &value) in list.iter().enumerate() {
                within(format!("{name}[{index}]"), value, range.clone(), unit)?;
            }
        }
        if let [first, second] = self.base[..]
            && first >= second
        {
            return Err(Error::new(
                "base",
                format!("{first} does not lie below {second}; write the lower first"),
            ));
        }
        within("row_e", self.row_e, 0.0..=1000.0, " electrons")?;
        within("column_e", self.column_e, 0.0..=1000.0, " electrons")?;
        within("prnu", self.prnu, 0.0..=0.3, "")?;
        within("dsnu_e", self.dsnu_e, 0.0..=1000.0, " electrons")?;
        within("hot_ppm", self.hot_ppm, 0.0..=100_000.0, "")?;
        within("gain_change", self.gain_change, 0.0..=0.3, "")?;
        within("blur", self.blur, 0.0..=20.0, " pixels")?;
        Ok(())
    }
}
