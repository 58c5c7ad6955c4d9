//! Who else is on the line: what was heard that is not ours, and when it is enough to stop.

use std::collections::BTreeSet;
use std::fmt;

use crate::base::{Span, Stamp};
use crate::record::{Frame, Role, Stray, StrayWhy, WireError};

/// Bursts of at least this many bytes that form no frame are traffic of another speed rather than a stray byte of an
/// unbiased line. Ours.
pub(super) const BURST_BYTES: usize = 4;
/// That many bursts while only listening. Ours.
const BURSTS: u32 = 3;
/// Single bytes count too where they keep coming: of frames at a speed ten times as high no more than one is heard. So many
/// times, this far apart, and not the 00 and ff that an unbiased line makes of itself. Ours.
const SPOTS: u32 = 6;
const APART: Span = Span::from_millis(20);
/// An answer from a unit nobody asked counts when it repeats within this time. Ours.
const REPEAT: Span = Span::from_millis(60_000);

/// What was heard on a line that was not said or asked for by this program.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    /// Requests of another master.
    pub requests: u32,
    /// Answers to somebody else.
    pub responses: u32,
    /// Units they concern.
    pub units: BTreeSet<u8>,
    /// Bytes that form no frame.
    pub stray_bytes: usize,
    /// Bursts of bytes heard while only listening, frames or not; counted by the master as they come.
    pub bursts: u32,
    /// Times at which bytes came that form no frame, however few, while only listening.
    pub spots: u32,
    /// Breaks, where the driver marks them.
    pub breaks: u32,
    /// When the first foreign frame came.
    pub first_at: Option<Stamp>,
    last_response_at: Option<Stamp>,
    last_spot_at: Option<Stamp>,
    repeated: bool,
}

impl Heard {
    /// Notes a whole frame that is not ours.
    pub fn frame(&mut self, frame: &Frame) {
        self.units.insert(frame.unit());
        self.first_at = self.first_at.or(Some(frame.at));
        match frame.role {
            Role::Request => self.requests += 1,
            Role::Response => {
                self.responses += 1;
                self.repeated |= self.last_response_at.is_some_and(|last| frame.at - last <= REPEAT);
                self.last_response_at = Some(frame.at);
            }
        }
    }

    /// Notes bytes that form no frame.
    pub fn stray(&mut self, stray: &Stray) {
        match stray.why {
            StrayWhy::Echo => return,
            StrayWhy::Marked(WireError::Break) => self.breaks += 1,
            StrayWhy::Marked(_) | StrayWhy::Damaged | StrayWhy::Noise => {}
        }
        self.stray_bytes += stray.bytes.len();
        let idle = stray.bytes.iter().all(|byte| matches!(byte, 0x00 | 0xff));
        if !idle && self.last_spot_at.is_none_or(|last| stray.at - last > APART) {
            self.spots += 1;
            self.last_spot_at = Some(stray.at);
        }
    }

    /// Whether a line that was only listened to is in use: any whole frame, bytes in bursts, or bytes again and again.
    pub fn busy_while_listening(&self) -> bool {
        self.requests > 0 || self.responses > 0 || self.bursts >= BURSTS || self.spots >= SPOTS
    }

    /// Whether another master speaks while we ask: any request that is not ours, or answers to somebody else that repeat
    /// (one alone may be chance: noise fits a CRC once in 65 536 tries).
    pub fn busy_while_asking(&self) -> bool {
        self.requests > 0 || self.repeated
    }
}

impl fmt::Display for Heard {
    /// A sentence fragment: `another master: 12 requests and 11 answers, units 1, 2`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.requests + self.responses == 0 {
            write!(f, "{} bytes that form no frame at this speed and parity", self.stray_bytes)?;
            return if self.breaks > 0 { write!(f, ", {} breaks", self.breaks) } else { Ok(()) };
        }
        let units: Vec<String> = self.units.iter().map(u8::to_string).collect();
        let requests = plural(self.requests, "request");
        let answers = plural(self.responses, "answer");
        let word = if units.len() == 1 { "unit" } else { "units" };
        write!(f, "another master: {requests} and {answers}, {word} {}", units.join(", "))
    }
}

fn plural(count: u32, noun: &str) -> String {
    if count == 1 { format!("1 {noun}") } else { format!("{count} {noun}s") }
}
