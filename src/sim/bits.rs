//! A serial line that misbehaves as it is told, from a seed, bit by bit in simulated time. Whoever speaks puts bits on the
//! pair (`uart.rs`); meters and the adapter each sample it as they are set. So a wrong speed, two that speak at once, a late
//! answer that meets the next question, swapped wires and a break come out as they would in the field. What the adapter
//! hears it hands on in the lumps of its latency timer.

use std::collections::BTreeMap;

use super::seed::Seed;
use super::uart::{Pair, Received};
use crate::base::{Span, Stamp};
use crate::profile::{Parity, SerialSettings};
use crate::record::WireError;

mod faults;
mod rules;

pub use faults::Fault;
pub use rules::LineRules;

/// Bits this old nobody samples any more.
const OLD: Span = Span::from_millis(2000);

/// Bytes that arrive together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arrival {
    /// When the computer has them.
    pub at: Stamp,
    /// At least one.
    pub bytes: Vec<u8>,
    /// Set when the driver marked them as bad; where it can't, it hands them on as they are.
    pub error: Option<WireError>,
}

/// What became of an answer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Spoken {
    /// From its first bit to its last, where there was any.
    pub span: Option<(Stamp, Stamp)>,
    /// What was done to it.
    pub faults: Vec<Fault>,
}

/// A line at work.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// How it behaves.
    pub rules: LineRules,
    /// How the adapter is set.
    settings: SerialSettings,
    /// How the meters are set.
    meters: SerialSettings,
    seed: Seed,
    pair: Pair,
    /// What we sent is through by then.
    sent: Stamp,
    /// The adapter is ready for a start bit from here on.
    ready: Stamp,
    /// While it sends, an adapter that does not echo hears nothing.
    deaf: Vec<(Stamp, Stamp)>,
    /// The unit is not done with earlier questions before then: it answers one after the other.
    busy: Stamp,
    injected: BTreeMap<Fault, u64>,
}

impl Line {
    /// A line with its own chance.
    pub fn new(rules: LineRules, settings: SerialSettings, seed: u64, number: usize) -> Self {
        Self {
            rules,
            settings,
            meters: rules.meters.unwrap_or(settings),
            seed: Seed::named(seed, &format!("line {number}")),
            pair: Pair::default(),
            sent: Stamp::from_nanos(0),
            ready: Stamp::from_nanos(0),
            deaf: Vec::new(),
            busy: Stamp::from_nanos(0),
            injected: BTreeMap::new(),
        }
    }

    /// How long so many characters take.
    pub fn characters(&self, count: usize) -> Span {
        self.settings.characters(count)
    }

    /// The silence between frames.
    pub fn silence(&self) -> Span {
        self.settings.silence()
    }

    /// When the meter has heard a whole question that begins at this time.
    pub fn heard_at(&self, at: Stamp, question: &[u8]) -> Stamp {
        at + self.characters(question.len())
    }

    /// What was done to the traffic so far, and how often.
    pub fn injected(&self) -> &BTreeMap<Fault, u64> {
        &self.injected
    }

    /// We send a question; gives what the meters hear of it.
    pub fn ask(&mut self, at: Stamp, question: &[u8]) -> Vec<u8> {
        // One byte after the other, though a pseudo-terminal hands them over faster than any wire.
        let at = at.max(self.sent);
        let end = self.pair.send(at, question, self.settings);
        self.sent = end;
        // Through swapped wires the adapter would hear itself the right way round, and everybody else not.
        if !self.rules.echo || self.rules.swapped {
            self.deaf.push((at, end));
        } else if self.seed.happens(self.rules.echo_altered) {
            // Somebody else speaks at the same time: one low bit more, for the adapter and for the meter.
            self.note(Fault::EchoAltered);
            let place = at + self.characters(question.len() / 2) + self.part(3);
            self.pair.hold(place, place + self.characters(1));
        }
        self.meters_hear(at, end)
    }

    /// Another master on the line sends a question; gives what the meters hear of it.
    pub fn ask_elsewhere(&mut self, at: Stamp, question: &[u8]) -> Vec<u8> {
        let end = self.pair.send(at, question, self.meters);
        let (heard, _) = self.pair.hear_between(self.meters, at..end + self.characters(1), &mut || false);
        heard.into_iter().filter(|one| one.error.is_none()).map(|one| one.byte).collect()
    }

