//! The check against a made-up world with known truth, against worked decisions, and against each need taken away.

mod decision;
mod good;
mod kinds;
mod needed;
mod reasons;
mod seen;
mod sweep;
mod tried;
mod truth;
pub(crate) mod world;
