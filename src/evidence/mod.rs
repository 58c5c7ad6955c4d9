//! Floor 6: one kind of evidence each. Readings and marks in, numbers with uncertainty out.

pub mod case;

pub use case::{Binding, Case, MeterCase};
