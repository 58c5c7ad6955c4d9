//! Answers that a line still owes. A question stayed without an answer; should the answer come after all, it could pass
//! for that of a later question of the same unit, function and count. RTU has no number to tell them apart. Modbus TCP has
//! one, so a silence there puts nothing in doubt; but a gateway that says its unit kept silent (exception 11) may get that
//! answer after all, on wires where there is no number.
//!
//! What is owed is written off, and later answers are believed again, when
//! - it comes, as an answer that nobody waits for;
//! - the unit answers a question that was certainly asked later: units answer in order, so it would have come before;
//! - the line brings nothing for a minute;
//! - two cycles end clean: an answer with nothing but silence behind it, for three times what answers usually take;
//! - where only the same question is in doubt: it is answered twice in a time that answers took before, each with silence
//!   behind it for as long as the slowest of those. A unit that is one question late has the next one waiting, and goes on
//!   with it at once.
//!
//! The same question asked again is at risk too: the answer would be about the same registers, but of an earlier moment.
//! So the master asks something else of the unit first, a separator (`master/separator.rs`): once that is answered, the
//! order of answers shows that nothing is owed. Another master that is only listened to does no such thing, and what is on
//! the same wires as its unit keeps no queue: there only the first answer after the silence is in doubt.

use super::times::{SILENCE, Times};
use crate::base::Stamp;
use crate::wire::heard;

/// Different questions remembered on one line; no meter has so many that stay without an answer within a cycle or two.
const MOST: usize = 32;
/// Clean ends of cycles that write an owed answer off.
const CLEAN: u8 = 2;

#[derive(Clone, Debug, Default)]
pub(in crate::link) struct Owed {
    list: Vec<Debt>,
    /// End of the last bytes that came from units, and whether they were an answer with nothing wrong since.
    last: Option<Stamp>,
    clean: bool,
}

/// Answers that may yet come.
#[derive(Clone, Debug)]
struct Debt {
    unit: u8,
    /// The questions it may answer: the one that went unanswered, and those since whose answer may have been its.
    questions: Vec<Vec<u8>>,
    /// Whether their answers carry its number, so that none passes for another's.
    numbered: bool,
    /// How many may come.
    answers: u8,
    /// End of the first of these questions, and of the last.
    first: Stamp,
    since: Stamp,
    clean: u8,
    /// Whether an answer that may have been it has come since.
    met: bool,
    /// Answers to the same question since, one after the other, that took what answers usually take, and were followed by
    /// as much silence.
    usual: u8,
    /// Whether the last answer was such a one, but for the silence.
    was_usual: bool,
}

impl Debt {
    fn may_be(&self, unit: u8, answer: &[u8]) -> bool {
        self.unit == unit && self.questions.iter().any(|question| heard::fits(question, answer))
    }
}

impl Owed {
    /// A question ended at `since` and stayed without an answer, which would be `numbered` or not.
    pub(super) fn owe(&mut self, unit: u8, question: &[u8], since: Stamp, numbered: bool) {
        let same = |debt: &&mut Debt| debt.unit == unit && debt.questions == [question];
        if let Some(debt) = self.list.iter_mut().find(same) {
            debt.answers = debt.answers.saturating_add(1);
            debt.numbered &= numbered;
            (debt.since, debt.clean, debt.met, debt.usual) = (since, 0, false, 0);
            return;
        }
        if self.list.len() == MOST {
            self.list.remove(0);
        }
        self.list.push(Debt {
            unit,
            questions: vec![question.to_vec()],
            numbered,
            answers: 1,
            first: since,
            since,
            clean: 0,
            met: false,
            usual: 0,
            was_usual: false,
        });
    }

