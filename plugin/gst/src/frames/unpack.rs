//! Rows of the formats whose samples do not stand at equal distances, spread out into 16-bit words.

use noise_measure::view::{Packing, Placement, Word};

use super::table::Group;

/// The words that [`unpack`] writes.
pub(super) const WORD: Word = Word::U16Le;
const WORD_BYTES: usize = 2;
/// Longest pattern of the table.
const MAX_GROUP_BYTES: usize = 16;

/// Which samples of which rows to spread out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Source {
    /// Byte of the plane's first wanted row.
    pub offset: usize,
    /// Bytes from a row to the next.
    pub stride: usize,
    /// First sample of a row.
    pub first: usize,
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// Copies the codes of `depth` bits of one component to `out`, whole patterns at a time, and says where they lie there.
///
/// Bytes that a truncated last row lacks are read as 0; the caller has checked that none of its own samples needs them.
pub(super) fn unpack(
    data: &[u8],
    source: Source,
    group: Group,
    depth: u32,
    out: &mut Vec<u8>,
) -> (Placement, Packing) {
    let Spread { count, first_group, groups, row } = Spread::of(source, group);
    // Growing alone writes zeros; a frame of the same size reuses what is there.
    out.resize(row * source.height, 0);
    let mask = ((1u32 << depth) - 1) as u16;
    for (y, out) in out.chunks_exact_mut(row.max(1)).enumerate() {
        let start = source.offset + y * source.stride + first_group * group.bytes;
        let bytes = data.get(start..).unwrap_or_default();
        let bytes = bytes.get(..groups * group.bytes).unwrap_or(bytes);
        let whole = bytes.chunks_exact(group.bytes);
        let mut tail = [0u8; MAX_GROUP_BYTES];
        if let Some(tail) = tail.get_mut(..whole.remainder().len()) {
            tail.copy_from_slice(whole.remainder());
        }
        let tail = tail.get(..group.bytes).unwrap_or(&tail);
        for (index, slot) in group.slots.iter().enumerate() {
            let codes = out.chunks_exact_mut(WORD_BYTES).skip(index).step_by(count);
            for (out, group) in codes.zip(whole.clone().chain([tail])) {
                let code = read(group, slot.byte, slot.word) >> slot.shift;
                out.copy_from_slice(&(code as u16 & mask).to_le_bytes());
            }
        }
    }
    placement(source, group, depth)
}

/// Where [`unpack`] of the same source has put the codes.
pub(super) fn placement(source: Source, group: Group, depth: u32) -> (Placement, Packing) {
    let Spread { count, first_group, row, .. } = Spread::of(source, group);
    let placement = Placement {
        offset: (source.first - first_group * count) * WORD_BYTES,
        row_stride: row,
        sample_stride: WORD_BYTES,
        width: source.width,
        height: source.height,
    };
    (placement, Packing { word: WORD, shift: 0, depth })
}

/// Whole patterns that hold the wanted samples of a row.
struct Spread {
    /// Samples a pattern.
    count: usize,
    first_group: usize,
    groups: usize,
    /// Bytes of a row that is spread out.
    row: usize,
}

impl Spread {
    fn of(source: Source, group: Group) -> Self {
        let count = group.slots.len().max(1);
        let first_group = source.first / count;
        let groups = (source.first + source.width).div_ceil(count) - first_group;
        Self { count, first_group, groups, row: groups * count * WORD_BYTES }
    }
}

/// The word at byte `at`; 0 where there is none.
fn read(bytes: &[u8], at: usize, word: Word) -> u32 {
    fn array<const N: usize>(bytes: &[u8], at: usize) -> [u8; N] {
        bytes.get(at..).and_then(|bytes| bytes.first_chunk()).copied().unwrap_or([0; N])
    }
    match word {
        Word::U8 => u32::from(array::<1>(bytes, at)[0]),
        Word::U16Le => u32::from(u16::from_le_bytes(array(bytes, at))),
        Word::U16Be => u32::from(u16::from_be_bytes(array(bytes, at))),
        Word::U32Le => u32::from_le_bytes(array(bytes, at)),
        Word::U32Be => u32::from_be_bytes(array(bytes, at)),
    }
}
