//! What a line has shown so far: who is asked what, and what is still to be answered. It decides whether bytes with a
//! good CRC are believed to be a frame.

use std::collections::VecDeque;

use super::super::super::event::Direction;
use crate::wire::heard;

/// What speaks for a frame beside its CRC, the weakest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Proof {
    /// A question, and nothing: to be held back.
    None,
    /// An answer nobody is known to have asked for, of a unit and function heard before.
    Known,
    /// A question of a unit and function heard before, or sent by this program.
    Question,
    /// A question held back or given up before, asked again.
    Repetition,
    /// Our own question coming back.
    Echo,
    /// Fits a question that went without an answer.
    Late,
    /// Fits the question before it.
    Answer,
    /// Fits the question held back.
    HeldAnswer,
}

/// A question that is to be answered.
#[derive(Debug)]
pub(super) struct Question {
    pub(super) unit: u8,
    pub(super) pdu: Vec<u8>,
    pub(super) direction: Direction,
    /// Place behind its last byte.
    pub(super) end: usize,
    pub(super) echoed: bool,
    pub(super) damaged: bool,
}

impl Question {
    /// Length of the whole answer frame with this function code, where it is fixed.
    pub(super) fn answer_length(&self, function: u8) -> Option<usize> {
        if function == self.pdu[0] | 0x80 {
            return Some(5);
        }
        heard::answer_length(&self.pdu).map(|length| length + 3)
    }

    /// Whether these bytes (three or more) start as the answer or its exception must.
    pub(super) fn starts_answer(&self, bytes: &[u8]) -> bool {
        bytes.len() >= 3 && self.may_start_answer(bytes)
    }

    /// Whether these bytes, as far as they go, start as the answer or its exception must.
    pub(super) fn may_start_answer(&self, bytes: &[u8]) -> bool {
        let Some(&unit) = bytes.first() else { return true };
        if unit != self.unit {
            return false;
        }
        let Some(&function) = bytes.get(1) else { return true };
        if function == self.pdu[0] | 0x80 {
            return bytes.get(2).is_none_or(|code| matches!(code, 1..=8 | 10 | 11));
        }
        let counted = matches!(function, 1..=4 | 23);
        let count = heard::answer_length(&self.pdu).map_or(0, |length| length - 2);
        function == self.pdu[0] && (!counted || bytes.get(2).is_none_or(|&byte| usize::from(byte) == count))
    }
}

/// Questions that went without an answer, whose late answers are still believed.
const MOST_OWED: usize = 8;
/// Questions held back that are remembered, and for how many bytes: a minute of a full line at 9600 baud. Chance makes a
/// few of them in 10 MB of noise, and would in time make two alike.
const MOST_ONCE: usize = 16;
const REMEMBERED: usize = 1 << 16;

#[derive(Debug)]
pub(super) struct Beliefs {
    pending: Option<Question>,
    owed: VecDeque<Question>,
    /// For each unit the functions heard, as bits.
    known: Box<[u128; 256]>,
    /// Unit, PDU and place of questions that nothing vouched for, the last one latest.
    once: VecDeque<(u8, Vec<u8>, usize)>,
    /// Unit and PDU of the question held back last.
    held: (u8, Vec<u8>),
}

impl Default for Beliefs {
    fn default() -> Self {
        Self {
            pending: None,
            owed: VecDeque::new(),
            known: Box::new([0; 256]),
            once: VecDeque::new(),
            held: (0, Vec::new()),
        }
    }
}

impl Beliefs {
    /// The question to be answered next.
    pub(super) fn pending(&self) -> Option<&Question> {
        self.pending.as_ref()
    }

    /// Whether an answer of this unit could be believed at all; `held`: a question is held back.
    pub(super) fn was_asked(&self, unit: u8, held: bool) -> bool {
        self.known[usize::from(unit)] != 0 || (held && self.held.0 == unit)
    }

    /// What speaks for a question with a good CRC that ends at `end`; `None` when it is inconsistent in itself.
    pub(super) fn request(&self, unit: u8, pdu: &[u8], direction: Direction, end: usize) -> Option<Proof> {
        let addressed = match unit {
            0 => heard::may_be_broadcast(pdu[0]),
            248.. => direction == Direction::Out,
            _ => true,
        };
        if !addressed || !heard::consistent(heard::Part::Request, pdu) {
            return None;
        }
        if direction == Direction::Out || self.is_known(unit, pdu[0]) {
            return Some(Proof::Question);
        }
        let again = self.once.iter().any(|(other, earlier, place)| {
            end - place <= REMEMBERED && is_repetition((*other, earlier), (unit, pdu))
        });
        Some(if again { Proof::Repetition } else { Proof::None })
    }

