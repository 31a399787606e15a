//! One pass of a frame through the open window: strip by strip, so that what is read for the picture's own counts is still
//! in the cache when regions and cells ask for it.

use fearless_simd::Simd;

use crate::config::MeterConfig;
use crate::frame::format::Model;
use crate::frame::place::{Place, field_place};
use crate::frame::view::ComponentView;
use crate::sums::collect::{MIXES, Rows, mixes_fit};
use crate::sums::kernels::fingerprint::{Fingerprint, PERIOD};
use crate::sums::kernels::scan;
use crate::sums::kernels::steps::CodeSteps;
use crate::sums::open::{OpenWindow, at};
use crate::sums::patch::Patch;
use crate::sums::scan::{FrameScan, MOST, fields};

/// Bytes of the tallest component in a strip, in 16-bit samples: enough for the memory's own reading ahead to pay, and few
/// enough for a strip of all components, with what regions keep of it, to stay in the second-level cache. Where the frame
/// before is read as well, both share it.
const STRIP_BYTES: usize = 192 * 1024;
const SHARED_STRIP_BYTES: usize = 128 * 1024;
/// Most rows in a strip.
const MOST_ROWS: usize = 64;

/// Rows of a strip of a component of `width` samples.
fn strip_rows(width: usize, shared: bool) -> usize {
    let bytes = if shared { SHARED_STRIP_BYTES } else { STRIP_BYTES };
    (bytes / (2 * width.max(1))).clamp(1, MOST_ROWS)
}

