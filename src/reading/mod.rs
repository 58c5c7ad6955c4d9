//! Floor 5: from answers to values with their time.

pub mod cycle;
pub mod decode;
pub mod series;

pub use cycle::CycleReader;
pub use decode::{Ratios, decode};
pub use series::{Absent, MeterSeries, Sample, Series};
