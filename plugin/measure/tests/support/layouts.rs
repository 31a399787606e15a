//! The ways in which memory may carry the same codes.

use noise_measure::format::FrameFormat;
use noise_measure::view::{ComponentView, Packing, Placement, Word};

use crate::support::{Picture, Random};

/// What lies where no code does: between rows and samples, and in the bits of a word above and below its code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rest {
    /// Zeros.
    Nothing,
    /// Anything, in every frame.
    Anything,
    /// Zeros, but for the bits above the code of the last sample of one frame.
    OneSample,
}

/// How a picture is laid out.
#[derive(Debug, Clone, Copy)]
pub struct Layout {
    pub word: Word,
    /// Bytes from a sample to the next.
    pub step: usize,
    /// Bits below the code of component `c` of so many bits.
    pub shift: fn(depth: u32, c: usize) -> u32,
    pub rest: Rest,
    /// Bytes before the first sample.
    pub offset: usize,
}

const PLAIN: Layout = Layout { word: Word::U16Le, step: 2, shift: |_, _| 0, rest: Rest::Nothing, offset: 0 };

/// All ways that can carry codes of `depth` bits.
pub fn layouts(depth: u32) -> Vec<Layout> {
    let top: fn(u32, usize) -> u32 = |depth, _| 16 - depth;
    let bytes = [
        Layout { word: Word::U8, step: 1, rest: Rest::Anything, ..PLAIN },
        // One of two in turn, and one of four.
        Layout { word: Word::U8, step: 2, rest: Rest::Anything, offset: 1, ..PLAIN },
        Layout { word: Word::U8, step: 4, rest: Rest::Anything, offset: 2, ..PLAIN },
        Layout { word: Word::U8, step: 3, rest: Rest::Anything, ..PLAIN },
    ];
    let words = [
        PLAIN,
        Layout { rest: Rest::Anything, ..PLAIN },
        Layout { rest: Rest::OneSample, ..PLAIN },
        Layout { rest: Rest::Anything, offset: 1, ..PLAIN },
        Layout { word: Word::U16Be, rest: Rest::Anything, ..PLAIN },
        Layout { shift: top, rest: Rest::Anything, ..PLAIN },
        Layout { shift: top, step: 4, rest: Rest::Anything, offset: 2, ..PLAIN },
        Layout { step: 8, rest: Rest::Anything, offset: 6, ..PLAIN },
        Layout { word: Word::U16Be, step: 6, rest: Rest::Anything, ..PLAIN },
        Layout { word: Word::U32Le, step: 4, shift: |depth, c| (c as u32 * depth).min(16), ..PLAIN },
        Layout { word: Word::U32Be, step: 4, shift: |_, c| 5 * c as u32, rest: Rest::Anything, ..PLAIN },
    ];
    bytes.into_iter().filter(|_| depth <= 8).chain(words).collect()
}

/// One component in memory.
pub struct Plane {
    bytes: Vec<u8>,
    placement: Placement,
    packing: Packing,
}

impl Layout {
    /// Picture `index` of a stream in memory; its rows lie so many bytes apart that even and odd distances occur.
    pub fn planes(&self, format: &FrameFormat, picture: &Picture, index: usize) -> Vec<Plane> {
        let mut random = Random(index as u64);
        let planes = format.components.iter().zip(picture).enumerate();
        planes
            .map(|(c, (component, codes))| {
                let width = component.horizontal.count(format.width) as usize;
                let height = component.vertical.count(format.height) as usize;
                let (size, depth) = (self.word.bytes(), component.depth);
                let shift = (self.shift)(depth, c);
                let row = (width - 1) * self.step + size;
                let row_stride = row + if self.step == 2 && self.offset == 0 { 2 * c } else { c };
                let mut bytes = vec![0u8; self.offset + (height - 1) * row_stride + row];
                if self.rest == Rest::Anything {
                    bytes.iter_mut().for_each(|byte| *byte = random.next() as u8);
                }
                let strange = self.rest == Rest::OneSample && index == 2 && depth < 16;
                for (i, &code) in codes.iter().enumerate() {
                    let at = self.offset + i / width * row_stride + i % width * self.step;
                    let word = &mut bytes[at..at + size];
                    place(word, self.word, u32::from(code), (shift, depth));
                    if strange && i + 1 == codes.len() {
                        place(word, self.word, 1, (15, 1));
                    }
                }
                let placement =
                    Placement { offset: self.offset, row_stride, sample_stride: self.step, width, height };
                Plane { bytes, placement, packing: Packing { word: self.word, shift, depth } }
            })
            .collect()
    }
}

/// Writes `code` into bits `shift..shift + depth` of `word` and no others, bit by bit.
fn place(bytes: &mut [u8], word: Word, code: u32, (shift, depth): (u32, u32)) {
    for k in 0..depth {
        let (byte, bit) = bit_place(word, shift + k);
        let mask = 1 << bit;
        bytes[byte] = if code >> k & 1 == 1 { bytes[byte] | mask } else { bytes[byte] & !mask };
    }
}

/// Byte of the word, and bit of the byte, that hold bit `bit` of the word.
pub fn bit_place(word: Word, bit: u32) -> (usize, u32) {
    let byte = (bit / 8) as usize;
    match word {
        Word::U8 | Word::U16Le | Word::U32Le => (byte, bit % 8),
        Word::U16Be | Word::U32Be => (word.bytes() - 1 - byte, bit % 8),
    }
}

pub fn views<'a>(format: &FrameFormat, planes: &'a [Plane]) -> Vec<ComponentView<'a>> {
    let all = format.components.iter().zip(planes);
    all.map(|(component, plane)| {
        ComponentView::new(component.channel, &plane.bytes, plane.placement, plane.packing)
            .expect("samples lie inside")
    })
    .collect()
}
