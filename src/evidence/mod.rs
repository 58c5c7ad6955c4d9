//! Floor 6: one kind of evidence each. Readings and marks in, numbers with uncertainty out.

pub mod accuracy;
pub mod case;
pub mod challenge;
mod challenge_other;
pub mod channel;
pub mod coverage;
pub mod edge;
pub mod energy;
pub mod excursion;
pub mod hands_free;
pub mod load_step;
pub mod long;
#[cfg(test)]
pub(crate) mod made;
pub mod mean;
pub mod power;
pub mod reaction;
pub mod side_by_side;
pub mod step;
pub mod storage;
pub mod switching;
pub mod timing;
pub mod trace;

pub use accuracy::{Accuracy, PhasePower};
pub use case::{Binding, Case, MeterCase};