    fn meters_hear(&mut self, at: Stamp, end: Stamp) -> Vec<u8> {
        let (flip, bit_errors) = (self.rules.flip, self.rules.bit_errors);
        let seed = &mut self.seed;
        let span = at..end + self.meters.characters(1);
        let swapped = self.rules.swapped.then(|| self.pair.swapped(at - OLD, span.end));
        let pair = swapped.as_ref().unwrap_or(&self.pair);
        let (heard, _) = pair.hear_between(self.meters, span, &mut || seed.happens(bit_errors));
        let mut bytes: Vec<u8> =
            heard.into_iter().filter(|one| one.error.is_none()).map(|one| one.byte).collect();
        if spoil(seed, flip, &mut bytes) {
            self.note(Fault::QuestionFlipped);
        }
        bytes
    }

    /// A meter answers a question that ended at `asked`, `turnaround` later. `None`: no meter answers. What comes of it on
    /// the pair is up to the rules; gives when the answer began and what was done to it.
    pub fn answer(&mut self, asked: Stamp, answer: Option<&[u8]>, turnaround: Span) -> Spoken {
        let Some(answer) = answer else { return Spoken::default() };
        let mut done = Vec::new();
        if self.seed.happens(self.rules.silent) {
            self.note(Fault::Silent);
            return Spoken { span: None, faults: vec![Fault::Silent] };
        }
        let mut start = asked + turnaround.max(self.silence());
        start += Span::from_seconds(self.rules.jitter.seconds() * self.seed.unit());
        if self.seed.happens(self.rules.late) {
            start += self.rules.late_by;
            done.push(Fault::Late);
        }
        start = start.max(self.busy + self.silence());
        start = self.before(start, answer, &mut done);
        let mut bytes = answer.to_vec();
        if self.seed.happens(self.rules.half) {
            bytes.truncate(1 + self.seed.bits() as usize % (answer.len() - 1).max(1));
            done.push(Fault::Half(bytes.len()));
        }
        let whole = bytes.len() == answer.len();
        if spoil(&mut self.seed, self.rules.flip, &mut bytes) {
            done.push(Fault::Flipped);
        }
        self.busy = self.pair.send(start, &bytes, self.meters);
        // Heard alone, a second unit is the unit at that address, for anybody on the line: it speaks beside a whole answer.
        if self.seed.happens(self.rules.twin) && whole {
            // A second unit of the same address, with other values, a little slower.
            let twin = twin(answer);
            let after = start + self.meters.characters(1 + self.seed.bits() as usize % 3);
            self.busy = self.busy.max(self.pair.send(after, &twin, self.meters));
            done.push(Fault::Twin);
        }
        for fault in &done {
            self.note(*fault);
        }
        Spoken { span: Some((start, self.busy)), faults: done }
    }

    /// What stands on the pair before an answer; gives when the answer itself begins.
    fn before(&mut self, start: Stamp, answer: &[u8], done: &mut Vec<Fault>) -> Stamp {
        let mut start = start;
        if self.seed.happens(self.rules.noise) {
            let count = 1 + (self.seed.bits() % 4) as usize;
            let noise: Vec<u8> = (0..count).map(|_| self.seed.bits() as u8).collect();
            start = self.pair.send(start, &noise, self.meters) + self.meters.characters(3);
            done.push(Fault::Noise);
        }
        if self.seed.happens(self.rules.breaks) {
            let end = start + self.meters.characters(3);
            self.pair.hold(start, end);
            start = end + self.meters.characters(2);
            done.push(Fault::Break);
        }
        if self.seed.happens(self.rules.foreign) {
            // An answer of another unit, to a question nobody here asked.
            let foreign = foreign(&mut self.seed, answer);
            start = self.pair.send(start, &foreign, self.meters) + self.silence();
            done.push(Fault::Foreign);
        }
        start
    }

