//! Views of the components in a buffer's memory, without copying it.

use noise_measure::view::ComponentView;

use super::error::ReadError;
use super::layout::{Layout, Part, Picture};
use super::table::Place;
use super::unpack::{self, Source};

/// Memory that is kept from frame to frame for formats that must be spread out, and for planes split over memories.
#[derive(Debug, Default)]
pub struct Scratch {
    /// Codes of the components that are spread out.
    pub(super) components: [Vec<u8>; 4],
    planes: Vec<Vec<u8>>,
}

/// Where one component's bytes are.
pub(super) struct Span {
    pub part: Part,
    pub rows: usize,
    pub width: usize,
    pub stride: usize,
    /// First byte of the first sample's row, in the buffer.
    pub start: usize,
    /// Behind the last byte to read, in the buffer.
    pub end: usize,
}

/// Bytes that hold a span, and the buffer's byte they begin at.
#[derive(Clone, Copy)]
enum Home {
    Memory { map: usize, from: usize },
    Copy { index: usize, from: usize },
    Empty,
}

/// Memories of a buffer that are mapped, and where in them the spans are.
struct Found<'a> {
    maps: Vec<(usize, gst::MemoryMap<'a, gst::memory::Readable>)>,
    homes: Vec<Home>,
}

/// What scratch memory holds when views of it are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fill {
    /// Nothing of this picture yet.
    Anew,
    /// What views of this very picture left there.
    Kept,
}

