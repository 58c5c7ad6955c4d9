//! Captures made from captures: a part of one, several as one, and one without names. Records in, records out.

pub mod cut;
pub mod join;
mod part;
pub mod scrub;

pub use part::PART;
