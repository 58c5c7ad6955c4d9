//! Profiles from the open register model: a published definition (JSON) says what the registers of a model mean, the chain
//! in the meter says where the model stands. Both together are a profile.
//!
//! The definitions are not part of this program. What they leave open (what a positive power means) is said in the draft.

mod definition;
mod draft;
mod names;

pub use definition::{DefinedPoint, Definition, Kind, Scale, definition, not_implemented};
pub use draft::{Found, ImportTerms, Imported, import};
pub use names::{is_meter, key_of};
