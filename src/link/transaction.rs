//! A request with what came of it.

use crate::base::{Span, Stamp};

/// What was asked: any standard function, since another master may ask more than we can.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Unit address.
    pub unit: u8,
    /// Function code.
    pub function: u8,
    /// First register or coil, for functions that have one.
    pub address: u16,
    /// How many, for functions that have a count; 1 for single writes; 0 where it makes no sense.
    pub count: u16,
}

/// What came of a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The answer that fits it, in time.
    Answer {
        /// Arrival of its first byte.
        at: Stamp,
        /// Function code and data as received.
        pdu: Vec<u8>,
    },
    /// An exception answer.
    Exception {
        /// Arrival of its first byte.
        at: Stamp,
        /// Exception code.
        code: u8,
    },
    /// Something frame-like came, with a bad CRC, and nothing better after it.
    Damaged {
        /// Arrival of its first byte.
        at: Stamp,
    },
    /// Nothing came in time.
    Silence,
    /// The capture ends before this was settled.
    Open,
}

/// A request with what came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transaction {
    /// Index of the line.
    pub line: u16,
    /// First byte of the request.
    pub asked_at: Stamp,
    /// What was asked.
    pub asked: Asked,
    /// What came of it.
    pub outcome: Outcome,
    /// End of the request to first byte of the answer; `None` without an answer or with the baud unknown on a serial line.
    pub latency: Option<Span>,
    /// A request before it stayed without an answer, and that answer, come late, would look like this one: same unit,
    /// function and count. Or it came later than any answer is due. A suspect answer makes no reading. `pair/owed.rs` says
    /// what lifts it.
    pub suspect: bool,
}

impl Transaction {
    /// The registers of a function 3 or 4 answer that is beyond doubt.
    pub fn registers(&self) -> Option<Vec<u16>> {
        let Outcome::Answer { pdu, .. } = &self.outcome else { return None };
        if self.suspect || !matches!(self.asked.function, 3 | 4) {
            return None;
        }
        Some(pdu.get(2..)?.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect())
    }

    /// Arrival of the answer's first byte.
    pub fn answered_at(&self) -> Option<Stamp> {
        match self.outcome {
            Outcome::Answer { at, .. } => Some(at),
            _ => None,
        }
    }
}
