//! The framer of RTU lines: one pair of wires, questions and answers mixed.

use super::super::event::{Chunk, Direction, Frame, Medium, Record, Role, Stray, StrayWhy};
use super::MOST_PENDING;
use super::open::{Candidate, Open};
use super::tape::Tape;
use crate::base::{Span, Stamp};
use crate::wire::Part;
use crate::wire::heard::{self, Length};

mod belief;
mod damage;

use belief::{Beliefs, Proof};

/// Bytes of a chunk looked at before those told are forgotten.
const SLICE: usize = 4096;
/// Bytes behind a held-back question within which its answer has to end.
const HELD_FOR: usize = 512;
/// Noise tolerated between our question and its echo.
const BEFORE_ECHO: usize = 2;

#[derive(Debug)]
pub(super) struct Serial {
    line: u16,
    longest_pause: Span,
    tape: Tape,
    direction: Direction,
    last: Option<Stamp>,
    /// First byte not yet told.
    head: usize,
    /// No frame starts before this: end of the last one, pause, change of direction.
    floor: usize,
    open: Open,
    held: Option<Held>,
    /// An answer that the next byte may make a question, and where it ends.
    doubt: Option<(Reading, usize)>,
    beliefs: Beliefs,
    looks: u8,
    /// What the last byte begins, as a function code.
    begins: u8,
}

/// A question held back.
#[derive(Debug)]
struct Held {
    start: usize,
    end: usize,
    /// It is one, unless these bytes turn out to be the start of an answer; otherwise nothing vouches for it yet.
    vouched: bool,
}

/// A way to read the bytes from a place up to here.
#[derive(Clone, Copy, Debug)]
struct Reading {
    start: usize,
    part: Part,
    proof: Proof,
}

impl Serial {
    pub(super) fn new(line: u16, longest_pause: Span) -> Self {
        Self {
            line,
            longest_pause,
            tape: Tape::default(),
            direction: Direction::In,
            last: None,
            head: 0,
            floor: 0,
            open: Open::new(),
            held: None,
            doubt: None,
            beliefs: Beliefs::default(),
            looks: 0,
            begins: 0,
        }
    }

    pub(super) fn push(&mut self, chunk: &Chunk, out: &mut Vec<Record>) {
        if let Some(error) = chunk.error {
            self.separate(out);
            out.push(Record::Stray(Stray {
                line: self.line,
                at: chunk.at,
                direction: chunk.direction,
                bytes: chunk.bytes.clone(),
                why: StrayWhy::Marked(error),
            }));
        } else if chunk.direction != self.direction {
            self.separate(out);
            self.direction = chunk.direction;
        } else if self.last.is_some_and(|last| chunk.at < last || chunk.at - last > self.longest_pause) {
            self.pause(out);
        }
        self.last = Some(chunk.at);
        if chunk.error.is_some() {
            return;
        }
        for bytes in chunk.bytes.chunks(SLICE) {
            let from = self.tape.end();
            self.tape.append(bytes, chunk.at);
            for (place, &byte) in (from + 1..).zip(bytes) {
                // Most bytes begin and end nothing. What a function code begins is looked at with the byte behind it, since
                // most lengths need that one; no frame is shorter than 4 bytes.
                let begins = std::mem::replace(&mut self.begins, heard::STARTS[usize::from(byte)]);
                if begins != 0 || self.open.any(place) || self.doubt.is_some() || place > self.relief() {
                    self.look(place, begins, out);
                }
            }
            self.tape.forget(self.head);
        }
    }

    pub(super) fn quiet(&mut self, now: Stamp, out: &mut Vec<Record>) {
        if self.last.is_some_and(|last| now - last > self.longest_pause) {
            self.pause(out);
        }
    }

    pub(super) fn finish(&mut self, out: &mut Vec<Record>) {
        self.separate(out);
        self.last = None;
    }

    /// Nothing reaches over this place, and nothing before it waits any longer.
    fn separate(&mut self, out: &mut Vec<Record>) {
        self.decide(out);
        self.release(out);
        self.pause(out);
    }

    /// No frame reaches over this place. A question nothing vouches for waits on: its answer may lie behind the pause.
    fn pause(&mut self, out: &mut Vec<Record>) {
        self.decide(out);
        if self.held.as_ref().is_some_and(|held| held.vouched) {
            self.release(out);
        }
        self.floor = self.tape.end();
        if self.held.is_none() {
            self.tell_stray(self.floor, out);
        }
        self.tape.forget(self.head);
    }

