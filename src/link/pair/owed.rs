//! Answers that a line still owes. A question stayed without an answer; should the answer come after all, it could pass
//! for that of a later question of the same unit, function and count. RTU has no number to tell them apart.
//!
//! What is owed is written off, and later answers are believed again, when
//! - it comes, as an answer that nobody waits for;
//! - the unit answers a question that was certainly asked later: units answer in order, so it would have come before;
//! - the line brings nothing for ten seconds, and three times the worst answer so far;
//! - two cycles end clean: an answer with nothing but silence behind it, for three times what answers usually take.
//!
//! The same question asked again is not at risk: whichever answer comes, it is about the same registers.

use super::times::Times;
use crate::base::Stamp;
use crate::wire::heard;

/// Different questions remembered on one line; no meter has so many that stay without an answer within a cycle or two.
const MOST: usize = 32;
/// Clean ends of cycles that write an owed answer off.
const CLEAN: u8 = 2;

#[derive(Debug, Default)]
pub(super) struct Owed {
    list: Vec<Debt>,
    /// End of the last bytes that came from units, and whether they were an answer with nothing wrong since.
    last: Option<Stamp>,
    clean: bool,
}

/// Answers that may yet come.
#[derive(Debug)]
struct Debt {
    unit: u8,
    /// The questions it may answer: the one that went unanswered, and those since whose answer may have been its.
    questions: Vec<Vec<u8>>,
    /// How many may come.
    answers: u8,
    /// End of the first of these questions, and of the last.
    first: Stamp,
    since: Stamp,
    clean: u8,
}

impl Debt {
    fn may_be(&self, unit: u8, answer: &[u8]) -> bool {
        self.unit == unit && self.questions.iter().any(|question| heard::fits(question, answer))
    }
}

impl Owed {
    /// A question ended at `since` and stayed without an answer.
    pub(super) fn owe(&mut self, unit: u8, question: &[u8], since: Stamp) {
        let same = |debt: &&mut Debt| debt.unit == unit && debt.questions == [question];
        if let Some(debt) = self.list.iter_mut().find(same) {
            debt.answers = debt.answers.saturating_add(1);
            (debt.since, debt.clean) = (since, 0);
            return;
        }
        if self.list.len() == MOST {
            self.list.remove(0);
        }
        self.list.push(Debt {
            unit,
            questions: vec![question.to_vec()],
            answers: 1,
            first: since,
            since,
            clean: 0,
        });
    }

    /// A question is asked at `now`: writes off what silence up to here shows not to be coming.
    pub(super) fn pass(&mut self, now: Stamp, times: &Times) {
        let last = self.last;
        let quiet = |since: Stamp| now - last.map_or(since, |last| last.max(since));
        self.list.retain(|debt| quiet(debt.since) < times.silence());
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

    /// A question that ended at `asked` got an answer that fits it; tells whether that may be one owed to another
    /// question.
    pub(super) fn answered(&mut self, unit: u8, question: &[u8], asked: Stamp, answer: &[u8]) -> bool {
        self.clean = true;
        let mut suspect = false;
        // the earliest question that this may be the answer to
        let mut earliest = asked;
        for debt in self.list.iter_mut().filter(|debt| debt.may_be(unit, answer)) {
            suspect |= debt.questions.iter().any(|owed| owed != question && heard::fits(owed, answer));
            earliest = earliest.min(debt.first);
            if !debt.questions.iter().any(|owed| owed == question) {
                debt.questions.push(question.to_vec());
            }
            debt.since = debt.since.max(asked);
        }
        self.list.retain(|debt| debt.unit != unit || debt.since >= earliest || debt.may_be(unit, answer));
        suspect
    }
}
