//! Connections of a network capture: their segments in order, cut into messages, each server a line.

use core::net::SocketAddr;
use std::collections::BTreeMap;

use super::packet::{self, End, Segment};
use crate::base::{Span, Stamp};
use crate::record::capture::{Capture, Entry};
use crate::record::event::{Chunk, Direction, LineInfo, Medium, WireError};
use crate::wire::mbap::{self, Parse};

/// Segments kept waiting for one that is missing.
const MOST_WAITING: usize = 64;
/// A connection silent for so long leaves its line to the next client. Our figure.
const IDLE: Span = Span::from_millis(10_000);

/// All connections to Modbus TCP servers in a capture.
#[derive(Debug)]
pub struct Network {
    ports: Vec<u16>,
    flows: BTreeMap<(End, End), Flow>,
    lines: Vec<ServerLine>,
}

/// A line of the capture and the connection it carries.
#[derive(Debug)]
struct ServerLine {
    server: End,
    index: u16,
    client: End,
    last: Stamp,
    closed: bool,
}

#[derive(Debug, Default)]
struct Flow {
    /// Client's bytes, server's bytes.
    halves: [Half; 2],
}

#[derive(Debug, Default)]
struct Half {
    next: Option<u32>,
    waiting: Vec<Piece>,
    /// What has come of a message, and when its first byte did.
    message: Vec<u8>,
    began: Stamp,
}

#[derive(Debug)]
struct Piece {
    sequence: u32,
    at: Stamp,
    bytes: Vec<u8>,
    missing: usize,
}

/// Bytes on their way to a line; `gap`: they belong to a message of which bytes are missing.
struct Told {
    at: Stamp,
    bytes: Vec<u8>,
    gap: bool,
}

impl Network {
    /// Looks for servers on these ports.
    pub fn new(ports: &[u16]) -> Self {
        Self { ports: ports.to_vec(), flows: BTreeMap::new(), lines: Vec::new() }
    }

    /// Takes the next packet of the capture.
    pub fn packet(&mut self, link_type: u16, at: Stamp, data: &[u8], capture: &mut Capture) {
        let Some(segment) = packet::parse(link_type, data) else { return };
        let direction = if self.ports.contains(&segment.to.1) {
            Direction::Out
        } else if self.ports.contains(&segment.from.1) {
            Direction::In
        } else {
            return;
        };
        let out = direction == Direction::Out;
        let key = if out { (segment.from, segment.to) } else { (segment.to, segment.from) };
        let mut told = Vec::new();
        let mut answered = Vec::new();
        let flow = self.flows.entry(key).or_default();
        let [client, server] = &mut flow.halves;
        let (own, other) = if out { (client, server) } else { (server, client) };
        own.receive(&segment, at, &mut told);
        if let Some(acknowledged) = segment.acknowledged {
            other.acknowledged(acknowledged, &mut answered);
        }
        let other_way = if out { Direction::In } else { Direction::Out };
        self.tell(key, other_way, answered, at, capture);
        self.tell(key, direction, told, at, capture);
        if segment.closes
            && let Some(line) = self.lines.iter_mut().find(|line| (line.client, line.server) == key)
        {
            line.closed = true;
        }
    }

    /// The capture ends: tells what was left waiting.
    pub fn finish(&mut self, capture: &mut Capture) {
        for (key, mut flow) in std::mem::take(&mut self.flows) {
            for (half, direction) in flow.halves.iter_mut().zip([Direction::Out, Direction::In]) {
                let mut told = Vec::new();
                while !half.waiting.is_empty() {
                    half.skip(&mut told);
                }
                half.give_up(&mut told);
                let last = told.last().map_or(Stamp::default(), |told| told.at);
                self.tell(key, direction, told, last, capture);
            }
        }
    }

    fn tell(
        &mut self,
        key: (End, End),
        direction: Direction,
        told: Vec<Told>,
        now: Stamp,
        capture: &mut Capture,
    ) {
        if told.is_empty() {
            return;
        }
        let Some(line) = self.line(key, now, capture) else { return };
        capture.entries.extend(told.into_iter().map(|Told { at, bytes, gap }| {
            Entry::Chunk(Chunk { line, at, direction, bytes, error: gap.then_some(WireError::Overflow) })
        }));
    }