    /// An answer in doubt is one.
    fn decide(&mut self, out: &mut Vec<Record>) {
        if let Some((reading, end)) = self.doubt.take() {
            self.accept(&reading, end, out);
        }
    }

    /// Holds nothing back any longer.
    fn release(&mut self, out: &mut Vec<Record>) {
        if let Some(held) = self.held.take().filter(|held| held.vouched) {
            self.tell_stray(held.start, out);
            self.tell_frame(held.end, Role::Request, out);
            self.floor = self.floor.max(held.end);
        }
    }

    /// Looks at the stream with `place` bytes of it known; `begins`: what the last byte but one is the function code of.
    fn look(&mut self, place: usize, begins: u8, out: &mut Vec<Record>) {
        let mut best: Option<Reading> = None;
        let (mut damaged, mut release) = (None, false);
        let mut due = self.open.take(place);
        let after = self.tape.register(place);
        while let Some(Candidate { start, part, whole }) = self.open.step(&mut due) {
            if start < self.floor {
                continue;
            }
            if !whole {
                self.schedule(start, part, place);
                continue;
            }
            if self.tape.crc_ok(start, place, after) {
                if let Some(proof) = self.weigh(start, place, part)
                    && best.as_ref().is_none_or(|best| (best.proof, start) < (proof, best.start))
                {
                    best = Some(Reading { start, part, proof });
                }
            } else if part == Part::Response {
                release |= self.held.as_ref().is_some_and(|held| held.vouched && held.start == start);
                if self.mimics(start, place) {
                    damaged = damaged.max(Some(start));
                }
            }
        }
        if begins != 0 && place >= self.floor + 3 {
            self.begin(place - 3, place, begins);
        }
        if let Some((answer, _)) = self.doubt {
            if best.is_none_or(|best| best.start != answer.start) {
                return self.decide(out);
            }
            self.doubt = None;
        }
        match (best, damaged) {
            (Some(reading), _) if self.may_go_on(&reading, place) => match reading.part {
                Part::Request => self.hold(&reading, place, out),
                Part::Response => self.doubt = Some((reading, place)),
            },
            (Some(reading), _) => self.accept(&reading, place, out),
            (None, Some(start)) => self.tell_damaged(start, place, out),
            (None, None) => {
                if release {
                    self.release(out);
                }
                self.relieve(place, out);
            }
        }
    }

    fn hold(&mut self, reading: &Reading, place: usize, out: &mut Vec<Record>) {
        if self.held.as_ref().is_none_or(|held| held.end <= reading.start) {
            self.release(out);
            let vouched = reading.proof != Proof::None;
            self.held = Some(Held { start: reading.start, end: place, vouched });
            self.beliefs.hold(
                self.tape.byte(reading.start),
                self.tape.slice(reading.start + 1, place - 2),
                place,
                vouched,
            );
        }
    }

    /// Whether to wait for more bytes before this reading is believed: nothing vouches for it, or it is the head of
    /// another that is as likely.
    ///
    /// That happens oftener than by the chance of a CRC. Of an answer with two registers (9 bytes) the first eight are a
    /// whole question whenever the seventh is the low byte of the CRC over the six before: one in 256. Likewise a
    /// question for a place at 0x02.. may begin with an answer of one register (7 bytes), always then with a zero to
    /// follow.
    fn may_go_on(&self, reading: &Reading, place: usize) -> bool {
        let bytes = self.tape.slice(reading.start, place);
        match (reading.proof, bytes) {
            (Proof::None, _) | (Proof::Known, [_, 3 | 4, 2, _, 0, 1..=125, _]) => true,
            (Proof::Question, [unit, pdu @ ..]) => {
                self.direction == Direction::In
                    && matches!(heard::length(Part::Response, pdu), Length::Exact(due) if due > pdu.len() - 2)
                    && self.beliefs.is_known(*unit, pdu[0])
            }
            _ => false,
        }
    }

    /// Opens the readings of a frame begun at `start`, of which address, function and a byte more are known; answers only
    /// of units that have been asked.
    fn begin(&mut self, start: usize, place: usize, begins: u8) {
        match (begins & 1 != 0, usize::from(begins >> 2)) {
            (false, _) => {}
            (true, 0) => self.schedule(start, Part::Request, place),
            // of most questions the function alone tells the length
            (true, length) => self.open.note(start, Part::Request, start + length + 3, true),
        }
        if begins & 2 != 0 && self.beliefs.was_asked(self.tape.byte(start), self.held.is_some()) {
            self.schedule(start, Part::Response, place);
        }
    }

