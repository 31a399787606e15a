//! Why a buffer cannot be read or written.

/// Why the frame in one buffer cannot be read or written; the stream goes on without it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReadError {
    /// The VideoMeta is of another format.
    #[error("VideoMeta says {meta}, the caps {caps}")]
    MetaFormat {
        /// Format of the meta.
        meta: String,
        /// Format of the caps.
        caps: String,
    },
    /// The VideoMeta has another number of planes.
    #[error("VideoMeta has {meta} planes, the format {caps}")]
    MetaPlanes {
        /// Planes of the meta.
        meta: u32,
        /// Planes of the format.
        caps: usize,
    },
    /// A stride that is zero or negative.
    #[error("VideoMeta has a stride of zero or less, rows must follow each other downwards")]
    MetaStride,
    /// The VideoMeta is smaller than the picture.
    #[error("VideoMeta is {width}x{height}, the caps need {caps_width}x{caps_height}")]
    MetaSize {
        /// Pixels of the meta.
        width: u32,
        /// Lines of the meta.
        height: u32,
        /// Pixels of the caps.
        caps_width: u32,
        /// Lines of the caps.
        caps_height: u32,
    },
    /// The VideoCropMeta leaves the frame.
    #[error(
        "VideoCropMeta {x},{y},{width},{height} does not lie inside the frame of {frame_width}x{frame_height}"
    )]
    Crop {
        /// Left edge.
        x: u32,
        /// Upper edge.
        y: u32,
        /// Pixels.
        width: u32,
        /// Lines.
        height: u32,
        /// Pixels of the frame.
        frame_width: u32,
        /// Lines of the frame.
        frame_height: u32,
    },
    /// A crop that would tear a chroma line from its field.
    #[error(
        "VideoCropMeta starts at odd line {y} of interleaved fields with shared chroma lines; it must be even"
    )]
    CropField {
        /// Upper edge.
        y: u32,
    },
    /// Rows end behind the buffer.
    #[error(
        "plane {plane}: {rows} rows of {row_bytes} bytes every {stride} from byte {offset} do not fit the buffer of {size} bytes"
    )]
    Bounds {
        /// Index of the plane.
        plane: usize,
        /// Rows to read.
        rows: usize,
        /// Bytes a row.
        row_bytes: usize,
        /// Bytes from a row to the next.
        stride: usize,
        /// First byte.
        offset: usize,
        /// Bytes of the buffer.
        size: usize,
    },
    /// Fields whose chroma lines are not all stored.
    #[error(
        "plane {plane}: {rows} chroma lines of two fields do not fit before the next plane; the height must be a multiple of 4"
    )]
    FieldChroma {
        /// Index of the plane.
        plane: usize,
        /// Rows that the two fields need.
        rows: usize,
    },
    /// The memory refuses to be mapped.
    #[error("the buffer's memory cannot be mapped for reading")]
    Map,
    /// The memory refuses to be mapped for writing.
    #[error("the buffer's memory cannot be mapped for writing")]
    MapWritable,
    /// Rows that run over the border of two memories.
    #[error("plane {plane} is split over two memories; it cannot be written there")]
    Split {
        /// Index of the plane.
        plane: usize,
    },
    /// The core refuses the view.
    #[error(transparent)]
    View(#[from] noise_measure::Error),
}