    /// The line of a connection: its own, one of the same server that is free, or a new one. Two clients at a time
    /// never share one, since their transaction numbers may be the same.
    fn line(&mut self, (client, server): (End, End), now: Stamp, capture: &mut Capture) -> Option<u16> {
        let own = self.lines.iter().position(|line| (line.client, line.server) == (client, server));
        let free = |line: &ServerLine| line.server == server && (line.closed || now - line.last > IDLE);
        if let Some(place) = own.or_else(|| self.lines.iter().position(free)) {
            let line = &mut self.lines[place];
            line.closed &= line.client == client;
            (line.client, line.last) = (client, now);
            return Some(line.index);
        }
        let index = u16::try_from(capture.lines.len()).ok()?;
        capture.lines.push(LineInfo {
            name: SocketAddr::from(server).to_string(),
            medium: Medium::Tcp,
            baud: None,
            tells_errors: true,
        });
        self.lines.push(ServerLine { server, index, client, last: now, closed: false });
        Some(index)
    }
}

impl Half {
    fn receive(&mut self, segment: &Segment<'_>, at: Stamp, told: &mut Vec<Told>) {
        if segment.opens {
            self.give_up(told);
            self.waiting.clear();
            self.next = Some(segment.sequence.wrapping_add(1));
            return;
        }
        if segment.payload.is_empty() && segment.missing == 0 {
            return;
        }
        let next = *self.next.get_or_insert(segment.sequence);
        let piece = Piece {
            sequence: segment.sequence,
            at,
            bytes: segment.payload.to_vec(),
            missing: segment.missing,
        };
        if ahead(piece.sequence, next) <= 0 {
            self.take(&piece, told);
            self.catch_up(told);
            return;
        }
        let place = self.waiting.partition_point(|other| ahead(other.sequence, piece.sequence) <= 0);
        self.waiting.insert(place, piece);
        if self.waiting.len() > MOST_WAITING {
            self.skip(told);
        }
    }

    /// The other end has received up to here; what of it was not captured never will be.
    fn acknowledged(&mut self, sequence: u32, told: &mut Vec<Told>) {
        while self.waiting.first().is_some_and(|piece| ahead(sequence, piece.sequence) >= 0) {
            self.skip(told);
        }
    }

    /// Gives up what is missing before the first waiting piece.
    fn skip(&mut self, told: &mut Vec<Told>) {
        self.give_up(told);
        if let Some(piece) = self.waiting.first() {
            self.next = Some(piece.sequence);
        }
        self.catch_up(told);
    }

    /// Takes waiting pieces as far as they follow without a gap.
    fn catch_up(&mut self, told: &mut Vec<Told>) {
        while let (Some(piece), Some(next)) = (self.waiting.first(), self.next)
            && ahead(piece.sequence, next) <= 0
        {
            let piece = self.waiting.remove(0);
            self.take(&piece, told);
        }
    }

    /// Takes what is new in a piece that leaves no gap.
    fn take(&mut self, piece: &Piece, told: &mut Vec<Told>) {
        let Some(next) = self.next else { return };
        let seen = ahead(next, piece.sequence).max(0) as usize;
        let length = piece.bytes.len() + piece.missing;
        if seen >= length {
            return;
        }
        self.next = Some(piece.sequence.wrapping_add(length as u32));
        if let Some(new) = piece.bytes.get(seen..).filter(|new| !new.is_empty()) {
            self.cut(new, piece.at, told);
        }
        if piece.missing > 0 {
            self.give_up(told);
        }
    }

    /// Cuts the stream into messages; what begins none is told as it is, for the framer to look at.
    fn cut(&mut self, bytes: &[u8], at: Stamp, told: &mut Vec<Told>) {
        if self.message.is_empty() {
            self.began = at;
        }
        self.message.extend_from_slice(bytes);
        while !self.message.is_empty() {
            let length = match mbap::parse(&self.message) {
                Parse::Message(length) if length <= self.message.len() => length,
                Parse::Message(_) | Parse::Short => return,
                Parse::Wrong => self.message.len(),
            };
            let rest = self.message.split_off(length);
            let bytes = std::mem::replace(&mut self.message, rest);
            told.push(Told { at: self.began, bytes, gap: false });
            self.began = at;
        }
    }

    /// A message begun stays incomplete.
    fn give_up(&mut self, told: &mut Vec<Told>) {
        let bytes = std::mem::take(&mut self.message);
        if !bytes.is_empty() {
            told.push(Told { at: self.began, bytes, gap: true });
        }
    }
}

/// How far the sequence number `a` is ahead of `b` (RFC 9293, 3.4: modulo 2^32).
fn ahead(a: u32, b: u32) -> i64 {
    i64::from(a.wrapping_sub(b) as i32)
}