impl Layout {
    /// Calls `measure` with a view of every component of `picture`; `parity` says which field an alternate buffer holds.
    ///
    /// # Errors
    /// [`ReadError`] where a row would leave the buffer or memory cannot be mapped.
    pub fn with_views<R>(
        &self,
        picture: &Picture,
        parity: usize,
        buffer: &gst::BufferRef,
        scratch: &mut Scratch,
        measure: impl FnOnce(&[ComponentView<'_>]) -> R,
    ) -> Result<R, ReadError> {
        let spans = self.spans(picture, parity, buffer.size())?;
        let Scratch { components, planes } = scratch;
        let found = Found::new(&spans, Some(buffer), planes, Fill::Anew)?;
        let views = found.views(&spans, planes, components, Fill::Anew)?;
        Ok(measure(&views))
    }

    /// The bytes of every component of `picture` in a buffer of `size` bytes.
    pub(super) fn spans(
        &self,
        picture: &Picture,
        parity: usize,
        size: usize,
    ) -> Result<Vec<Span>, ReadError> {
        self.parts(picture).into_iter().map(|part| self.span(part, picture, parity, size)).collect()
    }

    pub(super) fn span(
        &self,
        part: Part,
        picture: &Picture,
        parity: usize,
        size: usize,
    ) -> Result<Span, ReadError> {
        let plane = picture.planes.get(part.plane).copied().unwrap_or_default();
        let width = part.format.horizontal.count(picture.width) as usize;
        let rows = self.rows(part.format.vertical, picture, parity) as usize;
        let row_step = part.row_step as usize;
        let last = (part.x as usize + width).saturating_sub(1);
        let row_bytes = match part.place {
            Place::Words { .. } => part.place.row_bytes(last),
            // A row of GStreamer's own may end inside the last pattern (UYVP of some odd widths): the rest of it is
            // then the start of the next row, for the library's readers as well.
            Place::Groups(_) => part.place.row_bytes(last).min(plane.stride),
        };
        let out_of_bounds = || ReadError::Bounds {
            plane: part.plane,
            rows,
            row_bytes,
            stride: plane.stride,
            offset: plane.offset,
            size,
        };
        let stride = plane.stride.checked_mul(row_step).ok_or_else(out_of_bounds)?;
        if rows == 0 || width == 0 {
            return Ok(Span { part, rows, width, stride, start: 0, end: 0 });
        }
        if row_bytes > plane.stride && rows > 1 {
            return Err(out_of_bounds());
        }
        // Two fields can need a chroma line more than a frame of that height; not everybody stores one.
        let frame_rows = part.format.vertical.count(picture.height) as usize;
        if rows > frame_rows {
            let end = stride.saturating_mul(part.y as usize + rows).saturating_add(plane.offset);
            let next =
                picture.planes.iter().map(|other| other.offset).filter(|&other| other > plane.offset).min();
            if next.is_some_and(|next| end > next) || end > size {
                return Err(ReadError::FieldChroma { plane: part.plane, rows });
            }
        }
        let start = plane.stride.checked_mul(part.y as usize).and_then(|skip| skip.checked_add(plane.offset));
        let start = start.ok_or_else(out_of_bounds)?;
        let end =
            stride.checked_mul(rows - 1).and_then(|rows| rows.checked_add(start)?.checked_add(row_bytes));
        let end = end.filter(|&end| end <= size).ok_or_else(out_of_bounds)?;
        Ok(Span { part, rows, width, stride, start, end })
    }
}

impl Scratch {
    /// Calls `measure` with the views that [`Layout::with_views`] made of this scratch memory and `buffer`; with
    /// none where they cannot be had again. Formats that are spread out need no buffer.
    pub(super) fn with_views_again<R>(
        &mut self,
        spans: &[Span],
        buffer: Option<&gst::BufferRef>,
        measure: impl FnOnce(&[ComponentView<'_>]) -> R,
    ) -> R {
        let Self { components, planes } = self;
        let Ok(found) = Found::new(spans, buffer, planes, Fill::Kept) else { return measure(&[]) };
        let Ok(views) = found.views(spans, planes, components, Fill::Kept) else { return measure(&[]) };
        measure(&views)
    }
}

impl<'a> Found<'a> {
    fn new(
        spans: &[Span],
        buffer: Option<&'a gst::BufferRef>,
        copies: &mut Vec<Vec<u8>>,
        fill: Fill,
    ) -> Result<Self, ReadError> {
        let mut maps: Vec<(usize, gst::MemoryMap<'a, gst::memory::Readable>)> = Vec::with_capacity(4);
        let mut homes = Vec::with_capacity(spans.len());
        let mut copied = 0;
        for span in spans {
            if span.start >= span.end || (fill == Fill::Kept && span.is_spread()) {
                homes.push(Home::Empty);
                continue;
            }
            let buffer = buffer.ok_or(ReadError::Map)?;
            let (memories, skip) = buffer.find_memory(span.start..span.end).ok_or(ReadError::Map)?;
            if memories.len() == 1 {
                let index = memories.start;
                let map = match maps.iter().position(|(mapped, _)| *mapped == index) {
                    Some(map) => map,
                    None => {
                        let map = buffer.peek_memory(index).map_readable().map_err(|_| ReadError::Map)?;
                        maps.push((index, map));
                        maps.len() - 1
                    }
                };
                homes.push(Home::Memory { map, from: span.start - skip });
            } else {
                // Rows that run over the border of two memories: nobody in GStreamer makes such planes on purpose.
                if copies.len() <= copied {
                    copies.push(Vec::new());
                }
                if let Some(copy) = copies.get_mut(copied) {
                    copy.resize(span.end - span.start, 0);
                    buffer.copy_to_slice(span.start, copy).map_err(|_| ReadError::Map)?;
                }
                homes.push(Home::Copy { index: copied, from: span.start });
                copied += 1;
            }
        }
        Ok(Self { maps, homes })
    }

    fn views<'v>(
        &'v self,
        spans: &[Span],
        copies: &'v [Vec<u8>],
        unpacked: &'v mut [Vec<u8>],
        fill: Fill,
    ) -> Result<Vec<ComponentView<'v>>, ReadError> {
        let mut views = Vec::with_capacity(spans.len());
        let mut unpacked = unpacked.iter_mut();
        for (span, home) in spans.iter().zip(&self.homes) {
            let (data, from): (&[u8], usize) = match *home {
                Home::Memory { map, from } => {
                    (self.maps.get(map).map_or(&[], |(_, map)| map.as_slice()), from)
                }
                Home::Copy { index, from } => (copies.get(index).map_or(&[], Vec::as_slice), from),
                Home::Empty => (&[], span.start),
            };
            let unpacked = unpacked.next().ok_or(ReadError::Map)?;
            views.push(span.view(data, span.start - from, unpacked, fill)?);
        }
        Ok(views)
    }
}

impl Span {
    /// Whether its samples are read from scratch memory, not from the buffer.
    pub(super) fn is_spread(&self) -> bool {
        matches!(self.part.place, Place::Groups(_))
    }

    /// The component's samples in `data`, whose byte `start` is the first of its first row.
    fn view<'a>(
        &self,
        data: &'a [u8],
        start: usize,
        unpacked: &'a mut Vec<u8>,
        fill: Fill,
    ) -> Result<ComponentView<'a>, noise_measure::Error> {
        use noise_measure::view::{Packing, Placement, Word};
        let Part { format, place, x, .. } = self.part;
        let channel = format.channel;
        if self.rows == 0 || self.width == 0 {
            let packing = Packing { word: Word::U16Le, shift: 0, depth: format.depth };
            let placement = Placement {
                offset: 0,
                row_stride: 0,
                sample_stride: 2,
                width: self.width,
                height: self.rows,
            };
            return ComponentView::new(channel, &[], placement, packing);
        }
        match place {
            Place::Words { offset, stride, packing } => {
                let placement = Placement {
                    offset: start + offset + x as usize * stride,
                    row_stride: self.stride,
                    sample_stride: stride,
                    width: self.width,
                    height: self.rows,
                };
                ComponentView::new(channel, data, placement, packing)
            }
            Place::Groups(group) => {
                let source = Source {
                    offset: start,
                    stride: self.stride,
                    first: x as usize,
                    width: self.width,
                    height: self.rows,
                };
                let (placement, packing) = match fill {
                    Fill::Anew => unpack::unpack(data, source, group, format.depth, unpacked),
                    Fill::Kept => unpack::placement(source, group, format.depth),
                };
                ComponentView::new(channel, unpacked, placement, packing)
            }
        }
    }
}
