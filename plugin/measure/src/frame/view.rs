//! Borrowed samples of one colour component, wherever and however they lie in memory.
//!
//! A view is checked once, when it is made; after that every row it hands out lies inside its bytes.

use crate::error::Error;
use crate::frame::format::Channel;
use crate::sums::patch::Patch;

/// The unit of memory that one sample is read from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// One byte.
    U8,
    /// Two bytes, least significant first.
    U16Le,
    /// Two bytes, most significant first.
    U16Be,
    /// Four bytes, least significant first.
    U32Le,
    /// Four bytes, most significant first.
    U32Be,
}

impl Word {
    /// Size in bytes: 1, 2 or 4.
    #[must_use]
    pub const fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::U16Le | Self::U16Be => 2,
            Self::U32Le | Self::U32Be => 4,
        }
    }
}

/// How a code value sits in its word: `code = (word >> shift) & (2^depth − 1)`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packing {
    /// Unit of memory.
    pub word: Word,
    /// Bits below the code; not 0 for samples aligned to the top of their word.
    pub shift: u32,
    /// Significant bits, 1..=16.
    pub depth: u32,
}

/// Where a component's samples lie, in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placement {
    /// First byte of the word that holds the first sample.
    pub offset: usize,
    /// Bytes from a row to the next; at least the bytes that a row spans.
    pub row_stride: usize,
    /// Bytes from a sample to its right neighbour; at least 1.
    pub sample_stride: usize,
    /// Samples in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// How codes lie in memory, as far as loops know of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A byte each.
    Bytes,
    /// A byte each, with another component's between them.
    EveryOtherByte,
    /// In words of 16 bits, least significant byte first.
    Words,
    /// The same, so many bits up.
    Raised(u32),
    /// In another way.
    Other,
}

/// Borrowed samples of one component, `width` × `height` code values of `packing.depth` bits.
#[derive(Debug, Clone, Copy)]
pub struct ComponentView<'a> {
    data: &'a [u8],
    placement: Placement,
    packing: Packing,
}

impl<'a> ComponentView<'a> {
    /// Checks that every sample lies inside `data`; strides may pad, never overrun.
    ///
    /// # Errors
    /// [`Error::Packing`] for bits that do not fit their word or a depth outside 1..=16,
    /// [`Error::ViewOutOfBounds`] where the last row would end past `data`.
    pub fn new(
        channel: Channel,
        data: &'a [u8],
        placement: Placement,
        packing: Packing,
    ) -> Result<Self, Error> {
        let word_bits = 8 * packing.word.bytes() as u32;
        if packing.depth == 0 || packing.depth > 16 || packing.shift.saturating_add(packing.depth) > word_bits
        {
            return Err(Error::Packing {
                channel: channel.name(),
                depth: packing.depth,
                shift: packing.shift,
                word_bits,
            });
        }
        let Placement { offset, row_stride, sample_stride, width, height } = placement;
        if sample_stride < packing.word.bytes() {
            return Err(Error::Packing {
                channel: channel.name(),
                depth: packing.depth,
                shift: packing.shift,
                word_bits: 8 * sample_stride as u32,
            });
        }
        if width > 0 && height > 0 {
            let row_bytes = (width - 1).saturating_mul(sample_stride).saturating_add(packing.word.bytes());
            let needed =
                (height - 1).saturating_mul(row_stride).saturating_add(offset).saturating_add(row_bytes);
            if needed > data.len() {
                return Err(Error::ViewOutOfBounds {
                    channel: channel.name(),
                    offset,
                    stride: row_stride,
                    row_bytes,
                    height,
                    needed,
                    available: data.len(),
                });
            }
        }
        Ok(Self { data, placement, packing })
    }

    /// Samples in a row.
    #[must_use]
    pub const fn width(&self) -> usize {
        self.placement.width
    }

    /// Rows.
    #[must_use]
    pub const fn height(&self) -> usize {
        self.placement.height
    }

    /// Significant bits of a code.
    #[must_use]
    pub const fn depth(&self) -> u32 {
        self.packing.depth
    }

    /// The rows of one field of an interleaved frame: `parity` 0 has rows 0, 2, 4 …, 1 the others.
    #[must_use]
    pub fn field(&self, parity: usize) -> Self {
        let mut field = *self;
        let parity = parity & 1;
        field.placement.height = (self.placement.height + 1 - parity) / 2;
        if parity == 1 {
            field.placement.offset += self.placement.row_stride;
        }
        field.placement.row_stride *= 2;
        field
    }

