//! Two masters on one line: a master waits for the answer to its question, or for its time-out; a question that begins before
//! the unit asked ahead of it could have answered, by the fastest it has ever been, is another master's.

use std::collections::BTreeMap;

use crate::base::{Span, Stamp};
use crate::link::transaction::{Outcome, Transaction};

/// Answers of a unit before its fastest counts for anything. Ours.
const KNOWN: u32 = 5;

/// Questions of each line, in the order in which they settle.
#[derive(Debug, Default)]
pub(super) struct Masters {
    /// By line and unit: its answers, and the least time from a question's first byte to the answer's.
    fastest: BTreeMap<(u16, u8), (u32, Span)>,
    /// By line: the last question, while it has no answer.
    open: BTreeMap<u16, (Stamp, u8)>,
    cut_in: u64,
}

impl Masters {
    pub(super) fn take(&mut self, transaction: &Transaction) {
        let (line, asked_at) = (transaction.line, transaction.asked_at);
        if let Some((earlier, unit)) = self.open.remove(&line)
            && let Some((answers, fastest)) = self.fastest.get(&(line, unit))
        {
            self.cut_in += u64::from(*answers >= KNOWN && asked_at - earlier < *fastest);
        }
        let unit = transaction.asked.unit;
        match transaction.outcome {
            Outcome::Answer { at, .. } | Outcome::Exception { at, .. } if !transaction.suspect => {
                let (answers, fastest) =
                    self.fastest.entry((line, unit)).or_insert((0, Span::from_millis(60_000)));
                *answers = answers.saturating_add(1);
                *fastest = (*fastest).min(at - asked_at);
            }
            // Nobody answers what goes to everybody.
            Outcome::Silence if unit != 0 => {
                self.open.insert(line, (asked_at, unit));
            }
            _ => {}
        }
    }

    /// Questions that cut in on another that could not be answered yet.
    pub(super) fn cut_in(&self) -> u64 {
        self.cut_in
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::Asked;

    /// Questions in order: when, and after how many ms it was answered.
    fn cut_in(questions: impl Iterator<Item = (i64, Option<i64>)>) -> u64 {
        let mut masters = Masters::default();
        for (at, answered) in questions {
            let at = Stamp::from_micros(at * 1000);
            let outcome = answered.map_or(Outcome::Silence, |after| Outcome::Exception {
                at: at + Span::from_millis(after),
                code: 2,
            });
            let asked = Asked { unit: 1, function: 3, address: 0, count: 2 };
            masters.take(&Transaction {
                line: 0,
                asked_at: at,
                asked,
                outcome,
                latency: None,
                suspect: false,
            });
        }
        masters.cut_in()
    }

    #[test]
    fn one_master_with_silences_and_repeats_is_one_and_a_question_that_cuts_in_is_another_s() {
        // 30 ms from question to answer; every tenth stays without one and is repeated after 100 ms
        let alone = (0..100).map(|turn| (turn * 500, Some(30))).chain([(50_000, None), (50_100, Some(30))]);
        assert_eq!(cut_in(alone), 0);
        let two = (0..100).map(|turn| (turn * 500, Some(30))).chain([(50_000, None), (50_020, Some(30))]);
        assert_eq!(cut_in(two), 1);
        // before anything is known of the unit's pace
        assert_eq!(cut_in([(0, None), (20, Some(30))].into_iter()), 0);
    }
}
