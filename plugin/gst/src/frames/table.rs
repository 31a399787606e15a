//! How every accepted format stores its components: the library's own description, corrected where it is wrong.

use gst_video::{VideoFormat, VideoFormatInfo};
use noise_measure::format::{Channel, Model};
use noise_measure::view::{Packing, Word};

/// One component of a format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Component {
    /// Which one.
    pub channel: Channel,
    /// Significant bits.
    pub depth: u32,
    /// Log₂ of the pixels that a sample stands for along x.
    pub w_sub: u32,
    /// Log₂ of the lines that a sample stands for.
    pub h_sub: u32,
    /// Plane that holds it.
    pub plane: usize,
    /// How it lies there.
    pub place: Place,
}

/// How the samples of a component follow each other in a row of its plane.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    /// One word a sample, at equal distances.
    Words {
        /// Byte of the first sample's word.
        offset: usize,
        /// Bytes from a sample to the next.
        stride: usize,
        /// The code inside the word.
        packing: Packing,
    },
    /// A pattern of samples that repeats every `bytes`.
    Groups(Group),
}

impl Place {
    /// Bytes of a row up to the end of sample `last`.
    pub fn row_bytes(self, last: usize) -> usize {
        match self {
            Self::Words { offset, stride, packing } => {
                last.saturating_mul(stride).saturating_add(offset + packing.word.bytes())
            }
            Self::Groups(group) => {
                let count = group.slots.len().max(1);
                let end = group.slots.get(last % count).map_or(0, |slot| slot.byte + slot.word.bytes());
                last / count * group.bytes + end
            }
        }
    }
}

/// The samples of one component in a repeating pattern of bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Group {
    /// Length of the pattern.
    pub bytes: usize,
    /// Where each sample of the component sits in it, from left to right.
    pub slots: &'static [Slot],
}

/// One sample inside a [`Group`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Slot {
    /// Byte of the word from the start of the pattern.
    pub byte: usize,
    /// The word.
    pub word: Word,
    /// Bits below the code.
    pub shift: u32,
}

const fn slot(byte: usize, word: Word, shift: u32) -> Slot {
    Slot { byte, word, shift }
}

const fn le32(byte: usize, shift: u32) -> Slot {
    slot(byte, Word::U32Le, shift)
}

const fn byte(at: usize) -> Slot {
    slot(at, Word::U8, 0)
}

/// Three 10-bit codes in the low 30 bits of each word.
const THREE_IN_32: Group = Group { bytes: 4, slots: &[le32(0, 0), le32(0, 10), le32(0, 20)] };
/// The same with two components taking turns, as in the chroma plane of the 10-bit semi-planar formats.
const THREE_IN_32_FIRST: Group = Group { bytes: 8, slots: &[le32(0, 0), le32(0, 20), le32(4, 10)] };
const THREE_IN_32_SECOND: Group = Group { bytes: 8, slots: &[le32(0, 10), le32(4, 0), le32(4, 20)] };
/// Four 10-bit codes in five bytes, least significant bit first.
const FOUR_IN_40: Group = Group {
    bytes: 5,
    slots: &[
        slot(0, Word::U16Le, 0),
        slot(1, Word::U16Le, 2),
        slot(2, Word::U16Le, 4),
        slot(3, Word::U16Le, 6),
    ],
};
const FOUR_IN_40_FIRST: Group =
    Group { bytes: 5, slots: &[slot(0, Word::U16Le, 0), slot(2, Word::U16Le, 4)] };
const FOUR_IN_40_SECOND: Group =
    Group { bytes: 5, slots: &[slot(1, Word::U16Le, 2), slot(3, Word::U16Le, 6)] };
