//! What is asked before a question whose answer could be mistaken.
//!
//! RTU has no number that ties an answer to its question. After a question stayed without an answer, the answer may still
//! come, and pass for that to the same question asked again, or to another of the same length: registers of an earlier
//! moment, or of another block. So the unit is asked something first whose answer looks different, a separator. Units answer
//! in order: once it has answered, whatever was owed before has come or never will.
//!
//! The separator reads the first registers of the block that is wanted, so nothing is asked that was not going to be; a
//! block of a single register, and a unit that refuses half a block, are asked for their identification (43/14) instead,
//! to which a refusal is as good an answer.

use super::{Master, Output, Question};
use crate::base::Stamp;
use crate::link::pair::{Answered, Earlier, Line};
use crate::record::{LineInfo, Medium, Record};
use crate::wire::Request;

/// How many registers separators read, in the order in which they are tried. Two are a value in most registers' lists.
const COUNTS: [u16; 3] = [2, 1, 3];

/// What is owed on the line of a master, kept by the same rules that judge its answers later.
#[derive(Clone, Debug)]
pub(super) struct Ledger {
    line: Line,
}

impl Ledger {
    pub(super) fn new(medium: Medium, baud: u32, earlier: Option<Earlier>) -> Self {
        let info = LineInfo { name: String::new(), medium, baud: Some(baud), tells_errors: false };
        Self { line: earlier.map_or_else(|| Line::new(0, &info), Earlier::into_line) }
    }

    pub(super) fn note(&mut self, record: &Record) -> Answered {
        self.line.take(record, &mut Vec::new())
    }

    pub(super) fn lost(&mut self) {
        self.line.lost(&mut Vec::new());
    }

    /// What has to be asked before this question; nothing where no answer can be mistaken for its own, or nothing helps.
    fn first(&self, now: Stamp, question: Question) -> Option<Question> {
        let owed = self.line.owed_at(now);
        let pdu = question.request.encode();
        if !owed.risks(question.unit, &pdu) {
            return None;
        }
        let separates = |request: &Request| owed.separates(question.unit, &pdu, &request.encode());
        let request = candidates(question.request).find(separates)?;
        Some(Question { request, ..question })
    }
}

fn candidates(wanted: Request) -> impl Iterator<Item = Request> {
    let part = move |count: u16| match (wanted.function(), wanted.address(), wanted.count()) {
        (3, Some(address), Some(whole)) if count < whole => Request::read_holding(address, count).ok(),
        (4, Some(address), Some(whole)) if count < whole => Request::read_input(address, count).ok(),
        _ => None,
    };
    // A unit that refuses one part of a block refuses others as well.
    let mut parts = COUNTS.into_iter().filter_map(part);
    parts.next().into_iter().chain(Request::device_id(1, 0)).chain(parts)
}

impl Master {
    /// Sends a question, or first what parts its answer from those still owed.
    pub(super) fn put(&mut self, question: Question, attempt: u8) -> Output {
        // With a single attempt nothing is asked again: a search only wants to know who answers.
        let first = if self.plan.attempts > 1 { self.ledger.first(self.now, question) } else { None };
        match first {
            Some(separator) => {
                self.counters.separators += 1;
                self.send(separator, 1, Some((question, attempt)))
            }
            None => self.send(question, attempt, None),
        }
    }
}
