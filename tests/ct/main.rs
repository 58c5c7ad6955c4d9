//! `ct` against simulated sites: every fault, household noise, people who mark late, batteries that answer back.
//!
//! `WATTWARD_SITES=20000 cargo test --release --test ct` runs the full sweep; the usual run takes a reduced one.

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::struct_excessive_bools,
    reason = "tests: what cannot happen stops them, and a scene is a list of switches"
)]

mod adversarial;
mod assignments;
mod hands_free;
mod meter;
mod random;
mod reference;
mod resumed;
mod scene;
mod seen;
mod settings;
mod signs;
mod sweep;
mod variants;
mod world;
