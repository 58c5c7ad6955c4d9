//! The questions this program can ask: read holding registers (3), read input registers (4), read device
//! identification (43/14). There is no other; a write cannot be expressed. Limits hold from construction on
//! (MODBUS Application Protocol V1.1b3, 6.3, 6.4, 6.21). What other masters may ask is `heard.rs`.

use std::fmt;

/// Most registers in one request (V1.1b3, 6.3).
pub const MOST_REGISTERS: u16 = 125;

/// One of the three questions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Request(Kind);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Kind {
    ReadHolding { address: u16, count: u16 },
    ReadInput { address: u16, count: u16 },
    DeviceId { code: u8, object: u8 },
}

/// Why a question cannot be asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BadRequest {
    /// Registers wanted at once, outside 1 to 125.
    Count(u16),
    /// The last register would lie above 65535.
    End {
        /// First register.
        address: u16,
        /// How many.
        count: u16,
    },
    /// Device identification has access codes 1 to 4.
    Code(u8),
}

impl Request {
    /// Read holding registers (function 3), `count` 1 to 125, the last at most at 65535.
    pub fn read_holding(address: u16, count: u16) -> Result<Self, BadRequest> {
        check_range(address, count)?;
        Ok(Self(Kind::ReadHolding { address, count }))
    }

    /// Read input registers (function 4), `count` 1 to 125, the last at most at 65535.
    pub fn read_input(address: u16, count: u16) -> Result<Self, BadRequest> {
        check_range(address, count)?;
        Ok(Self(Kind::ReadInput { address, count }))
    }

    /// Read device identification (43/14): access `code` 1 basic, 2 regular, 3 extended, 4 one object.
    pub fn device_id(code: u8, object: u8) -> Result<Self, BadRequest> {
        if !(1..=4).contains(&code) {
            return Err(BadRequest::Code(code));
        }
        Ok(Self(Kind::DeviceId { code, object }))
    }

    /// The function code: 3, 4 or 43.
    pub const fn function(self) -> u8 {
        match self.0 {
            Kind::ReadHolding { .. } => 3,
            Kind::ReadInput { .. } => 4,
            Kind::DeviceId { .. } => 43,
        }
    }

    /// First register; nothing for device identification.
    pub const fn address(self) -> Option<u16> {
        match self.0 {
            Kind::ReadHolding { address, .. } | Kind::ReadInput { address, .. } => Some(address),
            Kind::DeviceId { .. } => None,
        }
    }

    /// How many registers; nothing for device identification.
    pub const fn count(self) -> Option<u16> {
        match self.0 {
            Kind::ReadHolding { count, .. } | Kind::ReadInput { count, .. } => Some(count),
            Kind::DeviceId { .. } => None,
        }
    }

    /// Function code and data.
    pub fn encode(self) -> Vec<u8> {
        match self.0 {
            Kind::ReadHolding { address, count } | Kind::ReadInput { address, count } => {
                let ([a, b], [c, d]) = (address.to_be_bytes(), count.to_be_bytes());
                vec![self.function(), a, b, c, d]
            }
            Kind::DeviceId { code, object } => vec![43, 14, code, object],
        }
    }

    /// Reads function code and data back; `None` for anything this program would not send.
    pub fn decode(pdu: &[u8]) -> Option<Self> {
        match *pdu {
            [3, a, b, c, d] => {
                Self::read_holding(u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d])).ok()
            }
            [4, a, b, c, d] => Self::read_input(u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d])).ok(),
            [43, 14, code, object] => Self::device_id(code, object).ok(),
            _ => None,
        }
    }
}

fn check_range(address: u16, count: u16) -> Result<(), BadRequest> {
    if !(1..=MOST_REGISTERS).contains(&count) {
        return Err(BadRequest::Count(count));
    }
    if u32::from(address) + u32::from(count) > 0x1_0000 {
        return Err(BadRequest::End { address, count });
    }
    Ok(())
}

impl fmt::Display for BadRequest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Count(count) => write!(f, "a request takes 1 to {MOST_REGISTERS} registers, not {count}"),
            Self::End { address, count } => {
                write!(f, "{count} registers from {address} end above 65535, the last address there is")
            }
            Self::Code(code) => write!(f, "device identification has access codes 1 to 4, not {code}"),
        }
    }
}

impl std::error::Error for BadRequest {}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn questions_are_those_of_the_worked_frames() {
        // MODBUS Application Protocol V1.1b3, examples of 6.3, 6.4 and 6.21
        assert_eq!(Request::read_holding(0x6B, 3).map(Request::encode), Ok(vec![3, 0, 0x6B, 0, 3]));
        assert_eq!(Request::read_input(8, 1).map(Request::encode), Ok(vec![4, 0, 8, 0, 1]));
        assert_eq!(Request::device_id(1, 0).map(Request::encode), Ok(vec![0x2B, 0x0E, 1, 0]));
    }

    #[test]
    fn limits_hold_from_construction() {
        assert_eq!(Request::read_holding(0, 0), Err(BadRequest::Count(0)));
        assert!(Request::read_holding(0, 125).is_ok());
        assert_eq!(Request::read_input(0, 126), Err(BadRequest::Count(126)));
        assert!(Request::read_input(65_535, 1).is_ok());
        assert_eq!(Request::read_input(65_535, 2), Err(BadRequest::End { address: 65_535, count: 2 }));
        assert_eq!(Request::device_id(5, 0), Err(BadRequest::Code(5)));
    }

    proptest! {
        #[test]
        fn whatever_can_be_asked_is_one_of_three_functions_and_reads_back(
            pdu in proptest::collection::vec(any::<u8>(), 0..8),
        ) {
            if let Some(request) = Request::decode(&pdu) {
                prop_assert!(matches!(pdu[0], 3 | 4 | 43));
                prop_assert_eq!(request.encode(), pdu);
            }
        }
    }
}
