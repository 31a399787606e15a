//! What is summed for one region or grid cell while frames come in.

use fearless_simd::Simd;

use crate::frame::format::{ComponentFormat, FrameFormat, Model, Scan};
use crate::frame::place::{Place, field_place};
use crate::frame::region::Rect;
use crate::sums::kernels::Sample;
use crate::sums::kernels::clip::{ClipLimits, CodeCounts};
use crate::sums::pairwise::PairStack;
use crate::sums::patch::Patch;
use crate::sums::stack::Stack;

/// Pairs of R, G and B whose sums are kept beside the components, for what is derived from them.
pub const MIXES: [(usize, usize); 3] = [(0, 1), (0, 2), (1, 2)];

/// The full or the pairwise set.
#[derive(Debug)]
pub enum Collector<T> {
    /// Everything.
    Full(Box<Stack<T>>),
    /// What needs no memory a pixel beyond the frame before, and not even that where it is lent.
    Pairwise(Box<PairStack<T>>),
}

/// What a collector is made for.
#[derive(Debug, Clone, Copy)]
pub struct Set {
    /// All of it, or the pairwise set alone.
    pub full: bool,
    /// Whether the frame before comes with each frame; the full set keeps its own.
    pub lent: bool,
}

impl<T: Sample> Collector<T> {
    fn new(set: Set, place: Place, max: u32) -> Self {
        if set.full {
            Self::Full(Box::new(Stack::new(place.width, place.height, max)))
        } else {
            Self::Pairwise(Box::new(PairStack::new(place.width, place.height, max, set.lent)))
        }
    }

    #[inline(always)]
    fn begin_frame<S: Simd>(&mut self, simd: S, lent: bool) {
        match self {
            Self::Full(stack) => stack.begin_frame(simd),
            Self::Pairwise(stack) => stack.begin_frame(lent),
        }
    }

    #[inline(always)]
    fn rows<S: Simd>(
        &mut self,
        simd: S,
        y: usize,
        patch: Patch<'_, T>,
        before: Option<Patch<'_, T>>,
    ) -> Option<(T, T)> {
        match self {
            Self::Full(stack) => stack.rows(simd, y, patch),
            Self::Pairwise(stack) => stack.rows(simd, y, patch, before),
        }
    }

    #[inline(always)]
    fn end_frame<S: Simd>(&mut self, simd: S, repeated: bool) {
        match (self, repeated) {
            (Self::Full(stack), false) => stack.end_frame(simd),
            (Self::Full(stack), true) => stack.abandon_frame(),
            (Self::Pairwise(stack), false) => stack.end_frame(),
            // Its sums of the open frame are only joined to the others at the end.
            (Self::Pairwise(_), true) => {}
        }
    }

    fn break_run(&mut self) {
        match self {
            Self::Full(stack) => stack.break_run(),
            Self::Pairwise(stack) => stack.break_run(),
        }
    }

    fn reset(&mut self) {
        match self {
            Self::Full(stack) => stack.reset(),
            Self::Pairwise(stack) => stack.reset(),
        }
    }
}

/// Sums of one field (or of the frame, where there are none).
#[derive(Debug)]
pub struct FieldSums {
    /// Where the region lies in each component.
    pub places: Vec<Place>,
    /// One a component.
    pub native: Vec<Collector<u16>>,
    /// One for each of [`MIXES`]; RGB alone, where the sums fit 16 bits.
    pub mixed: Vec<Collector<u16>>,
    /// The same where they do not.
    pub wide_mixed: Vec<Collector<u32>>,
}

impl FieldSums {
    #[inline(always)]
    fn each(&mut self, act: impl Fn(&mut Collector<u16>), act_wide: impl Fn(&mut Collector<u32>)) {
        self.native.iter_mut().chain(&mut self.mixed).for_each(act);
        self.wide_mixed.iter_mut().for_each(act_wide);
    }
}

/// Sums of a region or cell.
#[derive(Debug)]
pub struct RegionSums {
    /// What it has.
    pub set: Set,
    /// One a field.
    pub fields: Vec<FieldSums>,
    /// Extremes and clipping, one a component.
    pub counts: Vec<CodeCounts>,
}

/// Rows of one component, which begin with sample `x` of row `y` of the field, and the same of the frame before.
#[derive(Debug, Clone, Copy)]
pub struct Rows<'a, T = u16> {
    /// Column and row of the field that the patches begin with.
    pub x: usize,
    /// The row.
    pub y: usize,
    /// The samples.
    pub this: Patch<'a, T>,
    /// Of the frame before, where it is lent.
    pub before: Option<Patch<'a, T>>,
}

impl<'a, T> Rows<'a, T> {
    /// The rows that belong to `place`, and which of its rows they begin with.
    #[inline(always)]
    fn inside(&self, place: Place) -> (usize, Patch<'a, T>, Option<Patch<'a, T>>) {
        let top = place.y.max(self.y);
        let end = (place.y + place.height).min(self.y + self.this.rows);
        let part = |patch: &Patch<'a, T>| {
            patch.part(place.x - self.x, top - self.y, place.width, end.saturating_sub(top))
        };
        (top - place.y, part(&self.this), self.before.as_ref().map(part))
    }
}

