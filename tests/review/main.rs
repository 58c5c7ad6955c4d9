//! `review` over logs made here: cut as one likes, planted with one cause, held against truths known beforehand.

#![expect(
    clippy::expect_used,
    clippy::disallowed_methods,
    clippy::print_stdout,
    unreachable_pub,
    reason = "a test may stop where it stands; what tests share is public"
)]

#[path = "../common/crc.rs"]
mod crc;

mod against;
mod causes;
mod frames;
mod plots;
mod seen;
mod segments;
mod supply;
mod ticks;
mod world;