    /// Rows `y..` of 16-bit words as they lie in memory, where they can be read without a copy.
    ///
    /// Bits above `depth` are not cleared: what is over 2^depth − 1 is no code value yet.
    #[must_use]
    pub fn words(&self, y: usize, rows: usize) -> Option<Patch<'a>> {
        let Placement { offset, row_stride, sample_stride, width, height } = self.placement;
        let plain = self.packing.word == Word::U16Le && self.packing.shift == 0 && sample_stride == 2;
        if !plain || cfg!(target_endian = "big") || !row_stride.is_multiple_of(2) {
            return None;
        }
        let bytes = self.data.get(offset + y * row_stride..)?;
        let words = bytemuck::try_cast_slice(&bytes[..bytes.len() & !1]).ok()?;
        Some(Patch::new(words, row_stride / 2, width, rows.min(height.saturating_sub(y))))
    }

    /// How rows of this view can be read where they lie; 8-bit codes in bytes, and words of 16 bits.
    #[must_use]
    pub fn kind(&self) -> Kind {
        let Packing { word, shift, depth } = self.packing;
        match (word, self.placement.sample_stride) {
            _ if cfg!(target_endian = "big") => Kind::Other,
            (Word::U8, 1) if shift == 0 && depth == 8 => Kind::Bytes,
            (Word::U8, 2) if shift == 0 && depth == 8 => Kind::EveryOtherByte,
            (Word::U16Le, 2) if shift == 0 => Kind::Words,
            (Word::U16Le, 2) if shift + depth == 16 => Kind::Raised(shift),
            _ => Kind::Other,
        }
    }

    /// The bytes that hold row `y`, from the first of its first sample to the last of its last.
    #[must_use]
    pub fn row_bytes(&self, y: usize) -> &'a [u8] {
        let Placement { offset, row_stride, sample_stride, width, height } = self.placement;
        if y >= height || width == 0 {
            return &[];
        }
        let start = offset + y * row_stride;
        let end = start + (width - 1) * sample_stride + self.packing.word.bytes();
        self.data.get(start..end).unwrap_or_default()
    }

    /// Largest code value, 2^depth − 1.
    #[must_use]
    pub const fn max(&self) -> u16 {
        ((1u32 << self.packing.depth) - 1) as u16
    }

    /// Copies the code values of row `y`, samples `x..x + out.len()`, into `out`.
    ///
    /// Samples outside the view are not touched; `out` keeps what it had there.
    #[inline(always)]
    pub fn read_row(&self, y: usize, x: usize, out: &mut [u16]) {
        let Placement { offset, row_stride, sample_stride, width, height } = self.placement;
        if y >= height || x >= width {
            return;
        }
        let count = out.len().min(width - x);
        let out = &mut out[..count];
        let start = offset + y * row_stride + x * sample_stride;
        let size = self.packing.word.bytes();
        let end = start + (count.saturating_sub(1)) * sample_stride + size;
        let Some(bytes) = self.data.get(start..end) else { return };
        let Packing { word, shift, .. } = self.packing;
        let mask = self.max();
        let code = |word: u32| (word >> shift) as u16 & mask;
        // In 16 bits where the word has no more: vectors hold twice as many.
        let short = |word: u16| (word >> (shift & 15)) & mask;
        match word {
            Word::U8 if shift == 0 => gather(bytes, sample_stride, out, |[a]| u16::from(a) & mask),
            Word::U8 => gather(bytes, sample_stride, out, |[a]| short(u16::from(a))),
            Word::U16Le => gather(bytes, sample_stride, out, |at| short(u16::from_le_bytes(at))),
            Word::U16Be => gather(bytes, sample_stride, out, |at| short(u16::from_be_bytes(at))),
            Word::U32Le => gather(bytes, sample_stride, out, |at| code(u32::from_le_bytes(at))),
            Word::U32Be => gather(bytes, sample_stride, out, |at| code(u32::from_be_bytes(at))),
        }
    }
}

/// Reads a word of `N` bytes every `stride` bytes.
#[inline(always)]
fn gather<const N: usize>(
    bytes: &[u8],
    stride: usize,
    out: &mut [u16],
    code: impl Fn([u8; N]) -> u16 + Copy,
) {
    // Strides that the compiler knows become plain vector loads.
    match stride {
        1 => every::<N, 1>(bytes, out, code),
        2 => every::<N, 2>(bytes, out, code),
        4 => every::<N, 4>(bytes, out, code),
        8 => every::<N, 8>(bytes, out, code),
        _ => {
            for (out, at) in out.iter_mut().zip(bytes.chunks(stride)) {
                if let Some(word) = at.first_chunk() {
                    *out = code(*word);
                }
            }
        }
    }
}

/// [`gather`] at a stride that is known.
#[inline(always)]
fn every<const N: usize, const STRIDE: usize>(bytes: &[u8], out: &mut [u16], code: impl Fn([u8; N]) -> u16) {
    let (whole, rest) = bytes.as_chunks::<STRIDE>();
    let (head, tail) = out.split_at_mut(whole.len().min(out.len()));
    for (out, at) in head.iter_mut().zip(whole) {
        if let Some(word) = at.first_chunk() {
            *out = code(*word);
        }
    }
    // The last word need not have a whole stride behind it.
    if let (Some(out), Some(word)) = (tail.first_mut(), rest.first_chunk()) {
        *out = code(*word);
    }
}