/// Six pixels of 4:2:2 in four 32-bit words.
const V210: [Group; 3] = [
    Group {
        bytes: 16,
        slots: &[le32(0, 10), le32(4, 0), le32(4, 20), le32(8, 10), le32(12, 0), le32(12, 20)],
    },
    Group { bytes: 16, slots: &[le32(0, 0), le32(4, 10), le32(8, 20)] },
    Group { bytes: 16, slots: &[le32(0, 20), le32(8, 0), le32(12, 10)] },
];
/// Two pixels of 4:2:2 in five bytes, most significant bit first.
const UYVP: [Group; 3] = [
    Group { bytes: 5, slots: &[slot(1, Word::U16Be, 4), slot(3, Word::U16Be, 0)] },
    Group { bytes: 5, slots: &[slot(0, Word::U16Be, 6)] },
    Group { bytes: 5, slots: &[slot(2, Word::U16Be, 2)] },
];
/// Four pixels of 4:1:1 in six bytes.
const IYU1: [Group; 3] = [
    Group { bytes: 6, slots: &[byte(1), byte(2), byte(4), byte(5)] },
    Group { bytes: 6, slots: &[byte(0)] },
    Group { bytes: 6, slots: &[byte(3)] },
];

const YUV: [Channel; 3] = [Channel::Y, Channel::Cb, Channel::Cr];
const RGB: [Channel; 3] = [Channel::R, Channel::G, Channel::B];

/// The components and the model of `format`; `None` for formats outside the allow-list.
pub(super) fn components(format: VideoFormat) -> Option<(Model, Vec<Component>)> {
    if !super::is_allowed(format) {
        return None;
    }
    let info = VideoFormatInfo::from_format(format);
    let (model, channels): (_, &[Channel]) = if info.is_gray() {
        (Model::Gray, &YUV[..1])
    } else if info.is_yuv() {
        (Model::Yuv, &YUV)
    } else if info.is_rgb() {
        (Model::Rgb, &RGB)
    } else {
        return None;
    };
    let mut components = Vec::with_capacity(channels.len());
    for (index, &channel) in channels.iter().enumerate() {
        let depth = *info.depth().get(index)?;
        let place = match groups(format, index) {
            Some(group) => Place::Groups(group),
            None => words(format, &info, index)?,
        };
        components.push(Component {
            channel,
            depth: if let Place::Words { packing, .. } = place { packing.depth } else { depth },
            w_sub: *info.w_sub().get(index)?,
            h_sub: *info.h_sub().get(index)?,
            plane: *info.plane().get(index)? as usize,
            place,
        });
    }
    Some((model, components))
}

/// Plane and place of the opacity of `format`, one sample a pixel; `None` where it has none.
pub(super) fn alpha(format: VideoFormat) -> Option<(usize, Place)> {
    let info = VideoFormatInfo::from_format(format);
    if !info.has_alpha() {
        return None;
    }
    let plane = *info.plane().get(ALPHA)? as usize;
    let word = |word, offset, stride, shift, depth| {
        Some((plane, Place::Words { offset, stride, packing: Packing { word, shift, depth } }))
    };
    match format {
        VideoFormat::Y410 | VideoFormat::Rgb10a2Le | VideoFormat::Bgr10a2Le => word(Word::U32Le, 0, 4, 30, 2),
        VideoFormat::Y412Le => word(Word::U16Le, 6, 8, 4, 12),
        VideoFormat::Y412Be => word(Word::U16Be, 6, 8, 4, 12),
        _ => Some((plane, words(format, &info, ALPHA)?)),
    }
}

/// Index of opacity in the library's descriptions.
const ALPHA: usize = 3;

fn groups(format: VideoFormat, index: usize) -> Option<Group> {
    let set = match format {
        VideoFormat::V210 => V210,
        VideoFormat::Uyvp => UYVP,
        VideoFormat::Iyu1 => IYU1,
        VideoFormat::Gray10Le32 => [THREE_IN_32; 3],
        VideoFormat::Nv1210le32 | VideoFormat::Nv1610le32 => {
            [THREE_IN_32, THREE_IN_32_FIRST, THREE_IN_32_SECOND]
        }
        VideoFormat::Nv1210le40 => [FOUR_IN_40, FOUR_IN_40_FIRST, FOUR_IN_40_SECOND],
        _ => return None,
    };
    set.get(index).copied()
}

