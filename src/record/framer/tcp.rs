//! The framer of Modbus TCP: MBAP messages, each direction a stream of its own. Stray bytes are told just before the
//! next message of their direction, so that the order of both directions, too, comes back the same when framed again.

use std::collections::VecDeque;

use super::super::event::{Chunk, Direction, Frame, Medium, Record, Role, Stray, StrayWhy};
use super::tape::Tape;
use crate::base::{Span, Stamp};
use crate::wire::heard::{self, Length, Part};
use crate::wire::mbap::{self, Parse};

/// Longest pause inside a message; beyond it the connection was cut or bytes are missing. Our figure: several
/// retransmissions.
const LONGEST_PAUSE: Span = Span::from_millis(10_000);
/// Bytes without a message beyond which they are told all the same.
const MOST_PENDING: usize = 1 << 20;
/// Questions remembered to tell answers from questions where all bytes are inbound.
const MOST_ASKED: usize = 64;

#[derive(Debug)]
pub(super) struct Tcp {
    line: u16,
    halves: [Half; 2],
    /// Whether messages this end sent are in the record; then all that is inbound is an answer.
    sent: bool,
    asked: VecDeque<(u16, u8, u8)>,
}

#[derive(Debug)]
struct Half {
    direction: Direction,
    tape: Tape,
    last: Option<Stamp>,
    /// First byte not yet told.
    head: usize,
    /// Where a message may begin; the bytes from the head to here belong to none.
    at: usize,
    /// Whether a message ended, or the stream began, just before: then the header's word is enough.
    in_step: bool,
}

impl Tcp {
    pub(super) fn new(line: u16) -> Self {
        let halves = [Direction::Out, Direction::In].map(|direction| Half {
            direction,
            tape: Tape::default(),
            last: None,
            head: 0,
            at: 0,
            in_step: true,
        });
        Self { line, halves, sent: false, asked: VecDeque::new() }
    }

    pub(super) fn push(&mut self, chunk: &Chunk, out: &mut Vec<Record>) {
        let index = usize::from(chunk.direction == Direction::In);
        let half = &mut self.halves[index];
        if half.last.is_some_and(|last| chunk.at < last || chunk.at - last > LONGEST_PAUSE) {
            half.give_up();
        }
        half.last = Some(chunk.at);
        if let Some(error) = chunk.error {
            half.give_up();
            half.tell_stray(half.at, self.line, out);
            out.push(Record::Stray(Stray {
                line: self.line,
                at: chunk.at,
                direction: chunk.direction,
                bytes: chunk.bytes.clone(),
                why: StrayWhy::Marked(error),
            }));
            return;
        }
        half.tape.append(&chunk.bytes, chunk.at);
        while let Some(length) = self.halves[index].next_message(self.line, out) {
            self.tell_frame(index, length, out);
        }
        let half = &mut self.halves[index];
        half.tape.forget(half.head);
    }

    pub(super) fn finish(&mut self, out: &mut Vec<Record>) {
        for half in &mut self.halves {
            half.give_up();
            half.tell_stray(half.at, self.line, out);
            half.tape.forget(half.head);
            half.last = None;
        }
        self.asked.clear();
    }

    fn tell_frame(&mut self, index: usize, length: usize, out: &mut Vec<Record>) {
        let half = &mut self.halves[index];
        half.tell_stray(half.at, self.line, out);
        let bytes = half.tape.slice(half.head, half.head + length).to_vec();
        let at = half.tape.stamp(half.head);
        half.head += length;
        half.at = half.head;
        half.in_step = true;
        let (line, direction) = (self.line, half.direction);
        let role = self.role(direction, &bytes);
        out.push(Record::Frame(Frame { line, at, direction, role, bytes, medium: Medium::Tcp }));
    }

    fn role(&mut self, direction: Direction, bytes: &[u8]) -> Role {
        let key = (u16::from_be_bytes([bytes[0], bytes[1]]), bytes[6], bytes[7] & 0x7F);
        let asked = self.asked.iter().position(|other| *other == key);
        if direction == Direction::In {
            if let Some(index) = asked {
                self.asked.remove(index);
                return Role::Response;
            }
            if self.sent || !heard::consistent(Part::Request, &bytes[7..]) {
                return Role::Response;
            }
        }
        self.sent |= direction == Direction::Out;
        if self.asked.len() == MOST_ASKED {
            self.asked.pop_front();
        }
        self.asked.push_back(key);
        Role::Request
    }
}

impl Half {
    /// Length of the message that begins at `at`, once it is all there; passes over bytes that begin none.
    fn next_message(&mut self, line: u16, out: &mut Vec<Record>) -> Option<usize> {
        loop {
            let bytes = self.tape.slice(self.at, self.tape.end());
            let length = match mbap::parse(bytes) {
                Parse::Message(length) if self.believable(&bytes[..bytes.len().min(length)], length) => {
                    return (bytes.len() >= length).then_some(length);
                }
                Parse::Short => return None,
                Parse::Message(_) | Parse::Wrong => 1,
            };
            self.in_step = false;
            self.at += length;
            if self.at >= self.head + MOST_PENDING {
                self.tell_stray(self.at, line, out);
            }
        }
    }

    /// Out of step, what looks like a header is believed only when it wraps a standard question or answer of just its
    /// length; in step any function will do.
    fn believable(&self, bytes: &[u8], length: usize) -> bool {
        let Some(pdu) = bytes.get(mbap::HEADER..).filter(|pdu| !pdu.is_empty()) else { return true };
        if self.in_step {
            return pdu[0] != 0;
        }
        let due = length - mbap::HEADER;
        [Part::Request, Part::Response].into_iter().any(|part| match heard::length(part, pdu) {
            Length::Never => false,
            Length::Need(more) => more <= due,
            Length::Exact(exact) => exact == due && (pdu.len() < due || heard::consistent(part, pdu)),
        })
    }

    /// What waits is no message; the next bytes begin afresh.
    fn give_up(&mut self) {
        self.at = self.tape.end();
        self.in_step = true;
    }

    fn tell_stray(&mut self, end: usize, line: u16, out: &mut Vec<Record>) {
        let direction = self.direction;
        self.tape.by_stamp(self.head, end, |at, bytes| {
            out.push(Record::Stray(Stray {
                line,
                at,
                direction,
                bytes: bytes.to_vec(),
                why: StrayWhy::Noise,
            }));
        });
        self.head = self.head.max(end);
    }
}
