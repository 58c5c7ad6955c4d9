//! A pair of wires bit by bit: what a receiver set one way makes of what senders set another way put on them. A wrong
//! speed, a wrong parity, swapped wires, a break and two units that speak at once show as they do in the field; a
//! pseudo-terminal can show none of them.
//!
//! The pair idles high. A character is a low start bit, eight data bits from the least significant, the parity bit if any,
//! and high stop bits (Modbus over Serial Line V1.02, 2.5.1). Receivers sample the middle of each bit and look at the first
//! stop bit only, as UARTs do (common practice).

use crate::base::{Span, Stamp};
use crate::profile::{Parity, SerialSettings};
use crate::record::{Chunk, Direction, WireError};

/// What stands on a pair, as the spans in which it is low.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pair {
    low: Vec<(Stamp, Stamp)>,
}

/// A character as a receiver got it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Received {
    /// Middle of its stop bit: when the receiver has it.
    pub at: Stamp,
    /// Its data bits.
    pub byte: u8,
    /// What the receiver holds against it.
    pub error: Option<WireError>,
}

fn bits(settings: SerialSettings, halves: i64) -> Span {
    Span::from_nanos(halves * 500_000_000 / i64::from(settings.baud.max(1)))
}

fn parity_bit(settings: SerialSettings, byte: u8) -> Option<bool> {
    let odd = byte.count_ones() % 2 == 1;
    match settings.parity {
        Parity::None => None,
        Parity::Even => Some(odd),
        Parity::Odd => Some(!odd),
    }
}

impl Pair {
    /// Somebody sends bytes from `at` without pause; gives the end of the last stop bit. Senders may overlap: a low bit
    /// of one of them then wins.
    pub fn send(&mut self, at: Stamp, bytes: &[u8], settings: SerialSettings) -> Stamp {
        for (index, byte) in bytes.iter().enumerate() {
            let start = at + settings.characters(index);
            let data = (0..8).map(|bit| byte >> bit & 1 == 1);
            let levels = std::iter::once(false).chain(data).chain(parity_bit(settings, *byte));
            for (bit, level) in (0..).zip(levels) {
                if !level {
                    self.hold(start + bits(settings, 2 * bit), start + bits(settings, 2 * bit + 2));
                }
            }
        }
        at + settings.characters(bytes.len())
    }

    /// Holds the pair low: a break.
    pub fn hold(&mut self, from: Stamp, until: Stamp) {
        // Mostly at the end; a sender that overlaps goes in its place, and what it touches becomes one.
        let place = self.low.partition_point(|(_, end)| *end < from);
        let mut merged = (from, until);
        let mut after = place;
        while let Some(other) = self.low.get(after).filter(|other| other.0 <= until) {
            merged = (merged.0.min(other.0), merged.1.max(other.1));
            after += 1;
        }
        self.low.splice(place..after, [merged]);
    }

    /// The same with the two wires swapped, seen from `from` until `until`: low and high change places.
    #[must_use]
    pub fn swapped(&self, from: Stamp, until: Stamp) -> Self {
        let mut edge = from;
        let mut low = Vec::new();
        for &(start, end) in self.low.iter().filter(|(start, end)| *end > from && *start < until) {
            if start > edge {
                low.push((edge, start));
            }
            edge = end;
        }
        if edge < until {
            low.push((edge, until));
        }
        Self { low }
    }

    fn is_low(&self, at: Stamp) -> bool {
        let after = self.low.partition_point(|(start, _)| *start <= at);
        after > 0 && at < self.low[after - 1].1
    }

    /// What a receiver that is set like this gets.
    pub fn hear(&self, settings: SerialSettings) -> Vec<Received> {
        let always = Stamp::from_nanos(i64::MIN)..Stamp::from_nanos(i64::MAX);
        self.hear_between(settings, always, &mut || false).0
    }

    /// What a receiver gets of characters that begin within a span and end by its end, and when it is ready for the next
    /// one. Of every bit it samples, `wrong` says whether noise turns it.
    pub fn hear_between(
        &self,
        settings: SerialSettings,
        span: std::ops::Range<Stamp>,
        wrong: &mut impl FnMut() -> bool,
    ) -> (Vec<Received>, Stamp) {
        let mut received = Vec::new();
        let mut ready = span.start;
        while let Some(&(edge, _)) = self.low.get(self.low.partition_point(|(start, _)| *start < ready)) {
            let parity = settings.parity != Parity::None;
            let stop_bit = if parity { 10 } else { 9 };
            let at = edge + bits(settings, 2 * stop_bit + 1);
            if at > span.end {
                break;
            }
            let mut sample = |bit: i64| self.is_low(edge + bits(settings, 2 * bit + 1)) == wrong();
            if sample(0) {
                // too short for a start bit
                ready = edge + bits(settings, 1);
                continue;
            }
            let byte = (0..8).fold(0, |byte, bit| byte | u8::from(sample(bit + 1)) << bit);
            let heard = parity.then(|| sample(9));
            let error = if sample(stop_bit) {
                (parity_bit(settings, byte) != heard).then_some(WireError::Parity)
            } else if byte == 0 && heard != Some(true) {
                Some(WireError::Break)
            } else {
                Some(WireError::Framing)
            };
            received.push(Received { at, byte, error });
            // The next start bit is an edge, so a pair that stays low brings nothing more.
            ready = at;
        }
        (received, ready)
    }

    /// When the last low bit ends.
    pub fn end(&self) -> Option<Stamp> {
        self.low.last().map(|(_, end)| *end)
    }

    /// The first fall to low from a time on.
    pub fn edge_from(&self, from: Stamp) -> Option<Stamp> {
        self.low.get(self.low.partition_point(|(start, _)| *start < from)).map(|(start, _)| *start)
    }

