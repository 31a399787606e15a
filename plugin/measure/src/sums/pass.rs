//! One pass of a frame through the open window: strip by strip, so that what is read for the picture's own counts is still
//! in the cache when regions and cells ask for it.

use fearless_simd::Simd;

use crate::config::MeterConfig;
use crate::frame::format::{FrameFormat, Model};
use crate::frame::place::{Place, field_place};
use crate::frame::view::ComponentView;
use crate::sums::collect::{MIXES, RegionSums, Rows, mixes_fit};
use crate::sums::kernels::fingerprint::Fingerprint;
use crate::sums::kernels::steps::CodeSteps;
use crate::sums::open::{OpenWindow, at, at_mut};
use crate::sums::patch::Patch;
use crate::sums::scan::{FrameScan, MOST, fields};
use crate::sums::strip::{Read, copy, fetch, mixture, strip_rows};

/// Most components of a format.
const COMPONENTS: usize = 4;

/// Rows of a strip in other form, kept from frame to frame.
#[derive(Debug, Default)]
pub(crate) struct Room {
    /// Code values of this frame and the one before, where memory does not hold them plainly, and of one region.
    this: [Vec<u16>; COMPONENTS],
    before: [Vec<u16>; COMPONENTS],
    region: Vec<u16>,
    /// Sums of two components, of this frame and the one before.
    mixed: [Vec<u16>; 2],
    wide_mixed: [Vec<u32>; 2],
    /// Regions and cells that reach into the strip, of each component.
    active: [Active; COMPONENTS],
}

/// Regions and cells that reach into a strip, and how many of them have begun.
#[derive(Debug, Default)]
struct Active {
    indices: Vec<usize>,
    begun: usize,
}

impl Active {
    /// Goes on to the strip of rows `y..end`; `order` has them by their first row, `rows` tells first row and end.
    fn advance(&mut self, order: &[usize], y: usize, end: usize, rows: impl Fn(usize) -> (usize, usize)) {
        self.indices.retain(|&index| rows(index).1 > y);
        while let Some(&index) = order.get(self.begun).filter(|&&index| rows(index).0 < end) {
            self.indices.push(index);
            self.begun += 1;
        }
    }
}

/// What is remembered of a stream from frame to frame.
#[derive(Debug)]
pub(crate) struct Memory {
    /// Which codes each component uses.
    pub(crate) steps: Vec<CodeSteps>,
    /// Whether memory of any frame held more than code values.
    unclean: bool,
    room: Room,
}

impl Memory {
    /// Of a stream of `components` components that begins.
    pub(crate) fn new(components: usize) -> Self {
        Self { steps: vec![CodeSteps::default(); components], unclean: false, room: Room::default() }
    }
}

/// Views of one frame and, where they are lent, of the one before; whole frames or one of their fields.
#[derive(Clone, Copy)]
struct Frames<'a, 'b> {
    this: &'a [ComponentView<'b>],
    before: &'a [ComponentView<'b>],
    /// Which field to take from them.
    field: Option<usize>,
}

