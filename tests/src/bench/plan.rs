//! How much is measured: all of it, or just enough to see that everything runs.

/// Sizes and counts of one run.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Whether figures mean anything.
    pub judged: bool,
    /// Width and height of the large frames.
    pub uhd: (u32, u32),
    /// Large frames in the ring.
    pub uhd_ring: usize,
    /// Edge of a patch in them.
    pub uhd_patch: u32,
    /// Width and height of the small frames.
    pub hd: (u32, u32),
    /// Small frames in the ring.
    pub hd_ring: usize,
    /// Edge of a patch in them.
    pub hd_patch: u32,
    /// Columns and rows of very many small regions, and their edge.
    pub many: (u32, u32, u32),
    /// The same samples in few large ones.
    pub few: (u32, u32, u32),
    /// Rounds, the first ones left out.
    pub rounds: usize,
    /// Rounds left out.
    pub discarded: usize,
    /// Frames of a turn, the first one not counted.
    pub turn: usize,
    /// Frames through one element, of which each is looked at.
    pub frames: usize,
    /// Frames of a clip.
    pub clip_frames: usize,
    /// Runs over each clip.
    pub clip_rounds: usize,
}

impl Plan {
    /// What is written into the book.
    #[must_use]
    pub const fn full() -> Self {
        Self {
            judged: true,
            uhd: (3840, 2160),
            uhd_ring: 12,
            uhd_patch: 200,
            hd: (1920, 1080),
            hd_ring: 40,
            hd_patch: 100,
            many: (64, 64, 14),
            few: (5, 4, 200),
            rounds: 33,
            discarded: 2,
            turn: 4,
            frames: 3000,
            clip_frames: 60,
            clip_rounds: 5,
        }
    }

    /// Some seconds, for tests.
    #[must_use]
    pub const fn quick() -> Self {
        Self {
            judged: false,
            uhd: (640, 360),
            uhd_ring: 4,
            uhd_patch: 32,
            hd: (320, 180),
            hd_ring: 4,
            hd_patch: 16,
            many: (16, 16, 8),
            few: (4, 4, 32),
            rounds: 3,
            discarded: 1,
            turn: 2,
            frames: 100,
            clip_frames: 12,
            clip_rounds: 1,
        }
    }
}