    /// A question is asked at `now`: writes off what silence up to here shows not to be coming.
    pub(super) fn pass(&mut self, now: Stamp, times: &Times) {
        let last = self.last;
        let quiet = |since: Stamp| now - last.map_or(since, |last| last.max(since));
        self.list.retain(|debt| quiet(debt.since) < SILENCE);
        let paused = last.is_some_and(|last| now - last >= times.service());
        for debt in self.list.iter_mut().filter(|debt| debt.met) {
            debt.usual = if paused && std::mem::take(&mut debt.was_usual) { debt.usual + 1 } else { 0 };
        }
        self.list.retain(|debt| debt.usual < CLEAN);
        if self.clean && last.is_some_and(|last| now - last >= times.pause()) {
            self.clean = false;
            for debt in &mut self.list {
                debt.clean += u8::from(last.is_some_and(|last| last > debt.since));
            }
            self.list.retain(|debt| debt.clean < CLEAN);
        }
    }

    /// Bytes of a unit ended at `end`.
    pub(super) fn heard(&mut self, at: Stamp, end: Stamp) {
        self.last = self.last.max(Some(end.max(at)));
    }

    /// Something went wrong: the cycle is not clean.
    pub(super) fn disturbed(&mut self) {
        self.clean = false;
        for debt in &mut self.list {
            debt.clean = 0;
        }
    }

    /// An answer came that nobody waits for; if it was owed, tells since when.
    pub(super) fn came(&mut self, unit: u8, answer: &[u8]) -> Option<Stamp> {
        self.clean = false;
        let place = self.list.iter().position(|debt| debt.may_be(unit, answer))?;
        let debt = &mut self.list[place];
        debt.answers -= 1;
        let since = debt.since;
        if debt.answers == 0 {
            self.list.remove(place);
        }
        Some(since)
    }

    /// A question that ended at `asked`, `ours` or another master's, got an answer that fits it, in a `usual` time or not;
    /// tells whether that may be one owed to an earlier question.
    pub(super) fn answered(
        &mut self,
        (unit, question): (u8, &[u8]),
        asked: Stamp,
        answer: &[u8],
        (ours, usual): (bool, bool),
    ) -> bool {
        self.clean = true;
        let mut suspect = false;
        // the earliest question that this may be the answer to
        let mut earliest = asked;
        for debt in self.list.iter_mut().filter(|debt| !debt.numbered && debt.may_be(unit, answer)) {
            let other = debt.questions.iter().any(|owed| owed != question && heard::fits(owed, answer));
            suspect |= ours || other || !debt.met;
            debt.met = true;
            debt.was_usual = usual && !other;
            earliest = earliest.min(debt.first);
            if !debt.questions.iter().any(|owed| owed == question) {
                debt.questions.push(question.to_vec());
            }
            debt.since = debt.since.max(asked);
        }
        self.list.retain(|debt| debt.unit != unit || debt.since >= earliest || debt.may_be(unit, answer));
        // A refusal tells less than an answer of whose it is: while anything is owed, this one's own may still come.
        if heard::is_exception(answer) && self.list.iter().any(|debt| debt.unit == unit && !debt.numbered) {
            self.owe(unit, question, asked, false);
        }
        suspect
    }

    /// Whether the answer to this question, asked now, could be one that is owed.
    pub(in crate::link) fn risks(&self, unit: u8, question: &[u8]) -> bool {
        self.alike(unit, question).next().is_some()
    }

    /// Whether an answer to `separator`, asked now, would show that nothing is owed any more that could pass for the
    /// answer to `question`: what it could be confused with was asked after all of that.
    pub(in crate::link) fn separates(&self, unit: u8, question: &[u8], separator: &[u8]) -> bool {
        let last = self.alike(unit, question).map(|debt| debt.since).max();
        !heard::alike(question, separator)
            && self.alike(unit, separator).all(|debt| last.is_some_and(|last| debt.first > last))
    }

    fn alike(&self, unit: u8, question: &[u8]) -> impl Iterator<Item = &Debt> {
        let at_risk = move |debt: &&Debt| {
            debt.unit == unit && debt.questions.iter().any(|owed| heard::alike(owed, question))
        };
        self.list.iter().filter(at_risk)
    }
}
