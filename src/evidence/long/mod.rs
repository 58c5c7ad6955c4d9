//! Weeks of log in one pass and bounded memory: readings are cut into slices at UTC ten-minute ticks (`slice`), each slice is
//! summed up by itself (`summary`), what reaches over many of them is followed (`excess`), and all is put together in time
//! order (`whole`). So the result does not depend on how the log was cut into files, nor on where a tick falls.

pub mod count;
pub mod excess;
pub mod flow;
pub mod impedance;
pub mod plan;
pub mod quiet;
pub mod recent;
pub mod slice;
pub mod spans;
pub mod steps;
pub mod summary;
pub mod swing;
pub mod volts;
mod whole;

pub use plan::{Plan, Watch};
pub use slice::{Gather, MeterSlice, Slice, TICK_S, tick_of, tick_start};
pub use whole::{Long, MeterLong, Row, Unseen, UnseenSum};
