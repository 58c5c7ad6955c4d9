//! wattward proves on site that a grid meter's CTs sit right and that an export limit is kept.
//!
//! ```text
//! bytes -> frames -> [Record] -> transactions -> readings -> evidence -> verdict -> report
//!  wire     wire      record        link          reading    evidence     check     report
//! ```
//!
//! Everything right of `bytes` is pure: values and times in, values out. Bytes come from a live line, a capture or a
//! simulated site, and nothing further right can tell which, so a replay gives the live verdict by construction.
//! Floors import downwards only (`tests/tidy.rs`); `DEVELOPERS.md` is the map.

pub mod base;
pub mod check;
pub mod evidence;
pub mod link;
pub mod pipeline;
pub mod profile;
pub mod reading;
pub mod record;
pub mod report;
pub mod sim;
pub mod wire;

#[cfg(feature = "rim")]
pub mod cli;
#[cfg(feature = "rim")]
pub mod rim;
