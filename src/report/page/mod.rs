//! The document for the file: verdict documents and what their captures tell, as one page in HTML or Markdown, or as JSON.

pub mod block;
pub mod compose;
pub mod ct;
pub mod doc;
pub mod drawing;
pub mod front;
pub mod html;
pub mod limit;
pub mod limit_picture;
pub mod markdown;
pub mod other;
pub mod place;
pub mod record;
pub mod review;
pub mod sheet;
pub mod steps_picture;
pub mod verify;

pub use compose::compose;
pub use html::html;
pub use markdown::markdown;
pub use record::{Entry, Given, GivenText, Record};
pub use sheet::{Evidence, LineCount, Report, Sheet};