/// Word placement from the library's description, or from the table of what it gets wrong.
fn words(format: VideoFormat, info: &VideoFormatInfo, index: usize) -> Option<Place> {
    if let Some((word, depth, stride, layout)) = corrected(format) {
        let (offset, shift) = *layout.get(index)?;
        // Packed 4:2:2 has a luma sample every pixel, a chroma sample every second one.
        let halved = index > 0 && info.w_sub().get(index) == Some(&1);
        let stride = if halved { 2 * stride } else { stride };
        let depth = *depth.get(index)?;
        return Some(Place::Words { offset, stride, packing: Packing { word, shift, depth } });
    }
    let (depth, shift) = (*info.depth().get(index)?, *info.shift().get(index)?);
    let mut offset = *info.poffset().get(index)? as usize;
    let word = match depth + shift {
        0..=8 => Word::U8,
        _ if info.is_le() || format == VideoFormat::V216 => Word::U16Le,
        _ => Word::U16Be,
    };
    if index == 2 && P01X.contains(&format) {
        // The description puts Cr one byte behind Cb; its word is two bytes long.
        offset = 2;
    }
    let stride = usize::try_from(*info.pixel_stride().get(index)?).ok()?;
    Some(Place::Words { offset, stride, packing: Packing { word, shift, depth } })
}

const P01X: [VideoFormat; 6] = [
    VideoFormat::P01010le,
    VideoFormat::P01010be,
    VideoFormat::P012Le,
    VideoFormat::P012Be,
    VideoFormat::P016Le,
    VideoFormat::P016Be,
];

/// The word of 15- and 16-bit RGB, which is in the byte order of the machine.
const NATIVE_16: Word = if cfg!(target_endian = "big") { Word::U16Be } else { Word::U16Le };

/// Word, depths, bytes a pixel, and (byte offset, shift) of the three components.
type Correction = (Word, [u32; 3], usize, [(usize, u32); 3]);

/// Formats whose description in GStreamer 1.22 does not say where the samples are; checked against its own readers.
fn corrected(format: VideoFormat) -> Option<Correction> {
    const TEN: [u32; 3] = [10; 3];
    const TWELVE: [u32; 3] = [12; 3];
    Some(match format {
        VideoFormat::Vyuy => (Word::U8, [8; 3], 2, [(1, 0), (2, 0), (0, 0)]),
        VideoFormat::Y210 => (Word::U16Le, TEN, 4, [(0, 6), (2, 6), (6, 6)]),
        VideoFormat::Y212Le => (Word::U16Le, TWELVE, 4, [(0, 4), (2, 4), (6, 4)]),
        VideoFormat::Y212Be => (Word::U16Be, TWELVE, 4, [(0, 4), (2, 4), (6, 4)]),
        VideoFormat::Y412Le => (Word::U16Le, TWELVE, 8, [(2, 4), (0, 4), (4, 4)]),
        VideoFormat::Y412Be => (Word::U16Be, TWELVE, 8, [(2, 4), (0, 4), (4, 4)]),
        VideoFormat::Y410 => (Word::U32Le, TEN, 4, [(0, 10), (0, 0), (0, 20)]),
        VideoFormat::Rgb10a2Le => (Word::U32Le, TEN, 4, [(0, 0), (0, 10), (0, 20)]),
        VideoFormat::Bgr10a2Le => (Word::U32Le, TEN, 4, [(0, 20), (0, 10), (0, 0)]),
        VideoFormat::R210 => (Word::U32Be, TEN, 4, [(0, 20), (0, 10), (0, 0)]),
        VideoFormat::Rgb15 => (NATIVE_16, [5; 3], 2, [(0, 10), (0, 5), (0, 0)]),
        VideoFormat::Bgr15 => (NATIVE_16, [5; 3], 2, [(0, 0), (0, 5), (0, 10)]),
        VideoFormat::Rgb16 => (NATIVE_16, [5, 6, 5], 2, [(0, 11), (0, 5), (0, 0)]),
        VideoFormat::Bgr16 => (NATIVE_16, [5, 6, 5], 2, [(0, 0), (0, 5), (0, 11)]),
        _ => return None,
    })
}
