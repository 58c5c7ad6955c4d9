//! Questions with what came of them: records in, transactions out; the same for a live line, a passive one and a replay.
//!
//! On serial lines an answer belongs to the question before it when unit, function and everything the answer repeats or
//! counts fit, and it began before the next question. On TCP the transaction number decides, and the same must fit.
//! Everything is decided from the stamps in the records, never from a clock.
//!
//! A question that stays without an answer leaves one owed (`owed.rs`): what came late could pass for the answer to a
//! later question of the same shape, so that one is suspect and makes no reading. An answer to a question of ours that
//! comes later than any answer is due is suspect as well: nobody knows of which moment it tells.

use std::collections::BTreeMap;

use super::transaction::{Asked, Outcome, Transaction};
use crate::base::Stamp;
use crate::record::{Direction, Frame, LineInfo, MarkKind, Medium, Record, Role, Stray, StrayWhy};
use crate::wire::heard;

mod owed;
mod times;

pub(super) use owed::Owed;

use times::Times;

/// Stray bytes between a question heard and its answer beyond which a question that was spoilt on the way may have
/// stood between them: the shortest is 4 bytes. What this program asked cannot be missed.
const STRAY_BEFORE_ANSWER: usize = 3;
/// Questions of one connection that may wait at a time.
const MOST_WAITING: usize = 32;
/// Exception of a gateway whose unit did not answer in time; the answer may yet come (V1.1b3, section 7).
const TARGET_SILENT: u8 = 11;

/// Pairs questions and answers of all lines of a capture.
#[derive(Debug)]
pub struct Pairer {
    lines: Vec<Line>,
    unpaired: u64,
    late: u64,
    second: u64,
}

/// What was said on a line up to now, as far as it bears on what is said next: answers that are owed, and the line's pace.
#[derive(Clone, Debug)]
pub struct Earlier(Line);

impl Earlier {
    pub(super) fn into_line(self) -> Line {
        self.0
    }
}

/// What an answer was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Answered {
    /// That to the question before it; or the record was no answer.
    Expected,
    /// One that was owed since a question that ended then.
    Late(Stamp),
    /// One more to a question that has been answered, with none owed: a second unit with this address.
    Second,
    /// To no question known.
    Unasked,
}

/// Pairs questions and answers of one line.
#[derive(Clone, Debug)]
pub(super) struct Line {
    index: u16,
    name: String,
    medium: Medium,
    times: Times,
    /// Questions without an answer yet; at most one on serial lines.
    waiting: Vec<Waiting>,
    owed: Owed,
    /// By unit: the question it answered last, and when.
    done: BTreeMap<u8, (Vec<u8>, Stamp)>,
}

/// A question that waits for its answer.
#[derive(Clone, Debug)]
struct Waiting {
    unit: u8,
    pdu: Vec<u8>,
    transaction: Option<u16>,
    direction: Direction,
    at: Stamp,
    /// When its last byte was through, as far as known.
    end: Stamp,
    stray: usize,
    damaged: usize,
    damaged_at: Option<Stamp>,
}

impl Pairer {
    /// For the lines of a capture or a run, by index.
    pub fn new(lines: &[LineInfo]) -> Self {
        Self {
            lines: (0..).zip(lines).map(|(index, info)| Line::new(index, info)).collect(),
            unpaired: 0,
            late: 0,
            second: 0,
        }
    }

    /// One more line, numbered after the others.
    pub fn add(&mut self, info: &LineInfo) {
        let mut more = Self::new(std::slice::from_ref(info)).lines;
        for line in &mut more {
            line.index = self.lines.len() as u16;
        }
        self.lines.append(&mut more);
    }

    /// Takes the next record; records of a line come in the order of its bytes.
    pub fn push(&mut self, record: &Record, out: &mut Vec<Transaction>) {
        if let Record::Mark(mark) = record {
            if mark.kind == MarkKind::LineLost {
                for line in &mut self.lines {
                    if mark.line.as_ref().is_none_or(|name| *name == line.name) {
                        line.lost(out);
                    }
                }
            }
            return;
        }
        let Some(line) = record.line().and_then(|index| self.lines.get_mut(usize::from(index))) else {
            return;
        };
        match line.take(record, out) {
            Answered::Expected => {}
            Answered::Late(_) => {
                self.late += 1;
                self.unpaired += 1;
            }
            Answered::Second => {
                self.second += 1;
                self.unpaired += 1;
            }
            Answered::Unasked => self.unpaired += 1,
        }
    }

