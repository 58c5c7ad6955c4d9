//! Floor 10: tokio, ports, files and the clock live here and in `cli`.

pub mod clock;
pub mod drive;
