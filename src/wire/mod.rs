//! Floor 1: bytes and frames of Modbus, pure.

pub mod crc;
pub mod heard;
pub mod mbap;
pub mod pdu;
pub mod pretty;
pub mod rtu;

pub use crc::crc16;
pub use heard::{Length, Part, exception_name, fits, function_name};
pub use pdu::{BadRequest, Request};
