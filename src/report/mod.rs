//! Floor 8: documents and text for people.

pub mod document;
pub mod text;

pub use document::{CaptureRef, differences, document};
