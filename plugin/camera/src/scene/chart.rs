//! The chart of [`Scene::Rings`](super::Scene::Rings), drawn from formulas.
//!
//! Places are (u, v): picture heights from the middle on a 16:9 picture, u to the right, v down; other shapes of
//! picture stretch it along u.

use std::f64::consts::TAU;

use noise_measure::region::Role;

use super::Target;
use crate::exposure::GREY;
use crate::random::{Line, Purpose};

const ASPECT: f64 = 16.0 / 9.0;

/// Reflectance between the patches, half-way between two of the greys so that none is lost in it.
const SURROUND: f64 = 0.118;

/// Lightest and darkest of the greys; their logarithms are evenly spaced, 0.39 stops apart.
const LIGHTEST: f64 = 0.90;
const DARKEST: f64 = 0.02;
const GREYS: usize = 15;

/// Half width and half height of the card, and of what is measured of it.
const CARD: (f64, f64) = (0.18, 0.125);
const CARD_TARGET: (f64, f64) = (0.155, 0.10);

/// Discs of a ring, their places' half axes, and where the first sits, clockwise from the right, in turns.
struct Ring {
    discs: usize,
    half: (f64, f64),
    start: f64,
}

const RINGS: [Ring; 2] = [
    Ring { discs: 7, half: (0.36, 0.235), start: -0.25 },
    Ring { discs: 8, half: (0.575, 0.415), start: -0.25 + 1.0 / 16.0 },
];

/// Radius of a disc, and half the side of the square that is measured in it.
const DISC: f64 = 0.075;
const DISC_TARGET: f64 = 0.046;

/// A panel at the side.
struct Panel {
    name: &'static str,
    role: Option<Role>,
    middle: (f64, f64),
    half: (f64, f64),
    fill: Fill,
}

enum Fill {
    /// Dark and light, parted by a line through the middle at so many degrees from the vertical.
    Edge { degrees: f64, light_left: bool },
    /// Opaque discs of random size and grey: the edges of all scales that a natural picture has.
    Texture,
    /// Upright lines, finer from top to bottom.
    Ruling,
}

const PANEL: (f64, f64) = (0.085, 0.10);

const PANELS: [Panel; 4] = [
    Panel {
        name: "edge1",
        role: Some(Role::Edge),
        middle: (-0.78, -0.13),
        half: PANEL,
        fill: Fill::Edge { degrees: 5.0, light_left: false },
    },
    Panel {
        name: "edge2",
        role: Some(Role::Edge),
        middle: (-0.78, 0.13),
        half: PANEL,
        fill: Fill::Edge { degrees: 80.0, light_left: true },
    },
    Panel {
        name: "texture",
        role: Some(Role::Texture),
        middle: (0.78, -0.13),
        half: PANEL,
        fill: Fill::Texture,
    },
    Panel { name: "ruling", role: None, middle: (0.78, 0.13), half: PANEL, fill: Fill::Ruling },
];

/// Which of the panels has the texture.
const TEXTURE: usize = 2;

/// Greys on both sides of an edge: contrast 0.6 (ISO 12233 asks for low contrast; the share is ours).
const EDGE: (f64, f64) = (0.08, 0.32);

/// Cycles per picture height at the top and the bottom of the ruling.
const RULING: (f64, f64) = (40.0, 400.0);

/// Discs of the texture, their radii in picture heights, and their greys.
const TEXTURE_DISCS: u64 = 2500;
const TEXTURE_RADII: (f64, f64) = (0.0015, 0.04);
const TEXTURE_GREYS: (f64, f64) = (0.06, 0.36);
const TEXTURE_SEED: u64 = 7;

struct Disc {
    middle: (f64, f64),
    radius: f64,
    grey: f64,
}

impl Disc {
    fn holds(&self, u: f64, v: f64) -> bool {
        let (du, dv) = (u - self.middle.0, v - self.middle.1);
        du * du + dv * dv <= self.radius * self.radius
    }
}

/// The grey of step `index`, 0 the lightest.
fn grey(index: usize) -> f64 {
    LIGHTEST * (DARKEST / LIGHTEST).powf(index as f64 / (GREYS - 1) as f64)
}

/// The greys' discs, lightest first, inner ring first.
fn discs() -> Vec<Disc> {
    let places = RINGS.iter().flat_map(|ring| {
        (0..ring.discs).map(|i| {
            let (sin, cos) = (TAU * (ring.start + i as f64 / ring.discs as f64)).sin_cos();
            (ring.half.0 * cos, ring.half.1 * sin)
        })
    });
    places.enumerate().map(|(i, middle)| Disc { middle, radius: DISC, grey: grey(i) }).collect()
}

/// The texture's discs, the uppermost last: radii with density ∝ r⁻³, so that no size stands out.
fn texture(panel: &Panel) -> Vec<Disc> {
    let line = Line::new(TEXTURE_SEED, Purpose::Pixels, 0, 0);
    let (least, most) = TEXTURE_RADII;
    (0..TEXTURE_DISCS)
        .map(|i| {
            let draw = |k: u64| line.uniform(4 * i + k);
            let spread = |half: f64, k: u64| (2.0 * draw(k) - 1.0) * (half + most);
            // Inverse of the distribution of r⁻³ between the two radii.
            let (a, b) = (least.powi(-2), most.powi(-2));
            let radius = (a - draw(2) * (a - b)).sqrt().recip();
            let (low, high) = TEXTURE_GREYS;
            Disc {
                middle: (panel.middle.0 + spread(panel.half.0, 0), panel.middle.1 + spread(panel.half.1, 1)),
                radius,
                grey: low + (high - low) * draw(3),
            }
        })
        .collect()
}

