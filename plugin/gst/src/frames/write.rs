//! Codes into a buffer's memory: the reverse of reading, from the same table.

use noise_measure::view::{Packing, Word};

use super::error::ReadError;
use super::layout::{Layout, Part, Picture};
use super::read::Span;
use super::table::Place;

/// The frame in one buffer, to be written row by row.
#[derive(Debug)]
pub struct Canvas<'m> {
    memories: Vec<Mapped<'m>>,
    components: Vec<Spot>,
    alpha: Option<Spot>,
}

/// A memory, and the byte of the buffer that it begins at.
#[derive(Debug)]
struct Mapped<'m> {
    begin: usize,
    map: gst::MemoryMap<'m, gst::memory::Writable>,
}

/// Where the rows of a component are.
#[derive(Debug, Clone, Copy)]
struct Spot {
    memory: usize,
    /// Byte of its first row in that memory.
    start: usize,
    /// Bytes from a row to the next.
    stride: usize,
    width: usize,
    height: usize,
    /// Sample of the stored row that sample 0 is.
    first: usize,
    place: Place,
    depth: u32,
    /// Whether other samples have bits in its words.
    shared: bool,
}

impl Layout {
    /// Calls `draw` with the frame of `picture` in `buffer`; `parity` says which field an alternate buffer holds.
    ///
    /// # Errors
    /// [`ReadError`] where a row would leave the buffer or memory cannot be mapped for writing.
    pub fn with_canvas<R>(
        &self,
        picture: &Picture,
        parity: usize,
        buffer: &mut gst::BufferRef,
        draw: impl FnOnce(&mut Canvas<'_>) -> R,
    ) -> Result<R, ReadError> {
        let parts = self.parts(picture);
        let alpha = self.alpha(picture);
        let all: Vec<&Part> = parts.iter().chain(&alpha).collect();
        let size = buffer.size();
        let spans = all.iter().map(|part| {
            let shared = all.iter().filter(|other| other.shares_words(part)).count() > 1;
            Ok((self.span(**part, picture, parity, size)?, shared))
        });
        let spans = spans.collect::<Result<Vec<_>, ReadError>>()?;
        let mut memories = Vec::with_capacity(buffer.n_memory());
        let mut begin = 0;
        for memory in buffer.iter_memories_mut().map_err(|_| ReadError::MapWritable)? {
            let size = memory.size();
            let map = memory.map_writable().map_err(|_| ReadError::MapWritable)?;
            memories.push(Mapped { begin, map });
            begin += size;
        }
        let spots = spans.iter().map(|(span, shared)| Spot::new(span, *shared, &memories));
        let mut components = spots.collect::<Result<Vec<_>, _>>()?;
        let alpha = if alpha.is_some() { components.pop() } else { None };
        Ok(draw(&mut Canvas { memories, components, alpha }))
    }

    /// The plane whose rows of the stream's own size have no room for their last samples: the library gives UYVP some
    /// odd widths that are cut short.
    #[must_use]
    pub fn cut_short(&self) -> Option<usize> {
        let picture = self.whole();
        let short = |part: &Part| {
            let width = part.format.horizontal.count(picture.width) as usize;
            let stride = picture.planes.get(part.plane).map_or(0, |plane| plane.stride);
            width > 0 && part.place.row_bytes(width - 1) > stride
        };
        self.parts(&picture).iter().find(|part| short(part)).map(|part| part.plane)
    }
}

impl Canvas<'_> {
    /// Samples a row and rows of component `index`, as a view of it would have; none of components that are not there.
    #[must_use]
    pub fn size(&self, index: usize) -> (usize, usize) {
        self.components.get(index).map_or((0, 0), |spot| (spot.width, spot.height))
    }

    /// Puts `codes` into row `y` of component `index` from sample `x` on; what would lie outside it is left out, and
    /// bits above the component's depth are dropped.
    pub fn write(&mut self, index: usize, x: usize, y: usize, codes: &[u16]) {
        if let Some(&spot) = self.components.get(index)
            && let Some(map) = self.memories.get_mut(spot.memory)
        {
            spot.write(&mut map.map, x, y, codes);
        }
    }

    /// Clears what no component fills, for a buffer whose bytes are unknown: padding becomes 0 and alpha opaque.
    ///
    /// Components are to be written after this, since they may become 0 as well.
    pub fn clear(&mut self) {
        let own = |spot: &Spot| match spot.place {
            Place::Words { packing, .. } if !spot.shared => spot.width * spot.height * packing.word.bytes(),
            _ => 0,
        };
        let filled: usize = self.components.iter().chain(&self.alpha).map(own).sum();
        let bytes: usize = self.memories.iter().map(|memory| memory.map.len()).sum();
        if filled != bytes {
            for memory in &mut self.memories {
                memory.map.fill(0);
            }
        }
        if let Some(spot) = self.alpha
            && let Some(map) = self.memories.get_mut(spot.memory)
        {
            let opaque = vec![u16::MAX >> (16 - spot.depth); spot.width];
            for y in 0..spot.height {
                spot.write(&mut map.map, 0, y, &opaque);
            }
        }
    }
}

