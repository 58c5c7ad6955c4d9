//! Floor 9: the simulated world. Shares no decoding code with the checks.

pub mod answer;
pub mod bits;
pub mod command;
#[cfg(test)]
pub(crate) mod fixture;
pub mod inverter;
pub mod line;
pub mod loads;
pub mod meter;
pub mod phasor;
pub mod registers;
pub mod run;
pub mod scenario;
pub mod seed;
pub mod site;
pub mod slave;
pub mod uart;
pub mod visit;
pub mod world;

pub use command::Command;
pub use scenario::Scenario;
pub use seed::Seed;
pub use world::{Truth, World};
