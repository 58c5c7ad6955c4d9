//! Floor 7: evidence to verdict.

pub mod limit;
pub mod verdict;

pub use verdict::{Finding, Verdict};
