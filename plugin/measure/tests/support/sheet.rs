//! Rows of samples as kernels may meet them: anywhere in memory, with strange samples around, up to the very end.

use noise_measure::patch::Patch;

use crate::random::Random;

/// What belongs to others and must not be seen: with the highest bit set and over every code of fewer than 16 bits.
const STRANGE: u16 = 0xa5a5;

/// A rectangle of samples in the middle of others.
pub struct Sheet {
    /// The samples, row by row, with nothing between.
    pub image: Vec<u16>,
    pub width: usize,
    memory: Vec<u16>,
    start: usize,
    stride: usize,
    rows: usize,
}

impl Sheet {
    /// `image` from sample `start` of the memory on, `pad` samples from a row to the next; the memory ends with its last row.
    pub fn new(image: Vec<u16>, width: usize, start: usize, pad: usize) -> Self {
        let (stride, rows) = (width + pad, image.len().checked_div(width).unwrap_or(0));
        let mut memory = vec![STRANGE; (start + stride * rows).saturating_sub(pad).max(start)];
        for (row, at) in image.chunks(width.max(1)).zip((start..).step_by(stride.max(1))) {
            memory[at..at + width].copy_from_slice(row);
        }
        Self { image, width, memory, start, stride, rows }
    }

    pub fn patch(&self) -> Patch<'_> {
        Patch::new(&self.memory[self.start..], self.stride, self.width, self.rows)
    }

    pub fn rows(&self) -> impl Iterator<Item = &[u16]> {
        self.image.chunks(self.width.max(1))
    }
}

/// What a row may hold.
#[derive(Debug, Clone, Copy)]
pub enum Content {
    Lowest,
    Highest,
    Any,
    /// A few codes about the middle.
    Noise,
}

/// `count` codes of 0..=`max`.
pub fn codes(random: &mut Random, content: Content, max: u16, count: usize) -> Vec<u16> {
    let noise = |random: &mut Random| {
        let spread = f64::from(max).sqrt() / 2.0;
        (f64::from(max) / 2.0 + spread * random.normal()).round().clamp(0.0, f64::from(max)) as u16
    };
    (0..count)
        .map(|_| match content {
            Content::Lowest => 0,
            Content::Highest => max,
            Content::Any => (random.next() % (u64::from(max) + 1)) as u16,
            Content::Noise => noise(random),
        })
        .collect()
}

/// Heights that add up to `rows`, none of them foreseen.
pub fn cuts(random: &mut Random, rows: usize) -> Vec<usize> {
    let mut cuts = Vec::new();
    let mut left = rows;
    while left > 0 {
        let next = 1 + (random.next() % left.min(7) as u64) as usize;
        cuts.push(next);
        left -= next;
    }
    cuts
}
