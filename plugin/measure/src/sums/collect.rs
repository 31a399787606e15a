//! What is summed for one region or grid cell while frames come in.

use crate::frame::format::{FrameFormat, Model, Scan};
use crate::frame::place::{Place, field_place};
use crate::frame::region::Rect;
use crate::frame::view::ComponentView;
use crate::sums::kernels::Sample;
use crate::sums::kernels::clip::{ClipLimits, CodeCounts};
use crate::sums::pairwise::PairStack;
use crate::sums::scan::fields;
use crate::sums::stack::Stack;

/// Pairs of R, G and B whose sums are kept beside the components, for what is derived from them.
pub const MIXES: [(usize, usize); 3] = [(0, 1), (0, 2), (1, 2)];

/// The full or the pairwise set.
#[derive(Debug)]
pub enum Collector<T> {
    /// Everything.
    Full(Box<Stack<T>>),
    /// What needs no memory a pixel beyond the frame before.
    Pairwise(Box<PairStack<T>>),
}

impl<T: Sample> Collector<T> {
    fn new(full: bool, place: Place) -> Self {
        if full {
            Self::Full(Box::new(Stack::new(place.width, place.height)))
        } else {
            Self::Pairwise(Box::new(PairStack::new(place.width, place.height)))
        }
    }

    fn begin_frame(&mut self) {
        match self {
            Self::Full(stack) => stack.begin_frame(),
            Self::Pairwise(stack) => stack.begin_frame(),
        }
    }

    fn row(&mut self, y: usize, row: &[T]) {
        match self {
            Self::Full(stack) => stack.row(y, row),
            Self::Pairwise(stack) => stack.row(y, row),
        }
    }

    fn end_frame(&mut self) {
        match self {
            Self::Full(stack) => stack.end_frame(),
            Self::Pairwise(stack) => stack.end_frame(),
        }
    }

    fn break_run(&mut self) {
        match self {
            Self::Full(stack) => stack.break_run(),
            Self::Pairwise(stack) => stack.break_run(),
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
    /// One for each of [`MIXES`]; RGB alone.
    pub mixed: Vec<Collector<u32>>,
}

/// Sums of a region or cell.
#[derive(Debug)]
pub struct RegionSums {
    /// Whether it has the full set.
    pub full: bool,
    /// One a field.
    pub fields: Vec<FieldSums>,
    /// Extremes and clipping, one a component.
    pub counts: Vec<CodeCounts>,
}

impl RegionSums {
    /// No frames yet.
    #[must_use]
    pub fn new(format: &FrameFormat, rect: Rect, full: bool) -> Self {
        let field_count = if format.scan == Scan::Progressive { 1 } else { 2 };
        let fields = (0..field_count)
            .map(|parity| {
                let places: Vec<Place> =
                    format.components.iter().map(|c| field_place(format, c, rect, parity)).collect();
                let mixes = if format.model == Model::Rgb { &MIXES[..] } else { &[] };
                FieldSums {
                    native: places.iter().map(|&place| Collector::new(full, place)).collect(),
                    mixed: mixes.iter().map(|&(a, _)| Collector::new(full, places[a])).collect(),
                    places,
                }
            })
            .collect();
        let counts = format
            .components
            .iter()
            .map(|c| CodeCounts::new(ClipLimits::new(format.range, c.channel, c.depth)))
            .collect();
        Self { full, fields, counts }
    }

    /// Takes in one buffer.
    pub fn add(
        &mut self,
        format: &FrameFormat,
        views: &[ComponentView<'_>],
        parity: usize,
        scratch: &mut Scratch,
    ) {
        for (split, parity) in fields(format.scan, parity) {
            let Some(field) = self.fields.get_mut(parity) else { continue };
            field.native.iter_mut().for_each(Collector::begin_frame);
            field.mixed.iter_mut().for_each(Collector::begin_frame);
            let view = |i: usize| views.get(i).map(|v| if split { v.field(parity) } else { *v });
            if field.mixed.is_empty() {
                for (i, place) in field.places.iter().enumerate() {
                    let Some(view) = view(i) else { continue };
                    let row = scratch.row(0, place.width);
                    for y in 0..place.height {
                        view.read_row(place.y + y, place.x, row);
                        self.counts[i].row(row);
                        field.native[i].row(y, row);
                    }
                }
            } else if let Some(&place) = field.places.first() {
                for y in 0..place.height {
                    for i in 0..field.places.len() {
                        let Some(view) = view(i) else { continue };
                        let row = scratch.row(i, place.width);
                        view.read_row(place.y + y, place.x, row);
                        self.counts[i].row(row);
                        field.native[i].row(y, row);
                    }
                    for (mixed, &(a, b)) in field.mixed.iter_mut().zip(&MIXES) {
                        mixed.row(y, scratch.mix(a, b, place.width));
                    }
                }
            }
            field.native.iter_mut().for_each(Collector::end_frame);
            field.mixed.iter_mut().for_each(Collector::end_frame);
        }
    }

    /// Says that the next frame is no neighbour of the last one.
    pub fn break_run(&mut self) {
        for field in &mut self.fields {
            field.native.iter_mut().for_each(Collector::break_run);
            field.mixed.iter_mut().for_each(Collector::break_run);
        }
    }
}

/// Rows that are read into, kept from frame to frame.
#[derive(Debug, Default)]
pub struct Scratch {
    rows: [Vec<u16>; 3],
    mixed: Vec<u32>,
}

impl Scratch {
    fn row(&mut self, index: usize, width: usize) -> &mut [u16] {
        let row = &mut self.rows[index.min(2)];
        row.resize(width, 0);
        row
    }

    fn mix(&mut self, a: usize, b: usize, width: usize) -> &[u32] {
        self.mixed.clear();
        let (a, b) = (&self.rows[a.min(2)], &self.rows[b.min(2)]);
        self.mixed.extend(a.iter().zip(b).take(width).map(|(&a, &b)| u32::from(a) + u32::from(b)));
        &self.mixed
    }
}