    /// The records end: what still waits stays open.
    pub fn finish(&mut self, out: &mut Vec<Transaction>) {
        for line in &mut self.lines {
            for waiting in std::mem::take(&mut line.waiting) {
                let outcome = waiting.damaged_at.map_or(Outcome::Open, |at| Outcome::Damaged { at });
                out.push(waiting.settle(line.index, outcome));
            }
        }
    }

    /// The lines are closed and may be opened again: what still waits is settled, and its answer may yet come.
    pub fn close(&mut self, out: &mut Vec<Transaction>) {
        for line in &mut self.lines {
            line.lost(out);
        }
    }

    /// What a master needs to know that opens this line again.
    pub fn earlier(&self, line: u16) -> Option<Earlier> {
        self.lines.get(usize::from(line)).cloned().map(Earlier)
    }

    /// Whole answer frames so far that pair with no question.
    pub fn unpaired(&self) -> u64 {
        self.unpaired
    }

    /// Those of them that were still owed to an earlier question.
    pub fn late(&self) -> u64 {
        self.late
    }

    /// Those of them that were one more answer to a question already answered, on serial lines.
    pub fn second_answers(&self) -> u64 {
        self.second
    }
}

impl Line {
    /// Nothing asked yet.
    pub(super) fn new(index: u16, info: &LineInfo) -> Self {
        Self {
            index,
            name: info.name.clone(),
            medium: info.medium,
            times: Times::new(info),
            waiting: Vec::new(),
            owed: Owed::default(),
            done: BTreeMap::new(),
        }
    }

    /// Takes the next record of this line; says what an answer was.
    pub(super) fn take(&mut self, record: &Record, out: &mut Vec<Transaction>) -> Answered {
        self.pass(record.at(), out);
        match record {
            Record::Frame(frame) if frame.role == Role::Request => self.asked(frame, out),
            Record::Frame(frame) => return self.answered(frame, out),
            Record::Stray(stray) => self.stray(stray),
            Record::Mark(_) => {}
        }
        Answered::Expected
    }

    /// What would be owed if the next question were asked now: nothing on TCP, where the number tells.
    pub(super) fn owed_at(&self, now: Stamp) -> Owed {
        let mut owed = self.owed.clone();
        if self.medium == Medium::Tcp {
            return Owed::default();
        }
        for waiting in self.waiting.iter().filter(|waiting| !waiting.spoilt_whole()) {
            owed.owe(waiting.unit, &waiting.pdu, waiting.end, false);
        }
        owed.pass(now, &self.times);
        owed
    }

    /// Time has come to `now` on this line.
    fn pass(&mut self, now: Stamp, out: &mut Vec<Transaction>) {
        if self.medium == Medium::Tcp {
            let patience = self.times.patience();
            self.give_up(out, |waiting| now - waiting.at > patience);
        }
    }

    fn asked(&mut self, frame: &Frame, out: &mut Vec<Transaction>) {
        let waiting = Waiting {
            unit: frame.unit(),
            pdu: frame.pdu().to_vec(),
            transaction: frame.transaction(),
            direction: frame.direction,
            at: frame.at,
            end: self.times.end(frame.at, frame.bytes.len()),
            stray: 0,
            damaged: 0,
            damaged_at: None,
        };
        match self.medium {
            Medium::Serial => self.give_up(out, |_| true),
            Medium::Tcp => {
                self.give_up(out, |other| {
                    other.transaction == waiting.transaction
                        || (other.unit, &other.pdu) == (waiting.unit, &waiting.pdu)
                });
                if self.waiting.len() >= MOST_WAITING {
                    let oldest = self.waiting[0].transaction;
                    self.give_up(out, |other| other.transaction == oldest);
                }
            }
        }
        self.owed.pass(frame.at, &self.times);
        if self.medium == Medium::Serial && waiting.unit == 0 {
            // to everybody: nobody answers (serial line guide, 2.1)
            out.push(waiting.settle(self.index, Outcome::Silence));
        } else {
            self.waiting.push(waiting);
        }
    }

