//! When the line was last in use: the computed end of the last byte, whoever sent it.
//!
//! A read hands over bytes in lumps, and a write returns long before its bytes are on the wire, so neither end is known;
//! both are computed from the first byte, the count and the speed, and never earlier than the last arrival.

use crate::base::{Span, Stamp};
use crate::profile::SerialSettings;
use crate::record::Medium;

/// Use of one line.
#[derive(Clone, Debug)]
pub struct Activity {
    medium: Medium,
    settings: SerialSettings,
    start: Stamp,
    bytes: usize,
    end: Option<Stamp>,
}

impl Activity {
    /// A line nothing was heard on yet. On TCP bytes take no time.
    pub fn new(medium: Medium, settings: SerialSettings) -> Self {
        Self { medium, settings, start: Stamp::default(), bytes: 0, end: None }
    }

    /// Bytes went out or came in, the first of them at this time. Gives how many bytes the burst holds by now: a burst
    /// ends with a silence of 3.5 characters.
    pub fn note(&mut self, at: Stamp, count: usize) -> usize {
        let fresh = self.end.is_none_or(|end| at > end + self.silence());
        if fresh {
            self.start = at;
            self.bytes = 0;
        }
        self.bytes += count;
        let computed = match self.medium {
            Medium::Serial => self.start + self.settings.characters(self.bytes),
            Medium::Tcp => at,
        };
        self.end = Some(self.end.unwrap_or(at).max(at).max(computed));
        self.bytes
    }

    /// Our own bytes went out: they begin a burst of their own.
    pub fn sent(&mut self, at: Stamp, count: usize) -> Stamp {
        self.start = at;
        self.bytes = 0;
        self.end = None;
        self.note(at, count);
        self.end.unwrap_or(at)
    }

    /// The computed end of the last byte; `None` before the first.
    pub fn end(&self) -> Option<Stamp> {
        self.end
    }

    /// The silence between frames; none on TCP.
    pub fn silence(&self) -> Span {
        match self.medium {
            Medium::Serial => self.settings.silence(),
            Medium::Tcp => Span::ZERO,
        }
    }

    /// How long so many bytes take.
    pub fn length(&self, bytes: usize) -> Span {
        match self.medium {
            Medium::Serial => self.settings.characters(bytes),
            Medium::Tcp => Span::ZERO,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Parity;

    fn at(us: i64) -> Stamp {
        Stamp::from_micros(1_790_000_000_000_000 + us)
    }

    fn end(line: &Activity) -> Option<Stamp> {
        line.end().map(Stamp::cut_to_micros)
    }

    #[test]
    fn the_end_of_a_lump_is_computed_and_never_before_the_last_arrival() {
        // 19200 8E1: 11 bits, 0.5729 ms a character (Modbus over Serial Line V1.02, 2.5.1; computed).
        let settings = SerialSettings { baud: 19200, parity: Parity::Even, stop_bits: 1 };
        let mut line = Activity::new(Medium::Serial, settings);
        assert_eq!(line.end(), None);
        line.note(at(0), 10);
        assert_eq!(end(&line), Some(at(5729)));
        line.note(at(6000), 1);
        assert_eq!(end(&line), Some(at(6302)), "still the same burst of 11 characters");
        line.note(at(9000), 1);
        assert_eq!(end(&line), Some(at(9572)), "a new burst after 3.5 characters of silence");
    }

    #[test]
    fn our_own_bytes_take_their_time_from_the_first() {
        let mut line = Activity::new(Medium::Serial, SerialSettings::default());
        assert_eq!(line.sent(at(0), 8).cut_to_micros(), at(8333));
        let mut network = Activity::new(Medium::Tcp, SerialSettings::default());
        assert_eq!(network.sent(at(0), 12), at(0));
    }
}
