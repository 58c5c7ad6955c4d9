//! Floor 8: documents and text for people.

pub mod beside;
pub mod cautions;
pub mod columns;
pub mod ct_plot;
pub mod ct_text;
pub mod document;
pub mod figures;
pub mod grid;
pub mod limit_text;
pub mod page;
pub mod phone;
pub mod plot;
pub mod review_text;
pub mod table;
pub mod text;
pub mod visit;

pub use beside::Beside;
pub use document::{CaptureRef, Tool, differences, document, review_document};
