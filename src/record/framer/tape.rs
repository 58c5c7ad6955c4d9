//! The bytes a framer still looks at, by their place in the stream, with arrival and running CRC.

use std::collections::VecDeque;

use crate::base::Stamp;
use crate::wire::crc;

/// A stretch of the stream; places count from its beginning and stay valid until forgotten.
#[derive(Debug, Default)]
pub(super) struct Tape {
    base: usize,
    bytes: Vec<u8>,
    /// The CRC register before each byte.
    registers: Vec<u16>,
    register: u16,
    /// Where a new stamp begins.
    stamps: VecDeque<(usize, Stamp)>,
}

impl Tape {
    /// Place behind the last byte.
    pub(super) fn end(&self) -> usize {
        self.base + self.bytes.len()
    }

    /// Appends bytes that arrived together.
    pub(super) fn append(&mut self, bytes: &[u8], at: Stamp) {
        if self.stamps.back().is_none_or(|&(_, last)| last != at) {
            self.stamps.push_back((self.end(), at));
        }
        self.bytes.extend_from_slice(bytes);
        let mut register = self.register;
        self.registers.extend(bytes.iter().map(|&byte| {
            let before = register;
            register = crc::next(register, byte);
            before
        }));
        self.register = register;
    }

    /// The bytes from `from` up to `to`.
    #[inline]
    pub(super) fn slice(&self, from: usize, to: usize) -> &[u8] {
        let range = from.wrapping_sub(self.base)..to.wrapping_sub(self.base);
        self.bytes.get(range).unwrap_or(&[])
    }

    /// One byte.
    #[inline]
    pub(super) fn byte(&self, at: usize) -> u8 {
        self.bytes.get(at.wrapping_sub(self.base)).copied().unwrap_or(0)
    }

    /// The CRC register before the byte at `at`.
    #[inline]
    pub(super) fn register(&self, at: usize) -> u16 {
        self.registers.get(at.wrapping_sub(self.base)).copied().unwrap_or(self.register)
    }

    /// Whether the bytes from `from` up to `to`, where the register is `after`, end in their own CRC.
    #[inline]
    pub(super) fn crc_ok(&self, from: usize, to: usize, after: u16) -> bool {
        crc::stretch_ok(self.register(from), after, to.wrapping_sub(from))
    }

    /// Arrival of the byte at `at`.
    pub(super) fn stamp(&self, at: usize) -> Stamp {
        let next = self.stamps.partition_point(|&(start, _)| start <= at);
        self.stamps.get(next.saturating_sub(1)).map_or(Stamp::default(), |&(_, stamp)| stamp)
    }

    /// Calls `tell` with each stretch of one stamp between `from` and `to`.
    pub(super) fn by_stamp(&self, from: usize, to: usize, mut tell: impl FnMut(Stamp, &[u8])) {
        let mut at = from;
        let mut next = self.stamps.partition_point(|&(start, _)| start <= from);
        while at < to {
            let stamp = self.stamps.get(next.saturating_sub(1)).map_or(Stamp::default(), |&(_, stamp)| stamp);
            let stop = self.stamps.get(next).map_or(to, |&(start, _)| start.min(to));
            tell(stamp, self.slice(at, stop));
            at = stop;
            next += 1;
        }
    }

    /// Drops what lies before `upto`, when it is worth the move.
    pub(super) fn forget(&mut self, upto: usize) {
        let drop = upto.saturating_sub(self.base).min(self.bytes.len());
        if drop < 16 * 1024 && drop < self.bytes.len() {
            return;
        }
        self.bytes.drain(..drop);
        self.registers.drain(..drop);
        self.base += drop;
        while self.stamps.get(1).is_some_and(|&(start, _)| start <= self.base) {
            self.stamps.pop_front();
        }
    }
}