impl<'b> Frames<'_, 'b> {
    fn view(&self, views: &[ComponentView<'b>], component: usize) -> Option<ComponentView<'b>> {
        let view = views.get(component)?;
        Some(self.field.map_or(*view, |parity| view.field(parity)))
    }
}

/// Takes one buffer into `window`, up to but not including its end; gives its fingerprint.
#[inline(always)]
pub(crate) fn frame<S: Simd>(
    simd: S,
    config: &MeterConfig,
    window: &mut OpenWindow,
    memory: &mut Memory,
    (this, before): (&[ComponentView<'_>], &[ComponentView<'_>]),
    parity: usize,
) -> u128 {
    let fields = fields(config.format.scan, parity);
    for sums in window.sums_mut() {
        sums.begin_frame(simd, fields.clone().map(|(_, parity)| parity), !before.is_empty());
    }
    let mut print = Fingerprint::default();
    for (split, parity) in fields {
        let frames = Frames { this, before, field: split.then_some(parity) };
        field(simd, config, window, memory, frames, parity, &mut print);
    }
    print.finish()
}

/// Rows of a component in a strip.
#[derive(Clone, Copy)]
enum Strip<'a> {
    /// As code values in memory.
    Plain(Rows<'a>),
    /// In another form: rows `y..y + rows` of a view.
    InView(usize, usize),
}

/// Takes in one field, or a frame that has none.
#[inline(always)]
fn field<S: Simd>(
    simd: S,
    config: &MeterConfig,
    window: &mut OpenWindow,
    memory: &mut Memory,
    frames: Frames<'_, '_>,
    parity: usize,
    print: &mut Fingerprint,
) {
    let format = &config.format;
    let count = format.components.len().min(COMPONENTS);
    let places: Vec<Place> =
        format.components.iter().map(|c| field_place(format, c, config.active, parity)).collect();
    let views: Vec<ComponentView<'_>> = (0..count).filter_map(|c| frames.view(frames.this, c)).collect();
    let before: Vec<ComponentView<'_>> = (0..count).filter_map(|c| frames.view(frames.before, c)).collect();
    let mut room = std::mem::take(&mut memory.room);
    for active in &mut room.active {
        active.indices.clear();
        active.begun = 0;
    }
    // Views may have more rows than the format; those of a strip must belong together in all components.
    let lines: Vec<usize> =
        format.components.iter().map(|c| c.vertical.count(format.lines(parity)) as usize).collect();
    let width = views.iter().map(ComponentView::width).max().unwrap_or(0);
    let height = lines.iter().copied().max().unwrap_or(0);
    // Cells cover all samples, and mixtures need rows of several components: those are copied where they are not plain.
    let all = !window.cells.is_empty() || format.model == Model::Rgb;
    let strips = height.div_ceil(strip_rows(width, !before.is_empty()));
    for strip in 0..strips {
        let Room { this: own, before: own_before, region, mixed, wide_mixed, active } = &mut room;
        let mut found = [(Strip::InView(0, 0), (u16::MAX, 0)); COMPONENTS];
        for (c, ((view, own), own_before)) in views.iter().zip(own).zip(own_before).enumerate() {
            let line = |strip: usize| lines[c] * strip / strips;
            let (y, rows) = (line(strip), line(strip + 1) - line(strip));
            let place = Place { x: 0, y, width: view.width(), height: rows };
            let mut read = Read {
                steps: &mut memory.steps[c],
                print: *print,
                scan: is_judged(format, c).then_some(&mut window.scan),
                component: c,
                place: places[c],
            };
            let words = view.words(y, rows);
            let (this, extremes) = match (read.in_place(simd, view, y, rows), words) {
                (Some(extremes), Some(words)) => (Some(words), extremes),
                (Some(extremes), None) => {
                    let wanted = all || read.scan.as_ref().is_some_and(|scan| scan.reaches(c, extremes));
                    (wanted.then(|| copy(simd, view, place, own)), extremes)
                }
                (None, words) => {
                    memory.unclean |= words.is_some();
                    let copied = copy(simd, view, place, own);
                    let extremes = read.copied(simd, y, copied);
                    (Some(copied), extremes)
                }
            };
            *print = read.print;
            let before = before.get(c).map(|view| match view.words(y, rows) {
                Some(words) if !memory.unclean => words,
                _ => copy(simd, view, place, own_before),
            });
            // Cells are narrow: their pieces of rows come faster from the cache than from afar, each for itself.
            before.into_iter().for_each(fetch);
            let strip =
                this.map_or(Strip::InView(y, rows), |this| Strip::Plain(Rows { x: 0, y, this, before }));
            found[c] = (strip, extremes);
        }
        count_picture(simd, format, &mut window.scan, &found[..count], &places);
        let OpenWindow { regions, cells, order, .. } = &mut *window;
        for (c, (strip, _)) in found[..count].iter().enumerate() {
            let (y, rows) = match strip {
                Strip::Plain(rows) => (rows.y, rows.this.rows),
                Strip::InView(y, rows) => (*y, *rows),
            };
            let rows_of = |sums: Option<&RegionSums>| {
                sums.and_then(|sums| sums.fields[parity].places.get(c))
                    .map_or((usize::MAX, 0), |place| (place.y, place.y + place.height))
            };
            active[c].advance(&order[parity][c], y, y + rows, |index| rows_of(at(regions, cells, index)));
            for &index in &active[c].indices {
                let Some(sums) = at_mut(regions, cells, index) else { continue };
                match strip {
                    Strip::Plain(rows) => sums.rows(simd, parity, c, *rows),
                    Strip::InView(y, rows) => {
                        let place = sums.fields[parity].places[c];
                        let (top, end) = (place.y.max(*y), (place.y + place.height).min(y + rows));
                        let part = Place { y: top, height: end.saturating_sub(top), ..place };
                        let this = copy(simd, &views[c], part, region);
                        sums.rows(simd, parity, c, Rows { x: place.x, y: top, this, before: None });
                    }
                }
            }
        }
        if format.model != Model::Rgb {
            continue;
        }
        for (mix, &(a, b)) in MIXES.iter().enumerate() {
            let (Strip::Plain(a), Strip::Plain(b)) = (found[a].0, found[b].0) else { continue };
            let indices = active[0].indices.iter();
            if indices.len() == 0 {
                continue;
            }
            if mixes_fit(format) {
                let rows = mixture(a, b, mixed, |a, b| a + b);
                for &index in indices {
                    if let Some(sums) = at_mut(regions, cells, index) {
                        sums.mixed_rows(simd, parity, mix, rows);
                    }
                }
            } else {
                let rows = mixture(a, b, wide_mixed, |a, b| u32::from(a) + u32::from(b));
                for &index in indices {
                    if let Some(sums) = at_mut(regions, cells, index) {
                        sums.wide_mixed_rows(simd, parity, mix, rows);
                    }
                }
            }
        }
    }
    memory.room = room;
}

/// Whether component `component` has a part in the picture's own counts.
fn is_judged(format: &FrameFormat, component: usize) -> bool {
    match format.model {
        Model::Gray | Model::Yuv => component == 0,
        Model::Rgb | Model::Bayer => true,
    }
}

/// Counts pixels of the active picture in a strip whose components' rows and extremes are `found`.
#[inline(always)]
fn count_picture<S: Simd>(
    simd: S,
    format: &FrameFormat,
    scan: &mut FrameScan,
    found: &[(Strip<'_>, (u16, u16))],
    places: &[Place],
) {
    let mut patches = [(Patch::new(&[], 0, 0, 0), (u16::MAX, 0)); COMPONENTS];
    let mut pixels = [0; COMPONENTS];
    for (c, ((strip, extremes), place)) in found.iter().zip(places).enumerate() {
        let (y, rows) = match strip {
            Strip::Plain(rows) => (rows.y, rows.this.rows),
            Strip::InView(y, rows) => (*y, *rows),
        };
        let top = place.y.max(y);
        let lines = (place.y + place.height).min(y + rows).saturating_sub(top);
        pixels[c] = lines * place.width;
        patches[c].1 = *extremes;
        // Those that are not plain reach no limit, so that nobody asks for their samples.
        if let Strip::Plain(rows) = strip {
            patches[c].0 = rows.this.part(place.x, top - y, place.width, lines);
        }
    }
    match format.model {
        Model::Gray | Model::Yuv => scan.count(simd, 0, pixels[0], &patches[..1]),
        Model::Rgb => scan.count(simd, 0, pixels[0], &patches[..found.len().min(MOST)]),
        // The colours of a mosaic lie at different pixels: each sample counts for itself.
        Model::Bayer => {
            (0..found.len()).for_each(|c| scan.count(simd, c, pixels[c], &patches[c..=c]));
        }
    }
}