impl RegionSums {
    /// No frames yet.
    #[must_use]
    pub fn new(format: &FrameFormat, rect: Rect, set: Set) -> Self {
        let field_count = if format.scan == Scan::Progressive { 1 } else { 2 };
        let fields = (0..field_count)
            .map(|parity| {
                let places: Vec<Place> =
                    format.components.iter().map(|c| field_place(format, c, rect, parity)).collect();
                let native = format.components.iter().zip(&places);
                let mixes = if format.model == Model::Rgb { &MIXES[..] } else { &[] };
                let (narrow, wide) = if mixes_fit(format) { (mixes, &[][..]) } else { (&[][..], mixes) };
                let max = |(a, b): (usize, usize)| {
                    let max = |i: usize| format.components.get(i).map_or(0, |c| (1 << c.depth) - 1);
                    max(a) + max(b)
                };
                FieldSums {
                    native: native
                        .map(|(c, &place)| Collector::new(set, place, (1 << c.depth) - 1))
                        .collect(),
                    mixed: narrow.iter().map(|&mix| Collector::new(set, places[mix.0], max(mix))).collect(),
                    wide_mixed: wide
                        .iter()
                        .map(|&mix| Collector::new(set, places[mix.0], max(mix)))
                        .collect(),
                    places,
                }
            })
            .collect();
        Self { set, fields, counts: counts(format, set).collect() }
    }

    /// Forgets all frames, of format `format`; all room stays.
    pub fn reset(&mut self, format: &FrameFormat) {
        let Self { set, fields, counts: counted } = self;
        fields.iter_mut().for_each(|field| field.each(Collector::reset, Collector::reset));
        counted.clear();
        counted.extend(counts(format, *set));
    }

    /// Opens a frame, whose fields `fields` come; `lent` says that the frame before comes with their rows.
    #[inline(always)]
    pub fn begin_frame<S: Simd>(&mut self, simd: S, fields: impl Iterator<Item = usize>, lent: bool) {
        for parity in fields {
            if let Some(field) = self.fields.get_mut(parity) {
                field.each(|c| c.begin_frame(simd, lent), |c| c.begin_frame(simd, lent));
            }
        }
        self.counts.iter_mut().for_each(CodeCounts::begin_frame);
    }

    /// Takes in rows of component `component` of field `parity`.
    #[inline(always)]
    pub fn rows<S: Simd>(&mut self, simd: S, parity: usize, component: usize, rows: Rows<'_>) {
        let field = &mut self.fields[parity];
        let (y, this, before) = rows.inside(field.places[component]);
        if let Some(extremes) = field.native[component].rows(simd, y, this, before) {
            self.counts[component].patch(simd, this, extremes);
        }
    }

    /// Takes in rows of mixture `mix`.
    #[inline(always)]
    pub fn mixed_rows<S: Simd>(&mut self, simd: S, parity: usize, mix: usize, rows: Rows<'_>) {
        let field = &mut self.fields[parity];
        let (y, this, before) = rows.inside(field.places[MIXES[mix].0]);
        field.mixed[mix].rows(simd, y, this, before);
    }

    /// Takes in rows of mixture `mix` where it does not fit 16 bits.
    #[inline(always)]
    pub fn wide_mixed_rows<S: Simd>(&mut self, simd: S, parity: usize, mix: usize, rows: Rows<'_, u32>) {
        let field = &mut self.fields[parity];
        let (y, this, before) = rows.inside(field.places[MIXES[mix].0]);
        field.wide_mixed[mix].rows(simd, y, this, before);
    }

    /// Closes the frame: it counts, unless it is `repeated`.
    #[inline(always)]
    pub fn end_frame<S: Simd>(&mut self, simd: S, fields: impl Iterator<Item = usize>, repeated: bool) {
        for parity in fields {
            if let Some(field) = self.fields.get_mut(parity) {
                field.each(|c| c.end_frame(simd, repeated), |c| c.end_frame(simd, repeated));
            }
        }
        if repeated {
            self.counts.iter_mut().for_each(CodeCounts::abandon_frame);
        }
    }

    /// Says that the next frame is no neighbour of the last one.
    pub fn break_run(&mut self) {
        for field in &mut self.fields {
            field.native.iter_mut().chain(&mut field.mixed).for_each(Collector::break_run);
            field.wide_mixed.iter_mut().for_each(Collector::break_run);
        }
    }
}

/// Extremes and clipping of no samples yet, one a component.
fn counts(format: &FrameFormat, set: Set) -> impl Iterator<Item = CodeCounts> + '_ {
    let limits = |c: &ComponentFormat| ClipLimits::new(format.range, c.channel, c.depth);
    format.components.iter().map(move |c| CodeCounts::new(limits(c), !set.lent))
}

/// Whether the sum of any two components fits 16 bits.
#[must_use]
pub fn mixes_fit(format: &FrameFormat) -> bool {
    format.components.iter().all(|component| component.depth < 16)
}