/// Rows of a strip in other form, kept from frame to frame.
#[derive(Debug, Default)]
pub(crate) struct Room {
    /// Code values of this frame and the one before, a component each, where memory does not hold them plainly.
    this: Vec<Vec<u16>>,
    before: Vec<Vec<u16>>,
    /// Sums of two components, of this frame and the one before.
    mixed: [Vec<u16>; 2],
    wide_mixed: [Vec<u32>; 2],
    /// Regions and cells that reach into the strip, of each component, and how many of the order have begun.
    active: Vec<(Vec<usize>, usize)>,
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
    let count = format.components.len();
    let places: Vec<Place> =
        format.components.iter().map(|c| field_place(format, c, config.active, parity)).collect();
    let views: Vec<ComponentView<'_>> = (0..count).filter_map(|c| frames.view(frames.this, c)).collect();
    let before: Vec<ComponentView<'_>> = (0..count).filter_map(|c| frames.view(frames.before, c)).collect();
    let mut room = std::mem::take(&mut memory.room);
    room.this.resize_with(count, Vec::new);
    room.before.resize_with(count, Vec::new);
    room.active.resize_with(count, Default::default);
    room.active.iter_mut().for_each(|(active, next)| {
        active.clear();
        *next = 0;
    });
    let Room { this: own, before: own_before, mixed, wide_mixed, active } = &mut room;
    let (width, height) = views.iter().fold((0, 0), |(width, height), view| {
        (width.max(view.width()), height.max(view.height()))
    });
    let strips = height.div_ceil(strip_rows(width, !before.is_empty()));
    for strip in 0..strips {
        let mut patches: [(Patch<'_>, (u16, u16)); 4] = [(Patch::new(&[], 0, 0, 0), (u16::MAX, 0)); 4];
        let mut rows: [Option<Rows<'_>>; 4] = [None; 4];
        let parts = views.iter().zip(own.iter_mut().zip(own_before.iter_mut())).take(rows.len());
        for (c, (view, (own, own_before))) in parts.enumerate() {
            let lines = |strip: usize| view.height() * strip / strips;
            let (y, height) = (lines(strip), lines(strip + 1) - lines(strip));
            let judged = match format.model {
                Model::Gray | Model::Yuv => c == 0,
                Model::Rgb | Model::Bayer => true,
            };
            let place = places[c];
            let mut read = Read {
                steps: &mut memory.steps[c],
                print: *print,
                scan: judged.then_some(&mut window.scan),
                component: c,
                place,
                y,
            };
            let words = view.words(y, height);
            let found = words.and_then(|words| read.rows(simd, words, view.max()));
            let this = match (found, words) {
                (Some(extremes), Some(words)) => {
                    patches[c].1 = extremes;
                    words
                }
                _ => {
                    memory.unclean |= words.is_some();
                    let copied = copy(simd, view, y, height, own);
                    patches[c].1 = read.rows(simd, copied, u16::MAX).unwrap_or((u16::MAX, 0));
                    copied
                }
            };
            *print = read.print;
            let top = place.y.max(y);
            let lines = (place.y + place.height).min(y + height).saturating_sub(top);
            patches[c].0 = this.part(place.x, top - y, place.width, lines);
            let before = before.get(c).map(|view| match view.words(y, height) {
                Some(words) if !memory.unclean => words,
                _ => copy(simd, view, y, height, own_before),
            });
            // Cells are narrow: their pieces of rows come faster from the cache than from afar, each for itself.
            before.into_iter().for_each(fetch);
            rows[c] = Some(Rows { y, this, before });
        }
        match format.model {
            Model::Gray | Model::Yuv => window.scan.count(simd, 0, &patches[..1]),
            Model::Rgb => window.scan.count(simd, 0, &patches[..count.min(MOST)]),
            // The colours of a mosaic lie at different pixels: each sample counts for itself.
            Model::Bayer => {
                (0..count.min(patches.len())).for_each(|c| window.scan.count(simd, c, &patches[c..=c]));
            }
        }
        let OpenWindow { regions, cells, order, .. } = &mut *window;
        for (c, rows) in rows.iter().enumerate().filter_map(|(c, rows)| Some((c, (*rows)?))) {
            let (active, next) = &mut active[c];
            let end = rows.y + rows.this.rows;
            let order = &order[parity][c];
            let mut place = |index: usize| {
                at(regions, cells, index)
                    .and_then(|sums| sums.fields[parity].places.get(c).copied())
                    .map_or((usize::MAX, 0), |place| (place.y, place.y + place.height))
            };
            active.retain(|&index| place(index).1 > rows.y);
            while let Some(&index) = order.get(*next).filter(|&&index| place(index).0 < end) {
                active.push(index);
                *next += 1;
            }
            for &index in &*active {
                if let Some(sums) = at(regions, cells, index) {
                    sums.rows(simd, parity, c, rows);
                }
            }
        }
        if format.model != Model::Rgb || active.first().is_none_or(|(active, _)| active.is_empty()) {
            continue;
        }
        for (mix, &(a, b)) in MIXES.iter().enumerate() {
            let (Some(a), Some(b)) = (rows[a], rows[b]) else { continue };
            if mixes_fit(format) {
                let rows = mixture(a, b, mixed, |a, b| a + b);
                for &index in &active[0].0 {
                    if let Some(sums) = at(regions, cells, index) {
                        sums.mixed_rows(simd, parity, mix, rows);
                    }
                }
            } else {
                let rows = mixture(a, b, wide_mixed, |a, b| u32::from(a) + u32::from(b));
                for &index in &active[0].0 {
                    if let Some(sums) = at(regions, cells, index) {
                        sums.wide_mixed_rows(simd, parity, mix, rows);
                    }
                }
            }
        }
    }
    memory.room = room;
}

/// Reads a sample of every cache line, row after row.
fn fetch(patch: Patch<'_>) {
    /// Samples of a cache line.
    const LINE: usize = 32;
    let mut read = 0;
    for y in 0..patch.rows {
        for line in patch.row(y).chunks(LINE) {
            read |= line[0];
        }
    }
    std::hint::black_box(read);
}

/// Rows `y..` of `view` as code values in `room`.
#[inline(always)]
fn copy<'a, S: Simd>(
    simd: S,
    view: &ComponentView<'_>,
    y: usize,
    height: usize,
    room: &'a mut Vec<u16>,
) -> Patch<'a> {
    let width = view.width();
    if room.len() < width * height {
        room.resize(width * height, 0);
    }
    simd.vectorize(
        #[inline(always)]
        || {
            for (row, line) in room.chunks_exact_mut(width.max(1)).zip(y..y + height) {
                view.read_row(line, 0, row);
            }
        },
    );
    Patch::new(room, width, width, height)
}

/// Sums of the components `a` and `b`, of this frame and, where it is lent, the one before.
#[inline(always)]
fn mixture<'a, T: Copy + Default>(
    a: Rows<'_>,
    b: Rows<'_>,
    rooms: &'a mut [Vec<T>; 2],
    sum: impl Fn(u16, u16) -> T,
) -> Rows<'a, T> {
    let [this, before] = rooms;
    let fill = |room: &'a mut Vec<T>, a: Patch<'_>, b: Patch<'_>| {
        room.resize(a.width * a.rows, T::default());
        for (y, room) in room.chunks_exact_mut(a.width.max(1)).enumerate() {
            room.iter_mut().zip(a.row(y).iter().zip(b.row(y))).for_each(|(room, (&a, &b))| *room = sum(a, b));
        }
        Patch::new(room, a.width, a.width, a.rows)
    };
    let before = a.before.zip(b.before).map(|(a, b)| fill(before, a, b));
    Rows { y: a.y, this: fill(this, a.this, b.this), before }
}

