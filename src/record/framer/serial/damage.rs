//! Answers that came spoilt: recognised by their head, told as damaged.

use super::Serial;
use crate::record::event::{Direction, Record, StrayWhy};
use crate::wire::rtu;

/// Bad-CRC answers to one question for which a better reading is looked for before they are told at once.
const LOOKS: u8 = 8;

impl Serial {
    /// Where among the bytes up to `end` the answer due seems to stand, spoilt or cut off.
    pub(super) fn damaged_answer(&self, end: usize) -> Option<(usize, usize)> {
        let question = self.beliefs.pending().filter(|question| !question.damaged)?;
        if self.direction == Direction::Out || end < self.head + 3 || self.head < question.end {
            return None;
        }
        let bytes = self.tape.slice(self.head, end);
        let found = bytes.windows(3).position(|start| question.starts_answer(start));
        let (from, length) = match found {
            Some(offset) => (offset, question.answer_length(bytes[offset + 1])),
            None => (0, question.answer_length(question.pdu[0]).filter(|&due| due == bytes.len())),
        };
        let length = length.or(found.map(|offset| bytes.len() - offset))?;
        Some((self.head + from, end.min(self.head + from + length)))
    }

    /// Whether a whole candidate with a bad CRC has just the head that the answer to our own question must have. On a
    /// line only heard, the next question may already stand in these bytes, and nobody waits for the news.
    pub(super) fn mimics(&self, start: usize, place: usize) -> bool {
        self.looks < LOOKS
            && self.held.is_none()
            && self.direction == Direction::In
            && self.beliefs.pending().is_some_and(|question| {
                question.direction == Direction::Out
                    && !question.damaged
                    && start >= question.end
                    && question.starts_answer(self.tape.slice(start, place))
                    && question.answer_length(self.tape.byte(start + 1)) == Some(place - start)
            })
    }

    /// Tells a spoilt answer at once, unless the answer itself may have begun elsewhere in these bytes.
    pub(super) fn tell_damaged(&mut self, start: usize, place: usize, out: &mut Vec<Record>) {
        self.looks += 1;
        let Some(question) = self.beliefs.pending() else { return };
        let from = self.floor.max(place.saturating_sub(rtu::LONGEST - 1));
        let better = (from..place).filter(|&other| other != start).any(|other| {
            let bytes = self.tape.slice(other, place);
            let whole = bytes.get(1).and_then(|&function| question.answer_length(function));
            question.may_start_answer(bytes) && whole.is_none_or(|length| bytes.len() < length)
        });
        if better {
            return;
        }
        self.beliefs.damaged();
        self.tell(start, StrayWhy::Noise, out);
        self.tell(place, StrayWhy::Damaged, out);
        self.floor = place;
    }
}
