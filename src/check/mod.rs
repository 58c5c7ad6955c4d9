//! Floor 7: evidence to verdict.

pub mod ct;
pub mod ct_steps;
pub mod limit;
pub mod review;
pub mod verdict;

pub use verdict::{Finding, Verdict};
