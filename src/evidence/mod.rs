//! Floor 6: one kind of evidence each. Readings and marks in, numbers with uncertainty out.

pub mod accuracy;
pub mod case;
pub mod coverage;
pub mod excursion;
pub mod mean;
pub mod power;

pub use accuracy::{Accuracy, PhasePower};
pub use case::{Binding, Case, MeterCase};
