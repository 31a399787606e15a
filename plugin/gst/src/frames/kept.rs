//! The frame before, kept so that the next one can be held against it.

use gst::glib::translate::*;
use gst::prelude::*;
use noise_measure::view::ComponentView;

use super::layout::{Layout, Picture};
use super::read::Scratch;

/// The newest frame that was measured, kept without copying it where that takes nothing from anybody.
///
/// A reference to the buffer, or nothing of it where the format was spread out into scratch memory, which is swapped
/// then. Buffers of a pool that cannot grow go back at once, or its owner might wait for ever: those are copied.
#[derive(Debug, Default)]
pub struct Kept {
    frame: Option<Frame>,
    scratch: Scratch,
    /// Memory for copies, used again.
    copy: Option<gst::Buffer>,
}

#[derive(Debug)]
struct Frame {
    picture: Picture,
    parity: usize,
    /// Bytes of the buffer.
    size: usize,
    buffer: Option<gst::Buffer>,
}

impl Kept {
    /// Calls `measure` with the views of the frame that is kept; with none where there is none.
    pub fn lend<R>(&mut self, layout: &Layout, measure: impl FnOnce(&[ComponentView<'_>]) -> R) -> R {
        let Some(frame) = &self.frame else { return measure(&[]) };
        let Ok(spans) = layout.spans(&frame.picture, frame.parity, frame.size) else { return measure(&[]) };
        self.scratch.with_views_again(&spans, frame.buffer.as_deref(), measure)
    }

    /// Keeps the frame that was just read through `scratch`, which becomes that of the frame before.
    pub fn keep(
        &mut self,
        layout: &Layout,
        picture: &Picture,
        parity: usize,
        buffer: &gst::BufferRef,
        scratch: &mut Scratch,
    ) {
        self.clear();
        let size = buffer.size();
        let Ok(spans) = layout.spans(picture, parity, size) else { return };
        let buffer = if spans.iter().all(|span| span.is_spread()) {
            None
        } else if is_from_bounded_pool(buffer) {
            let Some(copy) = self.copied(buffer) else { return };
            Some(copy)
        } else {
            Some(reference(buffer))
        };
        std::mem::swap(&mut self.scratch, scratch);
        self.frame = Some(Frame { picture: *picture, parity, size, buffer });
    }

    /// Lets the frame go.
    pub fn clear(&mut self) {
        self.frame = None;
    }

    /// The bytes of `buffer` in memory of our own.
    fn copied(&mut self, buffer: &gst::BufferRef) -> Option<gst::Buffer> {
        let size = buffer.size();
        let mut copy = self.copy.take().filter(|copy| copy.size() == size);
        if copy.is_none() {
            copy = gst::Buffer::with_size(size).ok();
        }
        let mut copy = copy?;
        {
            let mut map = copy.get_mut()?.map_writable().ok()?;
            buffer.copy_to_slice(0, &mut map).ok()?;
        }
        self.copy = Some(copy.clone());
        Some(copy)
    }
}

/// Another reference to the buffer itself, which alone keeps it out of its pool.
fn reference(buffer: &gst::BufferRef) -> gst::Buffer {
    // SAFETY: the pointer is of a live buffer, whose count this raises. Whoever has it as `&mut` writes to it before
    // it is kept, never after; from then on everybody finds it shared, as GStreamer wants it.
    unsafe { from_glib_none(buffer.as_ptr()) }
}

/// Whether the buffer comes from a pool with a fixed number of buffers.
fn is_from_bounded_pool(buffer: &gst::BufferRef) -> bool {
    // SAFETY: the pointer is of a live buffer, and a pool outlives the buffers that are out of it.
    let pool: Option<gst::BufferPool> = unsafe { from_glib_none((*buffer.as_ptr()).pool) };
    let params = pool.and_then(|pool| pool.config().params());
    params.is_some_and(|(_, _, _, most)| most > 0)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn formats_that_are_spread_out_use_two_memories_in_turn_and_hold_no_buffer() {
        gst::init().expect("GStreamer starts");
        let caps: gst::Caps = "video/x-raw,format=v210,width=96,height=24,framerate=25/1"
            .parse()
            .expect("caps are well formed");
        let layout = Layout::from_caps(&caps).expect("v210 is read");
        let (mut kept, mut scratch) = (Kept::default(), Scratch::default());
        let mut places = BTreeSet::new();
        for fill in 1..9 {
            let mut buffer = gst::Buffer::from_mut_slice(vec![fill; 256 * 24]);
            let picture = layout.locate(&buffer).expect("a buffer without metas");
            layout.with_views(&picture, 0, &buffer, &mut scratch, |_| ()).expect("a whole frame");
            places.extend(
                scratch.components.iter().filter(|codes| !codes.is_empty()).map(|codes| codes.as_ptr()),
            );
            kept.keep(&layout, &picture, 0, &buffer, &mut scratch);
            assert!(buffer.get_mut().is_some(), "the buffer is nobody else's");
        }
        assert_eq!(places.len(), 2 * 3, "two memories a component");
    }
}
