//! Floor 0: time, phases, quantities, units, faults. Imports nothing of ours.

pub mod failure;
pub mod fault;
pub mod phase;
pub mod time;
pub mod uncertain;
pub mod unit;
pub mod zone;

pub use failure::{Failure, FailureKind};
pub use fault::{Fault, Faults, Severity};
pub use phase::{Network, Phase, PointKey, Quantity};
pub use time::{Span, Stamp};
pub use unit::{Dimension, Unit};
pub use zone::{LocalTime, Zone};
