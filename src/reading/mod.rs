//! Floor 5: from answers to values with their time.

pub mod cycle;
pub mod decode;
pub mod fit;
pub mod mend;
pub mod plausible;
pub mod series;

pub use cycle::{CycleReader, derived_powers};
pub use decode::{Ratios, decode};
pub use plausible::{Remark, Weight, judge, judge_counters, judge_settings, unread_settings};
pub use series::{Absent, MeterSeries, Sample, Series};