impl Spot {
    fn new(span: &Span, shared: bool, memories: &[Mapped<'_>]) -> Result<Self, ReadError> {
        let holds =
            |memory: &Mapped<'_>| span.start >= memory.begin && span.end <= memory.begin + memory.map.len();
        let empty = span.start >= span.end;
        let memory = if empty { Some(0) } else { memories.iter().position(holds) };
        let memory = memory.ok_or(ReadError::Split { plane: span.part.plane })?;
        let begin = memories.get(memory).map_or(0, |memory| memory.begin);
        Ok(Self {
            memory,
            start: span.start.saturating_sub(begin),
            stride: span.stride,
            width: if empty { 0 } else { span.width },
            height: if empty { 0 } else { span.rows },
            first: span.part.x as usize,
            place: span.part.place,
            depth: span.part.format.depth,
            shared,
        })
    }

    fn write(&self, bytes: &mut [u8], x: usize, y: usize, codes: &[u16]) {
        if x >= self.width || y >= self.height {
            return;
        }
        let codes = codes.get(..self.width - x).unwrap_or(codes);
        let start = self.start + y * self.stride;
        // A row ends where the next begins, even where the library has made it too short for its last pattern.
        let end = (start + self.stride).min(bytes.len());
        let Some(row) = bytes.get_mut(start..end) else { return };
        let sample = self.first + x;
        match self.place {
            Place::Words { offset, stride, packing } => {
                let Some(row) = row.get_mut(offset + sample * stride..) else { return };
                if self.shared {
                    merge(row, stride, codes.iter(), packing);
                } else {
                    put(row, stride, codes, packing);
                }
            }
            Place::Groups(group) => {
                let count = group.slots.len().max(1);
                for (index, slot) in group.slots.iter().enumerate() {
                    // The first of the given samples that sits in this slot, and its pattern.
                    let skip = (index + count - sample % count) % count;
                    let pattern = (sample + skip) / count;
                    let Some(row) = row.get_mut(pattern * group.bytes + slot.byte..) else { continue };
                    let packing = Packing { word: slot.word, shift: slot.shift, depth: self.depth };
                    merge(row, group.bytes, codes.iter().skip(skip).step_by(count), packing);
                }
            }
        }
    }
}

/// Writes words that belong to one component alone: what is beside the code becomes 0.
fn put(row: &mut [u8], stride: usize, codes: &[u16], packing: Packing) {
    let Packing { word, shift, depth } = packing;
    let mask = u16::MAX >> (16 - depth);
    let wide = |code: u16| u32::from(code & mask) << shift;
    match word {
        Word::U8 => place(row, stride, codes, |code| [wide(code) as u8]),
        Word::U16Le => place(row, stride, codes, |code| (wide(code) as u16).to_le_bytes()),
        Word::U16Be => place(row, stride, codes, |code| (wide(code) as u16).to_be_bytes()),
        Word::U32Le => place(row, stride, codes, |code| wide(code).to_le_bytes()),
        Word::U32Be => place(row, stride, codes, |code| wide(code).to_be_bytes()),
    }
}

fn place<const N: usize>(row: &mut [u8], stride: usize, codes: &[u16], word: impl Fn(u16) -> [u8; N]) {
    if stride == N {
        for (place, &code) in row.as_chunks_mut::<N>().0.iter_mut().zip(codes) {
            *place = word(code);
        }
    } else {
        for (place, &code) in row.chunks_mut(stride).zip(codes) {
            if let Some(place) = place.first_chunk_mut() {
                *place = word(code);
            }
        }
    }
}

/// Writes codes into words that hold bits of others.
fn merge<'c>(row: &mut [u8], stride: usize, codes: impl Iterator<Item = &'c u16>, packing: Packing) {
    fn each<'c, const N: usize>(
        row: &mut [u8],
        stride: usize,
        codes: impl Iterator<Item = &'c u16>,
        change: impl Fn([u8; N], u16) -> [u8; N],
    ) {
        for (place, &code) in row.chunks_mut(stride).zip(codes) {
            if let Some(place) = place.first_chunk_mut() {
                *place = change(*place, code);
            }
        }
    }
    let Packing { word, shift, depth } = packing;
    let mask = u32::from(u16::MAX >> (16 - depth)) << shift;
    let join = |old: u32, code: u16| old & !mask | u32::from(code) << shift & mask;
    match word {
        Word::U8 => each(row, stride, codes, |[old], code| [join(old.into(), code) as u8]),
        Word::U16Le => each(row, stride, codes, |old, code| {
            (join(u16::from_le_bytes(old).into(), code) as u16).to_le_bytes()
        }),
        Word::U16Be => each(row, stride, codes, |old, code| {
            (join(u16::from_be_bytes(old).into(), code) as u16).to_be_bytes()
        }),
        Word::U32Le => {
            each(row, stride, codes, |old, code| join(u32::from_le_bytes(old), code).to_le_bytes());
        }
        Word::U32Be => {
            each(row, stride, codes, |old, code| join(u32::from_be_bytes(old), code).to_be_bytes());
        }
    }
}