    /// What speaks for an answer with a good CRC; `None` when nothing does. `after_held`: the question held back ended
    /// before it began.
    pub(super) fn response(
        &self,
        unit: u8,
        pdu: &[u8],
        direction: Direction,
        after_held: bool,
    ) -> Option<Proof> {
        let may_answer = |question: &Question| {
            question.unit == unit && (question.direction == Direction::In || direction == Direction::In)
        };
        if after_held && self.held.0 == unit {
            // an answer of another length than asked for shows all the same that somebody asked
            let same = self.held.1.first() == pdu.first();
            if heard::fits(&self.held.1, pdu) || (same && heard::consistent(heard::Part::Response, pdu)) {
                return Some(Proof::HeldAnswer);
            }
        }
        if self.pending.as_ref().is_some_and(|asked| may_answer(asked) && heard::fits(&asked.pdu, pdu)) {
            return Some(Proof::Answer);
        }
        if self.owed.iter().any(|asked| may_answer(asked) && heard::fits(&asked.pdu, pdu)) {
            return Some(Proof::Late);
        }
        let known = direction == Direction::In
            && self.is_known(unit, pdu[0])
            && heard::consistent(heard::Part::Response, pdu);
        known.then_some(Proof::Known)
    }

    /// Notes a question held back; one that nothing vouches for may be vouched for by a later one.
    pub(super) fn hold(&mut self, unit: u8, pdu: &[u8], end: usize, vouched: bool) {
        self.held.0 = unit;
        self.held.1.clear();
        self.held.1.extend_from_slice(pdu);
        if !vouched {
            if self.once.len() == MOST_ONCE {
                self.once.pop_front();
            }
            self.once.push_back((unit, pdu.to_vec(), end));
        }
    }

    /// Whether the question held back last and this one vouch for each other.
    pub(super) fn repeats_held(&self, unit: u8, pdu: &[u8]) -> bool {
        is_repetition((self.held.0, &self.held.1), (unit, pdu))
    }

    /// A question is believed.
    pub(super) fn asked(&mut self, unit: u8, pdu: &[u8], direction: Direction, end: usize) {
        self.known[usize::from(unit)] |= 1 << (pdu[0] & 0x7F);
        self.once.retain(|(other, earlier, _)| (*other, earlier.as_slice()) != (unit, pdu));
        let (same, owed) = (
            |asked: &Question| asked.unit == unit && asked.pdu == pdu && asked.direction == direction,
            &mut self.owed,
        );
        if let Some(unanswered) = self.pending.as_mut().filter(|asked| same(asked)) {
            // asked again: one of the two is owed
            (unanswered.end, unanswered.echoed, unanswered.damaged) = (end, false, false);
            if !owed.iter().any(same) {
                owe(owed, Question { pdu: pdu.to_vec(), ..*unanswered });
            }
            return;
        }
        let question = Question { unit, pdu: pdu.to_vec(), direction, end, echoed: false, damaged: false };
        if let Some(unanswered) = self.pending.replace(question) {
            owe(owed, unanswered);
        }
    }

    /// An answer is believed.
    pub(super) fn answered(&mut self, unit: u8, pdu: &[u8]) {
        let fits = |asked: &Question| asked.unit == unit && heard::fits(&asked.pdu, pdu);
        if self.pending.as_ref().is_some_and(fits) {
            self.pending = None;
        } else if let Some(index) = self.owed.iter().position(fits) {
            self.owed.remove(index);
        }
    }

    /// Our question came back.
    pub(super) fn echoed(&mut self) {
        if let Some(question) = &mut self.pending {
            question.echoed = true;
        }
    }

    /// Something like the answer came, spoilt.
    pub(super) fn damaged(&mut self) {
        if let Some(question) = &mut self.pending {
            question.damaged = true;
        }
    }

    /// Whether this unit has been asked by this function.
    pub(super) fn is_known(&self, unit: u8, function: u8) -> bool {
        self.known[usize::from(unit)] >> (function & 0x7F) & 1 == 1
    }
}

fn owe(owed: &mut VecDeque<Question>, question: Question) {
    if owed.len() == MOST_OWED {
        owed.pop_front();
    }
    owed.push_back(question);
}

/// Whether a question heard earlier and one heard now vouch for each other.
fn is_repetition((unit, pdu): (u8, &[u8]), (now_unit, now_pdu): (u8, &[u8])) -> bool {
    match (unit == now_unit, pdu == now_pdu) {
        (true, true) => true,
        (true, false) => pdu[0] == now_pdu[0] && heard::is_strong(pdu[0]),
        // the same question to one unit after another: somebody searches
        (false, true) => pdu.len() > 1,
        (false, false) => false,
    }
}