    /// The same, taken for idle within these spans, which are in order of time.
    #[must_use]
    pub fn idle_in(&self, spans: &[(Stamp, Stamp)]) -> Self {
        let mut low = Vec::new();
        for &(start, end) in &self.low {
            let mut edge = start;
            for &(idle, over) in spans.iter().filter(|(idle, over)| *over > start && *idle < end) {
                if idle > edge {
                    low.push((edge, idle));
                }
                edge = edge.max(over);
            }
            if edge < end {
                low.push((edge, end));
            }
        }
        Self { low }
    }

    /// Lets go what ended before this.
    pub fn forget(&mut self, before: Stamp) {
        let gone = self.low.partition_point(|(_, end)| *end < before);
        self.low.drain(..gone);
    }
}

/// Received characters as an adapter hands them on: at ticks of its latency timer (`Span::ZERO`: each by itself), good
/// ones and bad ones apart, marked as a driver with `PARMRK` marks them. Such a driver does not tell parity from
/// framing errors: both are called after the parity, where that is on.
pub fn chunks(line: u16, received: &[Received], latency: Span, settings: SerialSettings) -> Vec<Chunk> {
    let bad = if settings.parity == Parity::None { WireError::Framing } else { WireError::Parity };
    let mut chunks: Vec<Chunk> = Vec::new();
    for one in received {
        let at = if latency > Span::ZERO {
            Stamp::from_nanos((one.at.nanos().div_euclid(latency.nanos()) + 1) * latency.nanos())
        } else {
            one.at
        };
        let error = one.error.map(|error| if one.byte == 0 { WireError::Break } else { error });
        let error = error.map(|error| if error == WireError::Break { error } else { bad });
        match chunks.last_mut() {
            Some(last) if last.at == at && last.error == error => last.bytes.push(one.byte),
            _ => chunks.push(Chunk { line, at, direction: Direction::In, bytes: vec![one.byte], error }),
        }
    }
    chunks
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: Stamp = Stamp::from_micros(1_790_000_000_000_000);

    fn set(baud: u32, parity: Parity) -> SerialSettings {
        SerialSettings { baud, parity, stop_bits: 1 }
    }

    fn heard(sent: &[u8], by: SerialSettings, at: SerialSettings) -> Vec<(u8, Option<WireError>)> {
        let mut pair = Pair::default();
        pair.send(START, sent, by);
        pair.hear(at).into_iter().map(|one| (one.byte, one.error)).collect()
    }

    proptest::proptest! {
        #[test]
        fn what_is_sent_is_heard_by_whoever_is_set_alike(
            bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..40), baud in 0..4_usize, parity in 0..3_usize,
        ) {
            let settings = set([2400, 9600, 19200, 115_200][baud], [Parity::None, Parity::Even, Parity::Odd][parity]);
            let found = heard(&bytes, settings, settings);
            proptest::prop_assert_eq!(found, bytes.into_iter().map(|byte| (byte, None)).collect::<Vec<_>>());
        }
    }

    #[test]
    fn the_other_parity_spoils_every_byte_and_no_other() {
        let (even, odd) = (set(9600, Parity::Even), set(9600, Parity::Odd));
        let found = heard(&[1, 3, 0, 0x6b], even, odd);
        assert_eq!(found, [1, 3, 0, 0x6b].map(|byte| (byte, Some(WireError::Parity))));
    }

    #[test]
    fn half_the_speed_hears_what_two_bits_make_one() {
        // Nine low bits are four and a half of the slow ones, one low bit is two of the fast ones: f8 and fe, which practice
        // names as signs of a speed wrong by a factor of two.
        assert_eq!(heard(&[0x00], set(19200, Parity::None), set(9600, Parity::None)), [(0xf8, None)]);
        assert_eq!(heard(&[0xff], set(9600, Parity::None), set(19200, Parity::None)), [(0xfe, None)]);
    }

    #[test]
    fn swapped_wires_are_a_break_that_ends_when_somebody_speaks() {
        let settings = SerialSettings::default();
        let mut pair = Pair::default();
        let end = pair.send(START + Span::from_millis(100), &[1, 3, 0, 0x6b], settings);
        let found = pair.swapped(START, end + Span::from_millis(100)).hear(settings);
        assert_eq!((found[0].byte, found[0].error), (0, Some(WireError::Break)));
        // Each time it falls idle it is a break again; between them no byte is the one that was sent.
        assert_eq!(found.last().map(|one| one.error), Some(Some(WireError::Break)));
        assert!(found.len() > 3 && found.iter().all(|one| ![1, 3, 0x6b].contains(&one.byte)), "{found:?}");
    }

    #[test]
    fn of_two_that_speak_at_once_the_low_bits_win() {
        let settings = SerialSettings::default();
        let mut pair = Pair::default();
        pair.send(START, &[0b1100_1100], settings);
        pair.send(START, &[0b1010_1010], settings);
        assert_eq!(pair.hear(settings).first().map(|one| one.byte), Some(0b1000_1000));
    }

    #[test]
    fn an_adapter_hands_on_in_ticks_and_names_bad_bytes_by_the_parity() {
        let (even, odd) = (set(9600, Parity::Even), set(9600, Parity::Odd));
        let mut pair = Pair::default();
        pair.send(START, &[1, 2], even);
        pair.send(START + Span::from_millis(30), &[3], odd);
        let found = chunks(0, &pair.hear(even), Span::from_millis(16), even);
        let told: Vec<(Vec<u8>, Option<WireError>)> =
            found.iter().map(|chunk| (chunk.bytes.clone(), chunk.error)).collect();
        assert_eq!(told, [(vec![1, 2], None), (vec![3], Some(WireError::Parity))]);
    }
}