    /// Has a candidate looked at again when more is known of it, or all.
    fn schedule(&mut self, start: usize, part: Part, place: usize) {
        match heard::length(part, self.tape.slice(start + 1, place)) {
            Length::Never => {}
            Length::Need(length) => self.open.note(start, part, start + 1 + length, false),
            Length::Exact(length) => self.open.note(start, part, start + length + 3, true),
        }
    }

    /// What speaks for a frame with a good CRC.
    fn weigh(&self, start: usize, place: usize, part: Part) -> Option<Proof> {
        let (unit, pdu) = (self.tape.byte(start), self.tape.slice(start + 1, place - 2));
        match part {
            Part::Response => {
                let after_held = self.held.as_ref().is_some_and(|held| start >= held.end);
                self.beliefs.response(unit, pdu, self.direction, after_held)
            }
            Part::Request if self.is_echo(start, place) => Some(Proof::Echo),
            Part::Request => self.beliefs.request(unit, pdu, self.direction, place),
        }
    }

    fn is_echo(&self, start: usize, place: usize) -> bool {
        self.direction == Direction::In
            && self.beliefs.pending().is_some_and(|question| {
                question.direction == Direction::Out
                    && !question.echoed
                    && start <= question.end + BEFORE_ECHO
                    && question.unit == self.tape.byte(start)
                    && question.pdu == self.tape.slice(start + 1, place - 2)
            })
    }

    fn accept(&mut self, reading: &Reading, place: usize, out: &mut Vec<Record>) {
        if let Some(held) = self.held.take()
            && held.end <= reading.start
        {
            let (unit, pdu) = (self.tape.byte(reading.start), self.tape.slice(reading.start + 1, place - 2));
            let vouched = match reading.proof {
                Proof::HeldAnswer => true,
                Proof::Repetition => held.vouched || self.beliefs.repeats_held(unit, pdu),
                _ => held.vouched,
            };
            if vouched {
                self.tell_stray(held.start, out);
                self.tell_frame(held.end, Role::Request, out);
            }
        }
        self.tell_stray(reading.start, out);
        if reading.proof == Proof::Echo {
            self.beliefs.echoed();
            self.tell(place, StrayWhy::Echo, out);
        } else {
            self.tell_frame(
                place,
                if reading.part == Part::Request { Role::Request } else { Role::Response },
                out,
            );
        }
        self.floor = place;
    }

    /// The bytes from the head to `end` are a frame.
    fn tell_frame(&mut self, end: usize, role: Role, out: &mut Vec<Record>) {
        let (start, bytes) = (self.head, self.tape.slice(self.head, end).to_vec());
        let (unit, pdu) = (bytes[0], &bytes[1..bytes.len() - 2]);
        match role {
            Role::Request => {
                self.beliefs.asked(unit, pdu, self.direction, end);
                self.looks = 0;
            }
            Role::Response => self.beliefs.answered(unit, pdu),
        }
        out.push(Record::Frame(Frame {
            line: self.line,
            at: self.tape.stamp(start),
            direction: self.direction,
            role,
            bytes,
            medium: Medium::Serial,
        }));
        self.head = end;
    }

    /// The bytes from the head to `end` belong to no frame; what looks like the answer due is told as damaged.
    fn tell_stray(&mut self, end: usize, out: &mut Vec<Record>) {
        if let Some((from, to)) = self.damaged_answer(end) {
            self.beliefs.damaged();
            self.tell(from, StrayWhy::Noise, out);
            self.tell(to, StrayWhy::Damaged, out);
        }
        self.tell(end, StrayWhy::Noise, out);
    }

    fn tell(&mut self, end: usize, why: StrayWhy, out: &mut Vec<Record>) {
        let (line, direction) = (self.line, self.direction);
        self.tape.by_stamp(self.head, end, |at, bytes| {
            out.push(Record::Stray(Stray { line, at, direction, bytes: bytes.to_vec(), why }));
        });
        self.head = self.head.max(end);
    }

    /// Where what waits becomes too much.
    fn relief(&self) -> usize {
        match &self.held {
            Some(held) => held.end + HELD_FOR,
            None => self.head + MOST_PENDING,
        }
    }

    /// Keeps what waits within bounds.
    fn relieve(&mut self, place: usize, out: &mut Vec<Record>) {
        if self.held.is_some() && place > self.relief() {
            self.release(out);
        }
        if self.held.is_none() && place > self.relief() {
            self.tell_stray(place - MOST_PENDING / 2, out);
            self.floor = self.floor.max(self.head);
        }
    }
}