    /// What the adapter has handed on by `until`.
    pub fn hear(&mut self, until: Stamp) -> Vec<Arrival> {
        let (bit_errors, seed) = (self.rules.bit_errors, &mut self.seed);
        let from = self.ready;
        let swapped = self.rules.swapped.then(|| self.pair.swapped(from - OLD, until));
        // An adapter that does not hear itself takes the line for idle while it sends.
        let pair = swapped.as_ref().unwrap_or(&self.pair).idle_in(&self.deaf);
        let (received, ready) =
            pair.hear_between(self.settings, from..until, &mut || seed.happens(bit_errors));
        // What began a character before the end is over by now.
        self.ready = ready.max(until - self.characters(1) + Span::from_nanos(1));
        let arrivals = self.hand_on(&received);
        self.pair.forget(self.ready - OLD);
        self.deaf.retain(|(_, end)| *end >= self.ready - OLD);
        arrivals
    }

    /// Everything that is on the pair by now and to come; for callers that do not step through time.
    pub fn hear_all(&mut self) -> Vec<Arrival> {
        let end = self.pair.end().unwrap_or(self.ready) + self.settings.characters(2);
        self.hear(end)
    }

    /// When the next thing happens on the pair that the adapter has not heard yet: a time to `hear` until.
    pub fn next(&self) -> Option<Stamp> {
        let edge = self.pair.edge_from(self.ready)?;
        Some(edge + self.settings.characters(1))
    }

    /// So many tenths of a character.
    fn part(&self, tenths: i64) -> Span {
        Span::from_nanos(self.characters(1).nanos() * tenths / 10)
    }

    fn note(&mut self, fault: Fault) {
        *self.injected.entry(fault.kind()).or_default() += 1;
    }

    /// What the adapter hands over at once: what came between two ticks of its timer, or, without one, what stood on the
    /// pair without a gap. Good and bad bytes apart.
    fn hand_on(&self, received: &[Received]) -> Vec<Arrival> {
        let tick = self.rules.lump.nanos();
        let bad = if self.settings.parity == Parity::None { WireError::Framing } else { WireError::Parity };
        let half_bit = Span::from_nanos(500_000_000 / i64::from(self.settings.baud.max(1)));
        let mut last = Stamp::from_nanos(0);
        let mut arrivals: Vec<Arrival> = Vec::new();
        for one in received {
            let here = one.at + half_bit;
            let apart = (here - last) * 2 > self.characters(3);
            let at = match (tick > 0, arrivals.last()) {
                (true, _) => {
                    Stamp::from_nanos(here.nanos().div_euclid(tick).saturating_add(1).saturating_mul(tick))
                }
                (false, Some(open)) if !apart => open.at,
                (false, _) => here,
            };
            last = here;
            let error = one.error.map(|error| if one.byte == 0 { WireError::Break } else { error });
            let error = error.map(|error| if error == WireError::Break { error } else { bad });
            let error = error.filter(|_| self.rules.marks);
            match arrivals.last_mut() {
                Some(open) if open.at == at && open.error == error => open.bytes.push(one.byte),
                _ => arrivals.push(Arrival { at, bytes: vec![one.byte], error }),
            }
        }
        arrivals
    }
}

/// Turns one bit of some bytes; whether of any.
fn spoil(seed: &mut Seed, flip: f64, bytes: &mut [u8]) -> bool {
    let mut any = false;
    if flip > 0.0 {
        for byte in bytes {
            if seed.happens(flip) {
                *byte ^= 1 << (seed.bits() % 8);
                any = true;
            }
        }
    }
    any
}

/// The answer of a second unit with the same address: every register another.
fn twin(answer: &[u8]) -> Vec<u8> {
    let pdu: Vec<u8> = answer[1..answer.len() - 2]
        .iter()
        .enumerate()
        .map(|(at, byte)| if at < 2 { *byte } else { byte ^ 0x5A })
        .collect();
    crate::wire::rtu::encode(answer[0], &pdu)
}

/// An answer like this one from another unit.
fn foreign(seed: &mut Seed, answer: &[u8]) -> Vec<u8> {
    let registers = 1 + seed.bits() as usize % 8;
    let mut pdu = vec![answer.get(1).copied().unwrap_or(4) & 0x7F, 2 * registers as u8];
    pdu.extend((0..2 * registers).map(|_| seed.bits() as u8));
    let unit = answer.first().copied().unwrap_or(1);
    crate::wire::rtu::encode(if unit < 200 { unit + 40 } else { unit - 40 }, &pdu)
}

#[cfg(test)]
mod tests;
