//! `ct` against simulated sites: every fault, household noise, people who mark late, batteries that answer back.
//!
//! `WATTWARD_SITES=20000 cargo test --release --test ct` runs the full sweep; the usual run takes a reduced one.

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::unwrap_used,
    reason = "tests"
)]

mod meter;
mod random;
mod scene;
mod sweep;
mod world;
