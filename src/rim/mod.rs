//! Floor 10: tokio, ports, files and the clock live here and in `cli`.

pub mod alarm;
pub mod clock;
pub mod drive;
pub mod log_files;
pub mod page;
pub mod parquet;
pub mod person;
pub mod ports;
mod pump;
mod recorder;
pub mod screen;
pub mod search;
pub mod segments;
pub mod serial;
pub mod serve;
pub mod store;
pub mod tcp;

pub use drive::{Asking, ClosedCapture, Event, Session, SessionPlan, Talk};
