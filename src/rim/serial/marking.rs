//! Undoing the driver's marking of bad bytes (`PARMRK`, termios(3)): `ff ff` stands for a true `ff`, `ff 00 x` for a byte
//! `x` that came with a parity or framing error, `ff 00 00` for a break.

use crate::profile::{Parity, SerialSettings};
use crate::record::WireError;

/// Bytes that came one after the other, all good or all bad in the same way.
pub type Run = (Vec<u8>, Option<WireError>);

/// Undoes the marking across reads of any size.
#[derive(Clone, Debug)]
pub struct Unmark {
    state: State,
    bad: WireError,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Plain,
    Escape,
    Marked,
}

impl Unmark {
    /// The driver does not say which error it was: with parity on it is called parity, else framing.
    pub fn new(settings: SerialSettings) -> Self {
        let bad = if settings.parity == Parity::None { WireError::Framing } else { WireError::Parity };
        Self { state: State::Plain, bad }
    }

    /// What the driver handed over, as bytes of the line.
    pub fn undo(&mut self, raw: &[u8]) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        for &byte in raw {
            match (self.state, byte) {
                (State::Plain, 0xff) => self.state = State::Escape,
                (State::Plain, _) => push(&mut runs, byte, None),
                (State::Escape, 0x00) => self.state = State::Marked,
                (State::Escape, _) => {
                    self.state = State::Plain;
                    push(&mut runs, 0xff, None);
                    // Anything but a second ff is no marking: a driver that marks nothing would send it plain.
                    if byte != 0xff {
                        push(&mut runs, byte, None);
                    }
                }
                (State::Marked, _) => {
                    self.state = State::Plain;
                    push(&mut runs, byte, Some(if byte == 0 { WireError::Break } else { self.bad }));
                }
            }
        }
        runs
    }
}

fn push(runs: &mut Vec<Run>, byte: u8, error: Option<WireError>) {
    match runs.last_mut() {
        Some((bytes, last)) if *last == error => bytes.push(byte),
        _ => runs.push((vec![byte], error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As termios(3) describes the driver's side; 0x00 with an error is reported the same way as a break.
    fn mark(bytes: &[(u8, bool)]) -> Vec<u8> {
        let mut out = Vec::new();
        for &(byte, bad) in bytes {
            match (byte, bad) {
                (_, true) => out.extend([0xff, 0x00, byte]),
                (0xff, false) => out.extend([0xff, 0xff]),
                (_, false) => out.push(byte),
            }
        }
        out
    }

    proptest::proptest! {
        #[test]
        fn what_was_marked_comes_back_whatever_the_reads(
            line in proptest::collection::vec((proptest::prop_oneof![proptest::prelude::any::<u8>(), proptest::prelude::Just(0xff), proptest::prelude::Just(0)], proptest::bool::weighted(0.2)), 0..60),
            cut in 1_usize..7,
        ) {
            let raw = mark(&line);
            let mut unmark = Unmark::new(SerialSettings::default());
            let runs: Vec<Run> = raw.chunks(cut).flat_map(|chunk| unmark.undo(chunk)).collect();
            let back: Vec<(u8, bool)> =
                runs.into_iter().flat_map(|(bytes, error)| bytes.into_iter().map(move |byte| (byte, error.is_some()))).collect();
            proptest::prop_assert_eq!(back, line);
        }
    }

    #[test]
    fn a_bad_byte_is_parity_where_parity_is_on_and_a_zero_is_a_break() {
        let even = SerialSettings { parity: Parity::Even, ..SerialSettings::default() };
        assert_eq!(Unmark::new(even).undo(&[0xff, 0x00, 0x41]), [(vec![0x41], Some(WireError::Parity))]);
        let none = SerialSettings::default();
        assert_eq!(Unmark::new(none).undo(&[0xff, 0x00, 0x41]), [(vec![0x41], Some(WireError::Framing))]);
        assert_eq!(Unmark::new(none).undo(&[0xff, 0x00, 0x00]), [(vec![0x00], Some(WireError::Break))]);
    }
}
