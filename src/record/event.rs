//! The waist: what a line did, as records. Live, passive, simulated and recorded data become these before anything
//! looks at them, and nothing further on can ask where they came from.

use super::mark::Mark;
use crate::base::Stamp;

/// Which way bytes went, as seen from this program. In passive listening everything is inbound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Direction {
    /// Sent by this program (or, in a network capture, by the client).
    Out,
    /// Received.
    In,
}

/// How frames are wrapped on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Medium {
    /// RTU frames, on RS485 or on a serial-over-TCP gateway.
    Serial,
    /// MBAP messages on TCP.
    Tcp,
}

/// A line: one interface of a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineInfo {
    /// As the site file has it (`/dev/ttyUSB0`, `host:502`); empty when a foreign capture does not say.
    pub name: String,
    /// How frames are wrapped.
    pub medium: Medium,
    /// Bits a second, where known.
    pub baud: Option<u32>,
    /// Whether the driver marks bytes with bad parity or framing; where it can't, no document claims "no errors".
    pub tells_errors: bool,
}

/// An error the serial driver marked (event types of link type 250).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WireError {
    /// No stop bit where one was due.
    Framing,
    /// Parity bit wrong.
    Parity,
    /// The line was held at space longer than a character.
    Break,
    /// The driver lost bytes.
    Overflow,
}

/// Bytes with their arrival: what a tap or a capture yields before framing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chunk {
    /// Index of the line.
    pub line: u16,
    /// Arrival of the first byte.
    pub at: Stamp,
    /// Which way.
    pub direction: Direction,
    /// The bytes, at least one.
    pub bytes: Vec<u8>,
    /// Set when the driver marked these bytes as bad; they then never belong to a frame.
    pub error: Option<WireError>,
}

/// What part a frame plays.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Role {
    /// Sent by a master or client.
    Request,
    /// Sent by a unit, an exception included.
    Response,
}

/// One whole Modbus frame as it stood on the line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// Index of the line.
    pub line: u16,
    /// Arrival of the first byte.
    pub at: Stamp,
    /// Which way.
    pub direction: Direction,
    /// What part it plays.
    pub role: Role,
    /// The bytes: RTU with CRC, or MBAP header and PDU, by the line's medium.
    pub bytes: Vec<u8>,
    /// How the bytes are wrapped.
    pub medium: Medium,
}

impl Frame {
    /// The unit address.
    pub fn unit(&self) -> u8 {
        match self.medium {
            Medium::Serial => self.bytes.first().copied().unwrap_or(0),
            Medium::Tcp => self.bytes.get(6).copied().unwrap_or(0),
        }
    }

    /// Function code and data, without address, CRC or MBAP header.
    pub fn pdu(&self) -> &[u8] {
        match self.medium {
            Medium::Serial => self.bytes.get(1..self.bytes.len().saturating_sub(2)).unwrap_or(&[]),
            Medium::Tcp => self.bytes.get(7..).unwrap_or(&[]),
        }
    }

    /// The MBAP transaction number; nothing on serial lines.
    pub fn transaction(&self) -> Option<u16> {
        match self.medium {
            Medium::Serial => None,
            Medium::Tcp => Some(u16::from_be_bytes([*self.bytes.first()?, *self.bytes.get(1)?])),
        }
    }
}

/// Bytes that belong to no frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stray {
    /// Index of the line.
    pub line: u16,
    /// Arrival of the first byte.
    pub at: Stamp,
    /// Which way.
    pub direction: Direction,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// Why they are no frame.
    pub why: StrayWhy,
}

/// Why bytes are no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum StrayWhy {
    /// Frame-like for the question asked, with a CRC that is wrong.
    Damaged,
    /// Our own question coming back from an adapter that echoes.
    Echo,
    /// Nothing known.
    Noise,
    /// The driver marked them.
    Marked(WireError),
}

/// One thing that happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Record {
    /// A whole frame.
    Frame(Frame),
    /// Bytes that belong to no frame.
    Stray(Stray),
    /// What a person or the tool noted.
    Mark(Box<Mark>),
}

impl Record {
    /// When.
    pub fn at(&self) -> Stamp {
        match self {
            Self::Frame(frame) => frame.at,
            Self::Stray(stray) => stray.at,
            Self::Mark(mark) => mark.at,
        }
    }

    /// Which line, for what happened on one.
    pub fn line(&self) -> Option<u16> {
        match self {
            Self::Frame(frame) => Some(frame.line),
            Self::Stray(stray) => Some(stray.line),
            Self::Mark(_) => None,
        }
    }
}
