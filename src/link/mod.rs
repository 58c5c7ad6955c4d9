//! Floor 4: questions and answers on a line.

pub mod transaction;

pub use transaction::{Asked, Outcome, Transaction};
