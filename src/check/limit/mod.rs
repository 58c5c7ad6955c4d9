//! The export limit check: rules, excursions, guarded decision, coverage, challenges, and whose meter says so (contract 6).
//!
//! The verdict is a guarded decision (JCGM 106): `pass` only if even the longest reading of every possible excursion keeps
//! every rule and everything a pass needs was there, `fail` only if the shortest reading of a certain excursion breaks one.
//! Everything else is inconclusive and says which need was missing.

pub mod bench;
pub mod body;
pub mod foresee;
pub mod judge;
pub mod live;
pub mod needs;
pub mod options;
pub mod rules;
pub mod side;
pub mod words;

pub use body::LimitBody;
pub use judge::judge;
pub use live::{LiveView, live_view};
#[cfg(test)]
mod tests;

pub use options::{CtDocument, LimitOptions};
