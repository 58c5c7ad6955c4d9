//! Floor 2, the waist: everything a line did becomes a `Record` before anything looks at it.

pub mod block;
pub mod capture;
pub mod event;
pub mod foreign;
pub mod framer;
pub mod mark;
pub mod read;
pub mod write;

pub use block::Cut;
pub use capture::{Capture, Entry, frame_all};
pub use event::{Chunk, Direction, Frame, LineInfo, Medium, Record, Role, Stray, StrayWhy, WireError};
pub use framer::Framer;
pub use mark::{Mark, MarkKind};
pub use read::{CaptureStream, PORT, read_capture, read_capture_with_ports, series_of};
pub use write::CaptureWriter;
