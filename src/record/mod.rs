//! Floor 2, the waist: everything a line did becomes a `Record` before anything looks at it.

pub mod event;
pub mod framer;
pub mod mark;

pub use event::{Chunk, Direction, Frame, LineInfo, Medium, Record, Role, Stray, StrayWhy, WireError};
pub use framer::Framer;
pub use mark::{Mark, MarkKind};
