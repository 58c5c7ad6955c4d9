//! Floor 6: one kind of evidence each. Readings and marks in, numbers with uncertainty out.

pub mod accuracy;
pub mod case;

pub use accuracy::{Accuracy, PhasePower};
pub use case::{Binding, Case, MeterCase};