/// What can be measured on the chart.
pub(super) fn targets() -> Vec<Target> {
    let target = |name: String, role, middle: (f64, f64), half: (f64, f64), reflectance| Target {
        name,
        role,
        x: 0.5 + (middle.0 - half.0) / ASPECT,
        y: 0.5 + middle.1 - half.1,
        width: 2.0 * half.0 / ASPECT,
        height: 2.0 * half.1,
        reflectance,
    };
    let card = target("grey".into(), Some(Role::Grey), (0.0, 0.0), CARD_TARGET, Some(GREY));
    let steps = discs().into_iter().enumerate().map(|(i, disc)| {
        let half = (DISC_TARGET, DISC_TARGET);
        target(format!("step{:02}", i + 1), Some(Role::Step), disc.middle, half, Some(disc.grey))
    });
    let panels =
        PANELS.iter().map(|panel| target(panel.name.into(), panel.role, panel.middle, panel.half, None));
    std::iter::once(card).chain(steps).chain(panels).collect()
}

/// The chart with everything that random numbers or loops decide worked out.
struct Chart {
    discs: Vec<Disc>,
    texture: Pile,
}

/// Cells an axis into which a panel's discs are sorted.
const CELLS: usize = 32;

/// The texture's discs, the uppermost last, and for each cell of the panel those that touch it.
struct Pile {
    discs: Vec<Disc>,
    cells: Vec<Vec<usize>>,
}

impl Pile {
    fn new(panel: &Panel) -> Self {
        let discs = texture(panel);
        let mut cells = vec![Vec::new(); CELLS * CELLS];
        for (i, disc) in discs.iter().enumerate() {
            let cell = |sign: f64| {
                cell(panel, disc.middle.0 + sign * disc.radius, disc.middle.1 + sign * disc.radius)
            };
            let ((left, top), (right, bottom)) = (cell(-1.0), cell(1.0));
            for y in top..=bottom {
                (left..=right).for_each(|x| cells[y * CELLS + x].push(i));
            }
        }
        Self { discs, cells }
    }

    /// Grey of the uppermost disc at (u, v).
    fn grey(&self, panel: &Panel, u: f64, v: f64) -> f64 {
        let (x, y) = cell(panel, u, v);
        let mut here = self.cells[y * CELLS + x].iter().rev().map(|&i| &self.discs[i]);
        here.find(|disc| disc.holds(u, v)).map_or(GREY, |disc| disc.grey)
    }
}

/// The cell of a panel that holds (u, v), the nearest one outside of it.
fn cell(panel: &Panel, u: f64, v: f64) -> (usize, usize) {
    let along = |place: f64, middle: f64, half: f64| {
        (((place - middle) / half + 1.0) / 2.0 * CELLS as f64).clamp(0.0, CELLS as f64 - 1.0) as usize
    };
    (along(u, panel.middle.0, panel.half.0), along(v, panel.middle.1, panel.half.1))
}

impl Chart {
    fn reflectance(&self, u: f64, v: f64) -> f64 {
        if u.abs() <= CARD.0 && v.abs() <= CARD.1 {
            return GREY;
        }
        if let Some(disc) = self.discs.iter().find(|disc| disc.holds(u, v)) {
            return disc.grey;
        }
        let inside = |panel: &&Panel| {
            (u - panel.middle.0).abs() <= panel.half.0 && (v - panel.middle.1).abs() <= panel.half.1
        };
        PANELS.iter().find(inside).map_or(SURROUND, |panel| self.fill(panel, u, v))
    }

    fn fill(&self, panel: &Panel, u: f64, v: f64) -> f64 {
        let (du, dv) = (u - panel.middle.0, v - panel.middle.1);
        match panel.fill {
            Fill::Edge { degrees, light_left } => {
                let (sin, cos) = degrees.to_radians().sin_cos();
                let left = du * cos - dv * sin < 0.0;
                if left == light_left { EDGE.1 } else { EDGE.0 }
            }
            Fill::Texture => self.texture.grey(panel, u, v),
            Fill::Ruling => {
                let down = (dv / panel.half.1 + 1.0) / 2.0;
                let cycles = RULING.0 * (RULING.1 / RULING.0).powf((down * 5.0).floor() / 4.0);
                GREY * (1.0 + 0.6 * (TAU * cycles * du).cos())
            }
        }
    }
}

/// Points a pixel and axis that are averaged where a pixel is not of one grey.
const POINTS: usize = 6;

/// The chart on a picture of `width` × `height` pixels, row by row.
pub(super) fn draw(width: usize, height: usize) -> Vec<f32> {
    let chart = Chart { discs: discs(), texture: Pile::new(&PANELS[TEXTURE]) };
    let at = |x: f64, y: f64| chart.reflectance((x / width as f64 - 0.5) * ASPECT, y / height as f64 - 0.5);
    // Greys at the corners of the pixels, one row kept from the row before.
    let corners = |y: usize| (0..=width).map(|x| at(x as f64, y as f64)).collect::<Vec<f64>>();
    let mut upper = corners(0);
    let mut picture = Vec::with_capacity(width * height);
    for y in 0..height {
        let lower = corners(y + 1);
        for x in 0..width {
            let first = upper[x];
            let even = [upper[x + 1], lower[x], lower[x + 1], at(x as f64 + 0.5, y as f64 + 0.5)];
            let value = if even.iter().all(|&other| other == first) {
                first
            } else {
                let point = |i: usize| (i as f64 + 0.5) / POINTS as f64;
                let sum: f64 = (0..POINTS * POINTS)
                    .map(|i| at(x as f64 + point(i % POINTS), y as f64 + point(i / POINTS)))
                    .sum();
                sum / (POINTS * POINTS) as f64
            };
            picture.push(value as f32);
        }
        upper = lower;
    }
    picture
}