/// Reading rows of a component for what is asked of every sample of a frame.
struct Read<'a> {
    steps: &'a mut CodeSteps,
    print: Fingerprint,
    /// Where the picture's own counts go, if the component has a part in them.
    scan: Option<&'a mut FrameScan>,
    component: usize,
    /// The active picture.
    place: Place,
    y: usize,
}

impl Read<'_> {
    /// Takes in all rows of `patch`; gives the extremes of those of the active picture. `None`, and nothing taken in, if a
    /// word is over `max`.
    #[inline(always)]
    fn rows<S: Simd>(&mut self, simd: S, patch: Patch<'_>, max: u16) -> Option<(u16, u16)> {
        simd.vectorize(
            #[inline(always)]
            || self.read(simd, patch, max),
        )
    }

    #[inline(always)]
    fn read<S: Simd>(&mut self, simd: S, patch: Patch<'_>, max: u16) -> Option<(u16, u16)> {
        let mut print = self.print;
        let mut extremes = (u16::MAX, 0);
        let mut sums = [0; MOST_ROWS];
        let Place { x, y: top, width, height } = self.place;
        let whole = x == 0 && width == patch.width && self.scan.is_some();
        for line in 0..patch.rows {
            let row = patch.row(line);
            let mut found = scan::Row::EMPTY;
            for part in row.chunks(PERIOD) {
                let (next, keyed) = match (whole, self.steps.is_finest()) {
                    (true, true) => scan::row::<S, true, false>(simd, part),
                    (false, true) => scan::row::<S, false, false>(simd, part),
                    // Few codes are told apart by their extremes.
                    (_, false) => scan::row::<S, true, true>(simd, part),
                };
                print.sums(&keyed, part.len());
                found.join(&next);
            }
            if found.bits.0 > max {
                return None;
            }
            self.steps.row(row, &found);
            if self.scan.is_none() || !(top..top + height).contains(&(self.y + line)) {
                continue;
            }
            if !whole {
                found = scan::Row::EMPTY;
                for part in row.get(x..x + width).unwrap_or_default().chunks(PERIOD) {
                    found.join(&scan::row::<S, true, false>(simd, part).0);
                }
            }
            extremes = (extremes.0.min(found.low), extremes.1.max(found.high));
            if let Some(sum) = sums.get_mut(line) {
                *sum = found.sum;
            }
        }
        self.print = print;
        if let Some(scan) = &mut self.scan {
            for (line, &sum) in sums.iter().enumerate().take(patch.rows) {
                if let Some(line) = (self.y + line).checked_sub(top).filter(|&line| line < height) {
                    scan.line(self.component, (line, height), sum, width);
                }
            }
        }
        Some(extremes)
    }
}