    fn answered(&mut self, frame: &Frame, out: &mut Vec<Transaction>) -> Answered {
        let (unit, pdu) = (frame.unit(), frame.pdu());
        let end = self.times.end(frame.at, frame.bytes.len());
        let place = self.waiting.iter().position(|waiting| waiting.takes(frame, &self.times));
        let Some(place) = place else {
            let owed = self.owed.came(unit, pdu);
            if let Some(asked) = owed {
                self.times.learn(frame.at - asked);
            }
            self.owed.heard(frame.at, end);
            return match owed {
                Some(asked) => Answered::Late(asked),
                None if self.is_second(frame) => Answered::Second,
                None => Answered::Unasked,
            };
        };
        let waiting = self.waiting.remove(place);
        let took = self.times.took(waiting.at, waiting.end, frame.at);
        let in_time = self.times.in_time();
        self.times.learn(took);
        let ours = waiting.direction == Direction::Out;
        let usual = self.times.is_usual(took);
        let owed = self.owed.answered((unit, &waiting.pdu), waiting.end, pdu, (ours, usual));
        let suspect = owed || (ours && took > in_time);
        if !suspect {
            self.times.learn_usual(took);
        }
        self.owed.heard(frame.at, end);
        let outcome = match *pdu {
            [function, code] if function >= 0x80 => {
                if code == TARGET_SILENT {
                    self.owed.owe(unit, &waiting.pdu, waiting.end, false);
                }
                Outcome::Exception { at: frame.at, code }
            }
            _ => Outcome::Answer { at: frame.at, pdu: pdu.to_vec() },
        };
        let latency = self.times.latency(waiting.end, frame.at);
        self.done.insert(unit, (waiting.pdu.clone(), frame.at));
        let mut transaction = waiting.settle(self.index, outcome);
        (transaction.suspect, transaction.latency) = (suspect, latency);
        out.push(transaction);
        Answered::Expected
    }

    fn is_second(&self, frame: &Frame) -> bool {
        let fits = |(question, at): &(Vec<u8>, Stamp)| {
            heard::fits(question, frame.pdu()) && frame.at - *at <= self.times.belief()
        };
        self.medium == Medium::Serial && self.done.get(&frame.unit()).is_some_and(fits)
    }

    fn stray(&mut self, stray: &Stray) {
        if stray.why == StrayWhy::Echo {
            return;
        }
        if stray.direction == Direction::In {
            self.owed.disturbed();
            self.owed.heard(stray.at, self.times.end(stray.at, stray.bytes.len()));
        }
        // on TCP nobody can say whose answer it was
        let Some(waiting) = self.waiting.last_mut().filter(|_| self.medium == Medium::Serial) else { return };
        waiting.stray += stray.bytes.len();
        if stray.why != StrayWhy::Noise {
            waiting.damaged_at.get_or_insert(stray.at);
        }
        if stray.why == StrayWhy::Damaged {
            waiting.damaged += stray.bytes.len();
        }
    }

    pub(super) fn lost(&mut self, out: &mut Vec<Transaction>) {
        self.give_up(out, |_| true);
        if self.medium == Medium::Tcp {
            // the next connection cannot carry what this one owed
            self.owed = Owed::default();
        }
    }

    /// Settles questions without an answer; what was not answered at all is owed from now on.
    fn give_up(&mut self, out: &mut Vec<Transaction>, which: impl Fn(&Waiting) -> bool) {
        for waiting in std::mem::take(&mut self.waiting) {
            if !which(&waiting) {
                self.waiting.push(waiting);
                continue;
            }
            self.owed.disturbed();
            if !waiting.spoilt_whole() {
                self.owed.owe(waiting.unit, &waiting.pdu, waiting.end, self.medium == Medium::Tcp);
            }
            let outcome = waiting.damaged_at.map_or(Outcome::Silence, |at| Outcome::Damaged { at });
            out.push(waiting.settle(self.index, outcome));
        }
    }
}

impl Waiting {
    /// Whether an answer belongs to this question.
    fn takes(&self, frame: &Frame, times: &Times) -> bool {
        if self.unit != frame.unit()
            || self.transaction != frame.transaction()
            || (self.direction == Direction::Out && frame.direction == Direction::Out)
            || !heard::fits(&self.pdu, frame.pdu())
            || self.spoilt_whole()
        {
            return false;
        }
        // heard, not asked by us: the question that this answers may have been spoilt or missed
        let heard_only = self.direction == Direction::In && self.transaction.is_none();
        !heard_only || (self.stray <= STRAY_BEFORE_ANSWER && frame.at - self.end <= times.belief())
    }

    /// Whether an answer of full length came and was spoilt; then the one answer is through.
    fn spoilt_whole(&self) -> bool {
        heard::answer_length(&self.pdu).is_some_and(|length| self.damaged >= length + 3)
    }

    fn settle(self, line: u16, outcome: Outcome) -> Transaction {
        let (address, count) = heard::range(&self.pdu);
        let function = self.pdu.first().copied().unwrap_or(0);
        let asked = Asked { unit: self.unit, function, address, count };
        Transaction { line, asked_at: self.at, asked, outcome, latency: None, suspect: false }
    }
}

#[cfg(test)]
mod tests;
