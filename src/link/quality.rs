//! How good a line is: what came of its questions, what else was heard, answer times; from records and transactions, so
//! the same for a live line and a capture.

use std::collections::BTreeMap;

use super::pair::Pairer;
use super::timeout::{AnswerTimes, TimeoutBounds};
use super::transaction::{Outcome, Transaction};
use crate::base::{Span, Stamp};
use crate::record::{Direction, Frame, LineInfo, Medium, Record, Role, StrayWhy, WireError};

pub mod causes;
mod lumps;
pub mod rate;

pub use causes::{Cause, causes};
pub use rate::Rate;

use lumps::Lumps;

/// Questions of one length of answer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Asked and settled.
    pub asked: u64,
    /// Neither answered nor refused by an exception.
    pub failed: u64,
}

/// Counts and answer times of a line.
#[derive(Clone, Debug)]
pub struct Quality {
    /// Whether the driver tells bytes with bad parity or framing; where it can't, none counted does not mean none.
    pub tells_errors: bool,
    /// Questions settled.
    pub requests: u64,
    /// Answers, exceptions not included.
    pub answers: u64,
    /// Nothing in time.
    pub timeouts: u64,
    /// Frame-like, with a bad CRC.
    pub damaged: u64,
    /// Exceptions by code.
    pub exceptions: BTreeMap<u8, u64>,
    /// Answers that may belong to an earlier question.
    pub suspect: u64,
    /// By how many registers were asked for.
    pub by_count: BTreeMap<u16, Tally>,
    /// By line and unit.
    pub by_unit: BTreeMap<(u16, u8), Tally>,
    /// Answers that followed another answer to the same question.
    pub second_answers: u64,
    /// From the end of a request to the first byte of its answer.
    pub times: AnswerTimes,
    /// Bytes that form no frame, echoes and what the driver marked not included.
    pub stray_bytes: u64,
    /// Of those, bytes 00 and ff: what an unbiased line makes of itself.
    pub idle_bytes: u64,
    /// Bytes of our own questions that came back.
    pub echo_bytes: u64,
    /// Marked by the driver: parity, framing, breaks, overflows.
    pub parity: u64,
    #[expect(missing_docs, reason = "as above")]
    pub framing: u64,
    #[expect(missing_docs, reason = "as above")]
    pub breaks: u64,
    #[expect(missing_docs, reason = "as above")]
    pub overflows: u64,
    /// Whole requests of another master.
    pub foreign_requests: u64,
    /// Bytes heard, whatever they were.
    pub heard_bytes: u64,
    /// Longest time from one answer to the next.
    pub longest_gap: Option<Span>,
    first: Option<Stamp>,
    last: Option<Stamp>,
    last_answer: Option<Stamp>,
    lumps: Lumps,
}

impl Quality {
    /// Nothing yet, on these lines taken together.
    pub fn new(lines: &[LineInfo]) -> Self {
        Self {
            tells_errors: lines.iter().all(|line| line.tells_errors),
            requests: 0,
            answers: 0,
            timeouts: 0,
            damaged: 0,
            exceptions: BTreeMap::new(),
            suspect: 0,
            by_count: BTreeMap::new(),
            by_unit: BTreeMap::new(),
            second_answers: 0,
            times: AnswerTimes::new(TimeoutBounds::default()),
            stray_bytes: 0,
            idle_bytes: 0,
            echo_bytes: 0,
            parity: 0,
            framing: 0,
            breaks: 0,
            overflows: 0,
            foreign_requests: 0,
            heard_bytes: 0,
            longest_gap: None,
            first: None,
            last: None,
            last_answer: None,
            lumps: Lumps::default(),
        }
    }

    /// Takes a record of the line.
    pub fn record(&mut self, record: &Record) {
        match record {
            Record::Mark(_) => return,
            Record::Frame(frame) => self.frame(frame),
            Record::Stray(stray) => {
                let count = stray.bytes.len() as u64;
                self.heard_bytes += count;
                match stray.why {
                    StrayWhy::Echo => self.echo_bytes += count,
                    StrayWhy::Marked(WireError::Parity) => self.parity += count,
                    StrayWhy::Marked(WireError::Framing) => self.framing += count,
                    StrayWhy::Marked(WireError::Break) => self.breaks += count,
                    StrayWhy::Marked(WireError::Overflow) => self.overflows += count,
                    StrayWhy::Damaged | StrayWhy::Noise => {
                        self.stray_bytes += count;
                        let idle = stray.bytes.iter().filter(|byte| matches!(byte, 0x00 | 0xff)).count();
                        self.idle_bytes += idle as u64;
                    }
                }
            }
        }
        self.first = self.first.or(Some(record.at()));
        self.last = self.last.max(Some(record.at()));
    }

    fn frame(&mut self, frame: &Frame) {
        if (frame.role, frame.medium) == (Role::Response, Medium::Serial) {
            self.lumps.answer(frame.line, frame.at);
        }
        if frame.direction == Direction::In {
            self.heard_bytes += frame.bytes.len() as u64;
            self.foreign_requests += u64::from(frame.role == Role::Request);
        }
    }

    /// Takes a question with what came of it; one that is still open counts for nothing.
    pub fn transaction(&mut self, transaction: &Transaction) {
        let failed = match &transaction.outcome {
            Outcome::Open => return,
            Outcome::Answer { at, .. } => {
                self.answers += 1;
                self.answered(*at);
                false
            }
            Outcome::Exception { at, code } => {
                *self.exceptions.entry(*code).or_default() += 1;
                self.answered(*at);
                false
            }
            Outcome::Damaged { .. } => {
                self.damaged += 1;
                true
            }
            Outcome::Silence => {
                self.timeouts += 1;
                true
            }
        };
        self.requests += 1;
        self.suspect += u64::from(transaction.suspect);
        let tally = self.by_count.entry(transaction.asked.count).or_default();
        tally.asked += 1;
        tally.failed += u64::from(failed);
        let unit = self.by_unit.entry((transaction.line, transaction.asked.unit)).or_default();
        unit.asked += 1;
        unit.failed += u64::from(failed);
        if let Some(latency) = transaction.latency {
            self.times.note(latency);
        }
    }

    /// How many answers of how many came at the ticks of an adapter that holds bytes back for 16 ms; none where nothing
    /// speaks for such a one.
    pub fn held_back(&self) -> Option<(u64, u64)> {
        self.lumps.found()
    }

    /// Takes over what only the pairing of the same records tells.
    pub fn pairing(&mut self, pairer: &Pairer) {
        self.second_answers = pairer.second_answers();
    }

    fn answered(&mut self, at: Stamp) {
        if let Some(last) = self.last_answer {
            self.longest_gap = self.longest_gap.max(Some(at - last));
        }
        self.last_answer = Some(at);
    }

    /// Questions that failed, and how sure their share is.
    pub fn failure(&self) -> Rate {
        Rate::new(self.timeouts + self.damaged, self.requests)
    }

    /// From the first to the last thing heard or said.
    pub fn lasted(&self) -> Span {
        match (self.first, self.last) {
            (Some(first), Some(last)) => last - first,
            _ => Span::ZERO,
        }
    }
}

#[cfg(test)]
mod tests;
