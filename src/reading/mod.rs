//! Floor 5: from answers to values with their time.

pub mod series;

pub use series::{Absent, MeterSeries, Sample, Series};
